//! Event time and spans in whole milliseconds. Core is always told the time; it never asks for it.

use serde::{Deserialize, Serialize};
use std::ops::{Add, AddAssign, Sub};

/// A moment: milliseconds since the Unix epoch, in the clock of whoever stamped it (meter, payload or receipt).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct EventTime(pub i64);

/// A length of time in milliseconds. Never negative where a delay or a window is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
pub struct Span(pub i64);

impl Span {
    /// No time at all.
    pub const ZERO: Self = Self(0);

    /// A span of whole seconds.
    pub const fn seconds(seconds: i64) -> Self {
        Self(seconds * 1000)
    }

    /// A span of whole minutes.
    pub const fn minutes(minutes: i64) -> Self {
        Self(minutes * 60_000)
    }

    /// A span of whole hours.
    pub const fn hours(hours: i64) -> Self {
        Self(hours * 3_600_000)
    }

    /// The span in seconds, for people and formulas.
    pub fn as_seconds(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// This span `n` times over, held at the largest value that fits.
    #[must_use]
    pub fn times(self, n: i64) -> Self {
        Self(self.0.saturating_mul(n))
    }
}

impl EventTime {
    /// The start of the step of length `step` that holds this moment (steps are counted from the epoch).
    #[must_use]
    pub fn floor(self, step: Span) -> Self {
        let step = step.0.max(1);
        Self(self.0.div_euclid(step).saturating_mul(step))
    }
}

impl Add<Span> for EventTime {
    type Output = Self;
    fn add(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.0))
    }
}

impl Sub<Span> for EventTime {
    type Output = Self;
    fn sub(self, span: Span) -> Self {
        Self(self.0.saturating_sub(span.0))
    }
}

impl AddAssign<Span> for EventTime {
    fn add_assign(&mut self, span: Span) {
        *self = *self + span;
    }
}

impl Sub for EventTime {
    type Output = Span;
    fn sub(self, earlier: Self) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

impl Add for Span {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl AddAssign for Span {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn floor_goes_down_also_before_the_epoch() {
        assert_eq!(EventTime(61_500).floor(Span::minutes(1)), EventTime(60_000));
        assert_eq!(EventTime(-1).floor(Span::minutes(1)), EventTime(-60_000));
    }
}
