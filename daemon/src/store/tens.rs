//! Ten-minute rows, kept for years. Each is made from the minutes of its ten when the ten is over, in the
//! transaction that brings the minute by which this is seen, and anew when a minute of it comes late. So the rows
//! depend on the minutes alone, not on how they came.

use super::minutes::{Added, key, series_keys};
use super::names::Names;
use super::panes::{self, MinuteRun, PaneRow};
use super::{Error, Result, Store, minutes};
use kvarden_core::measurand::{Kind, Quantity};
use kvarden_core::time::{EventTime, Span};
use rusqlite::{Connection, OptionalExtension};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Length of a row.
pub(super) const TEN: Span = Span::minutes(10);

/// Minutes in a ten.
const MINUTES: u32 = 10;

/// Makes or refreshes the rows that the added minutes complete.
pub(super) fn close(db: &Connection, added: &[Added]) -> Result<()> {
    let mut due = BTreeSet::new();
    {
        let neighbour_of = |sql: &str, meter: u32, at: u32, end: u32| -> Result<Option<u32>> {
            let mut statement = db.prepare_cached(sql)?;
            let found: Option<i64> =
                statement.query_row((key(meter, at), key(meter, end)), |row| row.get(0)).optional()?;
            Ok(found.map(|key| key as u32))
        };
        let before = "SELECT key FROM minute WHERE key < ?1 AND key >= ?2 ORDER BY key DESC LIMIT 1";
        let after = "SELECT key FROM minute WHERE key >= ?1 AND key <= ?2 ORDER BY key LIMIT 1";
        for &(meter, minute) in added {
            let first = minute - minute % MINUTES;
            let last = first + (MINUTES - 1);
            if neighbour_of(after, meter, last, u32::MAX)?.is_some() {
                due.insert((meter, minute / MINUTES));
            }
            if let Some(earlier) = neighbour_of(before, meter, first, 0)?
                && !is_made(db, meter, earlier / MINUTES)?
            {
                due.insert((meter, earlier / MINUTES));
            }
        }
    }
    due.into_iter().try_for_each(|(meter, ten)| make(db, meter, ten))
}

/// Makes the row of a ten that a minute lies in, if it was not made; before the minute goes for want of room.
pub(super) fn make_before_loss(db: &Connection, meter: u32, minute: u32) -> Result<()> {
    let ten = minute / MINUTES;
    if is_made(db, meter, ten)? { Ok(()) } else { make(db, meter, ten) }
}

fn is_made(db: &Connection, meter: u32, ten: u32) -> Result<bool> {
    let mut statement = db.prepare_cached("SELECT EXISTS (SELECT 1 FROM ten WHERE key = ?1)")?;
    Ok(statement.query_row([key(meter, ten)], |row| row.get(0))?)
}

fn make(db: &Connection, meter: u32, ten: u32) -> Result<()> {
    let parts = parts(db, meter, ten)?;
    let Some((series, columns)) = columns(db, meter, ten, &parts)? else { return Ok(()) };
    let merged: Vec<PaneRow> = columns
        .iter()
        .map(|column| {
            let of = column.of.iter().map(|(part, index)| &parts[*part].1[*index]);
            PaneRow::merged(column.kind, &of)
        })
        .collect();
    if is_poorer(db, meter, ten, &merged)? {
        return Ok(());
    }
    let mut bytes = Vec::new();
    panes::encode(series, merged.into_iter(), &mut bytes)?;
    db.prepare_cached("INSERT OR REPLACE INTO ten VALUES (?1, ?2)")?.execute((key(meter, ten), bytes))?;
    Ok(())
}

/// Some minutes of the ten may be gone for want of room: then the row that was made of all of them stays.
fn is_poorer(db: &Connection, meter: u32, ten: u32, merged: &[PaneRow]) -> Result<bool> {
    let mut statement = db.prepare_cached("SELECT body FROM ten WHERE key = ?1")?;
    let body: Option<Vec<u8>> = statement.query_row([key(meter, ten)], |row| row.get(0)).optional()?;
    let Some(Ok((_, kept))) = body.map(|body| panes::decode("ten", &body)) else { return Ok(false) };
    let samples = |panes: &[PaneRow]| panes.iter().map(|pane| u64::from(pane.count)).sum::<u64>();
    Ok(samples(merged) < samples(&kept))
}

/// The stored minutes of a ten: series and columns of each. One that can't be read is left out, so that it holds up
/// nothing.
fn parts(db: &Connection, meter: u32, ten: u32) -> Result<Vec<(u32, Vec<PaneRow>)>> {
    let first = ten * MINUTES;
    let sql = "SELECT body FROM minute WHERE key >= ?1 AND key <= ?2 ORDER BY key";
    let mut statement = db.prepare_cached(sql)?;
    let mut rows = statement.query((key(meter, first), key(meter, first.saturating_add(MINUTES - 1))))?;
    let mut parts = Vec::with_capacity(MINUTES as usize);
    while let Some(row) = rows.next()? {
        let body = row.get_ref(0)?.as_blob().map_err(|error| Error::row("minute", error))?;
        parts.extend(panes::decode("minute", body).ok());
    }
    Ok(parts)
}

/// A column of a ten, and where it stands in the minutes.
struct Column {
    kind: Kind,
    /// Index of the minute, and of the column in it.
    of: Vec<(usize, usize)>,
}

/// The columns of a ten: those of its minutes, all of them if their meaning changed within it.
fn columns(
    db: &Connection,
    meter: u32,
    ten: u32,
    parts: &[(u32, Vec<PaneRow>)],
) -> Result<Option<(u32, Vec<Column>)>> {
    let mut meanings: BTreeMap<u32, Arc<[String]>> = BTreeMap::new();
    for (series, _) in parts {
        if !meanings.contains_key(series) {
            match series_keys(db, *series) {
                Ok(keys) => drop(meanings.insert(*series, keys)),
                // A minute whose columns are not known any more is left out like one that can't be read.
                Err(Error::Row { .. }) => {}
                Err(other) => return Err(other),
            }
        }
    }
    let Some(first) = meanings.keys().next() else { return Ok(None) };
    let mut keys: Vec<&String> = Vec::new();
    let mut columns: Vec<Column> = Vec::new();
    for (part, (series, panes)) in parts.iter().enumerate() {
        let Some(meaning) = meanings.get(series) else { continue };
        for (index, key) in meaning.iter().enumerate().take(panes.len()) {
            // Nearly always the columns are the same as in the minute before.
            let same = keys.get(index).is_some_and(|known| *known == key);
            let found = if same { Some(index) } else { keys.iter().position(|known| *known == key) };
            if let Some(column) = found {
                columns[column].of.push((part, index));
            } else {
                let kind = Quantity::from_key(key).map_or(Kind::Level, |quantity| quantity.what.facts().kind);
                keys.push(key);
                columns.push(Column { kind, of: vec![(part, index)] });
            }
        }
    }
    let series = match meanings.len() {
        1 => *first,
        _ => Names::joined_series(db, meter, &keys, ten * MINUTES)?,
    };
    Ok(Some((series, columns)))
}

impl Store {
    /// The stored tens of minutes of a meter that begin from `from` up to, not including, `to`, in order of time.
    /// The ten that is under way is not among them.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn tens(&self, meter: &str, from: EventTime, to: EventTime) -> Result<Vec<MinuteRun>> {
        self.rows("ten", TEN, meter, from, to)
    }

    /// Minutes where they are kept for the whole span and are not more than `most_rows`, else tens of minutes. With
    /// them how long each row is.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn history(
        &self,
        meter: &str,
        from: EventTime,
        to: EventTime,
        most_rows: usize,
    ) -> Result<(Span, Vec<MinuteRun>)> {
        let fits = (to.0.saturating_sub(from.0)) / minutes::MINUTE.0 <= most_rows as i64;
        if fits && !self.lacks_minutes(meter, from, to)? {
            return Ok((minutes::MINUTE, self.minutes(meter, from, to)?));
        }
        Ok((TEN, self.tens(meter, from, to)?))
    }

    /// Whether the span holds tens whose minutes are gone: tens that begin before the oldest minute.
    fn lacks_minutes(&self, meter: &str, from: EventTime, to: EventTime) -> Result<bool> {
        let Some(meter) = self.meter_number(meter)? else { return Ok(false) };
        let number = |at: EventTime, long: Span| at.0.div_euclid(long.0).clamp(0, i64::from(u32::MAX)) as u32;
        let sql = "SELECT key FROM minute WHERE key >= ?1 AND key < ?2 ORDER BY key LIMIT 1";
        let bounds = (key(meter, 0), key(meter, number(to, minutes::MINUTE)));
        let oldest: Option<i64> = self.prepare(sql)?.query_row(bounds, |row| row.get(0)).optional()?;
        let before = oldest.map_or(number(to, TEN), |key| key as u32 / MINUTES);
        let sql = "SELECT EXISTS (SELECT 1 FROM ten WHERE key >= ?1 AND key < ?2)";
        let bounds = (key(meter, number(from, TEN)), key(meter, before));
        Ok(self.prepare(sql)?.query_row(bounds, |row| row.get(0))?)
    }
}
