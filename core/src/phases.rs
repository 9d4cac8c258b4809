//! Phases, the places of a three-phase system, and values kept one per phase.

use serde::{Deserialize, Serialize};
use std::fmt;

/// One of the three phases. Order is A-B-C.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Phase {
    /// First phase.
    A,
    /// Second phase, 120° behind the first.
    B,
    /// Third phase, 240° behind the first.
    C,
}

/// Where in the system a quantity sits: the whole of it, a phase, the neutral, or between two lines.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Place {
    /// The whole three-phase circuit, or a thing that has no phases.
    Whole,
    /// Phase A.
    A,
    /// Phase B.
    B,
    /// Phase C.
    C,
    /// The neutral.
    N,
    /// Between lines A and B.
    AB,
    /// Between lines B and C.
    BC,
    /// Between lines C and A.
    CA,
}

impl Place {
    /// Every place, in the order in which they are shown.
    pub const ALL: [Self; 8] =
        [Self::Whole, Self::A, Self::B, Self::C, Self::N, Self::AB, Self::BC, Self::CA];
    /// The three phases.
    pub const PHASES: [Self; 3] = [Self::A, Self::B, Self::C];
    /// The three pairs of lines.
    pub const LINES: [Self; 3] = [Self::AB, Self::BC, Self::CA];

    /// The written form in configuration, store, MQTT and digest; empty for the whole.
    pub fn key(self) -> &'static str {
        match self {
            Self::Whole => "",
            Self::A => "A",
            Self::B => "B",
            Self::C => "C",
            Self::N => "N",
            Self::AB => "AB",
            Self::BC => "BC",
            Self::CA => "CA",
        }
    }

    /// The place with this written form.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|place| place.key() == key)
    }
}

impl From<Phase> for Place {
    fn from(phase: Phase) -> Self {
        match phase {
            Phase::A => Self::A,
            Phase::B => Self::B,
            Phase::C => Self::C,
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.key())
    }
}

/// One value for each phase.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct PerPhase<T> {
    /// Of phase A.
    pub a: T,
    /// Of phase B.
    pub b: T,
    /// Of phase C.
    pub c: T,
}

impl<T: Copy> PerPhase<T> {
    /// The three in order.
    pub fn values(self) -> [T; 3] {
        [self.a, self.b, self.c]
    }
}

/// One value for each pair of lines. A line-to-neutral value does not fit here by mistake.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct PerLines<T> {
    /// Between A and B.
    pub ab: T,
    /// Between B and C.
    pub bc: T,
    /// Between C and A.
    pub ca: T,
}

impl<T: Copy> PerLines<T> {
    /// The three in order.
    pub fn values(self) -> [T; 3] {
        [self.ab, self.bc, self.ca]
    }
}
