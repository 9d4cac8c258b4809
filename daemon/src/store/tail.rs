//! The tail: every input as it was judged, the newest half hour of them. After a restart they are judged
//! again on top of the last snapshot.
//!
//! One row a batch. Within a row numbers and times are written as differences, meters as their numbers, values as
//! their 64 bits.

use super::names::{self, Names};
use super::{Error, Result, Store, codec};
use kvarden_core::input::{HealthFact, Order};
use kvarden_core::reading::Sample;
use kvarden_core::recorder::REACH;
use kvarden_core::time::{EventTime, Span};
use rusqlite::{Connection, OptionalExtension};
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use std::sync::Arc;

/// How long the tail is kept at least: a recording is cut from it when its last reading has
/// come.
const KEPT: Span = REACH;

/// Rows read in one query.
const PIECE: usize = 64;

/// Written form of the rows.
const FORMAT: u8 = 1;

/// How long the tail is kept when snapshots are made so often: long enough for the longest recording to be cut from it,
/// and at least one and a half times the interval, so that it always reaches back to the newest snapshot.
pub fn tail_kept(snapshot_every: Span) -> Span {
    Span(KEPT.0.max(snapshot_every.0.saturating_add(snapshot_every.0 / 2)))
}

/// One input as it was judged.
#[derive(Debug, Clone, PartialEq)]
pub struct TailRecord {
    /// Its number; strictly rising.
    pub number: u64,
    /// Steady time at which it was judged.
    pub now: EventTime,
    /// What was judged.
    pub input: OwnedInput,
}

/// An input that stands by itself: meters by name.
#[derive(Debug, Clone, PartialEq)]
pub enum OwnedInput {
    /// Nothing came; the monitor was advanced to `now`.
    Tick,
    /// A meter gave values.
    Reading {
        /// Its name.
        meter: Arc<str>,
        /// When it was measured.
        at: EventTime,
        /// One per point.
        values: Box<[Sample]>,
    },
    /// A person decided something.
    Person(Order),
    /// Something about this program or its surroundings.
    Health(HealthFact),
    /// The wall clock was corrected.
    Reclocked {
        /// New minus old.
        by: Span,
    },
}

impl OwnedInput {
    /// By how much it corrects our clock, if it does.
    pub fn corrects_clock(&self) -> Option<Span> {
        match self {
            Self::Reclocked { by } => Some(*by),
            _ => None,
        }
    }
}

/// The written form of a record, for writing from what is borrowed and for reading to what is owned.
#[derive(Serialize, Deserialize)]
struct Written<V, O, H> {
    /// Number minus that of the record before.
    later: u64,
    /// Milliseconds since the record before.
    after: i64,
    input: Form<V, O, H>,
}

#[derive(Serialize, Deserialize)]
enum Form<V, O, H> {
    Tick,
    Reading { meter: u32, age: i64, values: V },
    Person(O),
    Health(H),
    Reclocked(i64),
}

/// Appends records as one row and gives the number of the last stored one. The same row again changes nothing.
pub(super) fn append(db: &Connection, names: &mut Names, last: u64, records: &[TailRecord]) -> Result<u64> {
    let (Some(first), Some(newest)) = (records.first(), records.last()) else { return Ok(last) };
    if newest.number <= last && is_stored(db, first.number, newest.number)? {
        return Ok(last);
    }
    let body = encode(db, names, last, records)?;
    let sql = "INSERT INTO tail VALUES (?1, ?2, ?3, ?4, ?5)";
    db.prepare_cached(sql)?.execute((
        first.number as i64,
        newest.number as i64,
        first.now.0,
        newest.now.0,
        body,
    ))?;
    Ok(newest.number)
}

fn is_stored(db: &Connection, first: u64, last: u64) -> Result<bool> {
    let sql = "SELECT EXISTS (SELECT 1 FROM tail WHERE first_number = ?1 AND last_number = ?2)";
    Ok(db.prepare_cached(sql)?.query_row((first as i64, last as i64), |row| row.get(0))?)
}

fn encode(db: &Connection, names: &mut Names, last: u64, records: &[TailRecord]) -> Result<Vec<u8>> {
    let mut body = vec![FORMAT];
    let mut before = last;
    let mut base = (records[0].number, records[0].now);
    for record in records {
        if record.number <= before {
            return Err(Error::NotRising { number: record.number, last: before });
        }
        before = record.number;
        let input = match &record.input {
            OwnedInput::Tick => Form::Tick,
            OwnedInput::Reading { meter, at, values } => Form::Reading {
                meter: names.meter(db, meter)?,
                age: record.now.0.wrapping_sub(at.0),
                values: &**values,
            },
            OwnedInput::Person(order) => Form::Person(order),
            OwnedInput::Health(fact) => Form::Health(fact),
            OwnedInput::Reclocked { by } => Form::Reclocked(by.0),
        };
        let after = record.now.0.wrapping_sub(base.1.0);
        codec::add(&Written { later: record.number - base.0, after, input }, &mut body)?;
        base = (record.number, record.now);
    }
    Ok(body)
}

pub(super) fn decode(
    first: (u64, EventTime),
    body: &[u8],
    meters: &HashMap<u32, Arc<str>>,
    mut take: impl FnMut(TailRecord),
) -> Result<()> {
    let damaged = |why: String| Error::row("tail", why);
    let Some((&FORMAT, mut rest)) = body.split_first() else {
        return Err(damaged("its written form is unknown".to_owned()));
    };
    let (mut number, mut now) = first;
    while !rest.is_empty() {
        let (written, left) = postcard::take_from_bytes::<Written<Vec<f64>, Order, HealthFact>>(rest)
            .map_err(|error| damaged(error.to_string()))?;
        rest = left;
        number = number.wrapping_add(written.later);
        now = EventTime(now.0.wrapping_add(written.after));
        let input = match written.input {
            Form::Tick => OwnedInput::Tick,
            Form::Reading { meter, age, values } => OwnedInput::Reading {
                meter: meters.get(&meter).cloned().ok_or_else(|| damaged(format!("no meter {meter}")))?,
                at: EventTime(now.0.wrapping_sub(age)),
                values: values.into_iter().map(Sample::new).collect(),
            },
            Form::Person(order) => OwnedInput::Person(order),
            Form::Health(fact) => OwnedInput::Health(fact),
            Form::Reclocked(by) => OwnedInput::Reclocked { by: Span(by) },
        };
        take(TailRecord { number, now, input });
    }
    Ok(())
}

/// The number of the last stored input. A snapshot knows one too, where the tail was removed.
pub(super) fn last_number(db: &Connection) -> Result<u64> {
    let sql = "SELECT max(coalesce((SELECT max(last_number) FROM tail), 0), coalesce((SELECT max(number) FROM state), 0))";
    let number: i64 = db.query_row(sql, (), |row| row.get(0))?;
    Ok(number.max(0) as u64)
}

/// Removes rows that are older than `before` throughout, at most `most` of them; the newest row stays, and so does
/// all that came after the newest snapshot of any scope: a clock that jumped ahead must not take away what a restart
/// needs.
pub(super) fn prune(db: &Connection, before: EventTime, most: usize) -> Result<usize> {
    let sql = "DELETE FROM tail WHERE first_number IN
        (SELECT first_number FROM tail WHERE last_now < ?1
            AND last_number <= coalesce(
                (SELECT min(newest) FROM (SELECT max(number) AS newest FROM state GROUP BY scope)), 0)
            AND first_number < (SELECT max(first_number) FROM tail) ORDER BY first_number LIMIT ?2)";
    Ok(db.prepare_cached(sql)?.execute((before.0, most as i64))?)
}

impl Store {
    /// Steady time of the last stored input; `None`: nothing is stored yet.
    ///
    /// # Errors
    /// When the store can't be read.
    pub fn newest_time(&self) -> Result<Option<EventTime>> {
        let sql = "SELECT last_now FROM tail ORDER BY first_number DESC LIMIT 1";
        Ok(self.db.query_row(sql, (), |row| row.get(0)).optional()?.map(EventTime))
    }

    /// The number of the first stored input; `None`: there is none.
    ///
    /// # Errors
    /// When the store can't be read.
    pub fn first_number(&self) -> Result<Option<u64>> {
        let first: Option<i64> =
            self.db.query_row("SELECT min(first_number) FROM tail", (), |row| row.get(0))?;
        Ok(first.map(|first| first.max(0) as u64))
    }

    /// The stored inputs after this number, in order.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn tail_after(&self, number: u64) -> Result<Vec<TailRecord>> {
        let meters = names::all(&self.db)?.into_iter().collect();
        // In pieces, so that no single query of a reader lasts long.
        let sql = format!(
            "SELECT first_number, first_now, body FROM tail WHERE last_number > ?1 AND first_number > ?2
             ORDER BY first_number LIMIT {PIECE}"
        );
        let mut records = Vec::new();
        let mut done = i64::MIN;
        loop {
            let mut statement = self.prepare(&sql)?;
            let mut rows = statement.query((number as i64, done))?;
            let before = done;
            while let Some(row) = rows.next()? {
                done = row.get(0)?;
                let first = (done as u64, EventTime(row.get(1)?));
                let body = row.get_ref(2)?.as_blob().map_err(|error| Error::row("tail", error))?;
                decode(first, body, &meters, |record| {
                    if record.number > number {
                        records.push(record);
                    }
                })?;
            }
            if done == before {
                break;
            }
        }
        Ok(records)
    }

    /// Every stored input, in order.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn whole_tail(&self) -> Result<Vec<TailRecord>> {
        self.tail_after(0)
    }
}
