//! The outbox: what people are to be told, by channel, until it is delivered, refused or given up.
//!
//! Letters of one alert go in their order: a later one waits while an earlier one is not done. Letters of
//! different alerts do not wait for each other.

use super::{Durability, Result, Store, schema};
use kvarden_core::time::EventTime;
use rusqlite::{Connection, OptionalExtension, Row};
use std::collections::BTreeSet;

/// Letters that may wait per channel. At 100 alerts a day it takes three months without a way out to get here;
/// a flood of 500 a minute gets here in twenty minutes and must not fill the disk.
pub const MAX_PENDING: usize = 10_000;

/// One message to one channel, kept until it is delivered or refused.
#[derive(Debug, Clone, PartialEq)]
pub struct Letter {
    /// Its place in the order of all letters.
    pub number: i64,
    /// Its place among the letters of its channel: 1, 2, 3 and so on. A gap means a loss.
    pub place: i64,
    /// Stays the same however often it is sent, so that a repeat is known as one.
    pub id: String,
    /// The channel.
    pub channel: String,
    /// The alert that it tells of.
    pub alert: String,
    /// Which revision of it.
    pub revision: u32,
    /// When it was written.
    pub created: EventTime,
    /// How often it was tried.
    pub tries: u32,
    /// The message, as JSON.
    pub message: String,
    /// The person to whom it goes, by the name in the configuration; none on channels that have no addressee.
    pub to: Option<String>,
    /// When it was to be told.
    pub due: EventTime,
}

/// A letter on its way into the outbox.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewLetter {
    /// Unique for ever; a letter with an id that is there already is not added.
    pub id: String,
    /// The channel.
    pub channel: String,
    /// The alert that it tells of.
    pub alert: String,
    /// Which revision of it.
    pub revision: u32,
    /// When it was written.
    pub created: EventTime,
    /// The message, as JSON.
    pub message: String,
    /// The person to whom it goes, by the name in the configuration; none on channels that have no addressee.
    pub to: Option<String>,
    /// When it is to be told.
    pub due: EventTime,
    /// It only reminds: it is needless once somebody has acknowledged.
    pub reminds: bool,
}

/// Lays aside what only reminds of alerts that somebody has seen, unless it is gone already.
pub(super) fn withdraw(db: &Connection, alerts: &[String], at: EventTime) -> Result<()> {
    let mut update = db.prepare_cached(
        "UPDATE outbox SET done = ?2, fate = 'needless', why = 'somebody has seen it'
         WHERE alert = ?1 AND done IS NULL AND reminds = 1",
    )?;
    for alert in alerts {
        update.execute((alert, at.0))?;
    }
    Ok(())
}

/// Adds letters. Gives how many are new, and how many waiting ones were given up for want of room.
pub(super) fn post(db: &Connection, letters: &[NewLetter]) -> Result<(usize, usize)> {
    let mut insert = db.prepare_cached(
        "INSERT INTO outbox (id, channel, alert, revision, created, tries, next_try, message, place, person, due, reminds)
         SELECT ?1, ?2, ?3, ?4, ?5, 0, 0, ?6, ?7, ?8, ?9, ?10 WHERE NOT EXISTS (SELECT 1 FROM outbox WHERE id = ?1)",
    )?;
    let mut channels = BTreeSet::new();
    let mut new = 0;
    for letter in letters {
        let NewLetter { id, channel, alert, revision, created, message, to, due, reminds } = letter;
        let key = place_key(channel);
        let place = schema::count(db, &key)?.saturating_add(1);
        if insert.execute((
            id,
            channel,
            alert,
            revision,
            created.0,
            message,
            place as i64,
            to,
            due.0,
            reminds,
        ))? > 0
        {
            schema::count_up(db, &key, 1)?;
            new += 1;
            channels.insert(channel);
        }
    }
    let newest = letters.iter().map(|letter| letter.created).max();
    let mut dropped = 0;
    for channel in channels {
        dropped += keep_bound(db, channel, newest.unwrap_or(EventTime(0)))?;
    }
    Ok((new, dropped))
}

/// Gives up letters above the bound: first those whose alert has a newer one waiting, then the oldest.
fn keep_bound(db: &Connection, channel: &str, at: EventTime) -> Result<usize> {
    let excess = waiting(db, channel)?.saturating_sub(MAX_PENDING);
    if excess == 0 {
        return Ok(0);
    }
    let give_up = |which: &str, most: usize| -> Result<usize> {
        let sql = format!(
            "UPDATE outbox SET done = ?2, fate = 'given up', why = 'too many waited' WHERE number IN
             (SELECT number FROM outbox AS o WHERE channel = ?1 AND done IS NULL {which} ORDER BY number LIMIT ?3)"
        );
        Ok(db.prepare_cached(&sql)?.execute((channel, at.0, most as i64))?)
    };
    let superseded = "AND EXISTS (SELECT 1 FROM outbox AS newer WHERE newer.channel = o.channel
        AND newer.alert = o.alert AND newer.person IS o.person AND newer.done IS NULL AND newer.number > o.number)";
    let mut dropped = give_up(superseded, excess)?;
    dropped += give_up("", excess - dropped)?;
    schema::count_up(db, &lost_key(channel), dropped as u64)?;
    Ok(dropped)
}

/// Under which the letters of a channel are counted.
fn place_key(channel: &str) -> String {
    format!("place {channel}")
}

fn lost_key(channel: &str) -> String {
    format!("lost {channel}")
}

fn waiting(db: &Connection, channel: &str) -> Result<usize> {
    let sql = "SELECT count(*) FROM outbox WHERE channel = ?1 AND done IS NULL";
    let count: i64 = db.prepare_cached(sql)?.query_row([channel], |row| row.get(0))?;
    Ok(count.max(0) as usize)
}

/// Forgets waits that an earlier run chose: after a restart the clock may be another.
pub(super) fn due_at_once(db: &Connection) -> Result<()> {
    db.execute("UPDATE outbox SET next_try = 0 WHERE done IS NULL AND next_try <> 0", ())?;
    Ok(())
}

/// Removes letters done before this time, at most `most`.
pub(super) fn prune(db: &Connection, before: EventTime, most: usize) -> Result<usize> {
    let sql = "DELETE FROM outbox WHERE number IN
        (SELECT number FROM outbox WHERE done IS NOT NULL AND done < ?1 ORDER BY done LIMIT ?2)";
    Ok(db.prepare_cached(sql)?.execute((before.0, most as i64))?)
}

fn letter(row: &Row<'_>) -> rusqlite::Result<Letter> {
    Ok(Letter {
        number: row.get(0)?,
        id: row.get(1)?,
        channel: row.get(2)?,
        alert: row.get(3)?,
        revision: row.get(4)?,
        created: EventTime(row.get(5)?),
        tries: row.get(6)?,
        message: row.get(7)?,
        place: row.get(8)?,
        to: row.get(9)?,
        due: EventTime(row.get(10)?),
    })
}

/// The letters that are first of their alert and their addressee.
const HEADS: &str = "FROM outbox AS o WHERE channel = ?1 AND done IS NULL AND NOT EXISTS
    (SELECT 1 FROM outbox AS earlier WHERE earlier.channel = o.channel AND earlier.alert = o.alert
        AND earlier.person IS o.person AND earlier.done IS NULL AND earlier.number < o.number)";

impl Store {
    /// The letter to send next on a channel: the oldest that is due and not held back by an earlier letter of
    /// the same alert to the same person.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn next_letter(&self, channel: &str, now: EventTime) -> Result<Option<Letter>> {
        let sql = format!(
            "SELECT number, id, channel, alert, revision, created, tries, message, place, person, due {HEADS} AND next_try <= ?2
             ORDER BY number LIMIT 1"
        );
        let mut statement = self.prepare(&sql)?;
        Ok(statement.query_row((channel, now.0), letter).optional()?)
    }

    /// When the next letter of a channel is due, which may be past; `None`: no letter waits.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn next_due(&self, channel: &str) -> Result<Option<EventTime>> {
        let mut statement = self.prepare(&format!("SELECT min(next_try) {HEADS}"))?;
        let due: Option<i64> = statement.query_row([channel], |row| row.get(0))?;
        Ok(due.map(EventTime))
    }

    /// How many letters wait on a channel.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn waiting(&self, channel: &str) -> Result<usize> {
        waiting(&self.db, channel)
    }

    /// How many letters of a channel were ever given up because too many waited.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn lost(&self, channel: &str) -> Result<u64> {
        schema::count(&self.db, &lost_key(channel))
    }

    /// The other side has the letter.
    ///
    /// # Errors
    /// Nothing is changed then, and it will be sent once more under the same id.
    pub fn delivered(&mut self, number: i64, at: EventTime) -> Result<()> {
        self.done(number, at, "delivered", None)
    }

    /// The other side refuses the letter for good.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn refuse_letter(&mut self, number: i64, at: EventTime, why: &str) -> Result<()> {
        self.done(number, at, "refused", Some(why))
    }

    fn done(&mut self, number: i64, at: EventTime, fate: &str, why: Option<&str>) -> Result<()> {
        let sql = "UPDATE outbox SET done = ?2, tried = ?2, tries = tries + 1, fate = ?3, why = ?4 WHERE number = ?1";
        self.write(Durability::Normal, |db, _| {
            db.prepare_cached(sql)?.execute((number, at.0, fate, why))?;
            Ok(())
        })
    }

    /// The letter could not be sent at `at`; it is tried again from `next_try` on.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn later(&mut self, number: i64, at: EventTime, next_try: EventTime) -> Result<()> {
        let sql = "UPDATE outbox SET tries = tries + 1, tried = ?2, next_try = ?3 WHERE number = ?1 AND done IS NULL";
        self.write(Durability::Normal, |db, _| {
            db.prepare_cached(sql)?.execute((number, at.0, next_try.0))?;
            Ok(())
        })
    }
}
