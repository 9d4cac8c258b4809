//! Closed minutes: one row a meter and minute.

use super::names::Names;
use super::panes::{self, MOST_COLUMNS, MinuteRun, PaneRow};
use super::{Error, Result, Store, codec, undated};
use kvarden_core::measurand::Quantity;
use kvarden_core::time::{EventTime, Span};
use kvarden_core::window::Pane;
use rusqlite::{Connection, OptionalExtension};
use std::collections::HashMap;
use std::sync::Arc;

/// Length of a row.
pub(super) const MINUTE: Span = Span::minutes(1);

/// Rows read in one query: a few milliseconds' worth.
const PIECE: usize = 2000;

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
    /// It came too late to be judged: it is added to what is stored of that minute. Unlike any other row it may not be
    /// told twice, so what a restart brings out again of it is dropped: see [`crate::restore`].
    pub late: bool,
    /// Our clock dated it while it was not trusted: it waits for its date, see `undated`.
    pub guessed: bool,
}

/// A row that was not there before: the numbers of its meter and minute.
pub(super) type Added = (u32, u32);

/// The minute's number since the epoch, where it can be a key.
pub(super) fn minute_number(minute: EventTime) -> Option<u32> {
    u32::try_from(minute.0.div_euclid(MINUTE.0)).ok()
}

/// The key of a row: of a meter, and the how-manieth minute (or ten minutes) since the epoch.
pub(super) fn key(meter: u32, number: u32) -> i64 {
    i64::from(meter) << 32 | i64::from(number)
}

/// Appends rows, or keeps them until they are dated; what is there already stays. Gives those that are new, and how many
/// could not be stored.
pub(super) fn append(db: &Connection, names: &mut Names, rows: &[MinuteRow]) -> Result<(Vec<Added>, usize)> {
    let mut insert = db.prepare_cached("INSERT OR IGNORE INTO minute VALUES (?1, ?2)")?;
    let mut bytes = Vec::new();
    let mut added = Vec::with_capacity(rows.len());
    let mut refused = 0;
    for row in rows {
        let shape_fits = row.panes.len() == row.series.len() && row.panes.len() <= MOST_COLUMNS;
        let Some(minute) = minute_number(row.minute).filter(|_| shape_fits) else {
            refused += 1;
            continue;
        };
        let (meter, series) = names.series(db, &row.meter, &row.series, minute)?;
        if row.guessed {
            panes::encode(series, row.panes.iter().map(PaneRow::from), &mut bytes)?;
            undated::put(db, (meter, row.minute), &bytes)?;
            continue;
        }
        if row.late && is_there(db, key(meter, minute))? {
            match with_late(db, key(meter, minute), row)? {
                Some((series, whole)) => {
                    panes::encode(series, whole.into_iter(), &mut bytes)?;
                    let mut update = db.prepare_cached("UPDATE minute SET body = ?2 WHERE key = ?1")?;
                    update.execute((key(meter, minute), &bytes))?;
                    added.push((meter, minute));
                }
                None => refused += 1,
            }
            continue;
        }
        panes::encode(series, row.panes.iter().map(PaneRow::from), &mut bytes)?;
        if insert.execute((key(meter, minute), &bytes))? > 0 {
            added.push((meter, minute));
        }
    }
    Ok((added, refused))
}

fn is_there(db: &Connection, key: i64) -> Result<bool> {
    let mut statement = db.prepare_cached("SELECT EXISTS (SELECT 1 FROM minute WHERE key = ?1)")?;
    Ok(statement.query_row([key], |row| row.get(0))?)
}

/// The stored row with what came late; `None` if its columns mean something else or it can't be read.
fn with_late(db: &Connection, key: i64, late: &MinuteRow) -> Result<Option<(u32, Vec<PaneRow>)>> {
    let mut statement = db.prepare_cached("SELECT body FROM minute WHERE key = ?1")?;
    let body: Vec<u8> = statement.query_row([key], |row| row.get(0))?;
    let Ok((series, mut kept)) = panes::decode("minute", &body) else { return Ok(None) };
    let keys = series_keys(db, series)?;
    let same = keys.len() == late.series.len()
        && keys.iter().zip(&*late.series).all(|(key, quantity)| Quantity::from_key(key) == Some(*quantity));
    if !same {
        return Ok(None);
    }
    for ((kept, pane), quantity) in kept.iter_mut().zip(&late.panes).zip(&*late.series) {
        kept.add_late(quantity.what.kind(), &PaneRow::from(pane));
    }
    Ok(Some((series, kept)))
}

impl Store {
    /// The stored minutes of a meter that begin from `from` up to, not including, `to`, in order of time. A
    /// new run begins where the meaning of the columns changes.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn minutes(&self, meter: &str, from: EventTime, to: EventTime) -> Result<Vec<MinuteRun>> {
        self.rows("minute", MINUTE, meter, from, to)
    }

    /// The rows of a meter in `table`, each of which is `long`.
    pub(super) fn rows(
        &self,
        table: &'static str,
        long: Span,
        meter: &str,
        from: EventTime,
        to: EventTime,
    ) -> Result<Vec<MinuteRun>> {
        let Some(meter) = self.meter_number(meter)? else { return Ok(Vec::new()) };
        let bound =
            |at: EventTime| (at + Span(long.0 - 1)).0.div_euclid(long.0).clamp(0, i64::from(u32::MAX));
        let base = key(meter, 0);
        let (mut begin, end) = (base + bound(from), base + bound(to));
        // In pieces, so that no single query of a reader lasts long, however long the span is.
        let sql =
            format!("SELECT key, body FROM {table} WHERE key >= ?1 AND key < ?2 ORDER BY key LIMIT {PIECE}");
        let mut known: HashMap<u32, Arc<[String]>> = HashMap::new();
        let mut runs: Vec<(u32, MinuteRun)> = Vec::new();
        loop {
            let mut statement = self.prepare(&sql)?;
            let mut rows = statement.query((begin, end))?;
            let before = begin;
            while let Some(row) = rows.next()? {
                let key: i64 = row.get(0)?;
                begin = key + 1;
                let start = EventTime((key & i64::from(u32::MAX)) * long.0);
                let body = row.get_ref(1)?.as_blob().map_err(|error| Error::row(table, error))?;
                let (series, panes) = panes::decode(table, body)?;
                if runs.last().is_none_or(|(last, _)| *last != series) {
                    let keys = match known.get(&series) {
                        Some(keys) => Arc::clone(keys),
                        None => series_keys(&self.db, series)?,
                    };
                    known.insert(series, Arc::clone(&keys));
                    runs.push((series, MinuteRun { series: keys, rows: Vec::new() }));
                }
                if let Some((_, run)) = runs.last_mut() {
                    run.rows.push((start, panes));
                }
            }
            if begin == before {
                break;
            }
        }
        Ok(runs.into_iter().map(|(_, run)| run).collect())
    }

    pub(super) fn meter_number(&self, name: &str) -> Result<Option<u32>> {
        let mut statement = self.prepare("SELECT id FROM meter WHERE name = ?1")?;
        Ok(statement.query_row([name], |row| row.get(0)).optional()?)
    }
}

/// What the columns of a series mean.
pub(super) fn series_keys(db: &Connection, series: u32) -> Result<Arc<[String]>> {
    let mut statement = db.prepare_cached("SELECT keys FROM series WHERE id = ?1")?;
    let text: Option<String> = statement.query_row([series], |row| row.get(0)).optional()?;
    let text = text.ok_or_else(|| Error::row("series", format!("no series {series}")))?;
    Ok(codec::fact::<Vec<String>>("series", &text)?.into())
}
