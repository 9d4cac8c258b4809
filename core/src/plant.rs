//! The site as its owner describes it: nameplates, feeders, meters and limits, already checked.

use crate::measurand::{Measurand, Quantity};
pub use crate::nameplate::{
    Beside, Cooling, Kind, Losses, LugMarks, Metal, OPEN_BANK_SHARE, Records, Side, Taps, Transformer,
    TripPoints,
};
use crate::phases::Place;
pub use crate::supply::{Circuit, Mark, Source, SourceKind, State, StateIs, Supply, SupplyFrom};
use crate::time::{EventTime, Span};
pub use crate::wiring::{Judged, WiringForm};
use serde::{Deserialize, Serialize};

/// The whole site.
#[derive(Debug, Clone, PartialEq)]
pub struct Plant {
    /// Name of the site, shown in every message.
    pub site: String,
    /// The transformers.
    pub transformers: Vec<Transformer>,
    /// What they feed.
    pub feeders: Vec<Feeder>,
    /// What the feeders' breakers lead to.
    pub circuits: Vec<Circuit>,
    /// Where the power comes from, by name.
    pub sources: Vec<Source>,
    /// Breakers, switches and machines whose state a meter reads.
    pub states: Vec<State>,
    /// Meters and sensor modules.
    pub meters: Vec<Meter>,
    /// Limits that the owner set; what is not set has a default, see [`crate::defaults`].
    pub limits: Vec<Limit>,
    /// Planned work.
    pub works: Vec<PlannedWork>,
    /// Names of the channels by which people are told, for alarms about them.
    pub channels: Vec<String>,
    /// How much is kept around each limit alarm.
    pub recording: Around,
}

/// A window of planned work: everything is recorded, nobody is told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedWork {
    /// The transformer with all that it feeds, or the feeder with what is fed through it.
    pub on: SupplyFrom,
    /// Its start.
    pub from: EventTime,
    /// Its end, at most [`crate::alarm::work::LONGEST_WORK`] later.
    pub until: EventTime,
    /// Who answers for it.
    pub by: String,
    /// What is done.
    pub why: String,
}

/// How much time before and after the raise of a limit alarm is kept as a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Around {
    /// Before it, at most [`crate::recorder::LONGEST_SIDE`].
    pub before: Span,
    /// After it, at most [`crate::recorder::LONGEST_SIDE`].
    pub after: Span,
}

impl Around {
    /// Two minutes on both sides: a motor start, a tap change or a transfer is in it as a whole (common practice, no
    /// source).
    pub const USUAL: Self = Self { before: Span::minutes(2), after: Span::minutes(2) };
}

/// Which side of the transformer a meter sits on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SideOf {
    /// Source side.
    Primary,
    /// Load side.
    Secondary,
}

/// Something that a transformer feeds: a distribution board or a machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Feeder {
    /// Name at the site, unique.
    pub name: String,
    /// Index of the transformer that feeds it normally, through other feeders if need be.
    pub fed_by: usize,
    /// What feeds it, in order of preference; empty: the transformer alone, always.
    pub supplies: Vec<Supply>,
    /// How it is connected; `None`: as the transformer's load side.
    pub form: Option<WiringForm>,
    /// Its volts; `None`: those of the transformer's load side.
    pub volts: Option<f64>,
    /// Rated amperes, if known.
    pub rated_a: Option<f64>,
    /// Where it is.
    pub location: Option<String>,
}

impl Feeder {
    /// A feeder of a transformer of which no more is known.
    pub fn new(name: &str, fed_by: usize) -> Self {
        let name = name.to_owned();
        Self { name, fed_by, supplies: Vec::new(), form: None, volts: None, rated_a: None, location: None }
    }
}

impl Plant {
    /// How a target is connected, and its volts.
    pub fn wiring(&self, target: Target) -> Option<(WiringForm, f64)> {
        match target {
            Target::Transformer(index, side) => {
                let side = self.transformers.get(index)?.side(side);
                Some((side.form, side.volts))
            }
            Target::Feeder(index) => {
                let feeder = self.feeders.get(index)?;
                let side = self.transformers.get(feeder.fed_by)?.secondary;
                Some((feeder.form.unwrap_or(side.form), feeder.volts.unwrap_or(side.volts)))
            }
        }
    }
}

/// What a meter measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Target {
    /// A transformer (index), on one side.
    Transformer(usize, SideOf),
    /// A feeder (index).
    Feeder(usize),
}

/// A meter or a sensor module.
#[derive(Debug, Clone, PartialEq)]
pub struct Meter {
    /// Name at the site, unique.
    pub name: String,
    /// What it measures.
    pub measures: Target,
    /// One per value of a reading, in order.
    pub points: Vec<Quantity>,
    /// Counters whose end is known: which point, and the first value that it can't show, in the measurand's unit.
    pub rolls_over_at: Vec<(usize, f64)>,
    /// Points that give a distortion on the base of the total (THD-R); they are converted to that of the fundamental.
    pub of_total: Vec<usize>,
    /// Of its points and where they lie, so that a meter whose map has changed counts as new.
    pub fingerprint: u64,
    /// How often it gives values.
    pub every: Span,
    /// How long its readings wait so that their order can be settled; zero for polled meters.
    pub wait: Span,
    /// Whose clock stamps its readings.
    pub stamped_by: StampedBy,
    /// Without a reading for so long it is silent.
    pub silent_after: Span,
    /// With values that stand still for so long it is frozen; `None`: not judged.
    pub frozen_after: Option<Span>,
}

/// Whose clock stamps a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StampedBy {
    /// Ours, at receipt.
    Receipt,
    /// The meter's or the payload's.
    Meter,
}

/// How soon a person must act. Ordered: journal is the least.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Priority {
    /// For the digest only.
    Journal,
    /// At the next visit.
    Low,
    /// This shift.
    High,
    /// Go now.
    Urgent,
}

impl Priority {
    /// Every priority, the least first.
    pub const ALL: [Self; 4] = [Self::Journal, Self::Low, Self::High, Self::Urgent];

    /// The written form.
    pub fn key(self) -> &'static str {
        match self {
            Self::Journal => "journal",
            Self::Low => "low",
            Self::High => "high",
            Self::Urgent => "urgent",
        }
    }

    /// Whether a person must acknowledge it; low and journal return to normal by themselves.
    pub fn wants_acknowledgement(self) -> bool {
        self >= Self::High
    }
}

/// Which way a limit is passed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Bound {
    /// Too much.
    High,
    /// Too little.
    Low,
}

impl Bound {
    /// The written form.
    pub fn key(self) -> &'static str {
        match self {
            Self::High => "high",
            Self::Low => "low",
        }
    }

    /// Whether `value` is past `setpoint`.
    pub fn is_past(self, value: f64, setpoint: f64) -> bool {
        match self {
            Self::High => value > setpoint,
            Self::Low => value < setpoint,
        }
    }

    /// Whether `value` has come back past `setpoint` by more than `deadband`.
    pub fn is_back(self, value: f64, setpoint: f64, deadband: f64) -> bool {
        match self {
            Self::High => value < setpoint - deadband,
            Self::Low => value > setpoint + deadband,
        }
    }

    /// The worse of two values.
    pub fn worse(self, one: f64, other: f64) -> f64 {
        match self {
            Self::High => one.max(other),
            Self::Low => one.min(other),
        }
    }
}

/// Where a limit applies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AppliesTo {
    /// Wherever the measurand is known.
    Everywhere,
    /// One transformer's own meters.
    Transformer(usize),
    /// One feeder's meters.
    Feeder(usize),
    /// One meter.
    Meter(usize),
}

/// A limit: a ladder of levels on one measurand; the higher level suppresses the lower by design.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// On what.
    pub on: Measurand,
    /// Where.
    pub of: AppliesTo,
    /// Only this place; `None`: each place.
    pub place: Option<Place>,
    /// Only this order of a harmonic, or this one of several; `None`: each.
    pub number: Option<u8>,
    /// Which way.
    pub bound: Bound,
    /// At least one, the mildest first.
    pub levels: Vec<Level>,
    /// Judged is how fast the value rises over the window of each level, in the measurand's unit an hour.
    pub rate: bool,
    /// How far back it must come before it can clear, in the unit of the setpoints.
    pub deadband: f64,
    /// How long it must have been back before it clears.
    pub off_delay: Span,
    /// Judged only while any of these holds; empty: always.
    pub when: Vec<Condition>,
    /// Short excursions that come again and again.
    pub recurs: Option<Recurs>,
    /// Whether the alarm stays until a named person releases it.
    pub latch: bool,
    /// Where the numbers come from, for `check` and for people.
    pub origin: String,
}

/// One step of a ladder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// The value at which it begins, in the measurand's unit.
    pub setpoint: f64,
    /// How soon a person must act.
    pub priority: Priority,
    /// How long it must be past the setpoint.
    pub on_delay: Span,
    /// Judged on the mean over this window; `None`: on each value.
    pub over: Option<Span>,
}

/// A limit is judged only while another measurand of the same meter is above a value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Condition {
    /// Which measurand (whole).
    pub on: Measurand,
    /// It must be above this.
    pub above: f64,
}

/// The rule for intermittent faults: so many excursions of at least such a length within a span.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recurs {
    /// How many.
    pub times: u32,
    /// Within what span.
    pub within: Span,
    /// An excursion shorter than this does not count.
    pub shortest: Span,
    /// How soon a person must act.
    pub priority: Priority,
}
