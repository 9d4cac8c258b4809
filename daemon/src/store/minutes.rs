//! Closed minutes: one row a meter and minute, mean, least and largest of each column as 32-bit numbers.
//!
//! Counts and measured shares are the same for most columns of a meter, so they are written as runs. A column
//! without samples has no numbers at all: absent is not zero.

use super::names::Names;
use super::{Error, Result, Store, codec};
use kvarden_core::measurand::Quantity;
use kvarden_core::time::{EventTime, Span};
use kvarden_core::window::Pane;
use rusqlite::{Connection, OptionalExtension};
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use std::sync::Arc;

const MINUTE: Span = Span::minutes(1);

/// Written form of the rows.
const FORMAT: u8 = 1;

/// The most columns that a stored row may claim: far more than any meter has, little enough to hold in memory.
const MOST_COLUMNS: usize = 4096;

/// A closed minute of one meter.
#[derive(Debug, Clone, PartialEq)]
pub struct MinuteRow {
    /// The meter's name.
    pub meter: Arc<str>,
    /// What each pane is of. The same `Arc` for every row of a meter makes it cheap.
    pub series: Arc<[Quantity]>,
    /// Start of the minute.
    pub minute: EventTime,
    /// One per series.
    pub panes: Box<[Pane]>,
}

/// Minutes of one meter in a row whose columns mean the same.
#[derive(Debug, Clone, PartialEq)]
pub struct MinuteRun {
    /// What each column means: keys of quantities, as they were called when they were stored.
    pub series: Arc<[String]>,
    /// Start of the minute, and one per series.
    pub rows: Vec<(EventTime, Vec<PaneRow>)>,
}

/// What is kept of a pane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PaneRow {
    /// Mean weighted by time; `None` without samples.
    pub mean: Option<f64>,
    /// The least sample.
    pub min: Option<f64>,
    /// The largest sample.
    pub max: Option<f64>,
    /// Number of samples.
    pub count: u32,
    /// Time that the samples stand for, in milliseconds.
    pub covered_ms: u32,
}

#[derive(Debug, Serialize, Deserialize)]
struct Written {
    format: u8,
    series: u32,
    /// Columns, count and measured milliseconds of each.
    runs: Vec<(u32, u32, u32)>,
    /// Mean, least and largest of the columns that have samples.
    values: Vec<[f32; 3]>,
}

fn encode(series: u32, panes: &[Pane], bytes: &mut Vec<u8>) -> Result<()> {
    let mut runs: Vec<(u32, u32, u32)> = Vec::new();
    let mut values = Vec::with_capacity(panes.len());
    for pane in panes {
        match runs.last_mut() {
            Some((columns, count, covered)) if (*count, *covered) == (pane.count, pane.covered_ms) => {
                *columns += 1;
            }
            _ => runs.push((1, pane.count, pane.covered_ms)),
        }
        if let (Some(min), Some(max)) = (pane.min(), pane.max()) {
            values.push([pane.mean().map_or(f32::NAN, |mean| mean as f32), min as f32, max as f32]);
        }
    }
    bytes.clear();
    codec::add(&Written { format: FORMAT, series, runs, values }, bytes)
}

fn decode(body: &[u8]) -> Result<(u32, Vec<PaneRow>)> {
    let damaged = |why: &str| Error::row("minute", why);
    if body.first() != Some(&FORMAT) {
        return Err(damaged("its written form is unknown"));
    }
    let written: Written = postcard::from_bytes(body).map_err(|error| Error::row("minute", error))?;
    let columns: usize = written.runs.iter().map(|run| run.0 as usize).sum();
    if columns > MOST_COLUMNS {
        return Err(damaged("it claims too many columns"));
    }
    let mut values = written.values.into_iter();
    let mut panes = Vec::with_capacity(columns);
    for (columns, count, covered_ms) in written.runs {
        for _ in 0..columns {
            let [mean, min, max] = if count == 0 {
                [f32::NAN; 3]
            } else {
                values.next().ok_or_else(|| damaged("it ends too early"))?
            };
            let kept = |value: f32| (!value.is_nan()).then_some(f64::from(value));
            panes.push(PaneRow { mean: kept(mean), min: kept(min), max: kept(max), count, covered_ms });
        }
    }
    Ok((written.series, panes))
}

/// The minute's number since the epoch, where it can be a key.
pub(super) fn minute_number(minute: EventTime) -> Option<u32> {
    u32::try_from(minute.0.div_euclid(MINUTE.0)).ok()
}

/// The key of a row.
pub(super) fn key(meter: u32, minute: u32) -> i64 {
    i64::from(meter) << 32 | i64::from(minute)
}

/// Appends rows; what is there already stays. Gives how many could not be stored.
pub(super) fn append(db: &Connection, names: &mut Names, rows: &[MinuteRow]) -> Result<usize> {
    let mut insert = db.prepare_cached("INSERT OR IGNORE INTO minute VALUES (?1, ?2)")?;
    let mut bytes = Vec::new();
    let mut refused = 0;
    for row in rows {
        let shape_fits = row.panes.len() == row.series.len() && row.panes.len() <= MOST_COLUMNS;
        let Some(minute) = minute_number(row.minute).filter(|_| shape_fits) else {
            refused += 1;
            continue;
        };
        let (meter, series) = names.series(db, &row.meter, &row.series, minute)?;
        encode(series, &row.panes, &mut bytes)?;
        insert.execute((key(meter, minute), &bytes))?;
    }
    Ok(refused)
}

impl Store {
    /// The stored minutes of a meter that begin from `from` up to, not including, `to`, in order of time. A
    /// new run begins where the meaning of the columns changes.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn minutes(&self, meter: &str, from: EventTime, to: EventTime) -> Result<Vec<MinuteRun>> {
        let Some(meter) = self.meter_number(meter)? else { return Ok(Vec::new()) };
        let bound =
            |at: EventTime| (at + Span(MINUTE.0 - 1)).0.div_euclid(MINUTE.0).clamp(0, i64::from(u32::MAX));
        let base = key(meter, 0);
        let sql = "SELECT key, body FROM minute WHERE key >= ?1 AND key < ?2 ORDER BY key";
        let mut statement = self.db.prepare_cached(sql)?;
        let mut rows = statement.query((base + bound(from), base + bound(to)))?;
        let mut known: HashMap<u32, Arc<[String]>> = HashMap::new();
        let mut runs: Vec<(u32, MinuteRun)> = Vec::new();
        while let Some(row) = rows.next()? {
            let minute = EventTime((row.get::<_, i64>(0)? & i64::from(u32::MAX)) * MINUTE.0);
            let body = row.get_ref(1)?.as_blob().map_err(|error| Error::row("minute", error))?;
            let (series, panes) = decode(body)?;
            if runs.last().is_none_or(|(last, _)| *last != series) {
                let keys = match known.get(&series) {
                    Some(keys) => Arc::clone(keys),
                    None => self.series_keys(series)?,
                };
                known.insert(series, Arc::clone(&keys));
                runs.push((series, MinuteRun { series: keys, rows: Vec::new() }));
            }
            if let Some((_, run)) = runs.last_mut() {
                run.rows.push((minute, panes));
            }
        }
        Ok(runs.into_iter().map(|(_, run)| run).collect())
    }

    fn meter_number(&self, name: &str) -> Result<Option<u32>> {
        let mut statement = self.db.prepare_cached("SELECT id FROM meter WHERE name = ?1")?;
        Ok(statement.query_row([name], |row| row.get(0)).optional()?)
    }

    fn series_keys(&self, series: u32) -> Result<Arc<[String]>> {
        let mut statement = self.db.prepare_cached("SELECT keys FROM series WHERE id = ?1")?;
        let text: String = statement.query_row([series], |row| row.get(0))?;
        Ok(codec::fact::<Vec<String>>("series", &text)?.into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_damaged_row_is_an_error_and_no_panic() {
        let mut pane = Pane::EMPTY;
        pane.push(1.5, Span::seconds(1));
        let mut bytes = Vec::new();
        encode(7, &[pane, Pane::EMPTY, pane], &mut bytes).unwrap();
        for cut in 0..bytes.len() {
            assert!(decode(&bytes[..cut]).is_err(), "cut at {cut}");
        }
        for index in 0..bytes.len() {
            for bit in 0..8 {
                let mut flipped = bytes.clone();
                flipped[index] ^= 1 << bit;
                let _ = decode(&flipped);
            }
        }
        let huge = Written { format: FORMAT, series: 1, runs: vec![(u32::MAX, 0, 0); 3], values: vec![] };
        let mut bytes = Vec::new();
        codec::add(&huge, &mut bytes).unwrap();
        assert!(decode(&bytes).is_err());
    }
}
