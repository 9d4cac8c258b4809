//! What a meter's own readings say against it: too many values that can't be real, a clock that is wrong.

use crate::sequencer::MOST_AHEAD;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Impossible values that add up to so much measured time are a trouble of the meter (common practice, no source).
pub const NONSENSE_FOR: Span = Span::minutes(5);
/// At least so many readings, where a meter gives few.
pub const NONSENSE_READINGS: i64 = 5;
/// A reading without an impossible value takes off this part of its time: a share of one reading in ten lasts, and
/// the trouble is over after nine times as long without any (common practice, no source).
pub const FORGIVEN: i64 = 9;

/// A clock that was right, or wrong, is the other only when all readings have said so for this long (common practice,
/// no source): a burst of readings that waited somewhere is over before.
pub const CLOCK_FOR: Span = Span::minutes(10);

/// A trouble begins or ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// It holds since then.
    Since(EventTime),
    /// It is over.
    Over,
}

/// Adds up the time of readings with values that can't be real.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct NonsenseWatch {
    held: Span,
    since: Option<EventTime>,
    holds: bool,
}

impl NonsenseWatch {
    /// Takes a reading that stands for `credit` of a meter that gives one `every` so long.
    pub fn observe(
        &mut self,
        (at, credit): (EventTime, Span),
        every: Span,
        impossible: bool,
    ) -> Option<Turn> {
        if impossible {
            let most = NONSENSE_FOR.max(Span(every.0.saturating_mul(NONSENSE_READINGS)));
            let since = *self.since.get_or_insert(at);
            self.held = Span(self.held.0.saturating_add(credit.0)).min(most);
            let begins = self.held >= most && !self.holds;
            self.holds |= begins;
            return begins.then_some(Turn::Since(since));
        }
        self.held = Span(self.held.0 - credit.0 / FORGIVEN).max(Span::ZERO);
        if self.held > Span::ZERO {
            return None;
        }
        self.since = None;
        std::mem::take(&mut self.holds).then_some(Turn::Over)
    }

    /// After a restart: an alarm that stands is known here, so that it can end.
    pub fn align(&mut self, standing: Option<EventTime>) {
        if let Some(since) = standing.filter(|_| !self.holds) {
            *self = Self { held: NONSENSE_FOR, since: Some(since), holds: true };
        }
    }

    /// Moves the memory by a correction of the clock.
    pub fn shift(&mut self, by: Span) {
        if let Some(since) = &mut self.since {
            *since += by;
        }
    }
}

/// Compares a meter's stamps with the moment of receipt.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct ClockWatch {
    wrong: bool,
    /// Since when all readings say the other.
    turning: Option<EventTime>,
}

impl ClockWatch {
    /// Takes a reading stamped `at`, received at `now`. `usual` is how late a reading of this meter may come.
    pub fn observe(&mut self, now: EventTime, at: EventTime, usual: Span, every: Span) -> Option<Turn> {
        let late = Span(usual.0.saturating_add(MOST_AHEAD.0));
        let wrong = at - now > MOST_AHEAD || now - at > late;
        if wrong == self.wrong {
            self.turning = None;
            return None;
        }
        let since = *self.turning.get_or_insert(now);
        if now - since < CLOCK_FOR.max(Span(every.0.saturating_mul(3))) {
            return None;
        }
        (self.wrong, self.turning) = (wrong, None);
        Some(if wrong { Turn::Since(since) } else { Turn::Over })
    }

    /// Our own clock says nothing about others just now.
    pub fn doubt(&mut self) {
        self.turning = None;
    }

    /// After a restart: an alarm that stands is known here, so that it can end.
    pub fn align(&mut self, stands: bool) {
        self.wrong |= stands;
    }

    /// Moves the memory by a correction of our clock.
    pub fn shift(&mut self, by: Span) {
        if let Some(turning) = &mut self.turning {
            *turning += by;
        }
    }
}
