//! All that one moment brings, stored as one transaction.

use super::{
    Durability, Error, Guessed, Learned, MinuteRow, NewLetter, NewRecording, Precious, RefusedRow, Result,
    Salvage, Store, TailRecord, duty, guessed, late, learned, minutes, outbox, recordings, refuge, refused,
    room, state, tail, tens, told, undated,
};
use kvarden_core::diagnosis::FindingChange;
use kvarden_core::output::{AlertRevision, Change, Excursion};
use kvarden_core::time::EventTime;

/// What is stored together or not at all.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Batch {
    /// Inputs as judged, in rising order of their numbers.
    pub tail: Vec<TailRecord>,
    /// Steps of alarms.
    pub changes: Vec<Change>,
    /// Steps of findings.
    pub findings: Vec<FindingChange>,
    /// Revisions of alerts.
    pub alerts: Vec<AlertRevision>,
    /// Values that went past a limit and came back.
    pub excursions: Vec<Excursion>,
    /// Closed minutes.
    pub minutes: Vec<MinuteRow>,
    /// Stretches of the tail that are to be kept.
    pub recordings: Vec<NewRecording>,
    /// What people are to be told.
    pub letters: Vec<NewLetter>,
    /// What people were told so far, as rows: see [`Store::duty`].
    pub duty: Vec<(String, Option<String>)>,
    /// Alerts of which nobody need be reminded any more: letters that only do that are laid aside.
    pub seen: Vec<String>,
    /// What could not be used.
    pub refused: Vec<RefusedRow>,
    /// Alarms and alerts of a scope as they are now saved.
    pub precious: Vec<Precious>,
    /// What was learned of meters.
    pub learned: Vec<Learned>,
    /// Which of it is dated by a clock that was not trusted, and how that was corrected.
    pub guessed: Guessed,
}

impl Batch {
    /// Whether there is nothing in it.
    pub fn is_empty(&self) -> bool {
        self.tail.is_empty()
            && self.excursions.is_empty()
            && self.minutes.is_empty()
            && self.recordings.is_empty()
            && self.refused.is_empty()
            && self.learned.is_empty()
            && !self.tells()
    }

    /// Whether it must survive a power cut before anybody is told. The rest comes again from the tail.
    fn tells(&self) -> bool {
        !(self.changes.is_empty()
            && self.findings.is_empty()
            && self.alerts.is_empty()
            && self.letters.is_empty()
            && self.duty.is_empty()
            && self.seen.is_empty()
            && self.precious.is_empty())
    }
}

/// What became of a batch.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Applied {
    /// The number of the last stored input.
    pub last_number: u64,
    /// Letters that were not there before.
    pub new_letters: usize,
    /// Waiting letters given up because too many wait; counted for good in [`super::Levels::lost`].
    pub dropped_letters: usize,
    /// Minute rows that could not be keyed (before 1970, after the year 10000) or had a wrong number of panes.
    pub refused_minutes: usize,
    /// Old minute rows removed to keep the byte budget.
    pub thinned_minutes: usize,
    /// Recordings removed to keep the byte budget.
    pub thinned_recordings: usize,
    /// Old ten-minute rows removed to keep the byte budget.
    pub thinned_tens: usize,
    /// The byte budget is passed, and nothing is left that may go.
    pub over_budget: bool,
    /// It is stored in memory only: the disk takes nothing.
    pub in_memory: bool,
    /// While writing, the file was found damaged, set aside and begun anew with a new book.
    pub salvage: Option<Salvage>,
}

impl Store {
    /// Stores a batch as one transaction: with a synced disk if it tells of something, else without. What is
    /// there already (same id) stays as it is, so telling again after a restart changes nothing.
    ///
    /// # Errors
    /// Nothing of the batch is stored then. After [`super::Error::Full`] and errors of the disk it may be given
    /// again: the file is closed, opened and checked anew first where that is called for.
    pub fn apply(&mut self, batch: &Batch) -> Result<Applied> {
        let mut result = self.apply_once(batch);
        if matches!(result, Err(Error::Full { .. })) && self.reserve.give() {
            tracing::warn!("the disk is full; the reserve gives its place");
            result = self.apply_once(batch);
        }
        if matches!(result, Err(Error::Full { .. })) {
            // Something that may go gives its place to what is new.
            let bounds = self.bounds();
            let thinned = self.write(Durability::Normal, |db, _| room::make_room(db, bounds, batch));
            if thinned.is_ok_and(|thinned| !thinned.over) {
                result = self.apply_once(batch);
            }
        }
        match result {
            // Readings alone wait for the disk; what is to be told does not.
            Err(why) if batch.tells() && self.refuge.is_none() && refuge::calls_for_it(&why) => {
                self.take_refuge(&why)?;
                self.apply_once(batch)
            }
            other => other,
        }
    }

    fn apply_once(&mut self, batch: &Batch) -> Result<Applied> {
        let durability = if batch.tells() { Durability::Full } else { Durability::Normal };
        let last_number = self.last_number;
        let options = self.bounds();
        let watched = self.watched.clone();
        // What comes without an input comes of something that was done at once.
        let now = batch.tail.last().map_or(EventTime(0), |record| record.now);
        // Given again, it corrects nothing a second time.
        let is_new = batch.tail.last().is_some_and(|record| record.number > last_number);
        let in_memory = self.refuge.is_some();
        let mut applied = self.write(durability, |db, names| {
            let mut applied = Applied {
                last_number: tail::append(db, names, last_number, &batch.tail)?,
                ..Applied::default()
            };
            if is_new {
                guessed::correct(db, batch, in_memory, (&watched, now))?;
            }
            told::changes(db, &batch.changes, batch.marks_of_changes())?;
            told::findings(db, &batch.findings, batch.marks_of_findings())?;
            told::alerts(db, &batch.alerts, batch.marks_of_alerts())?;
            told::excursions(db, &batch.excursions, batch.marks_of_excursions())?;
            refused::add(db, names, &batch.refused)?;
            learned::put(db, &batch.learned)?;
            state::put_precious(db, &batch.precious)?;
            let (added, refused) = minutes::append(db, names, &batch.minutes)?;
            applied.refused_minutes = refused;
            late::note(db, &watched, &added, now)?;
            tens::close(db, &added)?;
            undated::bound(db, (&watched, now))?;
            recordings::add(db, options.max_bytes(), batch)?;
            // First what is seen: a letter of this batch may tell of it anew.
            let at = batch.letters.iter().map(|letter| letter.created).fold(now, Ord::max);
            outbox::withdraw(db, &batch.seen, at)?;
            duty::put(db, &batch.duty)?;
            (applied.new_letters, applied.dropped_letters) = outbox::post(db, &batch.letters)?;
            let thinned = room::keep_budget(db, options, batch)?;
            applied.thinned_minutes = thinned.minutes;
            applied.thinned_recordings = thinned.recordings;
            applied.thinned_tens = thinned.tens;
            applied.over_budget = thinned.over;
            Ok(applied)
        })?;
        self.last_number = applied.last_number;
        applied.in_memory = self.refuge.is_some();
        applied.salvage = self.salvage.take();
        Ok(applied)
    }
}
