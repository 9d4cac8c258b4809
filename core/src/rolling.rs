//! Rolling windows: the windows of one length over the series of one meter, which move together.
//!
//! A window moves in steps of a sixtieth of its length, from 1 s up. Of each pane only the sum and the measured time
//! are kept, side by side for all series. A mean needs no pass over the panes and no subtraction, which would drift: the
//! panes written since the oldest place was last the first have a running sum; of those before, the place of each holds
//! the sum of its pane and all after it. One addition of the two is the sum of the window. Once a round the sums are made
//! anew from the panes themselves, so rounding never lasts longer than a window.

use crate::electrical::angle;
use crate::reading::Sample;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// The most panes in a window: it moves in steps of a sixtieth of its length.
pub const PANES: usize = 60;

/// The least share of a window that must be measured before its mean may be judged (common practice, no
/// source; the usual rule for demand intervals).
pub const LEAST_SHARE: f64 = 0.8;

/// The windows of one length.
///
/// Columns are counted from 0: first the levels and flags, then the angles, each of which has a second column behind all
/// others for its sines.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rolling {
    step: Span,
    levels: usize,
    angles: usize,
    /// End of the open panes; `None` before the first reading.
    edge: Option<EventTime>,
    /// Place of the oldest closed pane, which is the next to be written.
    oldest: usize,
    /// Which columns have moved and were not judged since.
    due: Box<[bool]>,
    is_any_due: bool,
    open: Totals,
    /// Of the panes before the oldest place, which are the newer ones.
    newer: Totals,
    /// Sums of panes, one row of columns a pane. From the oldest place on each holds its pane and all after it.
    sums: Box<[f64]>,
    /// Measured milliseconds, likewise.
    covered_ms: Box<[u32]>,
}

/// One number of each kind a column. Milliseconds are whole numbers here too; of one type, the loops over both are short.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Totals {
    sums: Box<[f64]>,
    covered_ms: Box<[f64]>,
}

impl Totals {
    fn new(columns: usize) -> Self {
        Self { sums: vec![0.0; columns].into(), covered_ms: vec![0.0; columns].into() }
    }

    fn clear(&mut self) {
        self.sums.fill(0.0);
        self.covered_ms.fill(0.0);
    }
}

impl Rolling {
    /// Empty windows of this length (at least 1 s): so many over levels and flags, so many over angles.
    pub fn new(length: Span, levels: usize, angles: usize) -> Self {
        let panes = (length.0 / 1000).clamp(1, PANES as i64);
        let columns = levels + 2 * angles;
        Self {
            step: Span((length.0 / panes).max(1000)),
            levels,
            angles,
            edge: None,
            oldest: 0,
            due: vec![false; levels + angles].into(),
            is_any_due: false,
            open: Totals::new(columns),
            newer: Totals::new(columns),
            sums: vec![0.0; columns * panes as usize].into(),
            covered_ms: vec![0; columns * panes as usize].into(),
        }
    }

    fn columns(&self) -> usize {
        self.levels + 2 * self.angles
    }

    fn panes(&self) -> usize {
        self.sums.len() / self.columns().max(1)
    }

    /// How far they move at a time.
    pub fn step(&self) -> Span {
        self.step
    }

    /// Where they end now, once they have moved.
    pub fn end(&self) -> Option<EventTime> {
        self.edge.map(|edge| edge - self.step)
    }

    /// Moves to `at`. To be called for each reading, before [`Rolling::push`].
    pub fn advance(&mut self, at: EventTime) {
        let Some(edge) = self.edge else {
            self.edge = Some(at.floor(self.step) + self.step);
            return;
        };
        if at < edge {
            return;
        }
        let passed = (at - edge).0 / self.step.0 + 1;
        if passed > self.panes() as i64 {
            self.empty();
        } else {
            for _ in 0..passed {
                self.close();
            }
        }
        self.edge = Some(at.floor(self.step) + self.step);
        self.due.fill(true);
        self.is_any_due = true;
    }

    /// Closes the open panes; new ones are open then.
    fn close(&mut self) {
        let columns = self.columns();
        let place = self.oldest * columns..(self.oldest + 1) * columns;
        let sums = self.sums[place.clone()].iter_mut().zip(&mut self.open.sums).zip(&mut self.newer.sums);
        for ((kept, open), newer) in sums {
            *newer += *open;
            *kept = std::mem::take(open);
        }
        let covered = self.covered_ms[place].iter_mut().zip(&mut self.open.covered_ms);
        for ((kept, open), newer) in covered.zip(&mut self.newer.covered_ms) {
            *newer += *open;
            *kept = std::mem::take(open) as u32;
        }
        self.oldest += 1;
        if self.oldest == self.panes() {
            self.begin_round();
        }
    }

    /// All places are written: from here on each holds its pane and all after it.
    fn begin_round(&mut self) {
        let columns = self.columns();
        for row in (0..self.panes() - 1).rev() {
            let (before, after) = self.sums.split_at_mut((row + 1) * columns);
            for (sum, next) in before[row * columns..].iter_mut().zip(&after[..columns]) {
                *sum += next;
            }
            let (before, after) = self.covered_ms.split_at_mut((row + 1) * columns);
            for (covered, next) in before[row * columns..].iter_mut().zip(&after[..columns]) {
                *covered = covered.saturating_add(*next);
            }
        }
        self.oldest = 0;
        self.newer.clear();
    }

    fn empty(&mut self) {
        self.open.clear();
        self.newer.clear();
        self.sums.fill(0.0);
        self.covered_ms.fill(0);
        self.oldest = 0;
    }

    /// Takes what a reading that stands for `credit` gives into the open panes: `of` names the places in `row` of the
    /// levels and then of the angles. What is absent adds nothing.
    pub fn push(&mut self, of: &[usize], row: &[Sample], credit: Span) {
        let weight = credit.0.clamp(0, i64::from(u32::MAX)) as f64;
        let (levels, angles) = of.split_at(self.levels.min(of.len()));
        let totals = self.open.sums.iter_mut().zip(&mut self.open.covered_ms);
        for ((sum, covered), place) in totals.zip(levels) {
            if let Some(value) = row[*place].get() {
                *sum += value * weight;
                *covered += weight;
            }
        }
        for (angle, place) in angles.iter().enumerate() {
            if let Some(value) = row[*place].get() {
                let (sine, cosine) = value.to_radians().sin_cos();
                let column = self.levels + angle;
                self.open.sums[column] += cosine * weight;
                self.open.sums[column + self.angles] += sine * weight;
                self.open.covered_ms[column] += weight;
            }
        }
    }

    /// Whether any column has moved and was not judged since.
    pub fn is_any_due(&self) -> bool {
        self.is_any_due
    }

    /// Whether this column has moved and was not judged since; it counts as judged now.
    pub fn take_due(&mut self, column: usize) -> bool {
        std::mem::take(&mut self.due[column])
    }

    /// After all columns were asked for.
    pub fn note_due(&mut self) {
        self.is_any_due = self.due.contains(&true);
    }

    /// Sum over the closed panes of a column.
    fn sum(&self, column: usize) -> f64 {
        self.newer.sums[column] + self.sums[self.oldest * self.columns() + column]
    }

    /// The time that was measured in the closed panes, if it is enough.
    fn measured_ms(&self, column: usize) -> Option<f64> {
        let older = self.covered_ms[self.oldest * self.columns() + column];
        let measured = self.newer.covered_ms[column] + f64::from(older);
        let length = (self.step.0 * self.panes() as i64) as f64;
        (measured > 0.0 && measured >= LEAST_SHARE * length).then_some(measured)
    }

    /// The mean over the closed panes, weighted by time, if enough was measured; of an angle its mean direction.
    pub fn mean(&self, column: usize) -> Option<f64> {
        let measured = self.measured_ms(column)?;
        if column < self.levels {
            Some(self.sum(column) / measured)
        } else {
            angle::mean(self.sum(column), self.sum(column + self.angles), measured)
        }
    }

    /// How fast a level rises, in its unit an hour: the slope of the straight line that fits the means of the closed
    /// panes best, by least squares weighted with the time measured in each (any textbook of statistics). `None` where
    /// less than [`LEAST_SHARE`] of the window was measured, or only one pane, and of an angle.
    pub fn slope_per_hour(&self, column: usize) -> Option<f64> {
        let measured = self.measured_ms(column).filter(|_| column < self.levels)?;
        let panes = (0u32..).zip(self.closed(column));
        let moment: f64 = panes.clone().map(|(place, (_, covered))| f64::from(place) * covered).sum();
        let middle = moment / measured;
        let (mut rise, mut run) = (0.0, 0.0);
        for (place, (sum, covered)) in panes {
            let aside = f64::from(place) - middle;
            rise += aside * sum;
            run += aside * aside * covered;
        }
        let hours = self.step.0 as f64 / Span::hours(1).0 as f64;
        (run > 0.0).then(|| rise / run / hours)
    }

    /// Sum and measured time of each closed pane, oldest first.
    fn closed(&self, column: usize) -> impl Iterator<Item = (f64, f64)> + Clone {
        let (columns, panes, oldest) = (self.columns(), self.panes(), self.oldest);
        let at =
            move |row: usize| (self.sums[row * columns + column], self.covered_ms[row * columns + column]);
        let older = (oldest..panes).map(move |row| {
            let (sum, covered) = at(row);
            let (after, covered_after) = if row + 1 < panes { at(row + 1) } else { (0.0, 0) };
            (sum - after, f64::from(covered.saturating_sub(covered_after)))
        });
        let newer = (0..oldest).map(at).map(|(sum, covered)| (sum, f64::from(covered)));
        older.chain(newer)
    }

    /// Forgets everything, as after a correction of the clock.
    pub fn clear(&mut self) {
        self.empty();
        self.edge = None;
        self.due.fill(false);
        self.is_any_due = false;
    }

    /// Whether it can be what is asked for: a saved one may come from another configuration.
    pub fn fits(&self, other: &Self) -> bool {
        (self.levels, self.angles) == (other.levels, other.angles) && self.is_sound_beside(other)
    }

    /// Whether its parts belong together and its panes are those of `other`.
    fn is_sound_beside(&self, other: &Self) -> bool {
        let (columns, panes) = (self.columns(), other.panes());
        let totals = [&self.open, &self.newer];
        self.step == other.step
            && self.oldest < panes
            && (self.sums.len(), self.covered_ms.len()) == (columns * panes, columns * panes)
            && self.due.len() == self.levels + self.angles
            && totals.iter().all(|total| (total.sums.len(), total.covered_ms.len()) == (columns, columns))
    }

    /// Takes over columns of other windows of the same length; `pairs` are ours and theirs. The others begin empty.
    pub fn adopt(&mut self, theirs: &Self, pairs: &[(usize, usize)]) {
        if !theirs.is_sound_beside(self) {
            return;
        }
        (self.edge, self.oldest) = (theirs.edge, theirs.oldest);
        for &(mine, other) in pairs {
            if (mine < self.levels) != (other < theirs.levels) {
                continue;
            }
            self.due[mine] = theirs.due[other];
            self.is_any_due |= self.due[mine];
            self.copy(theirs, mine, other);
            if mine >= self.levels {
                self.copy(theirs, mine + self.angles, other + theirs.angles);
            }
        }
    }

    fn copy(&mut self, theirs: &Self, mine: usize, other: usize) {
        let totals = [(&mut self.open, &theirs.open), (&mut self.newer, &theirs.newer)];
        for (ours, theirs) in totals {
            ours.sums[mine] = theirs.sums[other];
            ours.covered_ms[mine] = theirs.covered_ms[other];
        }
        let (columns, other_columns) = (self.columns(), theirs.columns());
        for row in 0..self.panes() {
            self.sums[row * columns + mine] = theirs.sums[row * other_columns + other];
            self.covered_ms[row * columns + mine] = theirs.covered_ms[row * other_columns + other];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One level, a value each second; `None`: no value.
    fn window(seconds: i64, values: impl IntoIterator<Item = Option<f64>>) -> Rolling {
        let mut rolling = Rolling::new(Span::seconds(seconds), 1, 0);
        let mut second = 0;
        for value in values {
            rolling.advance(EventTime(second * 1000));
            rolling.push(&[0], &[value.into()], Span::seconds(1));
            second += 1;
        }
        rolling.advance(EventTime(second * 1000));
        rolling
    }

    #[test]
    fn a_window_forgets_what_is_older_than_its_length() {
        let mut rolling = window(60, (0..200).map(|second| Some(if second < 100 { 1.0 } else { 3.0 })));
        assert_eq!(rolling.mean(0), Some(3.0));
        assert_eq!(rolling.end(), Some(EventTime(200_000)));
        rolling.advance(EventTime(10_000_000));
        assert_eq!(rolling.mean(0), None);
    }

    #[test]
    fn less_than_four_fifths_measured_is_no_mean() {
        assert_eq!(window(10, [Some(1.0); 7]).mean(0), None);
        assert_eq!(window(10, [Some(1.0); 8]).mean(0), Some(1.0));
        let absent = [Some(4.0), None, Some(4.0), None];
        assert_eq!(window(10, absent.into_iter().cycle().take(30)).mean(0), None);
    }

    #[test]
    fn a_column_is_due_until_it_was_judged() {
        let mut rolling = Rolling::new(Span::seconds(10), 2, 0);
        rolling.advance(EventTime(0));
        assert!(!rolling.is_any_due(), "nothing has moved");
        rolling.advance(EventTime(1000));
        assert!(rolling.take_due(0) && !rolling.take_due(0));
        rolling.note_due();
        assert!(rolling.is_any_due(), "the other is still to be judged");
        rolling.advance(EventTime(1500));
        assert!(!rolling.take_due(0) && rolling.take_due(1));
        rolling.note_due();
        assert!(!rolling.is_any_due());
    }

    #[test]
    fn the_mean_of_an_angle_is_its_mean_direction() {
        let mut rolling = Rolling::new(Span::seconds(10), 1, 1);
        for second in 0..=25i64 {
            rolling.advance(EventTime(second * 1000));
            let angle = if second % 2 == 0 { 179.0 } else { -179.0 };
            rolling.push(&[1, 0], &[Sample::new(angle), Sample::new(5.0)], Span::seconds(1));
        }
        assert_eq!(rolling.mean(0), Some(5.0));
        assert!(angle::wrapped(rolling.mean(1).unwrap() - 180.0).abs() < 1e-9);
    }

    /// numpy 2.4.6: `polyfit(x, y, 1, w=sqrt(covered))[0] * 3600` over the centres of the panes in seconds.
    #[test]
    fn a_slope_is_that_of_the_line_of_least_squares() {
        let means = [71.0, 71.4, 71.3, 72.1, 0.0, 72.0, 72.9, 73.1, 73.3, 73.4];
        let covered = [1000, 1000, 500, 1000, 0, 700, 1000, 1000, 1000, 1000];
        // Before them so many others: the round of sums stands elsewhere each time.
        for before in 0..13i64 {
            let mut rolling = Rolling::new(Span::seconds(10), 1, 0);
            for second in 0..before {
                rolling.advance(EventTime(second * 1000));
                rolling.push(&[0], &[Sample::new(-40.0)], Span::seconds(1));
            }
            for (second, (mean, covered)) in (before..).zip(means.into_iter().zip(covered)) {
                rolling.advance(EventTime(second * 1000));
                if covered > 0 {
                    rolling.push(&[0], &[Sample::new(mean)], Span(covered));
                }
            }
            rolling.advance(EventTime((before + 10) * 1000));
            let (slope, numpy) = (rolling.slope_per_hour(0).unwrap(), 993.017_888_949_127_6);
            assert!((slope - numpy).abs() < 1e-9 * numpy, "{slope} after {before}");
        }
        assert_eq!(window(10, [Some(1.0); 7]).slope_per_hour(0), None, "less than four fifths");
        assert_eq!(window(1, [Some(1.0); 9]).slope_per_hour(0), None, "one pane has no slope");
    }

    #[test]
    fn columns_keep_their_memory_under_another_plan() {
        let mut before = Rolling::new(Span::seconds(10), 2, 1);
        let mut plain = Rolling::new(Span::seconds(10), 1, 1);
        let reading = |second: i64| [1.0 * second as f64, 100.0 - second as f64, 30.0].map(Sample::new);
        for second in 0..17i64 {
            before.advance(EventTime(second * 1000));
            before.push(&[0, 1, 2], &reading(second), Span::seconds(1));
            plain.advance(EventTime(second * 1000));
            plain.push(&[1, 2], &reading(second), Span::seconds(1));
        }
        let mut after = Rolling::new(Span::seconds(10), 1, 1);
        assert!(!before.fits(&after));
        after.adopt(&before, &[(0, 1), (1, 2)]);
        assert_eq!(after, plain);
        let mut other = Rolling::new(Span::seconds(20), 1, 1);
        other.adopt(&before, &[(0, 1), (1, 2)]);
        assert_eq!(
            other,
            Rolling::new(Span::seconds(20), 1, 1),
            "of another length there is nothing to take"
        );
    }
}
