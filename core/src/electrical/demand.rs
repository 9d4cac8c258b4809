//! Demand: the mean over the last quarter of an hour, on the clock (block) and moved each minute (sliding); and the factors
//! that are made of it.
//!
//! Power is weighted by its time, never by how many samples came. Source: utility practice (common practice); factors:
//! textbook.

use crate::reading::Sample;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// The most steps of one interval: half an hour of minutes.
pub const MOST_STEPS: usize = 30;

/// So much of its interval must be measured (common practice, no source).
pub const LEAST_MEASURED: f64 = 0.8;

/// How demand is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Interval {
    /// It moves by this.
    pub step: Span,
    /// And is so many steps long, at most [`MOST_STEPS`].
    pub steps: usize,
}

impl Interval {
    /// A quarter of an hour, moved each minute (common practice, no source).
    pub const USUAL: Self = Self { step: Span::minutes(1), steps: 15 };

    /// How long it is.
    pub fn length(self) -> Span {
        self.step.times(self.steps as i64)
    }
}

/// What one step holds: sum of value times seconds, and the seconds.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Cell {
    sum: f64,
    seconds: f64,
}

/// The mean over a running interval.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Demand {
    cells: [Cell; MOST_STEPS],
    /// Start of the open step.
    open: Option<EventTime>,
    /// Which cell that is.
    at: usize,
    sliding: Sample,
    block: Sample,
}

/// A closed interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ended {
    /// Its end.
    pub at: EventTime,
    /// Whether it ends on the clock: a block.
    pub block: bool,
    /// Its mean; absent where too little of it was measured.
    pub mean: Sample,
}

impl Demand {
    /// Takes a value that stood from one moment to another; times only go on. `ended` is told each interval that this closes.
    pub fn spread(
        &mut self,
        interval: Interval,
        (from, to): (EventTime, EventTime),
        value: f64,
        mut ended: impl FnMut(Ended),
    ) {
        let mut from = self.open.map_or(from, |open| from.max(open));
        if to <= from || !value.is_finite() {
            return;
        }
        self.turn(interval, from, &mut ended);
        while from < to {
            let end = from.floor(interval.step) + interval.step;
            let until = end.min(to);
            let seconds = (until - from).as_seconds();
            let cell = &mut self.cells[self.at];
            cell.sum += value * seconds;
            cell.seconds += seconds;
            from = until;
            self.turn(interval, from, &mut ended);
        }
    }

    /// Closes the steps that end at or before `now`.
    pub fn turn(&mut self, interval: Interval, now: EventTime, ended: &mut impl FnMut(Ended)) {
        let start = now.floor(interval.step);
        let Some(mut open) = self.open else {
            self.open = Some(start);
            return;
        };
        if start - open > interval.length() {
            // Nothing of before reaches into the interval any more.
            *self = Self { open: Some(start), ..Self::default() };
            return;
        }
        while open < start {
            open += interval.step;
            self.close(interval, open, ended);
        }
        self.open = Some(open);
    }

    fn close(&mut self, interval: Interval, at: EventTime, ended: &mut impl FnMut(Ended)) {
        let steps = interval.steps.clamp(1, MOST_STEPS);
        let back = (0..steps).map(|step| self.cells[(self.at + MOST_STEPS - step) % MOST_STEPS]);
        let (sum, seconds) =
            back.fold((0.0, 0.0), |(sum, seconds), cell| (sum + cell.sum, seconds + cell.seconds));
        let enough = seconds >= LEAST_MEASURED * interval.length().as_seconds();
        self.sliding = if enough { Sample::new(sum / seconds) } else { Sample::ABSENT };
        let block = at.floor(interval.length()) == at;
        if block {
            self.block = self.sliding;
        }
        ended(Ended { at, block, mean: self.sliding });
        self.at = (self.at + 1) % MOST_STEPS;
        self.cells[self.at] = Cell::default();
    }

    /// The mean over the interval that ended last on the clock.
    pub fn block(&self) -> Sample {
        self.block
    }

    /// The mean over the interval that ended last.
    pub fn sliding(&self) -> Sample {
        self.sliding
    }
}

/// Load factor, mean over peak of one period: 0 to 1. `None` without a value or with a peak that is not above zero, and for
/// values that go below zero, of which it says nothing.
///
/// Source: textbook.
pub fn load_factor(values: &[f64]) -> Option<f64> {
    let peak = peak(values)?;
    let fits = peak > 0.0 && values.iter().all(|value| *value >= 0.0);
    let factor = values.iter().sum::<f64>() / values.len() as f64 / peak;
    (fits && factor.is_finite()).then_some(factor)
}

/// The largest of some values; `None` without one or where one is not a number.
pub fn peak(values: &[f64]) -> Option<f64> {
    let numbers = values.iter().all(|value| value.is_finite());
    values.iter().copied().reduce(f64::max).filter(|_| numbers)
}

/// Peak of what several loads took together: the largest of the sums of each moment. `None` where their moments differ in
/// number.
///
/// Source: textbook.
pub fn coincident_peak(loads: &[&[f64]]) -> Option<f64> {
    let moments = loads.first()?.len();
    let same = loads.iter().all(|load| load.len() == moments && load.iter().all(|value| value.is_finite()));
    let sums = (0..moments).map(|moment| loads.iter().map(|load| load[moment]).sum::<f64>());
    if same { sums.reduce(f64::max).filter(|peak| peak.is_finite()) } else { None }
}

/// Diversity factor, the sum of single peaks over the peak of the sum: 1 or more. Its inverse is the coincidence.
///
/// Source: textbook.
pub fn diversity_factor(loads: &[&[f64]]) -> Option<f64> {
    let together = coincident_peak(loads)?;
    let single = loads.iter().map(|load| peak(load)).sum::<Option<f64>>()?;
    quotient(single, together)
}

/// Demand factor, peak over what is connected: 0 to 1. Both in the same unit. Source: textbook.
pub fn demand_factor(peak: f64, connected: f64) -> Option<f64> {
    quotient(peak, connected)
}

fn quotient(above: f64, below: f64) -> Option<f64> {
    let value = above / below;
    (above >= 0.0 && below > 0.0 && value.is_finite()).then_some(value)
}

/// So many days make a week's figures.
const DAYS: usize = 7;
const DAY: Span = Span::hours(24);

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Day {
    start: EventTime,
    sum: f64,
    count: u32,
    peak: f64,
}

/// The blocks of the last seven days, by days of 24 hours from the epoch on: their mean and their peak.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Week {
    days: [Option<Day>; DAYS],
}

impl Week {
    /// Takes the mean of a block that ended at `end`.
    pub fn take(&mut self, end: EventTime, mean: f64) {
        let start = (end - Span(1)).floor(DAY);
        let slot = &mut self.days[(start.0 / DAY.0).rem_euclid(DAYS as i64) as usize];
        match slot {
            Some(day) if day.start == start => {
                day.sum += mean;
                day.count += 1;
                day.peak = day.peak.max(mean);
            }
            _ => *slot = Some(Day { start, sum: mean, count: 1, peak: mean }),
        }
    }

    fn days(&self, now: EventTime) -> impl Iterator<Item = &Day> {
        self.days
            .iter()
            .flatten()
            .filter(move |day| day.start + DAY.times(DAYS as i64) >= now && day.start <= now)
    }

    /// How many blocks it has.
    pub fn blocks(&self, now: EventTime) -> u32 {
        self.days(now).map(|day| day.count).sum()
    }

    /// The largest block of the last seven days.
    pub fn peak(&self, now: EventTime) -> Option<f64> {
        self.days(now).map(|day| day.peak).reduce(f64::max)
    }

    /// The load factor over the last seven days in per cent, once `least` blocks are there; 0 to 100.
    pub fn load_factor_percent(&self, now: EventTime, least: u32) -> Option<f64> {
        let blocks = self.blocks(now);
        let (sum, peak) = (self.days(now).map(|day| day.sum).sum::<f64>(), self.peak(now)?);
        let factor = quotient(sum / f64::from(blocks), peak)?;
        (blocks >= least).then_some(100.0 * factor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const QUARTER: Interval = Interval::USUAL;

    fn minute(count: i64) -> EventTime {
        EventTime(count * 60_000)
    }

    fn run(values: &[(i64, i64, f64)]) -> (Demand, Vec<(i64, bool, Option<f64>)>) {
        let (mut demand, mut told) = (Demand::default(), Vec::new());
        for (from, to, value) in values {
            demand.spread(QUARTER, (minute(*from), minute(*to)), *value, |ended| {
                told.push((ended.at.0 / 60_000, ended.block, ended.mean.get()));
            });
        }
        (demand, told)
    }

    #[test]
    fn a_block_is_the_mean_of_its_quarter_of_an_hour() {
        let (demand, told) = run(&[(0, 10, 60.0), (10, 20, 90.0), (20, 30, 30.0)]);
        let blocks: Vec<_> = told.iter().filter(|(_, block, _)| *block).collect();
        assert_eq!(blocks, [&(15, true, Some(70.0)), &(30, true, Some(50.0))]);
        assert_eq!(demand.block().get(), Some(50.0));
        assert!(
            told.iter().any(|(at, _, mean)| *at == 22 && mean.is_some_and(|mean| mean > 70.0)),
            "it slides"
        );
    }

    // Seen to fail without LEAST_MEASURED.
    #[test]
    fn an_interval_that_was_hardly_measured_has_no_demand() {
        let (_, told) = run(&[(4, 15, 60.0)]);
        assert_eq!(told.last(), Some(&(15, true, None)), "11 of 15 minutes");
        let (_, told) = run(&[(3, 15, 60.0)]);
        assert_eq!(told.last(), Some(&(15, true, Some(60.0))), "12 of 15 minutes");
        let (demand, _) = run(&[(0, 30, 60.0), (100, 101, 10.0)]);
        assert_eq!((demand.sliding().get(), demand.block().get()), (None, None), "a long gap forgets");
    }

    #[test]
    fn a_week_knows_its_peak_and_forgets_it_after_seven_days() {
        let mut week = Week::default();
        let block = |index: i64| EventTime(0) + Span::minutes(15 * (index + 1));
        for index in 0..96 * 10 {
            week.take(block(index), if index == 50 { 100.0 } else { 50.0 });
            let peak = if (50..96 * 7).contains(&index) { 100.0 } else { 50.0 };
            assert_eq!(week.peak(block(index)), Some(peak), "after block {index}");
        }
        assert_eq!(week.load_factor_percent(block(96 * 10 - 1), 96), Some(100.0));
        assert_eq!(week.load_factor_percent(block(96 * 10 - 1), 10_000), None);
        assert_eq!(week.peak(block(96 * 30)), None);
    }

    #[test]
    fn factors_of_nothing_are_absent() {
        assert_eq!(
            (load_factor(&[]), load_factor(&[0.0, 0.0]), load_factor(&[-1.0, 2.0])),
            (None, None, None)
        );
        assert_eq!(coincident_peak(&[&[1.0, 2.0], &[1.0]]), None);
        assert_eq!((diversity_factor(&[]), demand_factor(1.0, 0.0)), (None, None));
    }

    proptest! {
        /// Sliding demand never lies below the block's; both within what was fed; twice the power is twice the demand.
        #[test]
        fn demand_keeps_within_what_flowed(values in prop::collection::vec(0.0..1e6f64, 40..120), factor in 0.5..4.0f64) {
            let feed = |factor: f64| {
                let (mut demand, mut sliding, mut block) = (Demand::default(), 0f64, 0f64);
                for (index, value) in values.iter().enumerate() {
                    let from = index as i64;
                    demand.spread(QUARTER, (minute(from), minute(from + 1)), value * factor, |ended| {
                        let mean = ended.mean.get().unwrap_or(0.0);
                        sliding = sliding.max(mean);
                        block = block.max(if ended.block { mean } else { 0.0 });
                    });
                }
                (sliding, block)
            };
            let (sliding, block) = feed(1.0);
            prop_assert!(block <= sliding && sliding <= values.iter().copied().fold(0.0, f64::max) * (1.0 + 1e-12));
            let (scaled, _) = feed(factor);
            prop_assert!((scaled - sliding * factor).abs() <= 1e-9 * (1.0 + scaled));
        }

        #[test]
        fn never_a_number_that_is_none(
            a in prop::collection::vec(prop::num::f64::ANY, 0..6), b in prop::collection::vec(prop::num::f64::ANY, 0..6),
            from in any::<i64>(), to in any::<i64>(),
        ) {
            let both: [&[f64]; 2] = [&a, &b];
            for out in [load_factor(&a), peak(&a), coincident_peak(&both), diversity_factor(&both)].into_iter().flatten() {
                prop_assert!(out.is_finite());
            }
            let mut demand = Demand::default();
            let span = (EventTime(from), EventTime(to.min(from.saturating_add(3_600_000))));
            for value in &a {
                demand.spread(QUARTER, span, *value, |_| {});
            }
            prop_assert!(demand.sliding().get().is_none_or(f64::is_finite));
        }

        /// Loads that peak together have a diversity of one; else it is more.
        #[test]
        fn diversity_is_one_or_more(a in prop::collection::vec(0.1..100.0f64, 8), b in prop::collection::vec(0.1..100.0f64, 8)) {
            prop_assert!(diversity_factor(&[&a, &b]).unwrap() >= 1.0 - 1e-12);
            prop_assert!((diversity_factor(&[&a, &a]).unwrap() - 1.0).abs() < 1e-12);
            let factor = load_factor(&a).unwrap();
            prop_assert!(factor > 0.0 && factor <= 1.0 + 1e-12);
        }
    }
}
