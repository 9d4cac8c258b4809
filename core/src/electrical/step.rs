//! When a slope changed: the search for one step of a resistance in the points of a day.

use crate::electrical::robust::{MOST_POINTS, Point};

/// A change of the slope on the first that explains, from one point on; intercept and the other slope stay.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The first point after it.
    pub index: usize,
    /// By how much the slope changed.
    pub by: f64,
    /// That in its standard errors.
    pub strength: f64,
}

/// So few points on a side are no level.
const LEAST_SIDE: usize = 6;
/// Unknowns: intercept, both slopes, the change.
const UNKNOWNS: usize = 4;

/// The one place in a row of points where a change of the slope explains most: of all places that with the least sum of
/// squares of `y = a + b·x₀ + c·x₁ + d·x₀·[from there on]`. `None` with fewer than twice six points, where one is not a number,
/// and where what explains can't be told apart. Whether it is a step says its [`strength`](Step::strength).
///
/// Source: the likelihood-ratio search for one change (textbook).
pub fn slope_step(points: &[Point]) -> Option<Step> {
    let points = &points[..points.len().min(MOST_POINTS)];
    let count = points.len();
    if count < 2 * LEAST_SIDE || !points.iter().all(Point::is_finite) {
        return None;
    }
    // Without a second that moves, its column is left out.
    let size = |value: fn(&Point) -> f64| points.iter().map(|point| value(point).abs()).fold(0.0, f64::max);
    let scale = [size(|point| point.x[0]), size(|point| point.x[1])];
    let unit = scale.map(|size| if size > 0.0 { 1.0 / size } else { 0.0 });
    let row = |point: &Point| [1.0, point.x[0] * unit[0], point.x[1] * unit[1]];
    let mut sums = Normal::default();
    for point in points {
        sums.add(row(point), point.y);
    }
    let mut after = sums;
    let mut best: Option<(usize, f64, f64, f64)> = None;
    for (index, point) in points.iter().enumerate() {
        if index >= LEAST_SIDE
            && index + LEAST_SIDE <= count
            && let Some((change, rest, spread)) = sums.with_change(&after, scale[1] > 0.0)
            && best.is_none_or(|(_, _, least, _)| rest < least)
        {
            best = Some((index, change, rest, spread));
        }
        after.take(row(point), point.y);
    }
    let (index, change, rest, spread) = best?;
    let error = (rest.max(0.0) / (count - UNKNOWNS) as f64 * spread).sqrt();
    // What is exact but for rounding has no error to compare with.
    let least = 1e-9 * points.iter().map(|point| point.y.abs()).fold(0.0, f64::max);
    let step = Step { index, by: change * unit[0], strength: change.abs() / error.max(least) };
    (step.by.is_finite() && step.strength.is_finite()).then_some(step)
}

/// Sums of products of a row with itself and with what is explained.
#[derive(Debug, Clone, Copy, Default)]
struct Normal {
    own: [[f64; 3]; 3],
    with: [f64; 3],
    square: f64,
}

impl Normal {
    fn add(&mut self, row: [f64; 3], y: f64) {
        self.count(row, y, 1.0);
    }

    fn take(&mut self, row: [f64; 3], y: f64) {
        self.count(row, y, -1.0);
    }

    fn count(&mut self, row: [f64; 3], y: f64, sign: f64) {
        for (sums, one) in self.own.iter_mut().zip(row) {
            for (sum, other) in sums.iter_mut().zip(row) {
                *sum += sign * one * other;
            }
        }
        for (sum, one) in self.with.iter_mut().zip(row) {
            *sum += sign * one * y;
        }
        self.square += sign * y * y;
    }

    /// Least squares with a change of the first slope for the points of `after`: the change, what is left, and the change's
    /// own element of the inverse.
    fn with_change(&self, after: &Self, with_second: bool) -> Option<(f64, f64, f64)> {
        let mut matrix = [[0.0; UNKNOWNS + 2]; UNKNOWNS];
        for (row, ((own, with), changed)) in self.own.iter().zip(self.with).zip(after.own[1]).enumerate() {
            matrix[row][..3].copy_from_slice(own);
            matrix[row][3] = changed;
            matrix[3][row] = changed;
            matrix[row][4] = with;
        }
        matrix[3][3] = after.own[1][1];
        matrix[3][4] = after.with[1];
        matrix[3][5] = 1.0;
        if !with_second {
            matrix[2] = [0.0; UNKNOWNS + 2];
            matrix[2][2] = 1.0;
        }
        let right = matrix.map(|row| row[4]);
        let solved = solve(&mut matrix)?;
        let explained: f64 = solved.iter().zip(right).map(|(one, right)| one[0] * right).sum();
        let [.., change] = solved;
        Some((change[0], self.square - explained, change[1]))
    }
}

/// Solves for both columns on the right by elimination with the largest pivot; `None` where it can't be told.
fn solve(matrix: &mut [[f64; UNKNOWNS + 2]; UNKNOWNS]) -> Option<[[f64; 2]; UNKNOWNS]> {
    for column in 0..UNKNOWNS {
        let larger =
            |one: &usize, other: &usize| matrix[*one][column].abs().total_cmp(&matrix[*other][column].abs());
        let pivot = (column..UNKNOWNS).max_by(larger)?;
        matrix.swap(column, pivot);
        let pivot = matrix[column];
        if pivot[column].abs() <= 1e-9 {
            return None;
        }
        for (row, values) in matrix.iter_mut().enumerate() {
            let factor = values[column] / pivot[column];
            if row != column && factor != 0.0 {
                values.iter_mut().zip(pivot).for_each(|(value, pivot)| *value -= factor * pivot);
            }
        }
    }
    Some(std::array::from_fn(|row| [4, 5].map(|column| matrix[row][column] / matrix[row][row])))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrical::robust::tests::plane;
    use proptest::prelude::*;

    #[test]
    fn a_step_is_found_where_it_is() {
        let with = |from: usize, by: f64| -> Vec<Point> {
            let noise = |index: usize| 0.3 * [0.1, -0.2, 0.15, -0.05, 0.0, 0.2, -0.12][index % 7];
            let change = |index: usize| if index >= from { by } else { 0.0 };
            let moved = |(index, point): (usize, &Point)| Point {
                y: point.y + change(index) * point.x[0] + noise(index),
                ..*point
            };
            plane(200).iter().enumerate().map(moved).collect()
        };
        let found = slope_step(&with(120, 0.1)).unwrap();
        assert!((found.index as i64 - 120).abs() <= 1 && (found.by - 0.1).abs() < 0.01, "{found:?}");
        assert!(found.strength > 6.0, "{found:?}");
        assert!(slope_step(&with(120, 0.0)).unwrap().strength < 4.0);
        assert_eq!(slope_step(&with(120, 0.1)[..11]), None);
        let alone: Vec<Point> =
            with(120, 0.1).iter().map(|point| Point { x: [point.x[0], 0.0], ..*point }).collect();
        assert!(slope_step(&alone).is_some(), "the second need not move");
        assert_eq!(slope_step(&[Point { x: [5.0, 1.0], y: 2.0 }; 40]), None, "nothing moves");
    }

    proptest! {
        #[test]
        fn nothing_but_numbers_comes_out(
            values in prop::collection::vec(prop::array::uniform3(prop::num::f64::ANY), 0..40),
        ) {
            let points: Vec<Point> = values.iter().map(|[x, z, y]| Point { x: [*x, *z], y: *y }).collect();
            if let Some(found) = slope_step(&points) {
                prop_assert!(found.strength.is_finite() && found.by.is_finite() && found.index < points.len());
            }
        }
    }
}
