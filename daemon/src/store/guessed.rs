//! What was told while our clock was not trusted: its rows bear a mark that says which of their stamps our clock made, and
//! when the clock is corrected these move in the transaction that stores the correction. Ids stay, so telling again changes
//! nothing. Letters are never rewritten: a later revision tells the corrected time.
//!
//! Another kind of row takes part with a column `by_guess`, a type that is [`Stamped`] and a line in [`TABLES`].

use super::late::WatchedDay;
use super::minutes::MINUTE;
use super::{Batch, Durability, Error, Result, Store, codec, recorded, schema, told, undated};
use kvarden_core::diagnosis::FindingChange;
use kvarden_core::output::{AlertRevision, Change, Excursion};
use kvarden_core::stamps::{Doubtful, Stamped};
use kvarden_core::time::{EventTime, Span};
use rusqlite::Connection;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::sync::Arc;

/// Rows moved in one query.
const PIECE: usize = 256;

/// Tables whose rows may bear the mark.
const TABLES: [&str; 5] = ["change_", "revision", "finding", "excursion", "recording"];

/// Where a store in memory notes the correction of what is on the disk.
const NOTED: &str = "correction";

/// How the rows that bear the mark are corrected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
struct Correction {
    /// So far they move.
    by: Span,
    /// The clock is trusted from here on: they lose the mark.
    settled: bool,
}

impl Correction {
    /// First this, then a later one.
    fn then(&mut self, later: Self) {
        if !self.settled {
            self.by += later.by;
            self.settled = later.settled;
        }
    }
}

/// What of a batch bears the mark, by places, and what its inputs bring to the rows that are stored already.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Guessed {
    changes: Vec<(usize, Doubtful)>,
    alerts: Vec<(usize, Doubtful)>,
    findings: Vec<(usize, Doubtful)>,
    excursions: Vec<(usize, Doubtful)>,
    stored: Correction,
    /// Meters whose readings bear stamps of their own, where any recording moves.
    themselves: Arc<BTreeSet<String>>,
}

impl Batch {
    /// The change that was added last bears the mark.
    pub fn mark_change(&mut self, stamps: Doubtful) {
        self.guessed.changes.push((self.changes.len().saturating_sub(1), stamps));
    }

    /// The revision that was added last bears the mark.
    pub fn mark_alert(&mut self, stamps: Doubtful) {
        self.guessed.alerts.push((self.alerts.len().saturating_sub(1), stamps));
    }

    /// The step of a finding that was added last bears the mark.
    pub fn mark_finding(&mut self, stamps: Doubtful) {
        self.guessed.findings.push((self.findings.len().saturating_sub(1), stamps));
    }

    /// The excursion that was added last bears the mark.
    pub fn mark_excursion(&mut self, stamps: Doubtful) {
        self.guessed.excursions.push((self.excursions.len().saturating_sub(1), stamps));
    }

    /// Our clock, which is not trusted, was corrected: what bears the mark moves, here and in the store.
    pub fn redate(&mut self, by: Span, themselves: &Arc<BTreeSet<String>>) {
        self.guessed.themselves = Arc::clone(themselves);
        self.follow(Correction { by, settled: false });
    }

    /// Our clock is trusted from here on: nothing bears the mark any more.
    pub fn settle_stamps(&mut self) {
        self.follow(Correction { by: Span::ZERO, settled: true });
    }

    /// What is stored was corrected when the inputs of this batch were stored for the first time.
    pub fn leave_stored_stamps(&mut self) {
        self.guessed.stored = Correction::default();
    }

    /// Puts the marks of a newer batch, whose rows are about to be added, behind those of this one.
    pub(crate) fn append_guessed(&mut self, newer: Guessed) {
        self.follow(newer.stored);
        if !newer.themselves.is_empty() {
            self.guessed.themselves = newer.themselves;
        }
        let behind = |marks: Vec<(usize, Doubtful)>, count: usize| {
            marks.into_iter().map(move |(place, stamps)| (count + place, stamps))
        };
        let (changes, alerts) = (self.changes.len(), self.alerts.len());
        let (findings, excursions) = (self.findings.len(), self.excursions.len());
        self.guessed.findings.extend(behind(newer.findings, findings));
        self.guessed.changes.extend(behind(newer.changes, changes));
        self.guessed.alerts.extend(behind(newer.alerts, alerts));
        self.guessed.excursions.extend(behind(newer.excursions, excursions));
    }

    fn follow(&mut self, correction: Correction) {
        let guessed = &mut self.guessed;
        move_marked(&mut self.changes, &mut guessed.changes, correction);
        move_marked(&mut self.alerts, &mut guessed.alerts, correction);
        move_marked(&mut self.findings, &mut guessed.findings, correction);
        move_marked(&mut self.excursions, &mut guessed.excursions, correction);
        for row in self.minutes.iter_mut().filter(|row| row.guessed) {
            row.minute += correction.by;
            if correction.settled {
                (row.minute, row.guessed) = (row.minute.floor(MINUTE), false);
            }
        }
        for recording in self.recordings.iter_mut().filter(|recording| recording.guessed) {
            recording.moved += correction.by;
            recording.guessed = !correction.settled;
        }
        guessed.stored.then(correction);
    }

    /// The marks of changes, as they are stored.
    pub(super) fn marks_of_changes(&self) -> Marks<'_> {
        Marks(&self.guessed.changes)
    }

    /// The same of revisions.
    pub(super) fn marks_of_alerts(&self) -> Marks<'_> {
        Marks(&self.guessed.alerts)
    }

    /// The same of findings.
    pub(super) fn marks_of_findings(&self) -> Marks<'_> {
        Marks(&self.guessed.findings)
    }

    /// The same of excursions.
    pub(super) fn marks_of_excursions(&self) -> Marks<'_> {
        Marks(&self.guessed.excursions)
    }

    /// Meters whose readings bear stamps of their own, where any recording moves.
    pub(super) fn themselves(&self) -> &BTreeSet<String> {
        &self.guessed.themselves
    }
}

fn move_marked<T: Stamped>(facts: &mut [T], marks: &mut Vec<(usize, Doubtful)>, correction: Correction) {
    for (place, stamps) in marks.iter() {
        if let Some(fact) = facts.get_mut(*place) {
            fact.redate(*stamps, correction.by);
        }
    }
    if correction.settled {
        marks.clear();
    }
}

/// Marks by places, in rising order.
#[derive(Debug, Clone, Copy)]
pub(super) struct Marks<'a>(&'a [(usize, Doubtful)]);

impl Marks<'_> {
    /// That of the row at this place; `None`: it bears none.
    pub(super) fn of(self, place: usize) -> Option<u8> {
        let found = self.0.binary_search_by_key(&place, |(place, _)| *place).ok()?;
        Some(self.0[found].1.bits())
    }
}

/// Corrects what is stored, before the rows of the batch are added. `in_memory`: what is on the disk follows later.
/// `watched`: closed days, of which a minute that gets its date now is late.
pub(super) fn correct(
    db: &Connection,
    batch: &Batch,
    in_memory: bool,
    watched: (&[WatchedDay], EventTime),
) -> Result<()> {
    let correction = batch.guessed.stored;
    if correction == Correction::default() {
        return Ok(());
    }
    if in_memory {
        let (mut noted, _) = noted(db)?;
        noted.then(correction);
        schema::put_meta(db, NOTED, &codec::text(&(noted, batch.themselves()))?)?;
    }
    carry_out(db, correction, batch.themselves(), watched)
}

fn noted(db: &Connection) -> Result<(Correction, BTreeSet<String>)> {
    let text = schema::meta(db, NOTED)?;
    text.map_or_else(|| Ok(Default::default()), |text| codec::fact("meta", &text))
}

/// Corrects what is on the disk by what was noted in memory.
pub(super) fn correct_the_disk(
    memory: &Connection,
    disk: &Connection,
    watched: (&[WatchedDay], EventTime),
) -> Result<()> {
    let (correction, themselves) = noted(memory)?;
    carry_out(disk, correction, &themselves, watched)
}

impl Store {
    /// After a start: our clock is trusted, by what was restored. What still waits for a correction is taken as it is.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn trust_stamps(&mut self, now: EventTime) -> Result<()> {
        let watched = self.watched.clone();
        let settled = Correction { by: Span::ZERO, settled: true };
        self.write(Durability::Normal, |db, _| carry_out(db, settled, &BTreeSet::new(), (&watched, now)))
    }
}

fn carry_out(
    db: &Connection,
    correction: Correction,
    themselves: &BTreeSet<String>,
    watched: (&[WatchedDay], EventTime),
) -> Result<()> {
    if correction.by != Span::ZERO {
        undated::shift(db, correction.by)?;
        move_facts(db, "change_", correction.by, |change: &Change, number, body| {
            db.prepare_cached("UPDATE change_ SET at = ?2, body = ?3 WHERE number = ?1")?.execute((
                number,
                change.at.0,
                body,
            ))?;
            let (key, rise) = told::key_and_rise(&change.alarm);
            db.prepare_cached("UPDATE alarm SET body = ?4 WHERE key = ?1 AND rise = ?2 AND step = ?3")?
                .execute((key, rise, change.step, body))?;
            Ok(())
        })?;
        move_facts(db, "revision", correction.by, |told: &AlertRevision, number, body| {
            db.prepare_cached("UPDATE revision SET at = ?2, body = ?3 WHERE number = ?1")?
                .execute((number, told.at.0, body))?;
            db.prepare_cached("UPDATE alert SET at = ?3, body = ?4 WHERE alert = ?1 AND revision = ?2")?
                .execute((&told.alert, told.revision, told.at.0, body))?;
            Ok(())
        })?;
        move_facts(db, "finding", correction.by, |change: &FindingChange, number, body| {
            db.prepare_cached("UPDATE finding SET at = ?2, body = ?3 WHERE number = ?1")?.execute((
                number,
                change.at.0,
                body,
            ))?;
            Ok(())
        })?;
        move_facts(db, "excursion", correction.by, |excursion: &Excursion, number, body| {
            // One that would come upon another of the same moment stays where it is.
            db.prepare_cached("UPDATE OR IGNORE excursion SET start = ?2, body = ?3 WHERE number = ?1")?
                .execute((number, excursion.start.0, body))?;
            Ok(())
        })?;
        move_recordings(db, correction.by, themselves)?;
    }
    if correction.settled {
        undated::settle(db, watched)?;
        for table in TABLES {
            db.execute(&format!("UPDATE {table} SET by_guess = NULL WHERE by_guess IS NOT NULL"), ())?;
        }
    }
    Ok(())
}

/// The rows of a table that bear the mark, in pieces.
fn marked<T>(
    db: &Connection,
    sql: &str,
    read: impl Fn(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    mut take: impl FnMut(i64, T) -> Result<()>,
) -> Result<()> {
    let sql = format!("{sql} WHERE by_guess IS NOT NULL AND number > ?1 ORDER BY number LIMIT {PIECE}");
    let mut done = i64::MIN;
    loop {
        let mut statement = db.prepare_cached(&sql)?;
        let rows = statement.query_map([done], |row| Ok((row.get::<_, i64>(0)?, read(row)?)))?;
        let rows: Vec<(i64, T)> = rows.collect::<rusqlite::Result<_>>()?;
        let Some((last, _)) = rows.last() else { return Ok(()) };
        done = *last;
        for (number, row) in rows {
            take(number, row)?;
        }
    }
}

fn move_facts<T: Stamped + Serialize + DeserializeOwned>(
    db: &Connection,
    table: &'static str,
    by: Span,
    put: impl Fn(&T, i64, &str) -> Result<()>,
) -> Result<()> {
    let read = |row: &rusqlite::Row<'_>| Ok((row.get::<_, String>(1)?, row.get::<_, u8>(2)?));
    marked(db, &format!("SELECT number, body, by_guess FROM {table}"), read, |number, (body, stamps)| {
        match codec::fact::<T>(table, &body) {
            Ok(mut fact) => {
                fact.redate(Doubtful::from_bits(stamps), by);
                put(&fact, number, &codec::text(&fact)?)
            }
            // One row that can't be read must not keep all that comes from being stored.
            Err(error) => {
                tracing::error!(%error, "a stored row keeps the date of a clock that was wrong");
                Ok(())
            }
        }
    })
}

fn move_recordings(db: &Connection, by: Span, themselves: &BTreeSet<String>) -> Result<()> {
    let sql = "SELECT number, since, until, body FROM recording";
    let read = |row: &rusqlite::Row<'_>| {
        Ok((EventTime(row.get(1)?), EventTime(row.get(2)?), row.get::<_, Vec<u8>>(3)?))
    };
    marked(db, sql, read, |number, (since, until, body)| {
        let moved = match recorded::moved(&body, by, themselves) {
            Ok(moved) => moved,
            Err(error @ Error::Row { .. }) => {
                tracing::error!(%error, "a recording keeps the date of a clock that was wrong");
                return Ok(());
            }
            Err(error) => return Err(error),
        };
        db.prepare_cached(
            "UPDATE recording SET since = ?2, until = ?3, bytes = ?4, body = ?5 WHERE number = ?1",
        )?
        .execute((number, (since + by).0, (until + by).0, moved.len() as i64, moved))?;
        Ok(())
    })
}
