//! How often a meter's registers change. One that is polled each second may work out new values each five: then what
//! lasts shorter may go unseen.

use kvarden_core::reading::Sample;
use std::time::Duration;
use tokio::time::Instant;

/// Changes that are remembered: enough that a few standing loads don't count.
const REMEMBERED: usize = 32;
/// Before so many nothing is said.
const LEAST: usize = 8;
/// An interval longer than this is a meter or a load that stands still.
const LONGEST: Duration = Duration::from_mins(10);

/// Learns it for one meter. Needs no memory beyond what it has from the beginning.
#[derive(Debug)]
pub(super) struct Pace {
    every: Duration,
    /// Points whose last digit always moves on a live meter.
    lively: Box<[usize]>,
    last: Box<[Sample]>,
    changed_at: Option<Instant>,
    /// From change to change, in milliseconds.
    intervals: [u32; REMEMBERED],
    seen: usize,
    told: Option<Duration>,
}

impl Pace {
    /// Knows nothing yet.
    ///
    /// * `every` – from poll to poll.
    pub(super) fn new(every: Duration, lively: Box<[usize]>) -> Self {
        let last = vec![Sample::ABSENT; lively.len()].into();
        Self { every, lively, last, changed_at: None, intervals: [0; REMEMBERED], seen: 0, told: None }
    }

    /// A poll that gave `values` at `now`. Gives the shortest event that the meter can show when that has changed:
    /// how long a state lasts at least that no reading can miss.
    pub(super) fn observe(&mut self, now: Instant, values: &[Sample]) -> Option<Duration> {
        let mut changed = false;
        for (last, &point) in self.last.iter_mut().zip(&self.lively) {
            let Some(value) = values.get(point).filter(|value| value.is_present()) else { continue };
            changed |= last.is_present() && last != value;
            *last = *value;
        }
        if !changed {
            self.changed_at = self.changed_at.or(Some(now));
            return None;
        }
        let interval = now - self.changed_at.replace(now)?;
        if interval > LONGEST {
            return None;
        }
        self.intervals[self.seen % REMEMBERED] = interval.as_millis() as u32;
        self.seen += 1;
        let shortest = self.shortest_event()?;
        (self.told.replace(shortest) != Some(shortest)).then_some(shortest)
    }

    /// The middle one of the last intervals, in whole polls: single standing loads make single longer ones.
    fn shortest_event(&self) -> Option<Duration> {
        let count = self.seen.min(REMEMBERED);
        if count < LEAST {
            return None;
        }
        let mut sorted = self.intervals;
        let sorted = &mut sorted[..count];
        sorted.sort_unstable();
        let middle = u64::from(sorted[count / 2]);
        let every = (self.every.as_millis() as u64).max(1);
        Some(self.every * (middle + every / 2).div_euclid(every).max(1) as u32)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    /// Polls each second for so long; the registers change each `update` to `value(second)`. All that was told.
    fn told(seconds: u32, value: impl Fn(u32) -> f64) -> Vec<Duration> {
        let start = Instant::now();
        let mut pace = Pace::new(SECOND, [0].into());
        (0..seconds).filter_map(|at| pace.observe(start + SECOND * at, &[Sample::new(value(at))])).collect()
    }

    #[test]
    fn a_meter_that_changes_at_each_poll_shows_what_lasts_a_poll() {
        assert_eq!(told(100, f64::from), [SECOND]);
    }

    #[test]
    fn a_meter_that_changes_each_five_seconds_shows_what_lasts_five() {
        assert_eq!(told(100, |at| f64::from(at / 5)), [SECOND * 5]);
    }

    #[test]
    fn a_load_that_stands_still_now_and_then_is_no_slow_meter() {
        let still = |at: u32| f64::from(if at % 20 < 8 { at / 20 * 20 } else { at });
        assert_eq!(told(200, still), [SECOND]);
    }

    #[test]
    fn a_meter_that_was_set_to_another_pace_is_learned_anew() {
        let value = |at: u32| f64::from(if at < 100 { at } else { at / 3 });
        let told = told(300, value);
        assert_eq!((told.first(), told.last()), (Some(&SECOND), Some(&(SECOND * 3))), "{told:?}");
    }

    #[test]
    fn a_night_without_load_says_nothing() {
        assert_eq!(told(40_000, |at| f64::from(at / 3600)), []);
    }

    #[test]
    fn absent_values_say_nothing() {
        let start = Instant::now();
        let mut pace = Pace::new(SECOND, [0].into());
        for at in 0..100 {
            let value = if at % 2 == 0 { Sample::new(f64::from(at / 8)) } else { Sample::ABSENT };
            assert!(pace.observe(start + SECOND * at, &[value]).is_none_or(|event| event == SECOND * 8));
        }
    }
}
