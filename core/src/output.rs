//! Everything that comes out of the monitor: facts, never words.

mod alert;

pub use alert::{AlertRevision, Flooding, Held, NamedCause, Revised, Risen};

use crate::alarm::state::AlarmState;
use crate::diagnosis::{Cause, FindingChange};
use crate::input::{MeterTrouble, Part};
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::plant::{Bound, Priority};
use crate::reading::MeterId;
use crate::supply::OtherSupply;
use crate::time::{EventTime, Span};
use crate::window::Pane;
use serde::{Deserialize, Serialize};

/// One thing that the monitor says.
#[derive(Debug, Clone, PartialEq)]
pub enum Output {
    /// An alarm changed.
    Alarm(Change),
    /// A named cause was found, changed or ended.
    Finding(FindingChange),
    /// What a person is told about one fault changed.
    Alert(AlertRevision),
    /// A value went past a limit for a while and came back.
    Excursion(Excursion),
    /// A minute of one meter is complete.
    Minute(Closed),
    /// Readings around an alarm are to be kept; the last of them has come.
    Recording(RecordingSpan),
    /// A value or a reading could not be used.
    Refused(Quarantined),
    /// What became of a person's order.
    Answer(Answer),
}

/// What an alarm or alert is about. Names, so that it stands by itself years later.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Subject {
    /// The transformer; `None` for the program itself.
    pub transformer: Option<String>,
    /// The feeder that the meter measures, if it measures one.
    pub feeder: Option<String>,
    /// The meter; `None` for the program itself.
    pub meter: Option<String>,
    /// What is judged.
    pub matter: Matter,
}

/// What is judged.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Matter {
    /// A measured or computed quantity.
    Quantity(Quantity),
    /// How fast a quantity rises, in its unit an hour.
    Rate(Quantity),
    /// The meter itself: does it speak, do its values move, is it in any other trouble.
    Meter,
    /// A part of the program or of its surroundings.
    Part(Part),
    /// What feeds it, where that is not its normal supply.
    Supply(OtherSupply),
    /// A named cause that no alarm announced, and the place to which it is traced.
    Cause(Cause, Option<Place>),
    /// Too many alarms at once.
    Flood,
    /// Planned work.
    Work,
}

impl Subject {
    /// The measurand, where there is one.
    pub fn measurand(&self) -> Option<Measurand> {
        match self.matter {
            Matter::Quantity(quantity) | Matter::Rate(quantity) => Some(quantity.what),
            _ => None,
        }
    }
}

/// The rule by which an alarm rises.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Rule {
    /// A level of a limit, counted from 1, the mildest.
    Level {
        /// Which way the limit is passed.
        bound: Bound,
        /// Which level.
        level: u8,
    },
    /// Short excursions that come again and again.
    Recurrence {
        /// Which way the limit is passed.
        bound: Bound,
    },
    /// The meter gives nothing; three levels as time passes.
    Silent {
        /// Which level.
        level: u8,
    },
    /// The meter's values stand still.
    Frozen,
    /// A point that gave values gives none, while its meter speaks.
    Absent,
    /// A new meter's values do not fit the nameplate.
    Nameplate,
    /// A part does not work.
    Broken,
    /// It is not fed as it normally is.
    Supply,
    /// A trouble of the meter itself.
    Trouble(MeterTrouble),
    /// The diagnosis names a cause.
    Cause,
    /// More alarms rose within a short time than a person can follow.
    Flood,
    /// Planned work goes on.
    Work,
}

impl Rule {
    /// Which way the limit is passed, where there is a limit.
    pub fn bound(self) -> Option<Bound> {
        match self {
            Self::Level { bound, .. } | Self::Recurrence { bound } => Some(bound),
            Self::Silent { .. }
            | Self::Frozen
            | Self::Absent
            | Self::Nameplate
            | Self::Broken
            | Self::Supply
            | Self::Trouble(_)
            | Self::Cause
            | Self::Flood
            | Self::Work => None,
        }
    }

    /// The written form in ids and in `replay --json`.
    pub fn key(self) -> String {
        match self {
            Self::Level { bound, level } => format!("{} level {level}", bound.key()),
            Self::Recurrence { bound } => format!("{} recurrence", bound.key()),
            Self::Silent { level } => format!("silent level {level}"),
            Self::Frozen => "frozen".to_owned(),
            Self::Absent => "absent".to_owned(),
            Self::Nameplate => "nameplate".to_owned(),
            Self::Broken => "broken".to_owned(),
            Self::Supply => "supply".to_owned(),
            Self::Trouble(trouble) => trouble.key().to_owned(),
            Self::Cause => "cause".to_owned(),
            Self::Flood => "flood".to_owned(),
            Self::Work => "work".to_owned(),
        }
    }
}

/// A step of one alarm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// The alarm's id: its key and the how-manieth time it rose.
    pub alarm: String,
    /// The how-manieth step of this alarm since it rose, from 1. With `alarm` it identifies the change.
    pub step: u32,
    /// When, in the time of whoever caused it.
    pub at: EventTime,
    /// What happened.
    pub what: ChangeKind,
    /// State before.
    pub from: AlarmState,
    /// State after.
    pub to: AlarmState,
    /// About what.
    pub subject: Subject,
    /// By which rule.
    pub rule: Rule,
    /// How soon a person must act.
    pub priority: Priority,
    /// Since when the condition holds or held.
    pub since: EventTime,
    /// The value at this moment, in the measurand's unit.
    pub value: Option<f64>,
    /// The worst value since it rose.
    pub peak: Option<f64>,
    /// The limit in force.
    pub setpoint: Option<f64>,
    /// Its values are means over so long; `None`: each value.
    pub over: Option<Span>,
    /// For a recurrence: how often.
    pub recurred: Option<Recurred>,
    /// What feeds its feeder at this moment, where that is not the transformer of its subject.
    #[serde(default)]
    pub fed: Option<OtherSupply>,
}

/// What happened to an alarm.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum ChangeKind {
    /// The condition holds.
    Raised,
    /// The condition is gone.
    Cleared,
    /// A person has seen it.
    Acknowledged {
        /// Who.
        by: String,
    },
    /// A person ended a latched alarm.
    Released {
        /// Who.
        by: String,
        /// What was found and done.
        note: String,
    },
    /// A person muted it for a time.
    Shelved {
        /// Who.
        by: String,
        /// Until when.
        until: EventTime,
        /// Why.
        reason: String,
    },
    /// Shelving ended, by itself or by a person.
    Unshelved {
        /// Who; `None`: its time was over.
        by: Option<String>,
    },
    /// Taken out of service or put back.
    Service {
        /// Who.
        by: String,
        /// True: back in service.
        on: bool,
        /// Why it was taken out, as far as that was said.
        #[serde(default)]
        reason: String,
    },
    /// A higher level of the same limit speaks for it, or it follows from a supply that is lost.
    Suppressed,
    /// That is over and this one still holds.
    Unsuppressed,
    /// The configuration no longer has it. Not the same as back to normal.
    NoLongerWatched,
    /// Planned work begins: until it ends everything is recorded and nobody is told.
    WorkBegun {
        /// Who answers for it.
        by: String,
        /// Until when.
        until: EventTime,
        /// What is done.
        reason: String,
    },
    /// Planned work has ended.
    WorkEnded {
        /// Who; `None`: its time was over.
        by: Option<String>,
    },
}

/// How often something came lately.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Recurred {
    /// How many excursions.
    pub times: u32,
    /// Start of the first of them.
    pub since: EventTime,
    /// When it was last seen: the start of the latest, or the last value of one that lasted on.
    pub latest: EventTime,
    /// The shortest.
    pub shortest: Span,
    /// The longest.
    pub longest: Span,
}

/// A value that went past a limit's first setpoint and came back.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Excursion {
    /// About what.
    pub subject: Subject,
    /// Which way.
    pub bound: Bound,
    /// First value past the setpoint.
    pub start: EventTime,
    /// Time that its values stand for.
    pub length: Span,
    /// The worst value.
    pub peak: f64,
    /// The setpoint.
    pub setpoint: f64,
}

/// A closed minute of one meter: one pane per series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Closed {
    /// Which meter.
    pub meter: MeterId,
    /// Start of the minute.
    pub minute: EventTime,
    /// One per series of the meter, in the order of its plan.
    pub panes: Box<[Pane]>,
    /// It was measured then and came too late to be judged: to be added to what is known of that minute already.
    pub late: bool,
}

/// The readings to keep around an alarm: those of the scope's meters stamped from `from` until before `to`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RecordingSpan {
    /// The scope's name.
    pub scope: String,
    /// Id of the alarm: of those that rose in it the first of the highest priority.
    pub alarm: String,
    /// Its first moment.
    pub from: EventTime,
    /// Its end; readings of this moment are not in it.
    pub to: EventTime,
    /// The highest priority of the alarms that rose in it.
    pub priority: Priority,
}

/// Values or readings that could not be used, since the last word about them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Quarantined {
    /// Which meter.
    pub meter: MeterId,
    /// Which quantity; `None`: the whole reading.
    pub quantity: Option<Quantity>,
    /// Stamp of the latest of them.
    pub at: EventTime,
    /// The latest value, for a value out of range.
    pub value: Option<f64>,
    /// Why.
    pub why: Refusal,
    /// How many.
    pub count: u32,
}

/// Why a value or a reading was refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Refusal {
    /// Outside the range that can be real.
    OutOfRange,
    /// Stamped earlier than what was already judged.
    TooLate,
    /// The same stamp again.
    Duplicate,
    /// Stamped in the future.
    FromTheFuture,
    /// Not as many values as the meter has points.
    WrongShape,
    /// More readings waited for their order than there is room for.
    TooMany,
    /// Stamped earlier than what was already judged, where nothing was known: history, and not judged.
    OnlyHistory,
}

/// What became of a person's order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Answer {
    /// The order's number.
    pub number: u64,
    /// The result.
    pub result: Result<(), Denial>,
}

/// Why an order was not carried out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Denial {
    /// No open alert has this id.
    UnknownAlert,
    /// Someone was first.
    AlreadyAcknowledged,
    /// The condition still holds, so it can't be released.
    StillHolds,
    /// There is nothing latched to release.
    NotLatched,
    /// The time given lies in the past or beyond the longest shelving.
    BadTime,
    /// It is not shelved, or not out of service.
    NothingToEnd,
    /// No calibration of this transformer waits for a person, or there is none to drop.
    NoCalibration,
    /// An urgent over-temperature is shelved only when that is said a second time.
    NeedsConfirmation,
}
