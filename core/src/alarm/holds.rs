//! What keeps people from being told of alarms one by one: planned work, a flood, an alarm that chatters, a supply that is lost.

use super::book::{AlarmBook, Raise, Stirred};
use super::flood::Flood;
use super::work::Works;
use crate::output::{ChangeKind, Held, Matter, Output, Risen, Subject};
use crate::plan::ScopePlan;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Planned work and floods, as they are saved.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct SavedHolds {
    works: Works,
    flood: Flood,
}

impl AlarmBook {
    /// What is kept of planned work and of floods.
    pub(crate) fn save_holds(&self) -> SavedHolds {
        SavedHolds { works: self.works.clone(), flood: self.flood.clone() }
    }

    /// Puts back what was kept of planned work and of floods.
    pub(crate) fn restore_holds(&mut self, saved: SavedHolds) {
        (self.works, self.flood) = (saved.works, saved.flood);
    }

    /// Why people are not told of what happens at a subject now.
    pub(crate) fn held(&self, plan: &ScopePlan, subject: &Subject) -> Option<Held> {
        if self.is_at_work(plan, subject) {
            return Some(Held::Work);
        }
        (self.flood.stands() && subject.matter != Matter::Flood).then_some(Held::Flood)
    }

    /// What is known of alarms that rise one after the other.
    pub(crate) fn flood(&self) -> &Flood {
        &self.flood
    }

    /// People are told that an alarm rose: counts it for a flood, which rises by that.
    pub(crate) fn count_for_flood(&mut self, plan: &ScopePlan, risen: Risen, out: &mut Vec<Output>) {
        let Some(alarm) = plan.flood else { return };
        let at = risen.at;
        if self.flood.rise(risen) {
            let since = self.flood.now().map_or(at, |now| now.first.at);
            self.raise(plan, alarm, at, Raise::without_value(since), out);
        }
    }

    /// Ends by `at` what is calm again. True: a flood ended.
    pub(crate) fn calm(&mut self, plan: &ScopePlan, at: EventTime, out: &mut Vec<Output>) -> bool {
        for alarm in 0..self.entries.len() {
            if self.entries[alarm].chatter.ends().is_some_and(|end| end <= at) {
                self.entries[alarm].chatter.calm();
                self.stir(plan.alarms[alarm].subject, alarm, at, Stirred::Calm);
            }
        }
        let over = self.flood.ends().is_some_and(|end| end <= at);
        if over {
            self.flood.end();
            if let Some(alarm) = plan.flood {
                self.clear(plan, alarm, at, None, out);
            }
        }
        over
    }

    /// Our clock was corrected: moves what is remembered of rises. Planned work ends when its person said it would.
    pub(crate) fn shift_flood(&mut self, by: Span) {
        self.flood.shift(by);
    }

    /// Whether anything is taken to follow from a supply that is lost.
    pub(crate) fn has_unfed(&self) -> bool {
        self.entries.iter().any(|entry| entry.unfed)
    }

    /// Which alarms, by their index, follow from a supply that is lost, and which no longer.
    pub(crate) fn follow_supply(
        &mut self,
        plan: &ScopePlan,
        at: EventTime,
        unfed: &[bool],
        out: &mut Vec<Output>,
    ) {
        for (alarm, now) in unfed.iter().copied().enumerate() {
            let from = self.entries[alarm].state();
            let entry = &mut self.entries[alarm];
            if std::mem::replace(&mut entry.unfed, now) == now || !entry.active {
                continue;
            }
            let to = entry.state();
            if from != to {
                let what = if now { ChangeKind::Suppressed } else { ChangeKind::Unsuppressed };
                self.tell(plan, alarm, at, from, what, out);
            }
        }
    }
}
