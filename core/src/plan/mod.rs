//! The plant compiled once: names to slots. All look-ups by name happen here and nowhere else.

mod compile;
mod contacts;
mod demand;
mod diagnosis;
mod fitting;
mod formulas;
mod gaps;
mod heat;
mod hum;
mod limits;
mod parallel;
mod quality;
mod reason;
mod rolling;
mod scope;
mod sequence;
mod study;
mod supply;

pub use parallel::{ParallelPlan, ParallelUnit, TiePlan, TieState};
pub use quality::{QualityPlan, is_distortion};
pub use reason::{Reason, ReasonFigure, Why};
pub use rolling::RollingPlan;
pub use supply::{FedPlan, FlagPlan, SupplyPlan};

use crate::alarm::work::Work;
use crate::context::Gate;
use crate::demand::DemandPlan;
use crate::diagnosis::DiagnosisPlan;
use crate::formula::{Formula, OwnRatios};
use crate::input::{MeterTrouble, Part};
use crate::measurand::Quantity;
use crate::output::{Rule, Subject};
use crate::plant::{Around, Bound, Priority, StampedBy, SupplyFrom};
use crate::reading::MeterId;
use crate::study::StudyPlan;
use crate::time::Span;
use std::ops::Range;

/// Index of an alarm within its scope.
pub type AlarmIx = usize;
/// Index of a subject (what one alert is about) within its scope.
pub type SubjectIx = usize;

/// Judgement across meters runs on a grid of this step.
pub const GRID_STEP: Span = Span::seconds(10);

/// The compiled plant.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Name of the site.
    pub site: String,
    /// By [`MeterId`]: where each meter's place is. Meters made here (across meters) come last.
    pub meters: Box<[MeterRef]>,
    /// One per transformer, and a last one for the program itself.
    pub scopes: Box<[ScopePlan]>,
    /// Who feeds whom.
    pub supply: SupplyPlan,
    /// Which transformers run in parallel.
    pub parallel: Box<[ParallelPlan]>,
    /// Which sides of transformers are held against IEEE 519.
    pub quality: Box<[QualityPlan]>,
    /// What can't be judged and why, for `check`.
    pub not_judged: Vec<NotJudged>,
}

/// Where a meter's place is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MeterRef {
    /// Which scope.
    pub scope: usize,
    /// Which meter of that scope.
    pub local: usize,
}

/// Something that can't be judged, with the reason.
#[derive(Debug, Clone, PartialEq)]
pub struct NotJudged {
    /// Which meter; of a limit that applies to nothing ([`Why::GivenByNone`]), where it stands in the configuration.
    pub meter: String,
    /// Which quantity.
    pub quantity: Quantity,
    /// Why, and what would mend it.
    pub reason: Reason,
}

/// One transformer with its feeders and sensors. Scopes share nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct ScopePlan {
    /// Its name in ids: the transformer's, or "site".
    pub name: String,
    /// The transformer; `None` for the program itself.
    pub transformer: Option<String>,
    /// Its meters.
    pub meters: Box<[MeterPlan]>,
    /// Length of the row of values.
    pub slots: usize,
    /// Judgement across meters, if anything needs it.
    pub grid: Option<GridPlan>,
    /// What is kept around its limit alarms.
    pub recording: RecordingPlan,
    /// Parts whose health is an alarm: part and alarm.
    pub parts: Box<[(Part, AlarmIx)]>,
    /// Its meters' flags that are states of the plant, by meter.
    pub flags: Box<[FlagPlan]>,
    /// The transformer itself and its feeders, as far as states decide what feeds them.
    pub fed: Box<[FedPlan]>,
    /// What its meters sit on: the transformer, then the feeders that it feeds normally.
    pub things: Box<[SupplyFrom]>,
    /// The alarm of too many alarms at once; `None` for the program itself.
    pub flood: Option<AlarmIx>,
    /// Its feeders, each with those that are fed through it.
    pub below: Box<[(String, Box<[String]>)]>,
    /// Planned work on it or on its feeders.
    pub works: Box<[Work]>,
    /// Its alarms.
    pub alarms: Box<[AlarmPlan]>,
    /// What its alerts are about.
    pub subjects: Box<[SubjectPlan]>,
}

/// A meter, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterPlan {
    /// Its id.
    pub id: MeterId,
    /// Its name.
    pub name: String,
    /// The feeder that it measures.
    pub feeder: Option<String>,
    /// How often it gives values.
    pub every: Span,
    /// How long its readings wait for their order.
    pub wait: Span,
    /// Whose clock stamps it.
    pub stamped_by: StampedBy,
    /// How many points a reading has.
    pub points: usize,
    /// What each column means: its points, then what is computed from them.
    pub series: Box<[Quantity]>,
    /// Slot of its first series in the row.
    pub first_slot: usize,
    /// One per computed series, in order; of a meter made here those of its first series.
    pub formulas: Box<[Formula]>,
    /// What is made of its own power factors and distortions where little flows.
    pub own_ratios: Option<OwnRatios>,
    /// What its values must be like before its limits may judge.
    pub fitting: Option<FittingPlan>,
    /// The mean power by its energy counter, if it has one.
    pub metered: Option<MeteredPlan>,
    /// Its demand, if it gives energy or power.
    pub demand: Option<DemandPlan>,
    /// Its volts: series, and what is nominal there.
    pub volts: Box<[(usize, f64)]>,
    /// Which of the scope's things it sits on.
    pub thing: usize,
    /// The meter (local) by whose volts it is known that they came back.
    pub volts_by: Option<usize>,
    /// Its counters whose end is known: series, and the first value that it can't show.
    pub rolls_over_at: Box<[(usize, f64)]>,
    /// Points that give a distortion on the base of the total.
    pub of_total: Box<[usize]>,
    /// Rolling windows: series and length.
    pub windows: Box<[(usize, Span)]>,
    /// The same by their lengths, which is how they move.
    pub rolling: Box<[RollingPlan]>,
    /// Its limits, in the order of their series.
    pub limits: Box<[LimitPlan]>,
    /// Steps of silence; empty for a meter made here.
    pub silent: Box<[(Span, AlarmIx)]>,
    /// Frozen after so long, and its alarm.
    pub frozen: Option<(Span, AlarmIx)>,
    /// Which other meters (local) measure at the same place.
    pub beside: Box<[usize]>,
    /// Its other troubles, each with its alarm; empty for a meter made here.
    pub troubles: Box<[(MeterTrouble, AlarmIx)]>,
    /// Points whose last digit always moves on a live meter.
    pub lively: Box<[usize]>,
    /// A point without a value for so long, while the meter speaks, is absent.
    pub absent_after: Span,
    /// Points of which that is an alarm, and the alarm.
    pub absent: Box<[(usize, AlarmIx)]>,
}

impl ScopePlan {
    /// The alarm of a part, if this scope watches it.
    pub fn part(&self, part: &Part) -> Option<AlarmIx> {
        self.parts.iter().find(|(known, _)| known == part).map(|(_, alarm)| *alarm)
    }
}

impl MeterPlan {
    /// The alarms that are dated by the stamps of its readings; its others are dated by our clock.
    pub fn alarms_of_readings(&self) -> impl Iterator<Item = AlarmIx> + '_ {
        let levels = self.limits.iter().flat_map(|limit| limit.levels.iter().map(|level| level.alarm));
        let recurrences = self.limits.iter().filter_map(|limit| limit.recurs.map(|rule| rule.alarm));
        let frozen = self.frozen.map(|(_, alarm)| alarm);
        let absent = self.absent.iter().map(|(_, alarm)| *alarm);
        let nonsense = self.trouble(MeterTrouble::Nonsense);
        let fitting = self.fitting.iter().flat_map(|fitting| fitting.checks.iter().map(|check| check.alarm));
        levels.chain(recurrences).chain(frozen).chain(absent).chain(nonsense).chain(fitting)
    }

    /// The alarms about the meter itself.
    pub fn own_alarms(&self) -> impl Iterator<Item = AlarmIx> + '_ {
        let silent = self.silent.iter().map(|(_, alarm)| *alarm);
        let frozen = self.frozen.iter().map(|(_, alarm)| *alarm);
        silent.chain(frozen).chain(self.troubles.iter().map(|(_, alarm)| *alarm))
    }

    /// So late, at the latest, is something known that this meter says.
    pub(crate) fn slack(&self) -> Span {
        Span(self.wait.0.saturating_mul(2))
    }

    /// The alarm of one of its troubles.
    pub fn trouble(&self, trouble: MeterTrouble) -> Option<AlarmIx> {
        self.troubles.iter().find(|(known, _)| *known == trouble).map(|(_, alarm)| *alarm)
    }

    /// Its points, by index, that a formula combines: for each formula those that must be of one moment.
    pub fn combined_points(&self) -> Vec<Vec<usize>> {
        let own = self.first_slot..self.first_slot + self.points;
        let points = |formula: &Formula| -> Vec<usize> {
            let slots = formula.combines().into_iter().filter(|slot| own.contains(slot));
            slots.map(|slot| slot - self.first_slot).collect()
        };
        let mut groups: Vec<Vec<usize>> =
            self.formulas.iter().map(points).filter(|group| group.len() > 1).collect();
        groups.sort();
        groups.dedup();
        groups
    }

    /// Which of its limits are on one series.
    pub fn limits_of(&self, series: usize) -> Range<usize> {
        let begin = self.limits.partition_point(|limit| limit.series < series);
        let count = self.limits[begin..].iter().take_while(|limit| limit.series == series).count();
        begin..begin + count
    }
}

/// What a new meter's values must be like, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct FittingPlan {
    /// Of its points: when it changes, the meter counts as new.
    pub fingerprint: u64,
    /// Values and what they may be.
    pub checks: Box<[FitPlan]>,
    /// Active and apparent powers that must agree.
    pub powers: Box<[PowersPlan]>,
}

/// What one value may be, in the measurand's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitPlan {
    /// Which point.
    pub point: usize,
    /// At least.
    pub low: f64,
    /// At most.
    pub high: f64,
    /// Its alarm.
    pub alarm: AlarmIx,
}

/// Two powers that must agree.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PowersPlan {
    /// Which check is of the active power.
    pub active: usize,
    /// Which check is of the apparent power.
    pub apparent: usize,
    /// So much more is too little to tell, in W.
    pub slack_w: f64,
}

/// Mean power by the energy counter of a meter, compiled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeteredPlan {
    /// The counter's series.
    pub counter: usize,
    /// The series of the power.
    pub power: usize,
    /// The first value that the counter can't show, if it is known.
    pub rolls_over_at: Option<f64>,
    /// More than this is no power that flowed, in W.
    pub most_w: f64,
}

/// A limit on one series, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitPlan {
    /// Which series of the meter.
    pub series: usize,
    /// Which way.
    pub bound: Bound,
    /// Judged is how fast the value rises over the window of each level, an hour.
    pub rate: bool,
    /// In the unit of the setpoints.
    pub deadband: f64,
    /// Before it clears.
    pub off_delay: Span,
    /// In what context it is judged.
    pub gate: Gate,
    /// Judged only while any of these series is above its value; empty: always.
    pub when: Box<[(usize, f64)]>,
    /// The ladder, mildest first.
    pub levels: Box<[LevelPlan]>,
    /// The rule for intermittent faults.
    pub recurs: Option<RecursPlan>,
    /// Whether it looks at each value, not only at means of windows.
    pub each_value: bool,
    /// What its alert is about.
    pub subject: SubjectIx,
    /// Where its numbers come from.
    pub origin: String,
}

/// A level, compiled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelPlan {
    /// In the measurand's unit.
    pub setpoint: f64,
    /// Before it rises.
    pub on_delay: Span,
    /// Which window of the meter; `None`: each value.
    pub window: Option<usize>,
    /// Its alarm.
    pub alarm: AlarmIx,
}

/// A recurrence rule, compiled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecursPlan {
    /// How many.
    pub times: u32,
    /// Within.
    pub within: Span,
    /// Shorter ones don't count.
    pub shortest: Span,
    /// Its alarm.
    pub alarm: AlarmIx,
}

/// Judgement across meters.
#[derive(Debug, Clone, PartialEq)]
pub struct GridPlan {
    /// Values that it needs, by column: the meter (local) and the slot of the row. Those of one meter lie side by side.
    pub inputs: Box<[(usize, usize)]>,
    /// By column: whether it is an angle, which wraps around.
    pub angles: Box<[bool]>,
    /// By meter (local): its columns, none where it gives nothing that is needed.
    pub columns: Box<[Range<usize>]>,
    /// The meters (local) that take the results: the transformer's first, then those of feeders.
    pub meters: Range<usize>,
    /// What is made of them with memory, after the formulas.
    pub study: StudyPlan,
    /// What the diagnosis looks at.
    pub diagnosis: DiagnosisPlan,
}

impl GridPlan {
    /// Whether a meter (local) gives anything that is needed.
    pub(crate) fn needs(&self, meter: usize) -> bool {
        self.columns.get(meter).is_some_and(|columns| !columns.is_empty())
    }
}

/// What is kept around the limit alarms of a scope.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RecordingPlan {
    /// How much before and after.
    pub around: Around,
    /// How long after its end a recording's readings may still come.
    pub settles: Span,
}

/// An alarm, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmPlan {
    /// Its key within the scope, by names.
    pub key: String,
    /// What its alert is about.
    pub subject: SubjectIx,
    /// By which rule it rises.
    pub rule: Rule,
    /// How soon a person must act.
    pub priority: Priority,
    /// Whether it stays until a named person releases it.
    pub latch: bool,
    /// Judged by the mean over so long; `None`: by each value.
    pub over: Option<Span>,
}

/// What one alert is about.
#[derive(Debug, Clone, PartialEq)]
pub struct SubjectPlan {
    /// Its key within the scope, by names.
    pub key: String,
    /// The facts for people.
    pub subject: Subject,
    /// Its alarms.
    pub alarms: Vec<AlarmIx>,
}

/// Why a plant can't be compiled. A plant from the configuration reader never gives one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Unfit {
    /// A feeder, meter or limit names a thing by an index that does not exist.
    NoSuchThing {
        /// Who names it.
        who: String,
    },
    /// A point that the measurand table does not allow, or the same point twice.
    BadPoint {
        /// Which meter.
        meter: String,
        /// Which point.
        point: Quantity,
    },
}

impl std::fmt::Display for Unfit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoSuchThing { who } => write!(f, "{who} names something that the plant does not have"),
            Self::BadPoint { meter, point } => {
                write!(f, "meter {meter} can't have the point {point}, or has it twice")
            }
        }
    }
}

impl std::error::Error for Unfit {}

impl Plan {
    /// The meter with this id, if there is one.
    pub fn meter(&self, id: MeterId) -> Option<&MeterPlan> {
        let place = self.meters.get(id.0 as usize)?;
        self.scopes.get(place.scope)?.meters.get(place.local)
    }

    /// The id of the meter with this name.
    pub fn meter_by_name(&self, name: &str) -> Option<MeterId> {
        self.scopes
            .iter()
            .flat_map(|scope| &scope.meters)
            .find(|meter| meter.name == name)
            .map(|meter| meter.id)
    }
}
