//! Judgement across meters runs on a grid of ten seconds, once every live meter that it needs has passed the step,
//! so meters of 1 s, 10 s and 5 min mix and the order of arrival does not matter.

use crate::plan::{GRID_STEP, GridPlan, MeterPlan};
use crate::reading::Sample;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// The most steps that a fast meter may be ahead of a slow one: longer than two intervals of a five-minute meter.
const MOST_CELLS: usize = 64;

/// Sum and count of one input within one step.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Cell {
    sum: f64,
    count: u32,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Column {
    cells: Box<[Cell]>,
    /// The latest value of a step that was judged, and that step's end.
    held: Option<(EventTime, f64)>,
    /// Latest reading of the meter.
    passed: Option<EventTime>,
}

/// The grid of one scope.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Grid {
    columns: Box<[Column]>,
    /// Start of the oldest step that is not judged yet.
    start: Option<EventTime>,
    /// Whether any step was judged since the start was found. Until then an earlier reading moves the start back,
    /// so that it does not matter which meter is heard first.
    judged: bool,
}

impl Grid {
    /// A grid that has seen nothing.
    pub(crate) fn new(plan: &GridPlan) -> Self {
        let column = Column { cells: vec![Cell::default(); MOST_CELLS].into(), held: None, passed: None };
        Self { columns: vec![column; plan.inputs.len()].into(), start: None, judged: false }
    }

    /// Whether it fits the plan.
    pub(crate) fn fits(&self, plan: &GridPlan) -> bool {
        self.columns.len() == plan.inputs.len()
    }

    /// Says that one meter has come to `at`. Steps that this completes are taken with [`Grid::next`], before
    /// [`Grid::add`].
    pub(crate) fn pass(&mut self, plan: &GridPlan, meter: usize, at: EventTime) {
        if !plan.inputs.iter().any(|(local, _)| *local == meter) {
            return;
        }
        for (column, _) in self.columns.iter_mut().zip(&plan.inputs).filter(|(_, (local, _))| *local == meter)
        {
            column.passed = Some(at);
        }
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
        for column in &mut self.columns {
            column.cells.rotate_right(steps);
            column.cells[..steps].fill(Cell::default());
        }
        self.start = Some(floor);
    }

    /// Takes what one meter's reading at `at` put into the row.
    pub(crate) fn add(&mut self, plan: &GridPlan, meter: usize, at: EventTime, row: &[Sample]) {
        let Some(start) = self.start else { return };
        let Ok(index) = usize::try_from((at - start).0.div_euclid(GRID_STEP.0)) else { return };
        for (column, (_, slot)) in
            self.columns.iter_mut().zip(&plan.inputs).filter(|(_, (local, _))| *local == meter)
        {
            if let (Some(cell), Some(value)) = (column.cells.get_mut(index), row[*slot].get()) {
                cell.sum += value;
                cell.count += 1;
            }
        }
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
        let mut columns = self.columns.iter().zip(&plan.inputs);
        if columns.all(|(column, (meter, _))| column.is_blank(end, meters[*meter].every)) {
            // However many steps a silence of all meters has left, nothing comes of them: they are one.
            values.fill(Sample::ABSENT);
            self.start = Some(last);
            return Some(last);
        }
        for ((column, (meter, _)), value) in self.columns.iter_mut().zip(&plan.inputs).zip(values) {
            *value = column.close(end, meters[*meter].every).into();
        }
        self.start = Some(end);
        Some(end)
    }

    /// Up to where steps may be judged: what every live meter has passed, but never so far behind the foremost that
    /// its cells run out.
    fn last_ready(&self, plan: &GridPlan, is_live: impl Fn(usize) -> bool) -> Option<EventTime> {
        let foremost = self.columns.iter().filter_map(|column| column.passed).max()?;
        let mut all = foremost;
        for (column, _) in self.columns.iter().zip(&plan.inputs).filter(|(_, (meter, _))| is_live(*meter)) {
            all = column.passed.map_or(EventTime(i64::MIN), |passed| passed.min(all));
        }
        Some(all.max(foremost - GRID_STEP.times(MOST_CELLS as i64 - 1)).floor(GRID_STEP))
    }

    /// Forgets everything, as after a correction of the clock.
    pub(crate) fn clear(&mut self) {
        (self.start, self.judged) = (None, false);
        for column in &mut self.columns {
            column.cells.fill(Cell::default());
            column.held = None;
            column.passed = None;
        }
    }
}

impl Column {
    /// Whether no step up to the end of the cells has a value in this column.
    fn is_blank(&self, end: EventTime, every: Span) -> bool {
        self.held_at(end, every).is_none() && self.cells.iter().all(|cell| cell.count == 0)
    }

    /// The value of before, while that is fresh.
    fn held_at(&self, end: EventTime, every: Span) -> Option<f64> {
        self.held.filter(|(at, _)| (end - *at).times(2) <= every.times(3)).map(|(_, value)| value)
    }

    /// Closes the oldest cell: its mean, else the value of before while that is fresh.
    fn close(&mut self, end: EventTime, every: Span) -> Option<f64> {
        let cell = self.cells[0];
        self.cells.rotate_left(1);
        self.cells[MOST_CELLS - 1] = Cell::default();
        if cell.count > 0 {
            self.held = Some((end, cell.sum / f64::from(cell.count)));
        }
        self.held_at(end, every)
    }
}
