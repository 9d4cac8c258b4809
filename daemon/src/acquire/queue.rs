//! Whose turn it is on a connection that several units share. Those that answer come first, the longest due before
//! the others; a unit that failed is tried only in a gap that its silence can fill without making the others late.

use super::backoff::Backoff;
use super::grid::PollGrid;
use std::time::Duration;
use tokio::time::Instant;

/// How long a failed unit waits for a gap at most: then it is tried although others may be late once.
const LONGEST_WITHOUT_GAP: Duration = Duration::from_mins(1);
/// When a meter that refuses its map is asked again: someone must mend the map or the meter, so not soon.
pub(super) const MAP_RETRY: Duration = Duration::from_mins(1);

/// What to do now.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Turn {
    /// Poll this unit.
    Poll(usize),
    /// Nothing until then.
    Wait(Instant),
}

/// How a poll ended, as far as the order of turns is concerned.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ending {
    /// All values.
    Good,
    /// The unit said that it can't now.
    Refused,
    /// The unit does not know its registers.
    MapWrong,
    /// No answer of the unit that fits the question.
    NoAnswer,
    /// The unit was not asked: there is no connection.
    NotAsked,
}

/// The units of one connection.
#[derive(Debug)]
pub(super) struct Queue {
    units: Box<[Unit]>,
    turns: u64,
}

#[derive(Debug)]
struct Unit {
    grid: PollGrid,
    deadline: Duration,
    /// The next poll, and when it is due.
    next: u64,
    due: Instant,
    /// Number of its last turn.
    last_turn: u64,
    /// Failed last time.
    suspect: bool,
    /// Failed the last two times or more.
    held: bool,
    backoff: Backoff,
}

impl Unit {
    fn set_next(&mut self, next: u64) {
        self.next = next;
        self.due = self.grid.due(next);
    }
}

impl Queue {
    /// * `units` – grid of each unit, how long its silence can last, and its unit identifier.
    pub(super) fn new(units: impl Iterator<Item = (PollGrid, Duration, u8)>, now: Instant) -> Self {
        let unit = |(grid, deadline, unit): (PollGrid, Duration, u8)| {
            let (next, backoff) = (grid.from(now), Backoff::new(("unit", unit)));
            let due = grid.due(next);
            Unit { grid, deadline, next, due, last_turn: 0, suspect: false, held: false, backoff }
        };
        Self { units: units.map(unit).collect(), turns: 0 }
    }

    /// Whose turn it is. `relink_at`: when a new connection could be made, were this one lost now.
    pub(super) fn next(&self, now: Instant, relink_at: Instant) -> Turn {
        let first = |suspect: bool| {
            let units = self.units.iter().enumerate().filter(move |(_, unit)| unit.suspect == suspect);
            units.min_by_key(|(_, unit)| (unit.due, unit.last_turn)).map(|(at, unit)| (at, unit.due))
        };
        let (sound, suspect) = (first(false), first(true));
        match (sound, suspect) {
            (Some((at, due)), _) if due <= now => Turn::Poll(at),
            (_, Some((at, due))) if due <= now => {
                let free_until = sound.map(|(_, due)| due);
                let needed_until = relink_at.max(now + self.units[at].deadline);
                let forced_at = due + LONGEST_WITHOUT_GAP;
                match free_until {
                    Some(free_until) if free_until < needed_until && now < forced_at => {
                        Turn::Wait(free_until.min(forced_at))
                    }
                    _ => Turn::Poll(at),
                }
            }
            _ => Turn::Wait(
                sound.into_iter().chain(suspect).map(|(_, due)| due).min().unwrap_or(now + MAP_RETRY),
            ),
        }
    }

    /// The unit's poll begins; gives how many of its polls have gone by meanwhile. They are not made up.
    pub(super) fn begin(&mut self, at: usize, now: Instant) -> u64 {
        self.turns += 1;
        let unit = &mut self.units[at];
        unit.last_turn = self.turns;
        let next = unit.grid.from(now);
        let latest = if unit.grid.due(next) > now { next.saturating_sub(1) } else { next };
        let missed = latest.saturating_sub(unit.next);
        unit.set_next(latest.max(unit.next));
        missed
    }

    /// The unit's poll has ended: sets when it is next due.
    pub(super) fn end(&mut self, at: usize, ending: Ending, now: Instant) {
        let unit = &mut self.units[at];
        let mut not_before = now;
        match ending {
            Ending::Good => {
                unit.backoff.clear();
                unit.suspect = false;
                if std::mem::take(&mut unit.held) {
                    self.lift_holds(now);
                }
            }
            Ending::Refused => {
                unit.backoff.clear();
                (unit.suspect, unit.held) = (true, false);
            }
            Ending::MapWrong => {
                unit.suspect = true;
                not_before += MAP_RETRY;
            }
            // The first failure holds nothing up: one late answer, and the next poll is good again.
            Ending::NoAnswer if !unit.suspect => unit.suspect = true,
            Ending::NoAnswer => {
                unit.held = true;
                not_before += unit.backoff.failed();
            }
            Ending::NotAsked => {}
        }
        let unit = &mut self.units[at];
        let next = unit.grid.from(not_before).max(unit.next + 1);
        unit.set_next(next);
    }

    /// A unit that was given up is back, so the others behind the same gateway may be too.
    fn lift_holds(&mut self, now: Instant) {
        for unit in self.units.iter_mut().filter(|unit| unit.held) {
            let next = unit.grid.from(now).min(unit.next);
            unit.set_next(next);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn ms(ms: u64) -> Duration {
        Duration::from_millis(ms)
    }

    fn queue(units: u8, origin: Instant) -> Queue {
        Queue::new((0..units).map(|unit| (PollGrid::new(origin, 0, ms(1000)), ms(250), unit)), origin)
    }

    #[tokio::test(start_paused = true)]
    async fn units_that_are_due_together_take_turns() {
        let origin = Instant::now();
        let mut queue = queue(3, origin);
        for cycle in 0..3 {
            let now = origin + ms(1000) * cycle;
            for unit in 0..3 {
                assert_eq!(queue.next(now, now), Turn::Poll(unit));
                assert_eq!(queue.begin(unit, now), 0);
                queue.end(unit, Ending::Good, now + ms(10));
            }
            assert_eq!(queue.next(now + ms(30), now), Turn::Wait(now + ms(1000)));
        }
    }

    #[tokio::test(start_paused = true)]
    async fn a_unit_that_failed_comes_last_and_only_into_a_gap() {
        let origin = Instant::now();
        let mut queue = queue(2, origin);
        queue.begin(0, origin);
        queue.end(0, Ending::NoAnswer, origin + ms(250));
        let now = origin + ms(1000);
        assert_eq!(queue.next(now, now), Turn::Poll(1), "the sound one first, though both are due");
        queue.begin(1, now);
        queue.end(1, Ending::Good, now + ms(5));
        assert_eq!(queue.next(now + ms(5), now), Turn::Poll(0), "750 ms are free");
        let late = now + ms(800);
        assert_eq!(queue.next(late, late), Turn::Wait(now + ms(1000)), "200 ms are not enough");
        assert_eq!(
            queue.next(now + ms(5), now + ms(1001)),
            Turn::Wait(now + ms(1000)),
            "no new connection by then"
        );
    }

    #[tokio::test(start_paused = true)]
    async fn a_failed_unit_is_tried_within_a_minute_even_without_a_gap() {
        let origin = Instant::now();
        let mut queue = queue(2, origin);
        queue.begin(0, origin);
        queue.end(0, Ending::NoAnswer, origin);
        let mut now = origin + ms(900);
        while queue.next(now, now + ms(5000)) != Turn::Poll(0) {
            let Turn::Wait(until) = queue.next(now, now + ms(5000)) else {
                queue.begin(1, now);
                queue.end(1, Ending::Good, now + ms(900));
                now += ms(900);
                continue;
            };
            assert!(until > now, "it goes on");
            now = until;
        }
        assert!(now - origin <= ms(62_000));
    }

    #[tokio::test(start_paused = true)]
    async fn polls_that_have_gone_by_are_skipped_and_counted() {
        let origin = Instant::now();
        let mut queue = queue(1, origin);
        assert_eq!(queue.begin(0, origin), 0);
        queue.end(0, Ending::Good, origin + ms(3400));
        assert_eq!(queue.next(origin + ms(3400), origin), Turn::Wait(origin + ms(4000)));
        assert_eq!(queue.begin(0, origin + ms(6500)), 2, "those of 4 s and 5 s");
        queue.end(0, Ending::Good, origin + ms(6510));
        assert_eq!(queue.next(origin + ms(6510), origin), Turn::Wait(origin + ms(7000)));
    }

    #[tokio::test(start_paused = true)]
    async fn a_silent_unit_is_held_longer_and_longer_until_another_one_is_back() {
        let origin = Instant::now();
        let mut queue = queue(2, origin);
        let mut now = origin;
        for _ in 0..10 {
            let Turn::Poll(at) = queue.next(now, now) else { panic!("due") };
            queue.begin(at, now);
            now += ms(250);
            queue.end(at, Ending::NoAnswer, now);
            if let Turn::Wait(until) = queue.next(now, now) {
                now = until;
            }
        }
        assert!(now - origin > ms(15_000), "1 + 2 + 4 + 8 s at least");
        let Turn::Poll(back) = queue.next(now, now) else { panic!("due") };
        queue.begin(back, now);
        queue.end(1 - back, Ending::NoAnswer, now);
        assert!(queue.units[1 - back].due > now + ms(8000), "the other one is held");
        queue.end(back, Ending::Good, now + ms(5));
        assert!(queue.units[1 - back].due <= now + ms(1005), "and has now its turn again");
    }
}
