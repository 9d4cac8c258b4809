//! Sums of the inputs of a grid in the steps that are not judged yet, as a ring of steps.

use super::MOST_CELLS;
use crate::electrical::angle::wrapped;
use crate::reading::Sample;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::ops::Range;

/// Sum and count of one input within one step.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Cell {
    sum: f64,
    count: u32,
}

impl Cell {
    /// An angle less the turns by which it lies apart from the mean of those before: 179° and -179° are two degrees apart.
    fn beside(self, degrees: f64) -> f64 {
        let mean = if self.count > 0 { self.sum / f64::from(self.count) } else { 0.0 };
        mean + wrapped(degrees - mean)
    }
}

/// The cells of all steps and inputs. Saved are only those that hold something: most steps are empty at any time.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cells {
    /// One row of columns for each step, the rows as a ring.
    rows: Box<[Cell]>,
    columns: usize,
    /// Row of the first step.
    first: usize,
    /// How many hold something.
    filled: usize,
}

impl Cells {
    pub(super) fn new(columns: usize) -> Self {
        Self { rows: vec![Cell::default(); MOST_CELLS * columns].into(), columns, first: 0, filled: 0 }
    }

    pub(super) fn columns(&self) -> usize {
        self.columns
    }

    pub(super) fn are_empty(&self) -> bool {
        self.filled == 0
    }

    fn row(&self, step: usize) -> usize {
        (self.first + step) % MOST_CELLS * self.columns
    }

    /// Adds values to columns of the `step`th step, each with whether it is an angle. A step beyond the ring is left out.
    pub(super) fn add(
        &mut self,
        step: usize,
        columns: Range<usize>,
        values: impl Iterator<Item = (Sample, bool)>,
    ) {
        if step >= MOST_CELLS {
            return;
        }
        let row = self.row(step);
        for (cell, (value, is_angle)) in
            self.rows[row + columns.start..row + columns.end].iter_mut().zip(values)
        {
            if let Some(value) = value.get() {
                self.filled += usize::from(cell.count == 0);
                cell.sum += if is_angle { cell.beside(value) } else { value };
                cell.count += 1;
            }
        }
    }

    /// Mean of a column in the first step; that of an angle may lie beyond a turn.
    pub(super) fn first_mean(&self, column: usize) -> Option<f64> {
        let cell = self.rows[self.row(0) + column];
        (cell.count > 0).then(|| cell.sum / f64::from(cell.count))
    }

    /// The first step is over; a new one comes behind the last.
    pub(super) fn drop_first(&mut self) {
        self.empty_row(self.row(0));
        self.first = (self.first + 1) % MOST_CELLS;
    }

    /// So many new steps come before the first; as many at the end go.
    pub(super) fn move_back(&mut self, steps: usize) {
        self.first = (self.first + MOST_CELLS - steps) % MOST_CELLS;
        for step in 0..steps {
            self.empty_row(self.row(step));
        }
    }

    fn empty_row(&mut self, row: usize) {
        let cells = &mut self.rows[row..row + self.columns];
        self.filled -= cells.iter().filter(|cell| cell.count > 0).count();
        cells.fill(Cell::default());
    }

    pub(super) fn clear(&mut self) {
        self.rows.fill(Cell::default());
        (self.first, self.filled) = (0, 0);
    }
}

/// The written form: how many columns, and each cell that holds something by step and column.
#[derive(Serialize, Deserialize)]
struct SavedCells {
    columns: u32,
    filled: Vec<(u32, u32, Cell)>,
}

impl Serialize for Cells {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let steps = if self.are_empty() { 0 } else { MOST_CELLS };
        let of_step = |step: usize| {
            let row = self.row(step);
            let cells = self.rows[row..row + self.columns].iter().enumerate();
            let filled = cells.filter(|(_, cell)| cell.count > 0);
            filled.map(move |(column, cell)| (step as u32, column as u32, *cell))
        };
        let filled = (0..steps).flat_map(of_step).collect();
        SavedCells { columns: self.columns as u32, filled }.serialize(serializer)
    }
}

impl<'de> Deserialize<'de> for Cells {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        /// More inputs than any plan has: 64 meters of 1024 points each.
        const MOST_COLUMNS: u32 = 1 << 16;
        let saved = SavedCells::deserialize(deserializer)?;
        if saved.columns > MOST_COLUMNS {
            return Err(serde::de::Error::custom("a grid has not so many inputs"));
        }
        let mut cells = Self::new(saved.columns as usize);
        for (step, column, cell) in saved.filled {
            let (step, column) = (step as usize, column as usize);
            if step < MOST_CELLS && column < cells.columns && cell.count > 0 {
                let index = cells.row(step) + column;
                cells.filled += usize::from(cells.rows[index].count == 0);
                cells.rows[index] = cell;
            }
        }
        Ok(cells)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn values(values: &[f64]) -> impl Iterator<Item = (Sample, bool)> {
        values.iter().map(|value| (Sample::new(*value), false)).collect::<Vec<_>>().into_iter()
    }

    /// A leg of a high-leg delta stands at 180° to the other, phase A of many meters at 0 to 360°. Seen to fail by sums of plain numbers:
    /// a mean of 0° and of 180°.
    #[test]
    fn angles_that_wrap_around_keep_their_direction() {
        for (angles, mean) in
            [([179.9, -179.9, 179.8], 179.933), ([359.9, 0.2, 0.1], 0.067), ([120.0, 121.0, 122.0], 121.0)]
        {
            let mut cells = Cells::new(1);
            for angle in angles {
                cells.add(0, 0..1, std::iter::once((Sample::new(angle), true)));
            }
            let got = cells.first_mean(0).expect("it was given");
            assert!(wrapped(got - mean).abs() < 0.001, "{angles:?}: {got}");
        }
    }

    #[test]
    fn steps_move_on_and_back() {
        let mut cells = Cells::new(2);
        cells.add(0, 0..2, values(&[1.0, f64::NAN]));
        cells.add(0, 0..1, values(&[3.0]));
        cells.add(1, 1..2, values(&[7.0]));
        cells.add(MOST_CELLS, 0..2, values(&[9.0, 9.0]));
        assert_eq!((cells.first_mean(0), cells.first_mean(1)), (Some(2.0), None));
        cells.drop_first();
        assert_eq!((cells.first_mean(0), cells.first_mean(1)), (None, Some(7.0)));
        cells.move_back(2);
        assert_eq!(cells.first_mean(1), None);
        cells.drop_first();
        cells.drop_first();
        assert_eq!(cells.first_mean(1), Some(7.0));
        cells.drop_first();
        assert!(cells.are_empty());
    }

    #[test]
    fn what_moved_past_the_end_is_gone() {
        let mut cells = Cells::new(1);
        cells.add(MOST_CELLS - 1, 0..1, values(&[5.0]));
        cells.move_back(1);
        assert!(cells.are_empty());
    }

    #[test]
    fn saved_and_read_again_it_goes_on_alike() {
        let mut cells = Cells::new(3);
        for step in 0..5 {
            cells.add(step, 0..3, values(&[step as f64, f64::NAN, 1.0]));
        }
        cells.drop_first();
        cells.drop_first();
        let body = postcard::to_stdvec(&cells).expect("it can be written");
        let mut again: Cells = postcard::from_bytes(&body).expect("it can be read");
        assert_eq!(postcard::to_stdvec(&again).expect("it can be written"), body);
        for _ in 0..4 {
            assert_eq!(again.first_mean(0), cells.first_mean(0));
            assert_eq!(again.first_mean(2), cells.first_mean(2));
            again.drop_first();
            cells.drop_first();
        }
        assert!(again.are_empty() && cells.are_empty());
    }
}
