//! What people are told about a fault: revisions of an alert, and why some of them are held back.

use super::{Recurred, Rule, Subject};
use crate::alarm::state::AlarmState;
use crate::diagnosis::Finding;
use crate::plant::Priority;
use crate::supply::OtherSupply;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// What a person is told about one fault. Everything that any layout needs; the words are made elsewhere.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlertRevision {
    /// The alert's id, the same for all its revisions.
    pub alert: String,
    /// From 1. With `alert` it identifies the revision.
    pub revision: u32,
    /// When.
    pub at: EventTime,
    /// Why there is a new revision.
    pub why: Revised,
    /// Whether anything is still to be done or watched.
    pub open: bool,
    /// The state of the alarm that speaks for it.
    pub state: AlarmState,
    /// The highest priority of its alarms that hold or wait for a person.
    pub priority: Priority,
    /// About what.
    pub subject: Subject,
    /// By which rule the speaking alarm rose.
    pub rule: Rule,
    /// The value at this moment.
    pub value: Option<f64>,
    /// The worst value since it opened.
    pub peak: Option<f64>,
    /// The limit in force.
    pub setpoint: Option<f64>,
    /// The speaking alarm judges means over so long; `None`: each value.
    pub over: Option<Span>,
    /// Since when.
    pub since: EventTime,
    /// How often lately, where it comes and goes.
    pub recurred: Option<Recurred>,
    /// What feeds its feeder at this moment, where that is not the transformer of its subject: it is not charged to that
    /// one.
    #[serde(default)]
    pub fed: Option<OtherSupply>,
    /// The cause, where it is known; of a flood its likely root.
    #[serde(default)]
    pub cause: Option<Box<NamedCause>>,
    /// Why people are not told of this revision; it is for the journal and the digest.
    #[serde(default)]
    pub held: Option<Held>,
    /// What is known of a flood of alarms, where that is what it is about.
    #[serde(default)]
    pub flood: Option<Box<Flooding>>,
}

/// Why people are not told of something that is open. Never of what is urgent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Held {
    /// Planned work goes on there.
    Work,
    /// There is a flood of alarms, of which one alert tells.
    Flood,
    /// It rises again and again within a minute, and that was told.
    Chattering,
}

impl Held {
    /// The written form.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Work => "work",
            Self::Flood => "flood",
            Self::Chattering => "chattering",
        }
    }
}

/// Too many alarms at once on one transformer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Flooding {
    /// The first of them.
    pub first: Risen,
    /// How many rose since then.
    pub count: u32,
    /// Alerts of the transformer that are open besides this one.
    pub open: u32,
    /// It is over.
    pub over: bool,
}

/// An alarm that rose.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Risen {
    /// Its id.
    pub alarm: String,
    /// About what.
    pub subject: Subject,
    /// By which rule.
    pub rule: Rule,
    /// When.
    pub at: EventTime,
}

/// The cause of what an alert is about.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NamedCause {
    /// Id of the finding.
    pub finding: String,
    /// Whether it still shows.
    pub stands: bool,
    /// What was found.
    pub facts: Finding,
}

/// Why an alert has a new revision.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum Revised {
    /// It is new.
    Opened,
    /// It rose in priority or past the next limit, lasts where it came and went, or came back after it had returned.
    Worse,
    /// It fell in priority.
    Milder,
    /// It came again and again: told at each doubling of the count.
    CameAgain,
    /// A person has seen it.
    Acknowledged {
        /// Who.
        by: String,
    },
    /// The condition is gone; something is still to be done by a person.
    Returned,
    /// Muted for a time.
    Shelved {
        /// Who.
        by: String,
        /// Until when.
        until: EventTime,
    },
    /// Told again: the shelving ended and it still holds.
    Unshelved,
    /// Taken out of service.
    OutOfService {
        /// Who.
        by: String,
    },
    /// Nothing is left to do.
    Closed,
    /// The configuration no longer has it. Not the same as back to normal.
    NoLongerWatched,
    /// What was told is over, and another alarm of the same meter and rank holds instead.
    Instead,
    /// Its cause is known now.
    Explained,
    /// Nothing shows any more of the cause that was named, and an alarm still holds.
    CauseOver,
    /// Another alert of the same fault tells what is new of it from now on.
    Merged {
        /// That alert's id.
        into: String,
    },
    /// It rises again and again within a minute: nothing more of it is told until it is calm.
    Chattering,
    /// It is calm again, and stands.
    Calm,
    /// Planned work has begun there: nothing more of it is told until that ends.
    WorkBegun,
    /// Told now that nothing holds it back any more, and it stands.
    Stands {
        /// What held it back.
        after: Held,
    },
    /// It follows from a supply that is lost, of which another alert or the supply's own alarm tells.
    SupplyLost,
    /// A person closed it, with what was found and done.
    Released {
        /// Who.
        by: String,
        /// What was found and done.
        note: String,
    },
}
