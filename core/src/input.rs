//! Everything that can change a judgement.

use crate::plant::Priority;
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
    /// Which alert, by its id; for a calibration the name of its transformer, for planned work that or the name of a feeder.
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
    /// A calibration that was learned of a transformer.
    Calibration {
        /// True: it is taken, and from now on it says what a healthy unit shows. False: it is dropped and learned anew.
        accept: bool,
    },
    /// The resistances that were learned of a transformer's connections.
    Connections {
        /// True: they are taken, and from now on a connection is judged by its own. False: they are dropped and learned anew.
        accept: bool,
    },
    /// As [`Deed::Shelve`], said a second time: an urgent over-temperature is not shelved without.
    ShelveConfirmed {
        /// When it ends by itself.
        until: EventTime,
        /// Why.
        reason: String,
    },
    /// As [`Deed::Service`] with `on: false`, and why.
    TakeOut {
        /// Why.
        reason: String,
    },
    /// Planned work begins on a transformer or feeder, named in place of an alert: everything is recorded and nobody is told.
    BeginWork {
        /// When it ends by itself.
        until: EventTime,
        /// What is done.
        reason: String,
    },
    /// Planned work on a transformer or feeder, named in place of an alert, has ended.
    EndWork,
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
    /// A meter is in trouble of a kind that is seen outside its values, or no longer is.
    Meter {
        /// Its name.
        meter: String,
        /// Which trouble.
        trouble: MeterTrouble,
        /// Whether it holds.
        holds: bool,
    },
}

/// What can be wrong with a meter besides silence and values that stand still. Each has an alarm of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum MeterTrouble {
    /// It refuses registers of its map, or does not know what it is asked for.
    MapWrong,
    /// Its connection keeps breaking.
    LinkUnstable,
    /// We may not read it.
    NotAuthorised,
    /// Too many of its values can't be real. Found by the monitor itself.
    Nonsense,
    /// Its clock, which stamps its values, is wrong. Found by the monitor itself.
    ClockWrong,
}

impl MeterTrouble {
    /// All of them. Where several of the same priority hold, the later one speaks: it says more about the cause.
    pub const ALL: [Self; 5] =
        [Self::LinkUnstable, Self::Nonsense, Self::ClockWrong, Self::MapWrong, Self::NotAuthorised];

    /// The written form in ids and in `replay --json`.
    pub const fn key(self) -> &'static str {
        match self {
            Self::MapWrong => "map wrong",
            Self::LinkUnstable => "link unstable",
            Self::NotAuthorised => "not authorised",
            Self::Nonsense => "nonsense",
            Self::ClockWrong => "clock wrong",
        }
    }
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
    /// The broker from which meters are read lets us in and lets us read.
    BrokerAccess,
    /// Nobody else uses our name at the broker.
    SecondBox,
    /// The store's disk has room, and the store keeps its bound of bytes.
    Disk,
    /// What waits to be stored or sent stays below its level.
    Queue,
    /// This machine's own clock can be believed.
    Clock,
    /// A certificate of the encrypted link to the broker does not end soon.
    Certificate(Certificate),
    /// The store's file is the one that was there before. Broken for a while after one that was damaged or foreign was set aside.
    StoreFile,
}

/// Whose certificate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Certificate {
    /// Ours, by which the broker knows us.
    Own,
    /// That of the authority which we trust.
    Authority,
    /// The one that the broker shows.
    Broker,
}

impl Certificate {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Own, Self::Authority, Self::Broker];
}

impl Part {
    /// Those that every site has; channels come from the plant.
    pub const FIXED: [Self; 11] = [
        Self::Broker,
        Self::Store,
        Self::StoreFile,
        Self::BrokerAccess,
        Self::SecondBox,
        Self::Disk,
        Self::Queue,
        Self::Clock,
        Self::Certificate(Certificate::Own),
        Self::Certificate(Certificate::Authority),
        Self::Certificate(Certificate::Broker),
    ];

    /// How soon a person must act when it does not work. Disk, queue and certificates warn before anything is lost: the
    /// alarms of the store, the channels and the link say when it is (common practice, no source).
    pub const fn priority(&self) -> Priority {
        match self {
            Self::Disk | Self::Queue | Self::Certificate(_) => Priority::Low,
            Self::Broker
            | Self::Store
            | Self::StoreFile
            | Self::Channel(_)
            | Self::BrokerAccess
            | Self::SecondBox
            | Self::Clock => Priority::High,
        }
    }

    /// The written form in ids.
    pub fn key(&self) -> String {
        match self {
            Self::Broker => "broker".to_owned(),
            Self::Store => "store".to_owned(),
            Self::StoreFile => "store file".to_owned(),
            Self::Channel(name) => format!("channel {name}"),
            Self::BrokerAccess => "broker access".to_owned(),
            Self::SecondBox => "second box".to_owned(),
            Self::Disk => "disk".to_owned(),
            Self::Queue => "queue".to_owned(),
            Self::Clock => "clock".to_owned(),
            Self::Certificate(Certificate::Own) => "certificate own".to_owned(),
            Self::Certificate(Certificate::Authority) => "certificate authority".to_owned(),
            Self::Certificate(Certificate::Broker) => "certificate broker".to_owned(),
        }
    }
}
