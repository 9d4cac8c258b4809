//! When polls are due: on a grid that does not drift, in slots that all meters share, so that one wake-up of the
//! program serves many of them. (Starts spread evenly over the period cost more than twice the processor time.)

use std::time::Duration;
use tokio::time::Instant;

/// Length of the slots in which polls begin.
pub const SLOT: Duration = Duration::from_millis(20);

/// The grid of one meter's polls: poll `n` is due `n` periods after the first, at the next common slot.
#[derive(Debug, Clone, Copy)]
pub struct PollGrid {
    first: Instant,
    every: Duration,
}

impl PollGrid {
    /// * `origin` – the same moment for all meters of the program.
    /// * `phase` – in which slot of its period the meter is polled; counted round.
    /// * `every` – from poll to poll; shorter than a slot counts as one slot.
    pub fn new(origin: Instant, phase: u32, every: Duration) -> Self {
        let every = every.max(SLOT);
        let slots = (every.as_millis() / SLOT.as_millis()).max(1);
        Self { first: origin + SLOT * (u128::from(phase) % slots) as u32, every }
    }

    /// From poll to poll.
    pub fn every(self) -> Duration {
        self.every
    }

    /// When poll `n` is due.
    pub fn due(self, n: u64) -> Instant {
        let (every, slot) = (self.every.as_millis() as u64, SLOT.as_millis() as u64);
        self.first + Duration::from_millis(every.saturating_mul(n).div_ceil(slot).saturating_mul(slot))
    }

    /// The first poll that is due at `at` or later.
    pub fn from(self, at: Instant) -> u64 {
        let since = at.saturating_duration_since(self.first).as_millis() as u64;
        let near = since / self.every.as_millis() as u64;
        // A slot moves a poll to later by less than a period, so it is this one or one of its neighbours.
        (near.saturating_sub(1)..=near).find(|&n| self.due(n) >= at).unwrap_or(near + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn ms(ms: u64) -> Duration {
        Duration::from_millis(ms)
    }

    #[tokio::test(start_paused = true)]
    async fn an_hour_of_polls_has_no_drift() {
        let origin = Instant::now();
        let grid = PollGrid::new(origin, 3, ms(1000));
        assert_eq!(grid.due(3600) - origin, ms(3_600_060));
        let uneven = PollGrid::new(origin, 0, ms(250));
        assert_eq!(uneven.due(4 * 3600) - origin, ms(3_600_000));
    }

    #[tokio::test(start_paused = true)]
    async fn every_poll_begins_in_a_common_slot() {
        let origin = Instant::now();
        for (phase, every) in [(0, 250), (7, 1000), (1, 330), (999, 1000), (5, 10)] {
            let grid = PollGrid::new(origin, phase, ms(every));
            for n in 0..100 {
                assert_eq!((grid.due(n) - origin).as_millis() % SLOT.as_millis(), 0);
                assert!(n == 0 || grid.due(n) > grid.due(n - 1));
            }
            assert!(grid.due(0) - origin < ms(every.max(20)), "the phase stays within a period");
        }
    }

    #[tokio::test(start_paused = true)]
    async fn the_next_poll_is_the_first_one_not_yet_gone_by() {
        let origin = Instant::now();
        for every in [20, 250, 330, 1000] {
            let grid = PollGrid::new(origin, 2, ms(every));
            for at in (0..3000).step_by(7) {
                let at = origin + ms(at);
                let n = grid.from(at);
                assert!(grid.due(n) >= at && (n == 0 || grid.due(n - 1) < at));
            }
        }
    }
}
