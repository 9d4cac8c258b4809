//! The stages that every meter's readings pass: order, quality, row, panes, limits.

use crate::alarm::book::{AlarmBook, Raise};
use crate::output::{Closed, Output};
use crate::plan::{MeterPlan, ScopePlan};
use crate::quality::{FrozenWatch, Quarantine};
use crate::reading::Sample;
use crate::sequencer::Sequencer;
use crate::time::{EventTime, Span};
use crate::watch::{Judged, LimitWatch};
use crate::window::{Cadence, Pane, Window};

/// Rows of history are minutes.
pub const MINUTE: Span = Span::minutes(1);

/// What is remembered of one meter.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct MeterState {
    pub(crate) door: Sequencer,
    pub(crate) quarantine: Quarantine,
    pub(crate) frozen: FrozenWatch,
    pub(crate) cadence: Cadence,
    /// When it was last heard, in our time; `None` until the monitor was first told the time.
    pub(crate) heard: Option<EventTime>,
    /// Start of the open minute.
    pub(crate) minute: Option<EventTime>,
    pub(crate) panes: Box<[Pane]>,
    pub(crate) windows: Box<[Window]>,
    pub(crate) watches: Box<[LimitWatch]>,
}

impl MeterState {
    pub(crate) fn new(plan: &MeterPlan) -> Self {
        Self {
            door: Sequencer::new(),
            quarantine: Quarantine::default(),
            frozen: FrozenWatch::default(),
            cadence: Cadence::NEW,
            heard: None,
            minute: None,
            panes: vec![Pane::EMPTY; plan.series.len()].into(),
            windows: plan.windows.iter().map(|(_, length)| Window::new(*length)).collect(),
            watches: plan.limits.iter().map(LimitWatch::new).collect(),
        }
    }

    /// Panes and limits of one reading whose values, measured and computed, stand in `row`.
    pub(crate) fn judge(
        &mut self,
        scope: &ScopePlan,
        plan: &MeterPlan,
        at: EventTime,
        row: &[Sample],
        book: &mut AlarmBook,
        out: &mut Vec<Output>,
    ) {
        let credit = self.cadence.credit(at, plan.every);
        self.turn_minute(plan, at, out);
        for (pane, sample) in self.panes.iter_mut().zip(row) {
            if let Some(value) = sample.get() {
                pane.push(value, credit);
            }
        }
        self.turn_windows(scope, plan, at, credit, row, book, out);
        for (watch, limit) in self.watches.iter_mut().zip(&plan.limits) {
            let holds = limit.when.is_none_or(|(on, above)| row[on].get().is_some_and(|value| value > above));
            if let (true, Some(value)) = (holds, row[limit.series].get()) {
                watch.observe(scope, limit, Judged { at, value, credit }, book, out);
            }
        }
    }

    fn turn_windows(
        &mut self,
        scope: &ScopePlan,
        plan: &MeterPlan,
        at: EventTime,
        credit: Span,
        row: &[Sample],
        book: &mut AlarmBook,
        out: &mut Vec<Output>,
    ) {
        for (index, (window, (series, _))) in self.windows.iter_mut().zip(&plan.windows).enumerate() {
            if let Some(edge) = window.advance(at) {
                if let Some(value) = window.mean() {
                    let judged = Judged { at: edge, value, credit: window.step() };
                    for (watch, limit) in self.watches.iter_mut().zip(&plan.limits) {
                        if limit.series == *series {
                            watch.observe_window(scope, limit, index, judged, book, out);
                        }
                    }
                }
            }
            if let Some(value) = row[*series].get() {
                window.push(value, credit);
            }
        }
    }

    fn turn_minute(&mut self, plan: &MeterPlan, at: EventTime, out: &mut Vec<Output>) {
        let minute = at.floor(MINUTE);
        if self.minute.is_some_and(|open| open != minute) {
            self.close_minute(plan, out);
        }
        self.minute = Some(minute);
    }

    /// Closes the open minute, if anything was measured in it.
    pub(crate) fn close_minute(&mut self, plan: &MeterPlan, out: &mut Vec<Output>) {
        let Some(minute) = self.minute.take() else { return };
        if self.panes.iter().any(|pane| pane.count > 0) {
            out.push(Output::Minute(Closed { meter: plan.id, minute, panes: self.panes.clone() }));
            self.panes.fill(Pane::EMPTY);
        }
    }

    /// The meter was heard: silence ends.
    pub(crate) fn hear(
        &mut self,
        scope: &ScopePlan,
        plan: &MeterPlan,
        now: EventTime,
        book: &mut AlarmBook,
        out: &mut Vec<Output>,
    ) {
        self.heard = Some(now);
        for (_, alarm) in &plan.silent {
            if book.entry(*alarm).active {
                book.clear(scope, *alarm, now, out);
                book.ladder(scope, plan.silent.iter().map(|(_, alarm)| *alarm), now, out);
            }
        }
    }

    /// The next step of silence: when it is due and which.
    pub(crate) fn next_silence(&self, plan: &MeterPlan, book: &AlarmBook) -> Option<(EventTime, usize)> {
        let heard = self.heard?;
        let step = plan.silent.iter().position(|(_, alarm)| !book.entry(*alarm).active)?;
        Some((heard + plan.silent[step].0, step))
    }

    /// Raises a step of silence at the moment it was due.
    pub(crate) fn fall_silent(
        &mut self,
        scope: &ScopePlan,
        plan: &MeterPlan,
        step: usize,
        at: EventTime,
        book: &mut AlarmBook,
        out: &mut Vec<Output>,
    ) {
        let since = self.heard.unwrap_or(at);
        let raise = Raise { since, value: None, peak: None, setpoint: None, recurred: None };
        book.raise(scope, plan.silent[step].1, at, raise, out);
        book.ladder(scope, plan.silent.iter().map(|(_, alarm)| *alarm), at, out);
        let over = self
            .minute
            .zip(self.cadence.last())
            .is_some_and(|(minute, last)| last + plan.silent[step].0 >= minute + MINUTE);
        if over {
            self.close_minute(plan, out);
        }
    }

    /// Looks whether the registers stand still; raises or clears that alarm.
    pub(crate) fn is_frozen(
        &mut self,
        scope: &ScopePlan,
        plan: &MeterPlan,
        at: EventTime,
        values: &[Sample],
        book: &mut AlarmBook,
        out: &mut Vec<Output>,
    ) -> bool {
        let Some((after, alarm)) = plan.frozen else { return false };
        let frozen = self.frozen.observe(at, values, &plan.lively, after);
        if frozen != book.entry(alarm).active {
            if frozen {
                let since = self.frozen.same_since().unwrap_or(at);
                let raise = Raise { since, value: None, peak: None, setpoint: None, recurred: None };
                book.raise(scope, alarm, at, raise, out);
            } else {
                book.clear(scope, alarm, at, out);
            }
        }
        frozen
    }

    /// Moves everything that this meter's clock stamped by a correction of that clock.
    pub(crate) fn shift(&mut self, by: Span) {
        self.door.shift(by);
        self.quarantine.shift(by);
        self.frozen.shift(by);
        self.cadence.shift(by);
        self.windows.iter_mut().for_each(Window::clear);
        self.watches.iter_mut().for_each(|watch| watch.shift(by));
    }
}
