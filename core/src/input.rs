//! Everything that can change a judgement.

use crate::reading::Reading;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// One thing that the monitor is told.
#[derive(Debug, Clone, PartialEq)]
pub enum Input<'a> {
    /// A meter gave values.
    Reading(Reading<'a>),
    /// A person decided something.
    Person(Order),
    /// Something about this program or its surroundings.
    Health(HealthFact),
    /// The wall clock was corrected by so much: stamps made by our clock jump, time did not.
    Reclocked {
        /// New minus old.
        by: Span,
    },
}

/// What a person orders.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Order {
    /// Chosen by the caller; comes back in [`crate::output::Answer`].
    pub number: u64,
    /// Who. Never empty: every change has a named person.
    pub by: String,
    /// Which alert, by its id.
    pub alert: String,
    /// What to do with it.
    pub what: Deed,
}

/// What can be done with an alert.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum Deed {
    /// "I have seen it."
    Acknowledge,
    /// Ends a latched alarm whose condition is gone.
    Release {
        /// What was found and done.
        note: String,
    },
    /// Mutes messages for a time, with a reason; recording goes on.
    Shelve {
        /// When it ends by itself.
        until: EventTime,
        /// Why.
        reason: String,
    },
    /// Ends shelving early.
    Unshelve,
    /// Takes the alarms out of service for planned work, or puts them back.
    Service {
        /// True: back in service.
        on: bool,
    },
}

/// Something about this program or its surroundings.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum HealthFact {
    /// The program has started again: time before it says nothing about the meters.
    Resumed,
    /// A part works, or does not.
    Part {
        /// Which.
        part: Part,
        /// Whether it works.
        works: bool,
    },
}

/// A part of the program or of its surroundings that has an alarm of its own.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Part {
    /// The link to the broker from which meters are read.
    Broker,
    /// The store can't be written.
    Store,
    /// A channel by which people are told, by its name in the plant.
    Channel(String),
}

impl Part {
    /// The written form in ids.
    pub fn key(&self) -> String {
        match self {
            Self::Broker => "broker".to_owned(),
            Self::Store => "store".to_owned(),
            Self::Channel(name) => format!("channel {name}"),
        }
    }
}
