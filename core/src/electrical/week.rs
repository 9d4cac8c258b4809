//! The week's percentile of a value that is always measured: counts in classes by days, of a fixed size.

use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

const DAYS: usize = 7;
const DAY: Span = Span::hours(24);
/// Classes of 1.25 % of the rated value, up to 160 %; what is above counts in the last. A class is told by its middle, so a
/// percentile is within 0.7 % of the rated value.
const CLASSES: usize = 128;
const CLASS: f64 = 0.0125;

/// How often a value lay in each class, by the last seven days of 24 hours from the epoch on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WeekClasses {
    counts: Vec<u16>,
    starts: [Option<EventTime>; DAYS],
}

impl Default for WeekClasses {
    fn default() -> Self {
        Self { counts: vec![0; DAYS * CLASSES], starts: [None; DAYS] }
    }
}

impl WeekClasses {
    /// Counts a value, as a share of the rated one, that was measured at `at`.
    pub fn take(&mut self, at: EventTime, share: f64) {
        if !(0.0..f64::INFINITY).contains(&share) {
            return;
        }
        let start = (at - Span(1)).floor(DAY);
        let day = (start.0 / DAY.0).rem_euclid(DAYS as i64) as usize;
        let counts = &mut self.counts[day * CLASSES..(day + 1) * CLASSES];
        if self.starts[day] != Some(start) {
            counts.fill(0);
            self.starts[day] = Some(start);
        }
        let class = ((share / CLASS) as usize).min(CLASSES - 1);
        counts[class] = counts[class].saturating_add(1);
    }

    /// The value, as a share of the rated one, that at most `100 − percent` per cent of the last seven days' exceed: nearest
    /// rank. `None` without any.
    ///
    /// Source: nearest rank as IEEE 519-2014 clause 4 words it (a public forum's quotation).
    pub fn percentile(&self, now: EventTime, percent: f64) -> Option<f64> {
        let fresh = |start: &Option<EventTime>| {
            start.is_some_and(|start| start + DAY.times(DAYS as i64) >= now && start <= now)
        };
        let days =
            || self.starts.iter().zip(self.counts.chunks_exact(CLASSES)).filter(|(start, _)| fresh(start));
        let all: u64 = days().flat_map(|(_, counts)| counts).map(|count| u64::from(*count)).sum();
        let rank = (percent / 100.0 * all as f64).ceil().max(1.0) as u64;
        let mut seen = 0;
        let class = (0..CLASSES).find(|class| {
            seen += days().map(|(_, counts)| u64::from(counts[*class])).sum::<u64>();
            seen >= rank
        });
        class.map(|class| (class as f64 + 0.5) * CLASS)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_percentile_is_that_of_the_last_seven_days() {
        let mut week = WeekClasses::default();
        let hour = |count: i64| EventTime(0) + Span::hours(count + 1);
        assert_eq!(week.percentile(hour(0), 95.0), None);
        for count in 0..24 * 7 {
            week.take(hour(count), if count % 24 < 2 { 0.9 } else { 0.4 });
        }
        // 14 of 168 hours, 8.3 %, at 90 %.
        let near = |percent: f64, want: f64| {
            let got = week.percentile(hour(24 * 7 - 1), percent).expect("a week was counted");
            assert!((got - want).abs() <= CLASS, "{got} {want}");
        };
        near(95.0, 0.9);
        near(90.0, 0.4);
        assert_eq!(week.percentile(hour(24 * 15), 95.0), None, "older than a week");
        week.take(hour(0), f64::NAN);
        week.take(hour(0), -1.0);
    }
}
