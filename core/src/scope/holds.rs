//! What ends by itself at its time: shelvings, what chatters, floods, planned work.

use super::Scope;
use crate::output::Output;
use crate::plan::ScopePlan;
use crate::time::EventTime;

impl Scope {
    /// Ends, and of planned work begins, what is due by `at`.
    pub(super) fn end_holds(&mut self, plan: &ScopePlan, at: EventTime, out: &mut Vec<Output>) {
        for subject in 0..plan.subjects.len() {
            let alarms = &plan.subjects[subject].alarms;
            if alarms.iter().any(|alarm| self.alarms.entry(*alarm).shelved.is_some_and(|until| until <= at)) {
                // It can't be denied: something is shelved, so there is something to end.
                let _ = self.alarms.unshelve(plan, subject, at, None, out);
                self.fold(plan, out);
            }
        }
        let flood_is_over = self.alarms.calm(plan, at, out);
        self.fold(plan, out);
        if flood_is_over {
            self.alerts.tell_after_flood(plan, &self.alarms, at, out);
        }
        let works = self.alarms.turn_works(plan, at, out);
        if works.began {
            self.alerts.hold_back(plan, &self.alarms, at, out);
        }
        if works.ended {
            self.alerts.tell_owed(plan, &mut self.alarms, at, out);
        }
        self.fold(plan, out);
    }
}
