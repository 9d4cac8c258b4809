//! The columns of the table: what is known of a measurand.

use super::Unit;
use crate::phases::Place;
use std::ops::RangeInclusive;

/// What kind of number it is, which decides how it may be averaged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A level: its mean over time means something.
    Level,
    /// An angle: averaged as a phasor, never as a number.
    Angle,
    /// A register that only counts up: differences, never means.
    Counter,
    /// On or off: shares of time, never means.
    Flag,
}

/// Which places a measurand may have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Places {
    /// No place: one value for the whole.
    Whole,
    /// A, B, C.
    Phases,
    /// A, B, C, or one for the whole.
    PhasesOrWhole,
    /// A, B, C and N.
    PhasesAndNeutral,
    /// AB, BC, CA.
    Lines,
}

impl Places {
    /// The places that are allowed.
    pub fn list(self) -> &'static [Place] {
        use Place::{A, AB, B, BC, C, CA, N, Whole};
        match self {
            Self::Whole => &[Whole],
            Self::Phases => &[A, B, C],
            Self::PhasesOrWhole => &[Whole, A, B, C],
            Self::PhasesAndNeutral => &[A, B, C, N],
            Self::Lines => &[AB, BC, CA],
        }
    }
}

/// What the number of a quantity means, see [`Quantity::number`](super::Quantity::number).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Numbers {
    /// It has none.
    Single,
    /// The order of a harmonic, 1 to 50: it always has one.
    Orders,
    /// Which of several of one meter, 1 to 16; none where there is only one.
    Several,
}

impl Numbers {
    /// The numbers that are allowed; 0 is none.
    pub const fn range(self) -> RangeInclusive<u8> {
        match self {
            Self::Single => 0..=0,
            Self::Orders => 1..=50,
            Self::Several => 0..=16,
        }
    }

    /// The key that it has in maps and limits; `None` where there is no number.
    pub const fn key(self) -> Option<&'static str> {
        match self {
            Self::Single => None,
            Self::Orders => Some("order"),
            Self::Several => Some("number"),
        }
    }
}

/// Whether the value comes from a meter or is computed here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Read from a meter; the last digit of a live one keeps moving, so a still one is suspect.
    Lively,
    /// Read from a meter or sensor that may well stand still for an hour.
    Measured,
    /// Likewise, but many meters leave it out at times, so that its absence is no fault: what means nothing without
    /// current, and orders that are too small to tell.
    Sometimes,
    /// Computed by this program from what was read.
    Computed,
}

/// A row of the table.
#[derive(Debug, Clone, Copy)]
pub struct Facts {
    /// Written form with unit: the same in configuration, store, MQTT and digest.
    pub key: &'static str,
    /// Words for people.
    pub words: &'static str,
    /// Unit.
    pub unit: Unit,
    /// How it may be averaged.
    pub kind: Kind,
    /// Allowed places.
    pub places: Places,
    /// What its number means.
    pub numbers: Numbers,
    /// Decimals shown to people.
    pub decimals: u8,
    /// Values outside this range can't be real and are quarantined.
    pub range: (f64, f64),
    /// Where it comes from.
    pub source: Source,
}
