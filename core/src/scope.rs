//! One transformer with its feeders and sensors. Scopes share nothing: each is saved, restored and tested alone.

use crate::alarm::book::{AlarmBook, Raise};
use crate::alert::AlertBook;
use crate::grid::Grid;
use crate::input::{Deed, HealthFact, Order, Part};
use crate::meter::MeterState;
use crate::output::{Answer, Denial, Output, Refusal};
use crate::plan::ScopePlan;
use crate::plant::StampedBy;
use crate::quality::fill_row;
use crate::reading::{Reading, Sample};
use crate::sequencer::Taken;
use crate::time::{EventTime, Span};

/// The state of one scope.
#[derive(Debug, Clone)]
pub(crate) struct Scope {
    pub(crate) meters: Box<[MeterState]>,
    pub(crate) grid: Option<Grid>,
    pub(crate) alarms: AlarmBook,
    pub(crate) alerts: AlertBook,
    row: Box<[Sample]>,
    scratch: Box<[Sample]>,
    grid_values: Box<[Sample]>,
    /// Nothing is due before this: a lower bound, made exact when it is reached.
    due: Option<EventTime>,
}

impl Scope {
    pub(crate) fn new(plan: &ScopePlan) -> Self {
        let most_points = plan.meters.iter().map(|meter| meter.points).max().unwrap_or(0);
        Self {
            meters: plan.meters.iter().map(MeterState::new).collect(),
            grid: plan.grid.as_ref().map(Grid::new),
            alarms: AlarmBook::new(plan.alarms.len()),
            alerts: AlertBook::new(plan.subjects.len()),
            row: vec![Sample::ABSENT; plan.slots].into(),
            scratch: vec![Sample::ABSENT; most_points].into(),
            grid_values: vec![Sample::ABSENT; plan.grid.as_ref().map_or(0, |grid| grid.inputs.len())].into(),
            due: None,
        }
    }

    /// Takes a reading of the meter with index `local`.
    pub(crate) fn read(
        &mut self,
        plan: &ScopePlan,
        local: usize,
        now: EventTime,
        reading: &Reading<'_>,
        out: &mut Vec<Output>,
    ) {
        let meter = &plan.meters[local];
        if reading.values.len() != meter.points {
            let state = &mut self.meters[local];
            state.quarantine.refuse(meter.id, reading.at, None, None, Refusal::WrongShape, out);
            return;
        }
        self.meters[local].hear(plan, meter, now, &mut self.alarms, out);
        match self.meters[local].door.take(now, reading.at, reading.values, meter.wait) {
            Taken::Now => self.judge(plan, local, reading.at, reading.values, out),
            Taken::Waits => {
                self.soonest(now + meter.wait);
                self.release(plan, local, now, out);
            }
            Taken::Refused(why) => {
                self.meters[local].quarantine.refuse(meter.id, reading.at, None, None, why, out);
            }
        }
        self.fold(plan, out);
    }

    fn release(&mut self, plan: &ScopePlan, local: usize, now: EventTime, out: &mut Vec<Output>) {
        let meter = &plan.meters[local];
        let mut values = std::mem::take(&mut self.scratch);
        while let Some(at) = self.meters[local].door.release(now, meter.wait, &mut values[..meter.points]) {
            self.judge(plan, local, at, &values[..meter.points], out);
        }
        self.scratch = values;
    }

    fn judge(
        &mut self,
        plan: &ScopePlan,
        local: usize,
        at: EventTime,
        values: &[Sample],
        out: &mut Vec<Output>,
    ) {
        let meter = &plan.meters[local];
        let state = &mut self.meters[local];
        let row = &mut self.row[meter.first_slot..meter.first_slot + meter.series.len()];
        fill_row(meter, at, values, row, &mut state.quarantine, out);
        if state.is_frozen(plan, meter, at, values, &mut self.alarms, out) {
            row.fill(Sample::ABSENT);
        }
        for (index, formula) in meter.formulas.iter().enumerate() {
            self.row[meter.first_slot + meter.points + index] = formula.evaluate(&self.row);
        }
        let row = &self.row[meter.first_slot..meter.first_slot + meter.series.len()];
        state.judge(plan, meter, at, row, &mut self.alarms, out);
        self.across(plan, local, at, out);
    }

    /// Judgement across meters, for each step of the grid that this reading completes.
    fn across(&mut self, plan: &ScopePlan, local: usize, at: EventTime, out: &mut Vec<Output>) {
        let (Some(grid), Some(grid_plan)) = (&mut self.grid, &plan.grid) else { return };
        grid.pass(grid_plan, local, at);
        self.turn_grid(plan, out);
        if let (Some(grid), Some(grid_plan)) = (&mut self.grid, &plan.grid) {
            grid.add(grid_plan, local, at, &self.row);
        }
    }

    fn turn_grid(&mut self, plan: &ScopePlan, out: &mut Vec<Output>) {
        let (Some(grid), Some(grid_plan)) = (&mut self.grid, &plan.grid) else { return };
        let meter = &plan.meters[grid_plan.meter];
        loop {
            let alarms = &self.alarms;
            let live = |local: usize| {
                plan.meters[local].silent.first().is_none_or(|(_, alarm)| !alarms.entry(*alarm).active)
            };
            let Some(end) = grid.next(grid_plan, &plan.meters, live, &mut self.grid_values) else { return };
            for (index, formula) in meter.formulas.iter().enumerate() {
                self.row[meter.first_slot + index] = formula.evaluate(&self.grid_values);
            }
            let row = &self.row[meter.first_slot..meter.first_slot + meter.series.len()];
            self.meters[grid_plan.meter].judge(plan, meter, end, row, &mut self.alarms, out);
        }
    }

    fn fold(&mut self, plan: &ScopePlan, out: &mut Vec<Output>) {
        if !self.alarms.is_dirty() {
            return;
        }
        let dirty: Vec<_> = self.alarms.take_dirty().collect();
        for (subject, at, what) in dirty {
            self.alerts.fold(plan, &self.alarms, subject, at, &what, out);
        }
        self.due = self.exact_deadline(plan);
    }

    /// Does all that is due by `now`, each at the moment it was due.
    pub(crate) fn advance(&mut self, plan: &ScopePlan, now: EventTime, out: &mut Vec<Output>) {
        if self.meters.first().is_some_and(|meter| meter.heard.is_none()) {
            self.resume(plan, now);
        }
        while let Some(due) = self.due.filter(|due| *due <= now) {
            self.do_due(plan, due, out);
            self.fold(plan, out);
            self.due = self.exact_deadline(plan);
        }
    }

    /// Does what is due at exactly `at`. If nothing is (the bound was too low), nothing happens.
    fn do_due(&mut self, plan: &ScopePlan, at: EventTime, out: &mut Vec<Output>) {
        for (local, meter) in plan.meters.iter().enumerate() {
            if self.meters[local].door.next_deadline().is_some_and(|due| due <= at) {
                self.release(plan, local, at, out);
            }
            while let Some((due, step)) =
                self.meters[local].next_silence(meter, &self.alarms).filter(|(due, _)| *due <= at)
            {
                self.meters[local].fall_silent(plan, meter, step, due, &mut self.alarms, out);
                self.turn_grid(plan, out);
            }
        }
        for subject in 0..plan.subjects.len() {
            let alarms = &plan.subjects[subject].alarms;
            if alarms.iter().any(|alarm| self.alarms.entry(*alarm).shelved.is_some_and(|until| until <= at)) {
                // invariant: something is shelved, so there is something to end
                let _ = self.alarms.unshelve(plan, subject, at, None, out);
            }
        }
    }

    fn exact_deadline(&self, plan: &ScopePlan) -> Option<EventTime> {
        let meters = self.meters.iter().zip(&plan.meters).flat_map(|(state, meter)| {
            let silence = state.next_silence(meter, &self.alarms).map(|(due, _)| due);
            [state.door.next_deadline(), silence]
        });
        meters.flatten().chain(self.alarms.next_deadline()).min()
    }

    /// After its state was put back: finds what is due next.
    pub(crate) fn settle(&mut self, plan: &ScopePlan) {
        self.due = self.exact_deadline(plan);
    }

    fn soonest(&mut self, due: EventTime) {
        self.due = Some(self.due.map_or(due, |known| known.min(due)));
    }

    /// When it next wants to be advanced, at the earliest.
    pub(crate) fn next_deadline(&self) -> Option<EventTime> {
        self.due
    }

    /// The program starts, or starts again: time before `now` says nothing about the meters.
    pub(crate) fn resume(&mut self, plan: &ScopePlan, now: EventTime) {
        for (state, meter) in self.meters.iter_mut().zip(&plan.meters) {
            let silent = meter.silent.first().is_some_and(|(_, alarm)| self.alarms.entry(*alarm).active);
            if !silent || state.heard.is_none() {
                state.heard = Some(now);
            }
        }
        self.due = self.exact_deadline(plan);
    }

    /// Carries out a person's order on an alert of this scope. `None`: the alert is not of this scope.
    pub(crate) fn order(
        &mut self,
        plan: &ScopePlan,
        now: EventTime,
        order: &Order,
        out: &mut Vec<Output>,
    ) -> Option<()> {
        let subject = self.alerts.find(plan, &order.alert)?;
        let (book, by) = (&mut self.alarms, order.by.as_str());
        let result: Result<(), Denial> = match &order.what {
            Deed::Acknowledge => book.acknowledge(plan, subject, now, by, out),
            Deed::Release { note } => book.release(plan, subject, now, by, note, out),
            Deed::Shelve { until, reason } => book.shelve(plan, subject, now, by, *until, reason, out),
            Deed::Unshelve => book.unshelve(plan, subject, now, Some(by), out),
            Deed::Service { on } => book.service(plan, subject, now, by, *on, out),
        };
        self.fold(plan, out);
        out.push(Output::Answer(Answer { number: order.number, result }));
        Some(())
    }

    /// Takes a fact about a part that this scope watches.
    pub(crate) fn health(
        &mut self,
        plan: &ScopePlan,
        now: EventTime,
        fact: &HealthFact,
        out: &mut Vec<Output>,
    ) {
        match fact {
            HealthFact::Resumed => self.resume(plan, now),
            HealthFact::Part { part, works } => self.part(plan, now, part, *works, out),
        }
    }

    fn part(&mut self, plan: &ScopePlan, now: EventTime, part: &Part, works: bool, out: &mut Vec<Output>) {
        let Some((_, alarm)) = plan.parts.iter().find(|(known, _)| known == part) else { return };
        if works {
            self.alarms.clear(plan, *alarm, now, out);
        } else {
            let raise = Raise { since: now, value: None, peak: None, setpoint: None, recurred: None };
            self.alarms.raise(plan, *alarm, now, raise, out);
        }
        self.fold(plan, out);
    }

    /// Our wall clock was corrected: what it stamped moves with it.
    pub(crate) fn reclock(&mut self, plan: &ScopePlan, by: Span, out: &mut Vec<Output>) {
        for (state, meter) in self.meters.iter_mut().zip(&plan.meters) {
            if let Some(heard) = &mut state.heard {
                *heard += by;
            }
            if meter.stamped_by == StampedBy::Receipt {
                state.close_minute(meter, out);
                state.shift(by);
            }
        }
        if let Some(grid) = &mut self.grid {
            grid.clear();
        }
        self.alarms.shift(by);
        self.due = self.exact_deadline(plan);
    }
}
