//! One warm part and its rise through time.

use crate::thermal::rise_after;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// A gap in what drives a part longer than so many time constants is not bridged: it begins again, with the steady state
/// of what is known after the gap, and counts as settled after as many (common practice, no source).
const LONGEST_GAP: f64 = 3.0;

/// How a part moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pace {
    /// Time constant at rated rise, in minutes.
    pub tau_min: f64,
    /// Exponent of the steady rise over what heats it; 1 for a part with one time constant.
    pub exponent: f64,
}

/// How warm a part is, if it is healthy.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Part {
    /// When.
    at: EventTime,
    /// Since when it is followed without a gap too long.
    since: EventTime,
    /// Rise per unit of the rated one.
    pub(super) rise: f64,
    /// Where the rise goes, per unit.
    drive: f64,
}

impl Part {
    /// At `end`, with this drive now. Over a gap the drive before it counts for its first half and the one after it for
    /// its second.
    pub(super) fn after(before: Option<Self>, end: EventTime, drive: f64, pace: Pace) -> Option<Self> {
        let minutes = |before: &Self| (end - before.at).as_seconds() / 60.0;
        let bridged = before.filter(|before| (0.0..=LONGEST_GAP * pace.tau_min).contains(&minutes(before)));
        let Some(before) = bridged else {
            return drive.is_finite().then_some(Self { at: end, since: end, rise: drive, drive });
        };
        let half = minutes(&before) / 2.0;
        let middle = rise_after(before.rise, before.drive, half, pace.tau_min, pace.exponent)?;
        let rise = rise_after(middle, drive, half, pace.tau_min, pace.exponent)?;
        Some(Self { at: end, since: before.since, rise, drive })
    }

    /// Moves `part` on; without a drive it stays as it was. Gives the part where it is known now.
    pub(super) fn turn(
        part: &mut Option<Self>,
        end: EventTime,
        drive: Option<f64>,
        pace: Pace,
    ) -> Option<Self> {
        let now = Self::after(*part, end, drive?, pace)?;
        *part = Some(now);
        Some(now)
    }

    /// Whether what it began with no longer matters.
    pub(super) fn is_settled(&self, pace: Pace) -> bool {
        (self.at - self.since).as_seconds() / 60.0 >= LONGEST_GAP * pace.tau_min
    }

    pub(super) fn shift(&mut self, by: Span) {
        self.at += by;
        self.since += by;
    }
}
