//! The watch over one limit: its ladder of levels and its recurrence, fed from the row and the windows.

use crate::alarm::book::{AlarmBook, Raise};
use crate::alarm::level::{LevelRule, LevelState, Step};
use crate::alarm::recurrence::{RecurrenceRule, RecurrenceState, Step as Again};
use crate::desk::Desk;
use crate::output::{Excursion, Output};
use crate::plan::{LimitPlan, RecursPlan};
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
    /// How many times as high the setpoints stand in its context.
    pub times: f64,
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

    /// The fault behind its excursions is mended: what came before counts no more.
    pub(crate) fn count_anew(&mut self) {
        self.recurrence = RecurrenceState::default();
    }

    /// Takes one value of the series.
    pub fn observe(&mut self, plan: &LimitPlan, now: Judged, desk: &mut Desk<'_>) {
        self.judge_levels(plan, None, now, desk);
        if let Some(rule) = &plan.recurs {
            self.judge_recurrence(plan, rule, now, desk);
        }
    }

    /// Takes the mean of one of the meter's windows, which has just moved.
    pub fn observe_window(&mut self, plan: &LimitPlan, window: usize, now: Judged, desk: &mut Desk<'_>) {
        self.judge_levels(plan, Some(window), now, desk);
    }

    fn judge_recurrence(&mut self, plan: &LimitPlan, rule: &RecursPlan, now: Judged, desk: &mut Desk<'_>) {
        let recurrence = RecurrenceRule {
            bound: plan.bound,
            setpoint: now.times * plan.levels[0].setpoint,
            deadband: plan.deadband,
            times: rule.times,
            within: rule.within,
            shortest: rule.shortest,
        };
        let level_holds = self.levels.iter().any(LevelState::is_raised);
        let seen = self.recurrence.observe(&recurrence, (now.at, now.credit), now.value, level_holds);
        if let Some(ended) = seen.ended {
            desk.out.push(Output::Excursion(Excursion {
                subject: desk.plan.subjects[plan.subject].subject.clone(),
                bound: plan.bound,
                start: ended.start,
                length: ended.length,
                peak: ended.peak,
                setpoint: recurrence.setpoint,
            }));
        }
        let latest = seen.ended.map(|ended| ended.peak);
        match seen.step {
            Some(Again::Raise(recurred)) => {
                let raise = Raise {
                    since: recurred.since,
                    value: latest,
                    peak: seen.worst,
                    setpoint: Some(recurrence.setpoint),
                    recurred: Some(recurred),
                };
                desk.raise(rule.alarm, now.at, raise);
            }
            Some(Again::Again(recurred)) => {
                let peak = latest.unwrap_or(now.value);
                desk.book.came_again(desk.plan, rule.alarm, now.at, recurred, peak);
            }
            Some(Again::Clear(recurred)) => {
                desk.book.last_seen(rule.alarm, recurred);
                desk.clear(rule.alarm, now.at, Some(now.value));
            }
            None => {}
        }
    }

    fn judge_levels(&mut self, plan: &LimitPlan, window: Option<usize>, now: Judged, desk: &mut Desk<'_>) {
        let mut moved = false;
        for (state, level) in self.levels.iter_mut().zip(&plan.levels) {
            let setpoint = now.times * level.setpoint;
            // Most values, by far, pass nothing and have passed nothing.
            let is_quiet = *state == LevelState::Normal && !plan.bound.is_past(now.value, setpoint);
            if level.window != window || is_quiet {
                continue;
            }
            let rule = LevelRule {
                bound: plan.bound,
                setpoint,
                deadband: plan.deadband,
                on_delay: level.on_delay,
                off_delay: plan.off_delay,
            };
            let step = state.observe(&rule, now.at, now.value, now.credit);
            moved |= step.is_some();
            match step {
                Some(Step::Raise { since, peak }) => {
                    let (value, peak, setpoint) = (Some(now.value), Some(peak), Some(setpoint));
                    desk.raise(level.alarm, now.at, Raise { since, value, peak, setpoint, recurred: None });
                }
                Some(Step::Clear) => desk.clear(level.alarm, now.at, Some(now.value)),
                None if state.is_raised() => desk.book.follow(desk.plan, level.alarm, now.value),
                None => {}
            }
        }
        if moved && plan.levels.len() > 1 {
            desk.ladder(plan.levels.iter().map(|level| level.alarm), now.at);
        }
    }

    /// Moves the memory by a correction of the clock.
    pub fn shift(&mut self, by: Span) {
        self.levels.iter_mut().for_each(|level| level.shift(by));
        self.recurrence.shift(by);
    }
}
