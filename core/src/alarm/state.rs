//! The states of an alarm.

use serde::{Deserialize, Serialize};

/// State of an alarm. Source: the states of ISA-18.2 / IEC 62682 (from memory), in plain words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AlarmState {
    /// The condition does not hold and nothing is left to do.
    Normal,
    /// The condition holds; nobody has seen it.
    Unacknowledged,
    /// The condition holds; somebody has seen it.
    Acknowledged,
    /// The condition is gone before anybody saw it.
    ReturnedUnacknowledged,
    /// The condition is gone, but the alarm stays until a person releases it; nobody has seen it.
    LatchedUnacknowledged,
    /// As before; somebody has seen it.
    LatchedAcknowledged,
    /// A person muted it for a time.
    Shelved,
    /// A rule mutes it, such as a higher level of the same limit.
    SuppressedByDesign,
    /// Taken out for planned work.
    OutOfService,
}

impl AlarmState {
    /// Words for people and for written forms.
    pub fn words(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned to normal, unacknowledged",
            Self::LatchedUnacknowledged => "latched, unacknowledged",
            Self::LatchedAcknowledged => "latched, acknowledged",
            Self::Shelved => "shelved",
            Self::SuppressedByDesign => "suppressed by design",
            Self::OutOfService => "out of service",
        }
    }
}
