//! What every judgement needs at hand: the scope's plan, its alarm book and the place for what comes out.

use crate::alarm::book::{AlarmBook, Raise};
use crate::input::MeterTrouble;
use crate::output::Output;
use crate::plan::{AlarmIx, MeterPlan, ScopePlan};
use crate::recorder::{Recorder, is_recorded};
use crate::time::EventTime;
use crate::trouble::Turn;

/// Passed down the stages instead of three arguments.
#[derive(Debug)]
pub struct Desk<'a> {
    /// The scope's plan.
    pub plan: &'a ScopePlan,
    /// Its alarms.
    pub book: &'a mut AlarmBook,
    /// What is kept around them.
    pub recorder: &'a mut Recorder,
    /// What comes out.
    pub out: &'a mut Vec<Output>,
}

impl Desk<'_> {
    /// Whether an alarm's condition holds.
    pub fn holds(&self, alarm: AlarmIx) -> bool {
        self.book.entry(alarm).active
    }

    /// The condition holds.
    pub fn raise(&mut self, alarm: AlarmIx, at: EventTime, raise: Raise) {
        let is_new = !self.holds(alarm);
        self.book.raise(self.plan, alarm, at, raise, self.out);
        let facts = &self.plan.alarms[alarm];
        if is_new && is_recorded(facts.rule, facts.priority) {
            let whose = (self.plan.name.as_str(), self.book.id(self.plan, alarm), facts.priority);
            self.recorder.raised(self.plan.recording, at, whose, self.out);
        }
    }

    /// The condition is gone.
    pub fn clear(&mut self, alarm: AlarmIx, at: EventTime, value: Option<f64>) {
        self.book.clear(self.plan, alarm, at, value, self.out);
    }

    /// A trouble of a meter holds since then, or no longer.
    pub fn trouble(
        &mut self,
        meter: &MeterPlan,
        trouble: MeterTrouble,
        at: EventTime,
        since: Option<EventTime>,
    ) {
        let Some(alarm) = meter.trouble(trouble) else { return };
        match since {
            Some(since) => self.raise(alarm, at, Raise::without_value(since)),
            None => self.clear(alarm, at, None),
        }
    }

    /// A trouble that the meter's readings show begins or ends.
    pub fn turn(&mut self, meter: &MeterPlan, trouble: MeterTrouble, at: EventTime, turn: Turn) {
        let since = match turn {
            Turn::Since(since) => Some(since),
            Turn::Over => None,
        };
        self.trouble(meter, trouble, at, since);
    }

    /// Lets the highest level that holds speak for those below it.
    pub fn ladder(&mut self, levels: impl DoubleEndedIterator<Item = AlarmIx>, at: EventTime) {
        self.book.ladder(self.plan, levels, at, self.out);
    }
}
