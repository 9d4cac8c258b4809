//! Judgement across meters runs on a grid of ten seconds, once every live meter that it needs has passed the step,
//! so meters of 1 s, 10 s and 5 min mix and the order of arrival does not matter.

mod cells;

use crate::electrical::angle::wrapped;
use crate::plan::{GRID_STEP, GridPlan, MeterPlan};
use crate::reading::Sample;
use crate::time::{EventTime, Span};
use cells::Cells;
use serde::{Deserialize, Serialize};

/// The most steps that a fast meter may be ahead of a slow one: longer than two intervals of a five-minute meter.
const MOST_CELLS: usize = 64;

/// The grid of one scope.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Grid {
    /// Sums of each input in the steps that are not judged yet.
    cells: Cells,
    /// By input: the latest value of a step that was judged, and that step's end.
    held: Box<[Option<(EventTime, f64)>]>,
    /// By meter of the scope: its latest reading, if it gives inputs.
    passed: Box<[Option<EventTime>]>,
    /// Start of the oldest step that is not judged yet.
    start: Option<EventTime>,
    /// Whether any step was judged since the start was found. Until then an earlier reading moves the start back,
    /// so that it does not matter which meter is heard first.
    judged: bool,
}

impl Grid {
    /// A grid that has seen nothing.
    pub(crate) fn new(plan: &GridPlan) -> Self {
        let inputs = plan.inputs.len();
        Self {
            cells: Cells::new(inputs),
            held: vec![None; inputs].into(),
            passed: vec![None; plan.columns.len()].into(),
            start: None,
            judged: false,
        }
    }

    /// Whether it fits the plan.
    pub(crate) fn fits(&self, plan: &GridPlan) -> bool {
        self.cells.columns() == plan.inputs.len()
            && self.held.len() == plan.inputs.len()
            && self.passed.len() == plan.columns.len()
    }

    /// Says that one meter has come to `at`. Steps that this completes are taken with [`Grid::next`], before
    /// [`Grid::add`].
    pub(crate) fn pass(&mut self, plan: &GridPlan, meter: usize, at: EventTime) {
        if !plan.needs(meter) {
            return;
        }
        self.passed[meter] = Some(at);
        let floor = at.floor(GRID_STEP);
        match self.start {
            None => self.start = Some(floor),
            Some(start) if floor < start && !self.judged => self.move_back(start, floor),
            Some(_) => {}
        }
    }

    fn move_back(&mut self, start: EventTime, floor: EventTime) {
        let steps = (start - floor).0 / GRID_STEP.0;
        let Some(steps) = usize::try_from(steps).ok().filter(|steps| *steps < MOST_CELLS) else { return };
        self.cells.move_back(steps);
        self.start = Some(floor);
    }

    /// Takes what one meter's reading at `at` put into the row.
    pub(crate) fn add(&mut self, plan: &GridPlan, meter: usize, at: EventTime, row: &[Sample]) {
        let (Some(start), true) = (self.start, plan.needs(meter)) else { return };
        let Ok(step) = usize::try_from((at - start).0.div_euclid(GRID_STEP.0)) else { return };
        let columns = plan.columns[meter].clone();
        let inputs = plan.inputs[columns.clone()].iter().zip(&plan.angles[columns.clone()]);
        self.cells.add(step, columns, inputs.map(|((_, slot), is_angle)| (row[*slot], *is_angle)));
    }

    /// Gives the end of the next step that every live meter has passed, and its values in `values`. `is_live` says
    /// whether a meter (local) is being heard; one that is not is not waited for.
    pub(crate) fn next(
        &mut self,
        plan: &GridPlan,
        meters: &[MeterPlan],
        is_live: impl Fn(usize) -> bool,
        values: &mut [Sample],
    ) -> Option<EventTime> {
        let end = self.start? + GRID_STEP;
        let last = self.last_ready(plan, &is_live).filter(|last| *last >= end)?;
        self.judged = true;
        let every = |column: usize| meters[plan.inputs[column].0].every;
        if self.cells.are_empty()
            && (0..self.held.len()).all(|column| self.fresh(column, end, every(column)).is_none())
        {
            // However many steps a silence of all meters has left, nothing comes of them: they are one.
            values.fill(Sample::ABSENT);
            self.start = Some(last);
            return Some(last);
        }
        for (column, value) in values.iter_mut().enumerate() {
            if let Some(mean) = self.cells.first_mean(column) {
                let mean = if plan.angles[column] { wrapped(mean) } else { mean };
                self.held[column] = Some((end, mean));
            }
            *value = self.fresh(column, end, every(column)).into();
        }
        self.cells.drop_first();
        self.start = Some(end);
        Some(end)
    }

    /// Up to where steps may be judged: what every live meter has passed, but never so far behind the foremost that
    /// its cells run out.
    fn last_ready(&self, plan: &GridPlan, is_live: impl Fn(usize) -> bool) -> Option<EventTime> {
        let foremost = self.passed.iter().filter_map(|passed| *passed).max()?;
        let waited_for = (0..self.passed.len()).filter(|meter| plan.needs(*meter) && is_live(*meter));
        let all = waited_for.fold(foremost, |all, meter| {
            self.passed[meter].map_or(EventTime(i64::MIN), |passed| passed.min(all))
        });
        Some(all.max(foremost - GRID_STEP.times(MOST_CELLS as i64 - 1)).floor(GRID_STEP))
    }

    /// The value of an input of before, while that is fresh: for one and a half of its meter's intervals.
    fn fresh(&self, column: usize, end: EventTime, every: Span) -> Option<f64> {
        self.held[column].filter(|(at, _)| (end - *at).times(2) <= every.times(3)).map(|(_, value)| value)
    }

    /// Forgets everything, as after a correction of the clock.
    pub(crate) fn clear(&mut self) {
        (self.start, self.judged) = (None, false);
        self.cells.clear();
        self.held.fill(None);
        self.passed.fill(None);
    }
}
