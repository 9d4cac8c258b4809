//! The packed form of a recording.
//!
//! Column by column, each value as the difference of its bits from the value before, byte by byte of all values
//! together: what moves little becomes runs of zeros. Then deflated, with a checksum.

use super::{Error, Result, codec};
use kvarden_core::measurand::Quantity;
use kvarden_core::reading::Sample;
use kvarden_core::time::{EventTime, Span};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::sync::Arc;

/// Written form.
const FORMAT: u8 = 1;

/// The most bytes that a packed recording may claim to hold: the most values that are written, and their times.
const MOST_BYTES: usize = 96 << 20;

/// How hard to pack: 1 to 10; 6 is the usual middle.
const EFFORT: u8 = 6;

/// Bytes of a value.
const WIDTH: usize = 8;

/// The readings of one meter in a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordedMeter {
    /// The meter's name.
    pub meter: String,
    /// What each value means: keys of quantities, as they were called when they were recorded.
    pub series: Vec<String>,
    /// In the order in which they were judged; `None` where there was no value.
    pub readings: Vec<(EventTime, Vec<Option<f64>>)>,
}

/// The same while it is gathered.
#[derive(Debug)]
pub(super) struct Recorded {
    meter: Arc<str>,
    series: Vec<String>,
    times: Vec<i64>,
    /// Row by row, as many as there are series.
    values: Vec<f64>,
}

#[derive(Serialize, Deserialize)]
struct Written {
    meter: String,
    series: Vec<String>,
    /// Milliseconds since the reading before.
    steps: Vec<i64>,
    planes: Vec<u8>,
}

impl Recorded {
    pub(super) fn new(meter: &Arc<str>, series: &[Quantity]) -> Self {
        let series = series.iter().map(Quantity::to_string).collect();
        Self { meter: Arc::clone(meter), series, times: Vec::new(), values: Vec::new() }
    }

    pub(super) fn is_of(&self, meter: &str) -> bool {
        &*self.meter == meter
    }

    /// Takes a reading; of one with more or fewer values than there are points, what fits.
    pub(super) fn push(&mut self, at: EventTime, values: &[Sample]) {
        self.times.push(at.0);
        let value = |index: usize| values.get(index).and_then(|sample| sample.get()).unwrap_or(f64::NAN);
        self.values.extend((0..self.series.len()).map(value));
    }

    /// Moves its stamps, unless they are the meter's own.
    pub(super) fn shift(&mut self, by: Span, themselves: &BTreeSet<String>) {
        if !themselves.contains(&*self.meter) {
            self.times.iter_mut().for_each(|time| *time = time.saturating_add(by.0));
        }
    }

    fn written(&self) -> Written {
        let mut before = 0;
        let step = |time: &i64| time.wrapping_sub(std::mem::replace(&mut before, *time));
        Written {
            meter: self.meter.to_string(),
            series: self.series.clone(),
            steps: self.times.iter().map(step).collect(),
            planes: planes(&self.values, self.series.len()),
        }
    }
}

fn planes(values: &[f64], columns: usize) -> Vec<u8> {
    let rows = values.len().checked_div(columns).unwrap_or(0);
    let mut planes = vec![0; values.len() * WIDTH];
    for column in 0..columns {
        let mut before = 0;
        for row in 0..rows {
            let bits = values[row * columns + column].to_bits();
            let bytes = (bits ^ std::mem::replace(&mut before, bits)).to_le_bytes();
            for (plane, byte) in bytes.into_iter().enumerate() {
                planes[plane * values.len() + column * rows + row] = byte;
            }
        }
    }
    planes
}

/// The other way; `planes` holds `rows * columns` values.
fn values(planes: &[u8], columns: usize, rows: usize) -> Vec<Vec<Option<f64>>> {
    let count = rows * columns;
    let mut values = vec![vec![None; columns]; rows];
    for column in 0..columns {
        let mut bits = 0;
        for (row, values) in values.iter_mut().enumerate() {
            let byte = |plane: usize| planes[plane * count + column * rows + row];
            bits ^= u64::from_le_bytes(std::array::from_fn(byte));
            let value = f64::from_bits(bits);
            values[column] = (!value.is_nan()).then_some(value);
        }
    }
    values
}

pub(super) fn pack(meters: &[Recorded]) -> Result<Vec<u8>> {
    let written: Vec<Written> = meters.iter().map(Recorded::written).collect();
    packed(&written)
}

fn packed(written: &Vec<Written>) -> Result<Vec<u8>> {
    let mut plain = Vec::new();
    codec::add(written, &mut plain)?;
    let mut body = vec![FORMAT];
    body.extend(miniz_oxide::deflate::compress_to_vec_zlib(&plain, EFFORT));
    Ok(body)
}

/// The same recording with its stamps moved, but for those that meters made themselves.
pub(super) fn moved(body: &[u8], by: Span, themselves: &BTreeSet<String>) -> Result<Vec<u8>> {
    let mut written = unpacked(body)?;
    for meter in written.iter_mut().filter(|meter| !themselves.contains(&meter.meter)) {
        // The first step is from the epoch.
        if let Some(first) = meter.steps.first_mut() {
            *first = first.saturating_add(by.0);
        }
    }
    packed(&written)
}

fn unpacked(body: &[u8]) -> Result<Vec<Written>> {
    let damaged = |why: &str| Error::row("recording", why);
    let Some((&FORMAT, packed)) = body.split_first() else {
        return Err(damaged("its written form is unknown"));
    };
    let plain = miniz_oxide::inflate::decompress_to_vec_zlib_with_limit(packed, MOST_BYTES)
        .map_err(|error| Error::row("recording", error))?;
    postcard::from_bytes(&plain).map_err(|error| Error::row("recording", error))
}

pub(super) fn unpack(body: &[u8]) -> Result<Vec<RecordedMeter>> {
    let damaged = |why: &str| Error::row("recording", why);
    unpacked(body)?
        .into_iter()
        .map(|written| {
            let (columns, rows) = (written.series.len(), written.steps.len());
            if rows.checked_mul(columns).and_then(|count| count.checked_mul(WIDTH))
                != Some(written.planes.len())
            {
                return Err(damaged("its values do not fit its times"));
            }
            let mut at = 0i64;
            let times = written.steps.iter().map(|step| {
                at = at.wrapping_add(*step);
                EventTime(at)
            });
            let readings = times.zip(values(&written.planes, columns, rows)).collect();
            Ok(RecordedMeter { meter: written.meter, series: written.series, readings })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::measurand::Measurand;
    use kvarden_core::phases::Place;

    #[test]
    fn what_was_recorded_comes_back_bit_by_bit_and_absent_stays_absent() {
        let series = [Quantity::at(Measurand::Current, Place::A), Quantity::whole(Measurand::Frequency)];
        let mut meter = Recorded::new(&"MP-3".into(), &series);
        for second in 0..240 {
            let current = f64::from((100.0 + f64::from(second).sin()) as f32);
            meter.push(
                EventTime(1_000_000 + i64::from(second) * 1000),
                &[Sample::new(current), Sample::ABSENT],
            );
        }
        let empty = Recorded::new(&"silent".into(), &series);
        let body = pack(&[meter, empty]).unwrap();
        assert!(body.len() < 240 * 6, "{} bytes", body.len());
        let meters = unpack(&body).unwrap();
        assert_eq!(meters[0].series, ["current_a.A", "frequency_hz"]);
        for (second, (at, values)) in meters[0].readings.iter().enumerate() {
            assert_eq!(at.0, 1_000_000 + second as i64 * 1000);
            let current = f64::from((100.0 + (second as f64).sin()) as f32);
            assert_eq!(values, &[Some(current), None]);
        }
        assert_eq!((meters[0].readings.len(), meters[1].readings.len()), (240, 0));
        for cut in 0..body.len() {
            assert!(unpack(&body[..cut]).is_err(), "cut at {cut}");
        }
        for index in 0..body.len() {
            let mut flipped = body.clone();
            flipped[index] ^= 0x10;
            assert!(unpack(&flipped).is_err(), "the checksum does not see a flip at {index}");
        }
    }
}
