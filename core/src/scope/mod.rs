//! One transformer with its feeders and sensors. Scopes share nothing: each is saved, restored and tested alone.

mod anew;
mod facts;
mod holds;
mod lost;
mod orders;

use crate::alarm::book::{AlarmBook, Stir};
use crate::alert::AlertBook;
use crate::context::{Context, Supplies};
use crate::desk::Desk;
use crate::diagnosis::{Diagnosis, FindingBook, Step};
use crate::feeding::Flags;
use crate::formula::Gathered;
use crate::grid::Grid;
use crate::meter::{MeterState, speaks};
use crate::output::{Output, Quarantined, Refusal, Rule};
use crate::parallel::Abreast;
use crate::plan::{MeterPlan, ScopePlan};
use crate::plant::StampedBy;
use crate::quality::fill_row;
use crate::reading::{Reading, Sample};
use crate::recorder::Recorder;
use crate::saved::Precious;
use crate::sequencer::Taken;
use crate::study::{Study, Turn};
use crate::time::EventTime;

/// The state of one scope.
#[derive(Debug, Clone)]
pub(crate) struct Scope {
    pub(crate) meters: Box<[MeterState]>,
    pub(crate) grid: Option<Grid>,
    pub(crate) study: Study,
    pub(crate) diagnosis: Diagnosis,
    pub(crate) findings: FindingBook,
    /// What it carries beside others.
    pub(crate) abreast: Abreast,
    pub(crate) alarms: AlarmBook,
    pub(crate) alerts: AlertBook,
    pub(crate) recorder: Recorder,
    /// Counts of what an earlier configuration had, so that no id comes twice if it comes back.
    pub(crate) former: Precious,
    /// Our own clock is not trusted, so it says nothing about those of meters. Stamps since then are to be corrected with
    /// it: since the start where it began with one, else all, for they moved with the clock.
    pub(crate) doubts_clock: Option<EventTime>,
    /// Up to when it was looked what follows from a lost supply.
    pub(crate) looked: EventTime,
    /// Its state was put back then: what follows from a lost supply is looked for anew.
    put_back: Option<EventTime>,
    /// When the program last started or stood still.
    resumed: Option<EventTime>,
    pub(crate) flags: Flags,
    /// What has fed each of the plan's things lately.
    pub(crate) supplies: Box<[Supplies]>,
    pub(crate) row: Box<[Sample]>,
    scratch: Box<[Sample]>,
    /// What stood in the row of one meter.
    pub(crate) spare: Box<[Sample]>,
    pub(crate) grid_values: Box<[Sample]>,
    /// Of the things, by their place in the plan: whether each is fed by its own transformer in the step of the grid.
    at_home: Box<[bool]>,
    gathered: Box<Gathered>,
    /// Nothing is due before this: a lower bound, made exact when it is reached.
    due: Option<EventTime>,
}

impl Scope {
    pub(crate) fn new(plan: &ScopePlan) -> Self {
        let most_points = plan.meters.iter().map(|meter| meter.points).max().unwrap_or(0);
        let most_series = plan.meters.iter().map(|meter| meter.series.len()).max().unwrap_or(0);
        Self {
            meters: plan.meters.iter().map(MeterState::new).collect(),
            grid: plan.grid.as_ref().map(Grid::new),
            study: plan.grid.as_ref().map(|grid| Study::new(&grid.study)).unwrap_or_default(),
            diagnosis: plan.grid.as_ref().map(|grid| Diagnosis::new(&grid.diagnosis)).unwrap_or_default(),
            findings: FindingBook::default(),
            abreast: Abreast::default(),
            alarms: AlarmBook::new(plan.alarms.len()),
            alerts: AlertBook::new(plan.subjects.len()),
            recorder: Recorder::default(),
            former: Precious::default(),
            doubts_clock: None,
            looked: EventTime(i64::MIN),
            put_back: None,
            resumed: None,
            flags: Flags::new(plan),
            supplies: plan.things.iter().map(|_| Supplies::usual()).collect(),
            row: vec![Sample::ABSENT; plan.slots].into(),
            scratch: vec![Sample::ABSENT; most_points].into(),
            spare: vec![Sample::ABSENT; most_series].into(),
            grid_values: vec![Sample::ABSENT; plan.grid.as_ref().map_or(0, |grid| grid.inputs.len())].into(),
            at_home: plan.things.iter().map(|_| true).collect(),
            gathered: Box::default(),
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
        self.recorder.at(now);
        self.flags.at(now);
        let (meter, at) = (&plan.meters[local], reading.at);
        let state = &mut self.meters[local];
        let refused = |why| Quarantined { meter: meter.id, quantity: None, at, value: None, why, count: 1 };
        if reading.values.len() != meter.points {
            state.quarantine.refuse(now, refused(Refusal::WrongShape), out);
            return;
        }
        if speaks(reading.values) {
            let desk = &mut Desk { plan, book: &mut self.alarms, recorder: &mut self.recorder, out };
            // What is late or told again does not end a silence: it is no value of now.
            if !state.door.is_behind(at) {
                state.hear(meter, now, desk);
            }
            state.compare_clock(meter, (now, at), self.doubts_clock.is_some(), desk);
            self.fold(plan, out);
        }
        let state = &mut self.meters[local];
        match state.door.take(now, at, reading.values, meter.wait) {
            Taken::Now => self.judge(plan, local, at, reading.values, out),
            Taken::Waits => {
                self.soonest(now + meter.wait);
                self.release(plan, local, now, out);
            }
            Taken::Refused(Refusal::TooLate) if state.fills_gap(meter, at) => {
                state.quarantine.refuse(now, refused(Refusal::OnlyHistory), out);
                self.record_late(plan, local, now, reading, out);
            }
            Taken::Refused(why) => state.quarantine.refuse(now, refused(why), out),
        }
    }

    fn release(&mut self, plan: &ScopePlan, local: usize, now: EventTime, out: &mut Vec<Output>) {
        let meter = &plan.meters[local];
        let mut values = std::mem::take(&mut self.scratch);
        while let Some(at) = self.meters[local].door.release(now, meter.wait, &mut values[..meter.points]) {
            self.judge(plan, local, at, &values[..meter.points], out);
        }
        self.scratch = values;
    }

    /// Judges one reading. Its alerts are folded before the next, so that it does not matter how many readings are
    /// let through the door at a time.
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
        let impossible = fill_row(meter, (at, at), values, row, &mut state.quarantine, out);
        if let (StampedBy::Meter, Some(last)) = (meter.stamped_by, state.cadence.last()) {
            state.gaps.pass(last, at, meter.every);
        }
        let stands_for = (at, state.cadence.credit(at, meter.every));
        let desk = &mut Desk { plan, book: &mut self.alarms, recorder: &mut self.recorder, out };
        state.look_for_nonsense(meter, stands_for, impossible, desk);
        state.look_for_absence(meter, stands_for, values, row, desk);
        if state.is_frozen(meter, stands_for, values, desk) {
            row.fill(Sample::ABSENT);
        }
        self.compute(meter);
        let (state, desk) = (
            &mut self.meters[local],
            &mut Desk { plan, book: &mut self.alarms, recorder: &mut self.recorder, out },
        );
        let row = &mut self.row[meter.first_slot..meter.first_slot + meter.series.len()];
        state.remember(meter, stands_for, row);
        let turned = state.returns.observe(at, &meter.volts, row);
        let fits = state.fits(meter, at, values, desk);
        if turned {
            self.await_look(plan);
        }
        let context = fits.then(|| self.context(plan, local, at));
        let row = &self.row[meter.first_slot..meter.first_slot + meter.series.len()];
        let desk = &mut Desk { plan, book: &mut self.alarms, recorder: &mut self.recorder, out };
        self.meters[local].judge(meter, stands_for, row, context.as_ref(), desk);
        self.fold(plan, out);
        self.hear(plan, local, (at, fits), out);
        if !fits {
            self.row[meter.first_slot..meter.first_slot + meter.series.len()].fill(Sample::ABSENT);
        }
        self.note_flags(plan, local, at);
        self.across(plan, local, at, out);
    }

    /// Computes in the row what one meter's values allow.
    pub(crate) fn compute(&mut self, meter: &MeterPlan) {
        if let Some(ratios) = &meter.own_ratios {
            ratios.settle(&mut self.row);
        }
        self.gathered.forget();
        for (index, formula) in meter.formulas.iter().enumerate() {
            let slot = meter.first_slot + meter.points + index;
            self.row[slot] = formula.evaluate_with(&self.row, &mut self.gathered);
        }
    }

    /// In what context a reading of a meter at `at` is taken.
    pub(crate) fn context(&self, plan: &ScopePlan, local: usize, at: EventTime) -> Context {
        let meter = &plan.meters[local];
        let Some(supplies) = self.supplies.get(meter.thing) else { return Context::USUAL };
        let supplied = supplies.before(at);
        let energised = meter.volts_by.and_then(|by| {
            let (returns, teller) = (&self.meters[by].returns, &plan.meters[by]);
            // The transformer's volts say nothing of a feeder that hangs elsewhere.
            let alike = teller.thing == meter.thing || supplied.at_home;
            let seen = || returns.before(at, teller.slack());
            if by == local { returns.until(at) } else { alike.then(seen).flatten() }
        });
        Context {
            source: supplied.source,
            at_home: supplied.at_home,
            transferred: supplied.transferred,
            energised,
        }
    }

    /// What a reading says of what happens within seconds.
    fn hear(&mut self, plan: &ScopePlan, local: usize, (at, fits): (EventTime, bool), out: &mut Vec<Output>) {
        if let Some(grid) = &plan.grid {
            let (reading, before) = ((local, at, fits), out.len());
            self.diagnosis.hear(&grid.diagnosis, &mut self.findings, reading, &self.row, out);
            self.follow_causes(plan, before, out);
        }
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
        let Some(grid_plan) = &plan.grid else { return };
        let made = &plan.meters[grid_plan.meters.clone()];
        let slots = match (made.first(), made.last()) {
            (Some(first), Some(last)) => first.first_slot..last.first_slot + last.series.len(),
            _ => plan.slots..plan.slots,
        };
        let formulas = made.first().map(|first| (first.first_slot, &first.formulas));
        loop {
            let alarms = &self.alarms;
            let live = |local: usize| {
                plan.meters[local].silent.first().is_none_or(|(_, alarm)| !alarms.entry(*alarm).active)
            };
            let Some(grid) = &mut self.grid else { return };
            let Some(end) = grid.next(grid_plan, &plan.meters, live, &mut self.grid_values) else { return };
            for (slot, formula) in formulas.iter().flat_map(|(first, all)| (*first..).zip(all.iter())) {
                self.row[slot] = formula.evaluate(&self.grid_values);
            }
            let context = if made.is_empty() {
                Context::USUAL
            } else {
                self.context(plan, grid_plan.meters.start, end)
            };
            let source = context.settles(end).is_none().then_some(context.source);
            let row = &mut self.row[slots.clone()];
            for (at_home, supplies) in self.at_home.iter_mut().zip(&self.supplies) {
                *at_home = supplies.before(end).at_home;
            }
            let turn = &mut Turn { end, inputs: &self.grid_values, row };
            self.study.step(&grid_plan.study, (&self.at_home, source), turn);
            for (local, meter) in grid_plan.meters.clone().zip(made) {
                let context = self.context(plan, local, end);
                let row = &self.row[meter.first_slot..meter.first_slot + meter.series.len()];
                let desk = &mut Desk { plan, book: &mut self.alarms, recorder: &mut self.recorder, out };
                let state = &mut self.meters[local];
                let stands_for = (end, state.cadence.credit(end, meter.every));
                state.judge(meter, stands_for, row, Some(&context), desk);
            }
            let alarms = &self.alarms;
            let made = &self.row[slots.clone()];
            let step = Step { end, inputs: &self.grid_values, made, elsewhere: alarms.elsewhere(), context };
            let before = out.len();
            self.diagnosis.step(&grid_plan.diagnosis, &mut self.findings, &step, out);
            if grid_plan.diagnosis.in_parallel {
                let settles = step.context.settles(end).is_some();
                self.abreast.take(self.diagnosis.carried(&grid_plan.diagnosis, (end, settles)));
            }
            self.fold(plan, out);
            self.follow_causes(plan, before, out);
        }
    }

    pub(crate) fn fold(&mut self, plan: &ScopePlan, out: &mut Vec<Output>) {
        if !self.alarms.is_dirty() {
            return;
        }
        let dirty: Vec<_> = self.alarms.take_dirty().collect();
        if let Some(last) = dirty.last() {
            self.look_for_lost_flags(plan, last.at);
        }
        let silence =
            dirty.iter().rev().find(|stir| matches!(plan.alarms[stir.alarm].rule, Rule::Silent { .. }));
        if let Some(at) = silence.map(|stir| stir.at) {
            // Of volts that nobody tells of any more nothing follows; and what is fed by a lost supply is silent by that.
            self.follow_lost_supply(plan, at, out);
        }
        for stir in dirty {
            self.follow_silence(plan, &stir, out);
            self.alerts.fold(plan, &self.alarms, &stir, out);
        }
        self.due = self.exact_deadline(plan);
    }

    /// A meter that fell silent or speaks again is a finding at once: its alarm has waited. Not a matter of the grid, whose
    /// steps come when other meters let them.
    fn follow_silence(&mut self, plan: &ScopePlan, stir: &Stir, out: &mut Vec<Output>) {
        let (Some(grid), Rule::Silent { .. }) = (&plan.grid, plan.alarms[stir.alarm].rule) else { return };
        let of = |meter: &MeterPlan| meter.silent.iter().any(|(_, alarm)| *alarm == stir.alarm);
        let circuit = |local: usize| grid.diagnosis.meters.get(local)?.map(|place| place.circuit);
        let Some(circuit) = plan.meters.iter().position(of).and_then(circuit) else { return };
        let here = plan.meters.iter().enumerate().filter(|(local, _)| {
            grid.diagnosis.meters.get(*local).copied().flatten().is_some_and(|place| place.circuit == circuit)
        });
        let standing = here.flat_map(|(_, meter)| &meter.silent).map(|(_, alarm)| *alarm);
        let standing = standing.filter(|alarm| self.alarms.entry(*alarm).active);
        let priority = standing.map(|alarm| plan.alarms[alarm].priority).max();
        self.findings.silence(&grid.diagnosis, (circuit, priority), stir.at, out);
    }

    /// Takes into the alerts what was told of findings since the output with this index.
    pub(crate) fn follow_causes(&mut self, plan: &ScopePlan, since: usize, out: &mut Vec<Output>) {
        let findings = out[since..].iter().filter_map(|output| match output {
            Output::Finding(change) => Some(change.clone()),
            _ => None,
        });
        for change in findings.collect::<Vec<_>>() {
            self.alerts.follow_cause(plan, &self.alarms, &change, out);
        }
    }

    /// Does all that is due by `now`, each at the moment it was due.
    pub(crate) fn advance(&mut self, plan: &ScopePlan, now: EventTime, out: &mut Vec<Output>) {
        while let Some(due) = self.due.filter(|due| *due <= now) {
            self.do_due(plan, due, out);
            self.due = self.exact_deadline(plan);
        }
    }

    /// Does what is due by `at`. If nothing is (the bound was too low), nothing happens.
    fn do_due(&mut self, plan: &ScopePlan, at: EventTime, out: &mut Vec<Output>) {
        self.recorder.at(at);
        self.flags.at(at);
        for (local, meter) in plan.meters.iter().enumerate() {
            if self.meters[local].door.next_deadline().is_some_and(|due| due <= at) {
                self.release(plan, local, at, out);
            }
            if self.meters[local].late.as_ref().is_some_and(|late| late.due <= at) {
                self.meters[local].close_late(meter, out);
            }
            while let Some((due, step)) =
                self.meters[local].next_silence(meter, &self.alarms).filter(|(due, _)| *due <= at)
            {
                let only_eye = step == 0 && self.is_only_eye(plan, meter);
                let desk = &mut Desk { plan, book: &mut self.alarms, recorder: &mut self.recorder, out };
                self.meters[local].fall_silent(meter, step, due, desk);
                if only_eye {
                    // Nothing else shows whether what stands gets worse: that waits for no further step.
                    self.meters[local].fall_silent(meter, meter.silent.len() - 1, due, desk);
                }
                self.fold(plan, out);
                self.turn_grid(plan, out);
            }
        }
        self.look_if_due(plan, at, out);
        self.alerts.unshelve_cases(plan, &mut self.alarms, at, out);
        if self.alarms.next_deadline(plan).is_some_and(|due| due <= at) {
            self.end_holds(plan, at, out);
        }
        self.recorder.tell(at, out);
    }

    fn exact_deadline(&self, plan: &ScopePlan) -> Option<EventTime> {
        let meters = self.meters.iter().zip(&plan.meters).flat_map(|(state, meter)| {
            let silence = state.next_silence(meter, &self.alarms).map(|(due, _)| due);
            [state.door.next_deadline(), silence, state.late.as_ref().map(|late| late.due)]
        });
        let others = [
            self.alarms.next_deadline(plan),
            self.alerts.next_deadline(),
            self.recorder.next_deadline(),
            self.next_look(plan),
        ];
        meters.chain(others).flatten().min()
    }

    pub(crate) fn soonest(&mut self, due: EventTime) {
        self.due = Some(self.due.map_or(due, |known| known.min(due)));
    }

    /// When it next wants to be advanced, at the earliest.
    pub(crate) fn next_deadline(&self) -> Option<EventTime> {
        self.due
    }
}
