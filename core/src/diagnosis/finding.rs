//! What a finding says: facts with names, so that it stands by itself years later.

use super::cause::{Cause, Family};
use super::sign::Figure;
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// A step of one finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FindingChange {
    /// Its id: scope, cause, place and a number that no other finding of the scope has.
    pub finding: String,
    /// The how-manieth step of it, from 1.
    pub step: u32,
    /// When.
    pub at: EventTime,
    /// What happened.
    pub what: FindingStep,
    /// What is known of it now.
    pub facts: Finding,
}

/// What happened to a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum FindingStep {
    /// It is new.
    Found,
    /// It is more urgent, or came again so often that people should hear of it.
    Worse,
    /// It is less urgent.
    Milder,
    /// Nothing more shows of it.
    Ended,
    /// The configuration no longer has what it is about. Not the same as ended.
    NoLongerWatched,
}

/// A named cause with its evidence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// The cause.
    pub cause: Cause,
    /// The transformer.
    pub transformer: String,
    /// The feeder to which it is traced; `None`: the transformer itself.
    pub feeder: Option<String>,
    /// The phase, or pair of lines, or neutral, to which it is traced.
    pub place: Option<Place>,
    /// Since when it shows.
    pub since: EventTime,
    /// How soon a person must act.
    pub priority: Priority,
    /// How sure, 0 to 1.
    pub confidence: f64,
    /// The numbers for it, the one that proves it first; that one is the worst since it was found.
    pub evidence: Vec<Evidence>,
    /// Causes that could have been and are not, each with the number that says so.
    pub ruled_out: Vec<RuledOut>,
    /// How it comes and goes, where it does.
    pub pattern: Option<Pattern>,
    /// Which feeder has what share of it.
    pub shares: Vec<Share>,
    /// What a sensor more would tell.
    pub lacks: Vec<Lack>,
    /// The largest feeder without a meter, where meters of feeders are lacking: the one to meter first.
    #[serde(default)]
    pub meter_first: Option<String>,
}

/// A number that speaks for or against a cause.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Of what.
    pub figure: Figure,
    /// Of which feeder; `None`: of the transformer.
    pub feeder: Option<String>,
    /// How much, in the figure's unit.
    pub value: f64,
    /// What it is compared with: what a healthy one would show, or a limit.
    pub against: Option<f64>,
}

/// A family of causes that is ruled out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RuledOut {
    /// Which.
    pub family: Family,
    /// By what.
    pub by: Evidence,
}

/// How something comes and goes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pattern {
    /// How often since `since`.
    pub times: u32,
    /// Start of the first.
    pub since: EventTime,
    /// Starts of the latest, at most [`MOST_STARTS`], in order. Hours of day and weekdays follow from them in local time.
    pub starts: Vec<EventTime>,
    /// The shortest.
    pub shortest: Span,
    /// The longest.
    pub longest: Span,
    /// About every so long, where it is regular.
    pub every: Option<Span>,
    /// How many more a day than on the day before, where it grows: the latest day's and that before.
    pub days: Option<(u32, u32)>,
}

/// Starts that a pattern keeps: two days of one each half hour (common practice, no source).
pub const MOST_STARTS: usize = 96;

/// The share of one feeder.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Share {
    /// The feeder; `None`: what no meter of a feeder shows.
    pub feeder: Option<String>,
    /// In per cent.
    pub percent: f64,
}

/// What is not measured and would tell more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Lack {
    /// Meters on the feeders.
    FeederMeters,
    /// Air temperature at the transformer.
    Ambient,
    /// Temperatures of the terminations.
    Terminations,
    /// Winding temperatures.
    Windings,
    /// Angles of volts and amperes.
    Angles,
    /// Single harmonics.
    Harmonics,
    /// The neutral's current.
    Neutral,
    /// Volts to neutral at both ends.
    VoltsAtBothEnds,
    /// A meter on the source side.
    PrimaryMeter,
    /// States of breakers and switches.
    States,
    /// A temperature or pressure by which a stopped fan is told.
    FanState,
}
