//! Recordings: the readings around an alarm, cut from the tail in the transaction that brings their end, and kept for
//! months. So nothing but the tail holds raw readings, and a kill can't lose one half of a recording.

use super::recorded::{self, Recorded};
use super::tail::{self, OwnedInput};
use super::{Batch, Error, Result, Store, names};
use kvarden_core::measurand::Quantity;
use kvarden_core::plant::Priority;
use kvarden_core::reading::Sample;
use kvarden_core::time::{EventTime, Span};
use rusqlite::{Connection, OptionalExtension, Row};
use std::collections::HashMap;
use std::sync::Arc;

pub use super::recorded::RecordedMeter;

/// Inputs are stored in the order of judging, and judged about when they were measured: at most so much before.
const EARLY: Span = Span::minutes(2);

/// Values in one recording: 64 MiB before it is packed. A site with 40 meters of 60 values each second comes to half
/// of it in a quarter of an hour.
const MOST_VALUES: usize = 8 << 20;

/// The share of the byte budget that recordings may take.
const SHARE: u64 = 4;

/// A recording on its way into the store.
#[derive(Debug, Clone, PartialEq)]
pub struct NewRecording {
    /// Unique for ever; a recording with an id that is there already is not made again.
    pub id: String,
    /// Whose readings.
    pub scope: String,
    /// The id of the alarm by which it began.
    pub alarm: String,
    /// First moment.
    pub from: EventTime,
    /// End; readings of this moment are not in it.
    pub to: EventTime,
    /// Of the most urgent alarm in it.
    pub priority: Priority,
    /// The input at which it was told: later ones are not in it, however the inputs were gathered.
    pub number: u64,
    /// The meters of the scope, and what each of their points means.
    pub meters: Vec<(Arc<str>, Arc<[Quantity]>)>,
    /// Its span is dated by a clock that is not trusted: it moves when that is corrected.
    pub guessed: bool,
    /// That clock was corrected by so much since: its readings are cut where they stand in the tail, then moved.
    pub moved: Span,
}

/// What is known of a recording without unpacking it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordingHead {
    /// Its id.
    pub id: String,
    /// Whose readings.
    pub scope: String,
    /// The id of the alarm by which it began.
    pub alarm: String,
    /// First moment.
    pub from: EventTime,
    /// End; readings of this moment are not in it.
    pub to: EventTime,
    /// Of the most urgent alarm in it.
    pub priority: Priority,
    /// False: the tail did not reach back to its beginning any more, or there were too many values.
    pub whole: bool,
    /// Bytes that it takes.
    pub bytes: u64,
}

/// Stores recordings, cut from the tail, which must hold the inputs up to them already.
pub(super) fn add(db: &Connection, max_bytes: u64, batch: &Batch) -> Result<()> {
    let mut known = db.prepare_cached("SELECT EXISTS (SELECT 1 FROM recording WHERE id = ?1)")?;
    let mut missing = Vec::new();
    for recording in &batch.recordings {
        if !known.query_row([&recording.id], |row| row.get::<_, bool>(0))? {
            missing.push(recording);
        }
    }
    if missing.is_empty() {
        return Ok(());
    }
    let cuts = cut(db, &missing)?;
    let mut insert = db.prepare_cached(
        "INSERT OR IGNORE INTO recording (id, scope, alarm, since, until, priority, whole, bytes, body, by_guess)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
    )?;
    for (recording, mut cut) in missing.into_iter().zip(cuts) {
        for meter in &mut cut.meters {
            meter.shift(recording.moved, batch.themselves());
        }
        let body = recorded::pack(&cut.meters)?;
        insert.execute((
            &recording.id,
            &recording.scope,
            &recording.alarm,
            (recording.from + recording.moved).0,
            (recording.to + recording.moved).0,
            level(recording.priority),
            cut.whole,
            body.len() as i64,
            &body,
            recording.guessed.then_some(1),
        ))?;
    }
    keep_share(db, max_bytes / SHARE)
}

fn level(priority: Priority) -> i64 {
    Priority::ALL.iter().position(|one| *one == priority).unwrap_or_default() as i64
}

/// What was cut for one recording.
struct Cut {
    meters: Vec<Recorded>,
    values: usize,
    whole: bool,
}

/// Cuts several recordings in one pass over the tail.
fn cut(db: &Connection, recordings: &[&NewRecording]) -> Result<Vec<Cut>> {
    let meters: HashMap<u32, Arc<str>> = names::all(db)?.into_iter().collect();
    let first = recordings.iter().map(|one| one.from).min().unwrap_or(EventTime(0)) - EARLY;
    let last = recordings.iter().map(|one| one.number).max().unwrap_or(0);
    let oldest: Option<i64> = db.query_row("SELECT min(first_now) FROM tail", (), |row| row.get(0))?;
    let mut cuts: Vec<Cut> = recordings
        .iter()
        .map(|one| Cut {
            meters: one.meters.iter().map(|(name, series)| Recorded::new(name, series)).collect(),
            values: 0,
            whole: oldest.is_some_and(|oldest| oldest <= one.from.0),
        })
        .collect();
    let sql = "SELECT first_number, first_now, body FROM tail WHERE last_now >= ?1 AND first_number <= ?2
        ORDER BY first_number";
    let mut statement = db.prepare_cached(sql)?;
    let mut rows = statement.query((first.0, last as i64))?;
    while let Some(row) = rows.next()? {
        let begin = (row.get::<_, i64>(0)? as u64, EventTime(row.get(1)?));
        let body = row.get_ref(2)?.as_blob().map_err(|error| Error::row("tail", error))?;
        let readable = tail::decode(begin, body, &meters, |record| {
            if let OwnedInput::Reading { meter, at, values } = &record.input {
                for (recording, cut) in recordings.iter().zip(&mut cuts) {
                    if record.number <= recording.number && (recording.from..recording.to).contains(at) {
                        cut.take(meter, *at, values);
                    }
                }
            }
        });
        if readable.is_err() {
            // A row that can't be read must not hold up all that comes.
            for cut in &mut cuts {
                cut.whole = false;
            }
        }
    }
    Ok(cuts)
}

impl Cut {
    fn take(&mut self, meter: &str, at: EventTime, values: &[Sample]) {
        let Some(recorded) = self.meters.iter_mut().find(|one| one.is_of(meter)) else { return };
        if self.values + values.len() > MOST_VALUES {
            self.whole = false;
            return;
        }
        self.values += values.len();
        recorded.push(at, values);
    }
}

/// Removes recordings above their share: the least urgent first, of these the oldest.
fn keep_share(db: &Connection, most: u64) -> Result<()> {
    let total: i64 = db.query_row("SELECT coalesce(sum(bytes), 0) FROM recording", (), |row| row.get(0))?;
    let mut excess = total.max(0).saturating_sub_unsigned(most);
    while excess > 0 {
        match drop_least(db, Priority::Urgent)? {
            Some(bytes) => excess -= bytes as i64,
            None => break,
        }
    }
    Ok(())
}

/// Removes the oldest of the least urgent recordings that are at most of this priority. Gives its bytes.
pub(super) fn drop_least(db: &Connection, most: Priority) -> Result<Option<u64>> {
    let sql = "DELETE FROM recording WHERE number =
        (SELECT number FROM recording WHERE priority <= ?1 ORDER BY priority, number LIMIT 1) RETURNING bytes";
    let bytes: Option<i64> = db.prepare_cached(sql)?.query_row([level(most)], |row| row.get(0)).optional()?;
    Ok(bytes.map(|bytes| bytes.max(1) as u64))
}

fn head(row: &Row<'_>) -> rusqlite::Result<RecordingHead> {
    let level: usize = row.get::<_, i64>(5)?.clamp(0, 3) as usize;
    Ok(RecordingHead {
        id: row.get(0)?,
        scope: row.get(1)?,
        alarm: row.get(2)?,
        from: EventTime(row.get(3)?),
        to: EventTime(row.get(4)?),
        priority: Priority::ALL[level],
        whole: row.get(6)?,
        bytes: row.get::<_, i64>(7)?.max(0) as u64,
    })
}

impl Store {
    /// The recordings that overlap a stretch of time, in the order of their beginnings.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn recordings(&self, from: EventTime, to: EventTime) -> Result<Vec<RecordingHead>> {
        let sql = "SELECT id, scope, alarm, since, until, priority, whole, bytes FROM recording
            WHERE since < ?2 AND until > ?1 ORDER BY since, number";
        let mut statement = self.prepare(sql)?;
        let rows = statement.query_map((from.0, to.0), head)?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// The readings of one recording.
    ///
    /// # Errors
    /// It can't be read back.
    pub fn recording(&self, id: &str) -> Result<Option<Vec<RecordedMeter>>> {
        let mut statement = self.prepare("SELECT body FROM recording WHERE id = ?1")?;
        let body: Option<Vec<u8>> = statement.query_row([id], |row| row.get(0)).optional()?;
        body.map(|body| recorded::unpack(&body)).transpose()
    }
}
