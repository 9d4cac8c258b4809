//! The stages that every meter's readings pass: order, quality, row, panes, limits.

use crate::alarm::book::{AlarmBook, Raise};
use crate::context::{Context, Returns};
use crate::demand::MeterDemand;
use crate::desk::Desk;
use crate::electrical::energy::MeteredPower;
use crate::fitting::Fitting;
use crate::input::MeterTrouble;
use crate::late::{Gaps, LateMinute};
use crate::output::{Closed, Output};
use crate::panes::Panes;
use crate::plan::{LimitPlan, MeterPlan, RollingPlan};
use crate::plant::StampedBy;
use crate::quality::{Absence, Absent, FrozenWatch, Quarantine};
use crate::reading::Sample;
use crate::rolling::Rolling;
use crate::sequencer::Sequencer;
use crate::time::{EventTime, Span};
use crate::trouble::{ClockWatch, NonsenseWatch};
use crate::watch::{Judged, LimitWatch};
use crate::window::Cadence;

/// Rows of history are minutes.
pub const MINUTE: Span = Span::minutes(1);

/// What is remembered of one meter.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct MeterState {
    pub(crate) door: Sequencer,
    pub(crate) quarantine: Quarantine,
    pub(crate) frozen: FrozenWatch,
    pub(crate) nonsense: NonsenseWatch,
    pub(crate) clock: ClockWatch,
    /// One per point whose absence is an alarm.
    pub(crate) absences: Box<[Absence]>,
    pub(crate) cadence: Cadence,
    /// When it was last heard, in our time; `None` until the monitor was first told the time.
    pub(crate) heard: Option<EventTime>,
    /// Start of the open minute.
    pub(crate) minute: Option<EventTime>,
    pub(crate) panes: Panes,
    /// Where nothing of it was judged, if it stamps its values itself: only then can any come late.
    pub(crate) gaps: Gaps,
    pub(crate) late: Option<Box<LateMinute>>,
    pub(crate) rolling: Box<[Rolling]>,
    pub(crate) watches: Box<[LimitWatch]>,
    /// When its volts came back.
    pub(crate) returns: Returns,
    pub(crate) metered: MeteredPower,
    pub(crate) demand: Option<Box<MeterDemand>>,
    /// Whether its values fit the nameplate.
    pub(crate) fitting: Option<Fitting>,
}

impl MeterState {
    pub(crate) fn new(plan: &MeterPlan) -> Self {
        Self {
            door: Sequencer::new(),
            quarantine: Quarantine::default(),
            frozen: FrozenWatch::default(),
            nonsense: NonsenseWatch::default(),
            clock: ClockWatch::default(),
            absences: vec![Absence::default(); plan.absent.len()].into(),
            cadence: Cadence::NEW,
            heard: None,
            minute: None,
            panes: Panes::new(&plan.series),
            gaps: Gaps::default(),
            late: None,
            rolling: plan.rolling.iter().map(RollingPlan::empty).collect(),
            watches: plan.limits.iter().map(LimitWatch::new).collect(),
            returns: Returns::default(),
            metered: MeteredPower::default(),
            demand: plan.demand.as_ref().map(|_| Box::default()),
            fitting: plan.fitting.as_ref().map(Fitting::new),
        }
    }

    /// Computes what is made of one meter's values and its memory: the mean power by its energy counter, its demand. `row`
    /// is the meter's own; the reading stands for `credit`.
    pub(crate) fn remember(&mut self, plan: &MeterPlan, (at, credit): (EventTime, Span), row: &mut [Sample]) {
        if let Some(metered) = plan.metered {
            let counter = row[metered.counter];
            row[metered.power] = self.metered.observe(at, counter, metered.rolls_over_at, metered.most_w);
        }
        if let (Some(demand), Some(plan)) = (&mut self.demand, &plan.demand) {
            demand.observe(plan, at, credit, row);
        }
    }

    /// Whether the values of a reading, as the meter gave them, may be judged: see [`Fitting`].
    pub(crate) fn fits(
        &mut self,
        plan: &MeterPlan,
        at: EventTime,
        values: &[Sample],
        desk: &mut Desk<'_>,
    ) -> bool {
        match (&mut self.fitting, &plan.fitting) {
            (Some(fitting), Some(plan)) => fitting.look(plan, at, values, desk),
            _ => true,
        }
    }

    /// Panes and limits of one reading whose values, measured and computed, stand in `row`; it stands for `credit`. Without a
    /// context, where its values never fitted, it is only recorded.
    pub(crate) fn judge(
        &mut self,
        plan: &MeterPlan,
        (at, credit): (EventTime, Span),
        row: &[Sample],
        context: Option<&Context>,
        desk: &mut Desk<'_>,
    ) {
        self.turn_minute(plan, at, desk.out);
        self.panes.push(row, credit);
        let Some(context) = context else { return };
        self.turn_windows(plan, (at, credit), row, context, desk);
        for (watch, limit) in self.watches.iter_mut().zip(&plan.limits) {
            let judged =
                limit.each_value && may_judge(limit, row) && limit.gate.lets(context, at, Span::ZERO);
            if let (true, Some(value)) = (judged, row[limit.series].get()) {
                let times = limit.gate.times(context);
                watch.observe(limit, Judged { at, value, credit, times }, desk);
            }
        }
    }

    /// Moves the windows, and judges the mean of each that has moved with the next value of its series: without a value
    /// nothing rises or clears.
    fn turn_windows(
        &mut self,
        plan: &MeterPlan,
        (at, credit): (EventTime, Span),
        row: &[Sample],
        context: &Context,
        desk: &mut Desk<'_>,
    ) {
        for (rolling, windows) in self.rolling.iter_mut().zip(&plan.rolling) {
            rolling.advance(at);
            if let (true, Some(end)) = (rolling.is_any_due(), rolling.end()) {
                // A slow meter moves its windows by many steps at a time; a mean then stands for its interval.
                let credit = rolling.step().max(credit);
                for (column, series) in windows.series.iter().enumerate() {
                    if !row[*series].is_present() || !rolling.take_due(column) {
                        continue;
                    }
                    let (window, of_series) = (windows.windows[column], windows.limits[column].clone());
                    let mean = rolling.mean(column);
                    for (watch, limit) in
                        self.watches[of_series.clone()].iter_mut().zip(&plan.limits[of_series])
                    {
                        let is_its = || limit.levels.iter().any(|level| level.window == Some(window));
                        let slope = || if is_its() { rolling.slope_per_hour(column) } else { None };
                        let value = if limit.rate { slope() } else { mean };
                        let judged = may_judge(limit, row) && limit.gate.lets(context, end, windows.length);
                        if let Some(value) = value.filter(|_| judged) {
                            let times = limit.gate.times(context);
                            let judged = Judged { at: end, value, credit, times };
                            watch.observe_window(limit, window, judged, desk);
                        }
                    }
                }
                rolling.note_due();
            }
            rolling.push(&windows.series, row, credit);
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
        if !self.panes.is_empty() {
            let panes = self.panes.settled(&plan.series);
            out.push(Output::Minute(Closed { meter: plan.id, minute, panes, late: false }));
            self.panes.clear();
        }
    }

    /// The meter was heard: silence ends.
    pub(crate) fn hear(&mut self, plan: &MeterPlan, now: EventTime, desk: &mut Desk<'_>) {
        self.heard = Some(now);
        for (_, alarm) in &plan.silent {
            if desk.holds(*alarm) {
                desk.clear(*alarm, now, None);
                desk.ladder(plan.silent.iter().map(|(_, alarm)| *alarm), now);
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
    pub(crate) fn fall_silent(&mut self, plan: &MeterPlan, step: usize, at: EventTime, desk: &mut Desk<'_>) {
        let since = self.heard.unwrap_or(at);
        desk.raise(plan.silent[step].1, at, Raise::without_value(since));
        desk.ladder(plan.silent.iter().map(|(_, alarm)| *alarm), at);
        let over = self
            .minute
            .zip(self.cadence.last())
            .is_some_and(|(minute, last)| last + plan.silent[step].0 >= minute + MINUTE);
        if over {
            self.close_minute(plan, desk.out);
        }
    }

    /// Looks whether the registers stand still; raises or clears that alarm.
    pub(crate) fn is_frozen(
        &mut self,
        plan: &MeterPlan,
        (at, credit): (EventTime, Span),
        values: &[Sample],
        desk: &mut Desk<'_>,
    ) -> bool {
        let Some((after, alarm)) = plan.frozen else { return false };
        let frozen = self.frozen.observe((at, credit), values, &plan.lively, after);
        if frozen && !desk.holds(alarm) {
            let since = self.frozen.same_since().unwrap_or(at);
            desk.raise(alarm, at, Raise::without_value(since));
        } else if !frozen {
            desk.clear(alarm, at, None);
        }
        frozen
    }

    /// Looks whether too many of its values can't be real.
    pub(crate) fn look_for_nonsense(
        &mut self,
        plan: &MeterPlan,
        stands_for: (EventTime, Span),
        impossible: bool,
        desk: &mut Desk<'_>,
    ) {
        if let Some(turn) = self.nonsense.observe(stands_for, plan.every, impossible) {
            desk.turn(plan, MeterTrouble::Nonsense, stands_for.0, turn);
        }
    }

    /// Compares the meter's clock with ours, where it stamps its readings itself and ours can be trusted. A reading
    /// may be stamped at the beginning of the interval that it stands for.
    pub(crate) fn compare_clock(
        &mut self,
        plan: &MeterPlan,
        (now, at): (EventTime, EventTime),
        doubts_ours: bool,
        desk: &mut Desk<'_>,
    ) {
        if doubts_ours || plan.stamped_by != StampedBy::Meter {
            self.clock.doubt();
            return;
        }
        let usual = Span(plan.wait.0.saturating_add(plan.every.0));
        if let Some(turn) = self.clock.observe(now, at, usual, plan.every) {
            desk.turn(plan, MeterTrouble::ClockWrong, now, turn);
        }
    }

    /// Looks which points have lost their values while the meter speaks. A reading without any value says nothing
    /// about its points: that is the silence of the meter.
    pub(crate) fn look_for_absence(
        &mut self,
        plan: &MeterPlan,
        stands_for: (EventTime, Span),
        values: &[Sample],
        row: &[Sample],
        desk: &mut Desk<'_>,
    ) {
        if !speaks(values) {
            return;
        }
        for (absence, (point, alarm)) in self.absences.iter_mut().zip(&plan.absent) {
            match absence.observe(stands_for, row[*point], plan.absent_after) {
                Absent::No => {}
                Absent::Since(since) => desk.raise(*alarm, stands_for.0, Raise::without_value(since)),
                Absent::Over => desk.clear(*alarm, stands_for.0, row[*point].get()),
            }
        }
    }

    /// Our clock was corrected. What it stamped moves with it: when the meter was heard and how long its readings
    /// wait always, the stamps themselves only where they are ours. What is told of alarms moves as far as it was stamped
    /// since `from`.
    pub(crate) fn reclock(&mut self, plan: &MeterPlan, (by, from): (Span, EventTime), desk: &mut Desk<'_>) {
        if let Some(heard) = &mut self.heard {
            *heard += by;
        }
        // Impossible values are dated by the stamps of their readings, all other troubles by our clock.
        let troubles = plan.troubles.iter().filter(|(trouble, _)| *trouble != MeterTrouble::Nonsense);
        let troubles = troubles.map(|(_, alarm)| alarm);
        for alarm in plan.silent.iter().map(|(_, alarm)| alarm).chain(troubles) {
            desk.book.shift(*alarm, by, from);
        }
        self.clock.shift(by);
        if plan.stamped_by == StampedBy::Meter {
            self.door.shift_waits(by);
            if let Some(late) = &mut self.late {
                late.due += by;
            }
            return;
        }
        self.close_minute(plan, desk.out);
        self.door.shift(by);
        self.quarantine.shift(by);
        self.frozen.shift(by);
        self.nonsense.shift(by);
        self.absences.iter_mut().for_each(|absence| absence.shift(by));
        self.cadence.shift(by);
        self.metered.shift(by);
        if let Some(demand) = &mut self.demand {
            demand.shift(by);
        }
        self.rolling.iter_mut().for_each(Rolling::clear);
        self.watches.iter_mut().for_each(|watch| watch.shift(by));
        self.returns.shift(by);
        for alarm in plan.alarms_of_readings() {
            desk.book.shift(alarm, by, from);
        }
    }
}

/// Whether a reading has any value: one without is no sign of life.
pub(crate) fn speaks(values: &[Sample]) -> bool {
    values.iter().any(|value| value.get().is_some())
}

/// Whether any of the limit's conditions holds in this row. One that is not known does not hold.
fn may_judge(limit: &LimitPlan, row: &[Sample]) -> bool {
    let holds = |(on, above): &(usize, f64)| row[*on].get().is_some_and(|value| value > *above);
    limit.when.is_empty() || limit.when.iter().any(holds)
}
