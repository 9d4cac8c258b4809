//! The daemon's one clock: steady, on the scale of event time.
//!
//! Delays run on it, so a step of the wall clock never raises or clears anything. A difference from the wall clock
//! of more than a second is told to the monitor as a correction; a smaller one is taken up a millisecond at a time.

use kvarden_core::time::{EventTime, Span};
use std::cell::Cell;
use std::fmt;
use std::time::{SystemTime, UNIX_EPOCH};
use tokio::time::Instant;

/// A wall clock that differs by more than this was set, it did not drift.
const STEP: Span = Span::seconds(1);
/// How much of a drift is taken up each time the clocks are compared.
const SLEW_MS: i64 = 1;

/// A source of wall time in milliseconds since the Unix epoch.
type Wall = Box<dyn Fn() -> i64>;

/// Steady time, compared with the wall clock now and then.
pub struct Clock {
    started: Instant,
    offset_ms: Cell<i64>,
    latest: Cell<i64>,
    wall: Wall,
}

impl fmt::Debug for Clock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Clock").field("now", &self.now()).finish_non_exhaustive()
    }
}

impl Clock {
    /// The machine's clock.
    pub fn of_machine() -> Self {
        Self::with_wall(Box::new(wall_ms))
    }

    /// A clock that starts at `start` and follows the runtime's (possibly paused) time only.
    pub fn simulated(start: EventTime) -> Self {
        let began = Instant::now();
        Self::with_wall(Box::new(move || start.0 + began.elapsed().as_millis() as i64))
    }

    /// A clock with this source of wall time.
    pub fn with_wall(wall: Wall) -> Self {
        let offset_ms = Cell::new(wall());
        Self { started: Instant::now(), offset_ms, latest: Cell::new(i64::MIN), wall }
    }

    /// Steady time. Never goes back between two corrections.
    pub fn now(&self) -> EventTime {
        let now = self.offset_ms.get() + self.started.elapsed().as_millis() as i64;
        let now = now.max(self.latest.get());
        self.latest.set(now);
        EventTime(now)
    }

    /// Compares with the wall clock. Gives the correction, if the wall clock was set.
    pub fn compare(&self) -> Option<Span> {
        let steady = self.offset_ms.get() + self.started.elapsed().as_millis() as i64;
        let by = (self.wall)() - steady;
        if by.abs() > STEP.0 {
            self.offset_ms.set(self.offset_ms.get() + by);
            self.latest.set(i64::MIN);
            return Some(Span(by));
        }
        self.offset_ms.set(self.offset_ms.get() + by.clamp(-SLEW_MS, SLEW_MS));
        None
    }
}

fn wall_ms() -> i64 {
    match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(since) => since.as_millis() as i64,
        Err(before) => -(before.duration().as_millis() as i64),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::rc::Rc;
    use std::time::Duration;

    fn with_shift() -> (Clock, Rc<Cell<i64>>) {
        let shift = Rc::new(Cell::new(0));
        let began = Instant::now();
        let seen = Rc::clone(&shift);
        let wall = move || 1_000_000 + seen.get() + began.elapsed().as_millis() as i64;
        (Clock::with_wall(Box::new(wall)), shift)
    }

    #[tokio::test(start_paused = true)]
    async fn a_step_of_the_wall_clock_is_a_correction_and_is_told_once() {
        let (clock, shift) = with_shift();
        shift.set(-3_600_000);
        tokio::time::advance(Duration::from_secs(5)).await;
        assert_eq!(clock.now(), EventTime(1_005_000), "nothing moves before the clocks are compared");
        assert_eq!(clock.compare(), Some(Span(-3_600_000)));
        assert_eq!(clock.now(), EventTime(1_005_000 - 3_600_000));
        assert_eq!(clock.compare(), None);
    }

    #[tokio::test(start_paused = true)]
    async fn a_drift_is_taken_up_slowly_and_time_never_goes_back() {
        let (clock, shift) = with_shift();
        let before = clock.now();
        shift.set(-500);
        for _ in 0..100 {
            assert_eq!(clock.compare(), None);
            assert!(clock.now() >= before);
        }
        tokio::time::advance(Duration::from_secs(10)).await;
        assert_eq!(clock.now(), EventTime(1_010_000 - 100));
    }
}
