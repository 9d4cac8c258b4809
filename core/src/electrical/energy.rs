//! Energy counters: they only count up, until they roll over at the end of their digits or somebody sets them back.
//! The two are told apart, and what nobody can know is absent, never negative and never huge.

use crate::reading::Sample;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// A counter that goes back has rolled over if it stood in the last tenth of its range and now stands in the first;
/// any other way back is a reset (common practice, no source).
const TENTH: f64 = 0.1;

/// Mean power is taken over at least so long: over a second each step of a counter would be a peak.
const SHORTEST: Span = Span::minutes(1);
/// And ends with a step of the counter, so that its coarseness does not matter, but not later than this.
const LONGEST: Span = Span::minutes(15);

/// By how much a counter went on from one reading to the next; `None` after a reset, because nobody knows what it had
/// counted before it. `rolls_over_at` is the first value that it can't show.
pub fn increment(before: f64, now: f64, rolls_over_at: Option<f64>) -> Option<f64> {
    if now >= before {
        return Some(now - before);
    }
    let end = rolls_over_at.filter(|end| before <= *end)?;
    let rolled = before >= end * (1.0 - TENTH) && now <= end * TENTH;
    rolled.then_some(end - before + now)
}

/// What a counter counted over some time.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Counted {
    /// The sum of what is known, in the counter's unit.
    pub amount: f64,
    /// The time for which it is known: between readings of the counter, also across a gap without any, because it goes
    /// on counting; not across a reset.
    pub known: Span,
}

/// The energy that an energy counter counted over some readings, in order of time. In Wh, as the counter is. `None` without
/// two readings between which it is known.
pub fn energy_wh(
    readings: impl IntoIterator<Item = (EventTime, f64)>,
    rolls_over_at: Option<f64>,
) -> Option<Counted> {
    let mut counted = Counted::default();
    let mut before: Option<(EventTime, f64)> = None;
    for (at, now) in readings {
        if let Some((since, value)) = before
            && let Some(amount) = increment(value, now, rolls_over_at)
        {
            counted.amount += amount;
            counted.known += at - since;
        }
        before = Some((at, now));
    }
    (counted.known > Span::ZERO).then_some(counted)
}

/// Mean power by an energy counter.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct MeteredPower {
    /// Where the running interval began.
    since: Option<EventTime>,
    /// The latest reading of the counter, and what it counted since then.
    latest: Option<(f64, f64)>,
    /// The mean power of the interval before.
    power: Sample,
}

impl MeteredPower {
    /// Takes the counter's value in Wh at `at`; gives the mean power in W over the latest whole interval. Absent before the
    /// first, after a reset until the next, beyond `most` W, and in a reading without the counter.
    pub fn observe(
        &mut self,
        at: EventTime,
        counter: Sample,
        rolls_over_at: Option<f64>,
        most: f64,
    ) -> Sample {
        let Some(now) = counter.get() else { return Sample::ABSENT };
        let step = self.latest.and_then(|(before, _)| increment(before, now, rolls_over_at));
        let (Some(since), Some(step), Some((_, total))) = (self.since, step, self.latest) else {
            *self = Self { since: Some(at), latest: Some((now, 0.0)), power: Sample::ABSENT };
            return Sample::ABSENT;
        };
        let (elapsed, total) = (at - since, total + step);
        self.latest = Some((now, total));
        if elapsed >= LONGEST || (elapsed >= SHORTEST && step > 0.0) {
            let power = total * 3600.0 / elapsed.as_seconds();
            self.power = if power <= most { Sample::new(power) } else { Sample::ABSENT };
            (self.since, self.latest) = (Some(at), Some((now, 0.0)));
        }
        self.power
    }

    /// Moves the memory by a correction of the clock.
    pub fn shift(&mut self, by: Span) {
        if let Some(since) = &mut self.since {
            *since += by;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const END: f64 = 1_000_000.0;

    // Seen to fail when any step back was taken for a roll-over.
    #[test]
    fn a_roll_over_is_counted_through_and_a_reset_is_not() {
        assert_eq!(increment(999_990.0, 5.0, Some(END)), Some(15.0));
        assert_eq!(increment(500_000.0, 5.0, Some(END)), None, "a reset in the middle of the range");
        assert_eq!(increment(999_990.0, 500_000.0, Some(END)), None, "set back by hand");
        assert_eq!(increment(999_990.0, 5.0, None), None, "nobody said where it rolls over");
        assert_eq!(increment(1_200_000.0, 5.0, Some(END)), None, "it was past the end that was given");
        assert_eq!(increment(7.0, 7.0, None), Some(0.0));
    }

    /// 7.2 kW for a minute and then twice that, on a counter of whole watt-hours.
    #[test]
    fn power_is_the_slope_of_the_counter() {
        let mut power = MeteredPower::default();
        let mut got = Vec::new();
        for second in 0..=180i64 {
            let joules = if second <= 60 { 7200 * second } else { 7200 * 60 + 14_400 * (second - 60) };
            let counter = Sample::new((joules / 3600) as f64);
            got.push(power.observe(EventTime(second * 1000), counter, None, 1e8).get());
        }
        assert!(got[..60].iter().all(Option::is_none), "nothing before a whole interval");
        assert_eq!(got[60], Some(7200.0));
        assert_eq!(got[119], Some(7200.0), "it stands until the next interval is whole");
        assert_eq!(got[120], Some(14_400.0));
    }

    #[test]
    fn no_load_is_zero_only_after_the_longest_interval() {
        let mut power = MeteredPower::default();
        let mut at = |minute: i64| power.observe(EventTime(minute * 60_000), Sample::new(5000.0), None, 1e8);
        assert!((0..15).all(|minute| at(minute) == Sample::ABSENT));
        assert_eq!(at(15), Sample::new(0.0));
    }

    #[test]
    fn a_reset_leaves_a_hole_and_a_replaced_counter_makes_no_giant() {
        let mut power = MeteredPower::default();
        let mut at = |minute: i64, counter: f64| {
            power.observe(EventTime(minute * 60_000), Sample::new(counter), Some(END), 300_000.0).get()
        };
        assert_eq!((at(0, 40_000.0), at(1, 41_000.0)), (None, Some(60_000.0)));
        assert_eq!(at(2, 10.0), None, "reset");
        assert_eq!(at(3, 1010.0), Some(60_000.0));
        assert_eq!(at(4, 900_000.0), None, "another meter's counter");
        assert_eq!(at(5, 901_000.0), Some(60_000.0));
    }

    proptest! {
        /// Whatever a counter shows, no increment is negative or larger than its range, and one that only counts, wrapped
        /// at its end, is counted exactly as long as it steps by less than a tenth of the range.
        #[test]
        fn what_is_counted_is_what_went_on(
            start in 0u32..1_000_000,
            steps in prop::collection::vec(0u32..100_000, 1..200),
        ) {
            let mut true_count = u64::from(start);
            let mut readings = vec![(EventTime(0), f64::from(start))];
            for (index, step) in steps.iter().enumerate() {
                true_count += u64::from(*step);
                readings.push((EventTime((index as i64 + 1) * 1000), (true_count % 1_000_000) as f64));
            }
            let counted = energy_wh(readings, Some(END)).unwrap();
            prop_assert!((counted.amount - (true_count - u64::from(start)) as f64).abs() < 0.5);
            prop_assert_eq!(counted.known, Span::seconds(steps.len() as i64));
        }

        // Seen to fail when a counter that goes back was always a roll-over.
        #[test]
        fn resets_anywhere_never_make_energy_negative_or_huge(values in prop::collection::vec(0.0..END, 2..100)) {
            for pair in values.windows(2) {
                if let Some(step) = increment(pair[0], pair[1], Some(END)) {
                    prop_assert!((0.0..=END).contains(&step));
                    prop_assert!(pair[1] >= pair[0] || step <= 2.0 * TENTH * END, "{:?}", pair);
                }
            }
        }
    }
}
