//! What is kept of a stretch of time: the written form of minute rows and ten-minute rows.
//!
//! Mean, least and largest are 32-bit numbers, the spread about the mean a 16-bit one (three digits of a small share
//! of the mean are enough). Counts and measured times are the same for most columns of a meter, so they are
//! written as runs. A column without samples has no numbers at all: absent is not zero.

use super::{Error, Result, codec};
use kvarden_core::measurand::Kind;
use kvarden_core::time::EventTime;
use kvarden_core::window::Pane;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Written form of the rows.
const FORMAT: u8 = 2;

/// The form before it, without the spread.
const FORMAT_WITHOUT_SPREAD: u8 = 1;

/// The most columns that a stored row may claim: far more than any meter has, little enough to hold in memory.
pub(super) const MOST_COLUMNS: usize = 4096;

/// A spread below this share of the mean is rounding of the sums, not of what was measured.
const LEAST_SPREAD: f64 = 1e-6;

/// Rows of one meter whose columns mean the same.
#[derive(Debug, Clone, PartialEq)]
pub struct MinuteRun {
    /// What each column means: keys of quantities, as they were called when they were stored.
    pub series: Arc<[String]>,
    /// Start of the minute (or of the ten minutes), and one per series.
    pub rows: Vec<(EventTime, Vec<PaneRow>)>,
}

/// What is kept of a pane.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PaneRow {
    /// Mean weighted by time; `None` without samples.
    pub mean: Option<f64>,
    /// The least sample.
    pub min: Option<f64>,
    /// The largest sample.
    pub max: Option<f64>,
    /// Root of the mean of the squares; `None` without samples, and where it was not kept.
    pub rms: Option<f64>,
    /// Number of samples.
    pub count: u32,
    /// Time that the samples stand for, in milliseconds.
    pub covered_ms: u32,
}

impl From<&Pane> for PaneRow {
    fn from(pane: &Pane) -> Self {
        Self {
            mean: pane.mean(),
            min: pane.min(),
            max: pane.max(),
            rms: pane.rms(),
            count: pane.count,
            covered_ms: pane.covered_ms,
        }
    }
}

impl PaneRow {
    /// One row of what several rows say, in order of time. How means merge depends on the kind of number.
    pub(super) fn merged<'a>(kind: Kind, parts: &(impl Iterator<Item = &'a Self> + Clone)) -> Self {
        let sum =
            |number: fn(&Self) -> u32| parts.clone().fold(0u32, |sum, part| sum.saturating_add(number(part)));
        let (count, covered_ms) = (sum(|part| part.count), sum(|part| part.covered_ms));
        let weighted = |value: &dyn Fn(&Self) -> Option<f64>| -> Option<f64> {
            let parts = parts.clone().filter(|part| part.mean.is_some() && part.covered_ms > 0);
            let (mut total, mut weight) = (0.0, 0.0);
            for part in parts {
                total += value(part)? * f64::from(part.covered_ms);
                weight += f64::from(part.covered_ms);
            }
            (weight > 0.0).then(|| total / weight)
        };
        let (min, max) = if kind == Kind::Counter {
            // A counter's row holds its first and last reading.
            (parts.clone().find_map(|part| part.min), parts.clone().filter_map(|part| part.max).last())
        } else {
            let extreme = |value: fn(&Self) -> Option<f64>, pick: fn(f64, f64) -> f64| {
                parts.clone().filter_map(value).reduce(pick)
            };
            (extreme(|part| part.min, f64::min), extreme(|part| part.max, f64::max))
        };
        let mean = match kind {
            Kind::Level | Kind::Flag => weighted(&|part| part.mean),
            Kind::Angle => {
                let sine = weighted(&|part| part.mean.map(|degrees| degrees.to_radians().sin()));
                let cosine = weighted(&|part| part.mean.map(|degrees| degrees.to_radians().cos()));
                sine.zip(cosine).map(|(sine, cosine)| sine.atan2(cosine).to_degrees())
            }
            Kind::Counter => None,
        };
        let rms = match kind {
            Kind::Level => weighted(&|part| part.rms.map(|rms| rms * rms)).map(f64::sqrt),
            Kind::Flag | Kind::Angle | Kind::Counter => None,
        };
        Self { mean, min, max, rms, count, covered_ms }
    }

    /// Adds what came late of the same minute. Together they stand for no more time than a minute, or than the one that
    /// was known stood for.
    pub(super) fn add_late(&mut self, kind: Kind, late: &Self) {
        if late.count == 0 {
            return;
        }
        if self.count == 0 {
            *self = *late;
            return;
        }
        // Of a counter the first and the latest reading are kept, and where the late ones stand is not known.
        if kind == Kind::Counter {
            return;
        }
        let most = self.covered_ms.max(super::minutes::MINUTE.0 as u32);
        let parts = [*self, *late];
        *self = Self::merged(kind, &parts.iter());
        self.covered_ms = self.covered_ms.min(most);
    }

    /// The spread about the mean, so that a 16-bit number of it is enough for the root of the squares.
    fn spread(&self) -> Option<f64> {
        let (mean, rms) = (self.mean?, self.rms?);
        let spread = (rms * rms - mean * mean).max(0.0).sqrt();
        Some(if spread <= mean.abs() * LEAST_SPREAD { 0.0 } else { spread })
    }
}

/// The upper half of a 32-bit number: its range, three of its digits. All ones: not kept.
fn half(value: Option<f64>) -> [u8; 2] {
    let Some(value) = value else { return [0xFF; 2] };
    // Rounded to the nearest; a spread is never so large that this overflows.
    let bits = (value as f32).to_bits().saturating_add(0x8000);
    ((bits >> 16) as u16).to_le_bytes()
}

fn whole(half: [u8; 2]) -> Option<f64> {
    let value = f32::from_bits(u32::from(u16::from_le_bytes(half)) << 16);
    value.is_finite().then(|| f64::from(value))
}

#[derive(Debug, Serialize, Deserialize)]
struct Written {
    format: u8,
    series: u32,
    /// Columns, count and measured milliseconds of each.
    runs: Vec<(u32, u32, u32)>,
    /// Mean, least, largest and spread of the columns that have samples.
    values: Vec<([f32; 3], [u8; 2])>,
}

#[derive(Debug, Serialize, Deserialize)]
struct WrittenWithoutSpread {
    format: u8,
    series: u32,
    runs: Vec<(u32, u32, u32)>,
    values: Vec<[f32; 3]>,
}

/// Writes a row whose columns are those of `series`.
pub(super) fn encode(series: u32, panes: impl Iterator<Item = PaneRow>, bytes: &mut Vec<u8>) -> Result<()> {
    let mut runs: Vec<(u32, u32, u32)> = Vec::new();
    let mut values = Vec::with_capacity(panes.size_hint().0);
    for pane in panes {
        match runs.last_mut() {
            Some((columns, count, covered)) if (*count, *covered) == (pane.count, pane.covered_ms) => {
                *columns += 1;
            }
            _ => runs.push((1, pane.count, pane.covered_ms)),
        }
        if pane.count > 0 {
            let number = |value: Option<f64>| value.map_or(f32::NAN, |value| value as f32);
            values.push(([number(pane.mean), number(pane.min), number(pane.max)], half(pane.spread())));
        }
    }
    bytes.clear();
    codec::add(&Written { format: FORMAT, series, runs, values }, bytes)
}

/// Reads a row of `table`: the number of its series, and one for each column.
pub(super) fn decode(table: &'static str, body: &[u8]) -> Result<(u32, Vec<PaneRow>)> {
    let damaged = |why: &str| Error::row(table, why);
    let unreadable = |error: postcard::Error| Error::row(table, error);
    let written: Written = match body.first() {
        Some(&FORMAT) => postcard::from_bytes(body).map_err(unreadable)?,
        Some(&FORMAT_WITHOUT_SPREAD) => {
            let old: WrittenWithoutSpread = postcard::from_bytes(body).map_err(unreadable)?;
            let values = old.values.into_iter().map(|numbers| (numbers, half(None))).collect();
            Written { format: FORMAT, series: old.series, runs: old.runs, values }
        }
        _ => return Err(damaged("its written form is unknown")),
    };
    let columns: usize = written.runs.iter().map(|run| run.0 as usize).sum();
    if columns > MOST_COLUMNS {
        return Err(damaged("it claims too many columns"));
    }
    let mut values = written.values.into_iter();
    let mut panes = Vec::with_capacity(columns);
    for (columns, count, covered_ms) in written.runs {
        for _ in 0..columns {
            if count == 0 {
                panes.push(PaneRow { covered_ms, ..PaneRow::default() });
                continue;
            }
            let ([mean, min, max], spread) = values.next().ok_or_else(|| damaged("it ends too early"))?;
            let kept = |value: f32| (!value.is_nan()).then_some(f64::from(value));
            let (mean, spread) = (kept(mean), whole(spread));
            let rms = mean.zip(spread).map(|(mean, spread)| mean.hypot(spread));
            panes.push(PaneRow { mean, min: kept(min), max: kept(max), rms, count, covered_ms });
        }
    }
    Ok((written.series, panes))
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::time::Span;

    fn pane(values: &[f64]) -> PaneRow {
        let mut pane = Pane::EMPTY;
        for value in values {
            pane.push(*value, Span::seconds(1));
        }
        PaneRow::from(&pane)
    }

    #[test]
    fn a_damaged_row_is_an_error_and_no_panic() {
        let panes = [pane(&[1.5]), PaneRow::default(), pane(&[1.5])];
        let mut bytes = Vec::new();
        encode(7, panes.into_iter(), &mut bytes).unwrap();
        for cut in 0..bytes.len() {
            assert!(decode("minute", &bytes[..cut]).is_err(), "cut at {cut}");
        }
        for index in 0..bytes.len() {
            for bit in 0..8 {
                let mut flipped = bytes.clone();
                flipped[index] ^= 1 << bit;
                let _ = decode("minute", &flipped);
            }
        }
        let huge = Written { format: FORMAT, series: 1, runs: vec![(u32::MAX, 0, 0); 3], values: vec![] };
        let mut bytes = Vec::new();
        codec::add(&huge, &mut bytes).unwrap();
        assert!(decode("minute", &bytes).is_err());
    }

    #[test]
    fn rows_of_the_form_before_are_read_without_a_root_of_squares() {
        let old = WrittenWithoutSpread {
            format: FORMAT_WITHOUT_SPREAD,
            series: 3,
            runs: vec![(1, 60, 60_000), (1, 0, 0)],
            values: vec![[230.5, 228.0, 231.0]],
        };
        let mut bytes = Vec::new();
        codec::add(&old, &mut bytes).unwrap();
        let (series, panes) = decode("minute", &bytes).unwrap();
        assert_eq!(series, 3);
        assert_eq!((panes[0].mean, panes[0].rms, panes[0].count), (Some(230.5), None, 60));
        assert_eq!(panes[1], PaneRow::default());
    }

    #[test]
    fn the_root_of_squares_comes_back_within_a_thousandth() {
        // Ten seconds of a motor that starts: by hand, squares (5·600² + 5·100²) / 10 = 185 000.
        let values = [600.0, 600.0, 600.0, 600.0, 600.0, 100.0, 100.0, 100.0, 100.0, 100.0];
        let mut bytes = Vec::new();
        encode(1, [pane(&values), pane(&[230.0; 60])].into_iter(), &mut bytes).unwrap();
        let (_, panes) = decode("minute", &bytes).unwrap();
        let rms = panes[0].rms.unwrap();
        assert!((rms / 185_000f64.sqrt() - 1.0).abs() < 1e-3, "{rms}");
        assert_eq!(panes[1].rms, Some(230.0), "what stands still has no spread");
    }

    #[test]
    fn angles_merge_as_phasors_and_counters_keep_first_and_last() {
        let (before, after) = (pane(&[359.0]), pane(&[1.0]));
        let angle = PaneRow::merged(Kind::Angle, &[before, after].iter());
        assert!(angle.mean.unwrap().abs() < 1e-9, "{angle:?}");
        let counter = PaneRow::merged(Kind::Counter, &[pane(&[900.0]), pane(&[10.0])].iter());
        assert_eq!((counter.mean, counter.min, counter.max), (None, Some(900.0), Some(10.0)));
        let none = PaneRow::merged(Kind::Level, &[PaneRow::default()].iter());
        assert_eq!(none, PaneRow::default(), "absent is not zero");
    }
}
