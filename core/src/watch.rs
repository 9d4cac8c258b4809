//! The watch over one limit: its ladder of levels and its recurrence, fed from the row and the windows.

use crate::alarm::book::{AlarmBook, Raise};
use crate::alarm::level::{LevelRule, LevelState, Step};
use crate::alarm::recurrence::{RecurrenceRule, RecurrenceState, Step as Again};
use crate::output::{Excursion, Output};
use crate::plan::{LimitPlan, ScopePlan};
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Where one limit stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LimitWatch {
    levels: Box<[LevelState]>,
    recurrence: RecurrenceState,
}

/// A value to judge: when it was measured and how long it stands for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judged {
    /// When.
    pub at: EventTime,
    /// The value.
    pub value: f64,
    /// How long it stands for.
    pub credit: Span,
}

impl LimitWatch {
    /// A limit that was never passed.
    pub fn new(plan: &LimitPlan) -> Self {
        Self {
            levels: vec![LevelState::Normal; plan.levels.len()].into(),
            recurrence: RecurrenceState::default(),
        }
    }

    /// Whether it fits the plan; a saved one may come from another configuration.
    pub fn fits(&self, plan: &LimitPlan) -> bool {
        self.levels.len() == plan.levels.len()
    }

    /// After a restart without this memory: a level whose alarm stands is raised, any other is not.
    pub fn align(&mut self, plan: &LimitPlan, book: &AlarmBook) {
        for (state, level) in self.levels.iter_mut().zip(&plan.levels) {
            if state.is_raised() != book.entry(level.alarm).active {
                *state = if state.is_raised() { LevelState::Normal } else { LevelState::Active };
            }
        }
        if let Some(rule) = &plan.recurs {
            let entry = book.entry(rule.alarm);
            self.recurrence.align(entry.active.then_some(entry.recurred).flatten());
        }
    }

    /// Takes one value of the series.
    pub fn observe(
        &mut self,
        scope: &ScopePlan,
        plan: &LimitPlan,
        now: Judged,
        book: &mut AlarmBook,
        out: &mut Vec<Output>,
    ) {
        self.levels(scope, plan, None, now, book, out);
        let Some(rule) = &plan.recurs else { return };
        let recurrence = RecurrenceRule {
            bound: plan.bound,
            setpoint: plan.levels[0].setpoint,
            deadband: plan.deadband,
            times: rule.times,
            within: rule.within,
            shortest: rule.shortest,
        };
        let seen = self.recurrence.observe(&recurrence, now.at, now.value, now.credit);
        if let Some(ended) = seen.ended {
            out.push(Output::Excursion(Excursion {
                subject: scope.subjects[plan.subject].subject.clone(),
                bound: plan.bound,
                start: ended.start,
                length: ended.length,
                peak: ended.peak,
                setpoint: recurrence.setpoint,
            }));
        }
        let peak = seen.ended.map(|ended| ended.peak);
        match seen.step {
            Some(Again::Raise(recurred)) => {
                let raise = Raise {
                    since: recurred.since,
                    value: peak,
                    peak,
                    setpoint: Some(recurrence.setpoint),
                    recurred: Some(recurred),
                };
                book.raise(scope, rule.alarm, now.at, raise, out);
            }
            Some(Again::Again(recurred)) => {
                book.came_again(scope, rule.alarm, now.at, recurred, peak.unwrap_or(now.value));
            }
            Some(Again::Clear) => book.clear(scope, rule.alarm, now.at, out),
            None => {}
        }
    }

    /// Takes the mean of one of the meter's windows, which has just moved.
    pub fn observe_window(
        &mut self,
        scope: &ScopePlan,
        plan: &LimitPlan,
        window: usize,
        now: Judged,
        book: &mut AlarmBook,
        out: &mut Vec<Output>,
    ) {
        self.levels(scope, plan, Some(window), now, book, out);
    }

    fn levels(
        &mut self,
        scope: &ScopePlan,
        plan: &LimitPlan,
        window: Option<usize>,
        now: Judged,
        book: &mut AlarmBook,
        out: &mut Vec<Output>,
    ) {
        let mut moved = false;
        for (state, level) in self.levels.iter_mut().zip(&plan.levels) {
            if level.window != window {
                continue;
            }
            let rule = LevelRule {
                bound: plan.bound,
                setpoint: level.setpoint,
                deadband: plan.deadband,
                on_delay: level.on_delay,
                off_delay: plan.off_delay,
            };
            match state.observe(&rule, now.at, now.value, now.credit) {
                Some(Step::Raise { since, peak }) => {
                    let setpoint = Some(level.setpoint);
                    let (value, peak) = (Some(now.value), Some(peak));
                    book.raise(
                        scope,
                        level.alarm,
                        now.at,
                        Raise { since, value, peak, setpoint, recurred: None },
                        out,
                    );
                    moved = true;
                }
                Some(Step::Clear) => {
                    book.clear(scope, level.alarm, now.at, out);
                    moved = true;
                }
                None if state.is_raised() => book.follow(scope, level.alarm, now.value),
                None => {}
            }
        }
        if moved && plan.levels.len() > 1 {
            book.ladder(scope, plan.levels.iter().map(|level| level.alarm), now.at, out);
        }
    }

    /// Moves the memory by a correction of the clock.
    pub fn shift(&mut self, by: Span) {
        self.levels.iter_mut().for_each(|level| level.shift(by));
        self.recurrence.shift(by);
    }
}
