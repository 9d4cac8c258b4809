//! Beginnings: a scope that is new, that was put back, that goes on after the program stood still, or whose clock was set.

use super::Scope;
use crate::desk::Desk;
use crate::output::Output;
use crate::plan::{FedPlan, ScopePlan};
use crate::plant::StampedBy;
use crate::time::{EventTime, Span};

impl Scope {
    /// After its state was put back at `at`: the alerts follow what the plan still has, and what is due is found.
    pub(crate) fn settle(&mut self, plan: &ScopePlan, at: EventTime, out: &mut Vec<Output>) {
        let desk = &mut Desk { plan, book: &mut self.alarms, recorder: &mut self.recorder, out };
        for meter in &plan.meters {
            desk.ladder(meter.silent.iter().map(|(_, alarm)| *alarm), at);
            for limit in &meter.limits {
                desk.ladder(limit.levels.iter().map(|level| level.alarm), at);
            }
        }
        self.fold(plan, out);
        for subject in 0..plan.subjects.len() {
            self.alerts.review(plan, &self.alarms, subject, at, out);
        }
        self.alerts.review_causes(plan, &self.alarms, &self.findings, at, out);
        self.put_back = Some(at);
        self.due = self.exact_deadline(plan);
    }

    /// A meter that is new is counted as heard at `now`, or it could never fall silent.
    pub(crate) fn begin(&mut self, plan: &ScopePlan, now: EventTime) {
        for state in &mut self.meters {
            state.heard.get_or_insert(now);
        }
        self.alarms.begin_watching(now);
        self.due = self.exact_deadline(plan);
    }

    /// The program has started again: time before `now` says nothing about the meters.
    pub(super) fn resume(&mut self, plan: &ScopePlan, now: EventTime) {
        self.resumed = Some(now);
        for (state, meter) in self.meters.iter_mut().zip(&plan.meters) {
            let silent = meter.silent.first().is_some_and(|(_, alarm)| self.alarms.entry(*alarm).active);
            if !silent || state.heard.is_none() {
                state.heard = Some(now);
            }
        }
        self.flags.forget(plan, now);
        self.due = self.exact_deadline(plan);
    }

    /// Our wall clock was corrected: what it stamped moves with it. A shelving ends when its person said it would.
    pub(crate) fn reclock(&mut self, plan: &ScopePlan, by: Span, out: &mut Vec<Output>) {
        self.recorder.break_off(out);
        // A clock that was trusted was wrong for as long as it ran; one that was not, since then.
        let from = self.doubts_clock.unwrap_or(EventTime(i64::MIN));
        let desk = &mut Desk { plan, book: &mut self.alarms, recorder: &mut self.recorder, out };
        for (state, meter) in self.meters.iter_mut().zip(&plan.meters) {
            state.reclock(meter, (by, from), desk);
        }
        for alarm in
            plan.parts.iter().map(|(_, alarm)| *alarm).chain(plan.fed.iter().flat_map(FedPlan::alarms))
        {
            desk.book.shift(alarm, by, from);
        }
        self.alarms.shift_flood(by);
        self.looked = EventTime(self.looked.0.saturating_add(by.0));
        self.shift_alerts(plan, by, from);
        if let Some(grid) = &mut self.grid {
            grid.clear();
        }
        self.study.shift(by);
        self.diagnosis.shift(by);
        self.findings.shift(by);
        self.abreast.shift(by);
        self.flags.reclock(plan, by);
        if let Some(from) = self.doubts_clock.as_mut().filter(|from| from.0 != i64::MIN) {
            *from += by;
        }
        self.due = self.exact_deadline(plan);
    }

    fn shift_alerts(&mut self, plan: &ScopePlan, by: Span, from: EventTime) {
        let mut themselves = vec![false; plan.subjects.len()];
        for meter in plan.meters.iter().filter(|meter| meter.stamped_by == StampedBy::Meter) {
            for alarm in meter.alarms_of_readings() {
                themselves[plan.alarms[alarm].subject] = true;
            }
        }
        self.alerts.shift(by, from, |subject| themselves[subject]);
    }
}
