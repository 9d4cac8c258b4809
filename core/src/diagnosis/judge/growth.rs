//! Load that grows from week to week: the 95th percentile of each day against that of the same weekday a week before, and that
//! against the one before: three weeks. A hot week, a Monday morning or one busy day moves one comparison and not the other.

use super::overload::most_of_rating;
use crate::diagnosis::cause::Cause;
use crate::diagnosis::docket::{Claim, Docket};
use crate::diagnosis::look::{Look, of_sign};
use crate::diagnosis::shares::Of;
use crate::diagnosis::sign::Sign;
use crate::phases::Place;
use crate::plan::GRID_STEP;
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

const DAY: Span = Span::hours(24);
const WEEK: usize = 7;
/// Days that are kept.
const DAYS: usize = 4 * WEEK;
/// Week to week, the middle of all weekdays rises by so much of the rating, in per cent; a day's figure is within half a per
/// cent (common practice, no source).
const STEP: f64 = 1.3;
/// Over both steps together by so much (common practice, no source).
const TOGETHER: f64 = 5.0;
/// So many weekdays must be comparable in the latest week, and in the one before.
const LATEST: usize = 5;
const BEFORE: usize = 3;
/// Only a load that comes near the rating matters: the usual 80 % rule, a tenth below (common practice, no source).
const NEAR: f64 = 70.0;
/// A day counts if so much of it was measured (common practice, no source).
const MEASURED: f64 = 0.8;
/// It is this percentile of a day: what lasts longer than an hour.
const PERCENTILE: f64 = 0.95;
/// Classes of one per cent of the rating; what is above counts in the last.
const CLASSES: usize = 200;

/// What is remembered by circuit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Growth {
    circuits: Vec<Memory>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Memory {
    /// How many steps of the day under way lay in each class.
    classes: Vec<u16>,
    /// The day under way, counted from the epoch.
    day: Option<i64>,
    /// The percentiles of the latest days, without a gap, in per cent of the rating.
    days: Vec<Option<f64>>,
}

/// That it grows: the highest day of the latest week and of the first.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Grown {
    first: f64,
    last: f64,
    by: f64,
}

impl Growth {
    pub(crate) fn new(circuits: usize) -> Self {
        Self { circuits: vec![Memory::new(); circuits] }
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        for (circuit, memory) in self.circuits.iter_mut().enumerate() {
            let Some(most) = most_of_rating(look, circuit).filter(|_| look.plan.source != Some(circuit))
            else {
                continue;
            };
            memory.take(look.end, most);
            let Some(grown) = memory.grown() else {
                if memory.days.len() >= 2 * WEEK + BEFORE {
                    docket.none(Cause::OverloadGrowth, circuit, None);
                }
                continue;
            };
            let proof = of_sign(Sign::WeekOfRating, Place::Whole, circuit, grown.last).against(grown.first);
            let weight = (0.65 + 0.02 * (grown.by - TOGETHER)).min(0.95);
            let priority = if grown.last > 100.0 { Priority::Low } else { Priority::Journal };
            let own = circuit == look.plan.load;
            // Where all grows, the transformer's is the one that is told.
            if !own && docket.claims(Cause::OverloadGrowth, Some(look.plan.load)) {
                continue;
            }
            let asks = own && look.end.floor(Span::hours(1)) == look.end;
            let claim = Claim::new(Cause::OverloadGrowth, circuit, None, priority, proof)
                .weighs(weight)
                .lacking(look.to_trace().filter(|_| own));
            docket.claim(claim.shared(asks.then(|| look.shares(Of::Load)).flatten()));
        }
    }
}

impl Memory {
    fn new() -> Self {
        Self { classes: vec![0; CLASSES], day: None, days: Vec::with_capacity(DAYS) }
    }

    fn take(&mut self, end: EventTime, most: f64) {
        // A step belongs to the day in which it began.
        let day = (end - Span(1)).0.div_euclid(DAY.0);
        if self.day != Some(day) {
            if let Some(last) = self.day.replace(day) {
                self.close(day - last);
            }
            self.classes.fill(0);
        }
        let class = (most.max(0.0) as usize).min(CLASSES - 1);
        self.classes[class] = self.classes[class].saturating_add(1);
    }

    /// Closes the day under way; the next one is so many days later.
    fn close(&mut self, later: i64) {
        let all: u32 = self.classes.iter().map(|count| u32::from(*count)).sum();
        let share = f64::from(all) * GRID_STEP.as_seconds() / DAY.as_seconds();
        let rank = (PERCENTILE * f64::from(all)).ceil();
        let mut seen = 0.0;
        let class = self.classes.iter().position(|count| {
            seen += f64::from(*count);
            seen >= rank
        });
        let percentile = class.filter(|_| share >= MEASURED).map(|class| class as f64 + 0.5);
        if !(1..=DAYS as i64).contains(&later) {
            self.days.clear();
            return;
        }
        for day in 0..later {
            if self.days.len() >= DAYS {
                self.days.remove(0);
            }
            self.days.push(percentile.filter(|_| day == 0));
        }
    }

    /// How much the days of a week rose on those of the week before: the middle of at least so many. `back`: how many weeks
    /// ago.
    fn rise(&self, back: usize, least: usize) -> Option<f64> {
        let mut rises = [0.0; WEEK];
        let mut count = 0;
        for day in 0..WEEK {
            let later = self.days.len().checked_sub(1 + day + back * WEEK);
            let pair =
                later.and_then(|later| Some((self.days[later]?, self.days[later.checked_sub(WEEK)?]?)));
            if let Some((later, earlier)) = pair {
                rises[count] = later - earlier;
                count += 1;
            }
        }
        let rises = &mut rises[..count];
        rises.sort_unstable_by(f64::total_cmp);
        (count >= least).then(|| rises[count / 2])
    }

    fn grown(&self) -> Option<Grown> {
        let (latest, before) = (self.rise(0, LATEST)?, self.rise(1, BEFORE)?);
        let highest = |days: &[Option<f64>]| days.iter().copied().flatten().reduce(f64::max);
        let last = highest(&self.days[self.days.len().saturating_sub(WEEK)..])?;
        let start = self.days.len().saturating_sub(3 * WEEK);
        let first = highest(&self.days[start..(start + WEEK).min(self.days.len())])?;
        let grows = latest.min(before) >= STEP && latest + before >= TOGETHER && last >= NEAR;
        grows.then_some(Grown { first, last, by: latest + before })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Days of a load of these per cent from 08:00 to 18:00, else 20 %; every sixth and seventh is a weekend of 20 %.
    fn after(days: impl IntoIterator<Item = f64>) -> Memory {
        let mut memory = Memory::new();
        let steps = DAY.0 / GRID_STEP.0;
        let mut end = EventTime(0);
        for (day, percent) in days.into_iter().enumerate() {
            for step in 0..steps {
                end += GRID_STEP;
                let works = day % 7 < 5 && (8..18).contains(&(step / 360));
                memory.take(end, if works { percent } else { 20.0 });
            }
        }
        memory.take(end + GRID_STEP, 20.0);
        memory
    }

    #[test]
    fn days_that_stand_above_their_weekday_for_three_weeks_are_growth() {
        let growing = |day: usize| 60.0 + day as f64;
        assert_eq!(after((0..16).map(growing)).grown(), None, "two weeks are too few");
        let grown = after((0..19).map(growing)).grown().expect("growth");
        assert!((grown.by - 14.0).abs() < 1.1 && (grown.last - 78.0).abs() < 0.7, "{grown:?}");
    }

    #[test]
    fn a_hot_week_a_step_long_ago_and_a_small_load_are_none() {
        let hot = |day: usize| if (7..14).contains(&day) { 90.0 } else { 70.0 };
        assert_eq!(after((0..21).map(hot)).grown(), None, "it went down again");
        let once = |day: usize| if day < 14 { 70.0 } else { 85.0 };
        assert_eq!(after((0..21).map(once)).grown(), None, "one week alone");
        assert_eq!(after((0..21).map(|day| 20.0 + f64::from(day))).grown(), None, "far below the rating");
        assert_eq!(after((0..21).map(|day| 80.0 + f64::from(day % 3))).grown(), None, "it stands");
    }

    #[test]
    fn a_gap_of_weeks_begins_anew() {
        let mut memory = after((0..21).map(|day| 60.0 + f64::from(day)));
        assert!(memory.grown().is_some());
        memory.take(EventTime(80 * DAY.0), 80.0);
        assert_eq!(memory.grown(), None);
    }
}
