//! Order is settled at the door, per meter, with a bounded wait. Behind it a meter's time only goes forward.

use crate::output::Refusal;
use crate::reading::Sample;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// The most readings of one meter that wait for their order; enough for a burst of a meter that gives ten a
/// second and is trusted with a wait of several seconds.
pub const MOST_WAITING: usize = 64;

/// A reading stamped further ahead of us than this can't be right (common practice, no source).
pub const MOST_AHEAD: Span = Span::minutes(1);

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Waiting {
    at: EventTime,
    release_by: EventTime,
    values: Box<[Sample]>,
}

/// Settles the order of one meter's readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sequencer {
    released: Option<EventTime>,
    newest: Option<EventTime>,
    waiting: VecDeque<Waiting>,
    /// Buffers to use again, so that a quiet second allocates nothing. With those in use at most [`MOST_WAITING`],
    /// because a new one is made only when none is spare.
    #[serde(skip)]
    spare: Vec<Box<[Sample]>>,
}

/// What became of a reading at the door.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Taken {
    /// Judge it now: its order is settled and nothing waits before it.
    Now,
    /// It waits for its order.
    Waits,
    /// Not used.
    Refused(Refusal),
}

impl Sequencer {
    /// A door that nothing has passed.
    pub fn new() -> Self {
        Self { released: None, newest: None, waiting: VecDeque::new(), spare: Vec::new() }
    }

    /// Takes a reading stamped `at`, received at `now`.
    pub fn take(&mut self, now: EventTime, at: EventTime, values: &[Sample], wait: Span) -> Taken {
        if at > now + MOST_AHEAD {
            return Taken::Refused(Refusal::FromTheFuture);
        }
        match self.released {
            Some(released) if at == released => return Taken::Refused(Refusal::Duplicate),
            Some(released) if at < released => return Taken::Refused(Refusal::TooLate),
            _ => {}
        }
        if wait == Span::ZERO {
            self.released = Some(at);
            return Taken::Now;
        }
        let place = self.waiting.partition_point(|one| one.at < at);
        if self.waiting.get(place).is_some_and(|one| one.at == at) {
            return Taken::Refused(Refusal::Duplicate);
        }
        if self.waiting.len() >= MOST_WAITING {
            return Taken::Refused(Refusal::TooMany);
        }
        let mut buffer =
            self.spare.pop().unwrap_or_else(|| vec![Sample::ABSENT; values.len()].into_boxed_slice());
        if buffer.len() == values.len() {
            buffer.copy_from_slice(values);
        } else {
            buffer = values.into();
        }
        self.waiting.insert(place, Waiting { at, release_by: now + wait, values: buffer });
        self.newest = Some(self.newest.map_or(at, |newest| newest.max(at)));
        Taken::Waits
    }

    /// Whether what is stamped `at` says nothing new: that time is passed.
    pub fn is_behind(&self, at: EventTime) -> bool {
        self.released.is_some_and(|released| at <= released)
    }

    /// Gives the next reading whose order is settled: a newer one is ahead of it by the whole wait, or its own
    /// wait is over. Copies it to `values`.
    pub fn release(&mut self, now: EventTime, wait: Span, values: &mut [Sample]) -> Option<EventTime> {
        let first = self.waiting.front()?;
        let settled = self.newest.is_some_and(|newest| newest - first.at >= wait);
        // The reading with the soonest end of its wait may stand behind others: then these go first.
        let due = self.waiting.iter().any(|one| one.release_by <= now);
        if !(settled || due) {
            return None;
        }
        let first = self.waiting.pop_front()?;
        if first.values.len() == values.len() {
            values.copy_from_slice(&first.values);
        }
        self.released = Some(first.at);
        self.spare.push(first.values);
        Some(first.at)
    }

    /// When the soonest wait is over.
    pub fn next_deadline(&self) -> Option<EventTime> {
        self.waiting.iter().map(|one| one.release_by).min()
    }

    /// Moves the ends of waits by a correction of our clock, where the meter stamps by its own.
    pub fn shift_waits(&mut self, by: Span) {
        for one in &mut self.waiting {
            one.release_by += by;
        }
    }

    /// Moves the memory by a correction of the clock that stamps this meter, which is ours.
    pub fn shift(&mut self, by: Span) {
        for time in [&mut self.released, &mut self.newest].into_iter().flatten() {
            *time += by;
        }
        for one in &mut self.waiting {
            one.at += by;
            one.release_by += by;
        }
    }
}

impl Default for Sequencer {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WAIT: Span = Span::seconds(3);

    /// Words are `stamp@receipt` in seconds; gives the order in which they come out.
    fn run(words: &str) -> String {
        let mut door = Sequencer::new();
        let mut got = Vec::new();
        for word in words.split_whitespace() {
            let (at, now) = word.split_once('@').unwrap();
            let (at, now) =
                (at.parse::<i64>().unwrap() * 1000, EventTime(now.parse::<i64>().unwrap() * 1000));
            if let Taken::Refused(why) = door.take(now, EventTime(at), &[Sample::new(at as f64)], WAIT) {
                got.push(format!("{}:{why:?}", at / 1000));
            }
            let mut values = [Sample::ABSENT];
            while let Some(released) = door.release(now, WAIT, &mut values) {
                assert_eq!(values[0].get(), Some(released.0 as f64));
                got.push((released.0 / 1000).to_string());
            }
        }
        got.join(" ")
    }

    #[test]
    fn readings_within_the_wait_come_out_in_order() {
        assert_eq!(run("11@11 10@11 12@12 14@14 15@15 18@18"), "10 11 12 14 15");
    }

    /// Seen to fail when a stamp that was there before was taken again, and when one before the last was.
    #[test]
    fn what_comes_after_its_wait_is_too_late_and_the_same_stamp_is_a_duplicate() {
        assert_eq!(run("10@10 10@10 20@20 9@20 10@20"), "10:Duplicate 10 9:TooLate 10:Duplicate");
    }

    #[test]
    fn a_stamp_in_the_future_is_refused() {
        assert_eq!(run("200@10"), "200:FromTheFuture");
    }

    #[test]
    fn a_lone_reading_is_let_through_when_its_wait_is_over() {
        assert_eq!(run("10@10 10@13"), "10:Duplicate 10");
    }
}
