//! The day's figures, from minute rows, changes and excursions. Words and layout are made elsewhere.
//!
//! Every figure says what share of the day was really measured.

mod ageing;
mod alarms;
pub mod charts;
pub mod figures;
mod late;
mod meters;
mod parts;
mod quality;
mod recurrences;
mod sharing;
mod very_short;

pub use ageing::{AgeingDay, LEAST_MEASURED};
pub use parts::MeterPart;
pub use quality::{LEAST_OF_QUALITY, QualityDay, Tens, VerdictDay, WEEK, wanted};
pub use sharing::{SharedDay, SharingDay};

use crate::measurand::Quantity;
use crate::output::{Change, ChangeKind, Excursion, Rule, Subject};
use crate::plan::{ParallelPlan, QualityPlan};
use crate::plant::{Bound, Priority};
use crate::supply::OtherSupply;
use crate::time::{EventTime, Span};
use charts::{LimitLine, LineDay};
use serde::{Deserialize, Serialize};

/// Three or more annunciations of one alarm within a minute are chattering. Source: ISA-18.2 / IEC 62682 (from memory).
pub const CHATTERING: (usize, Span) = (3, Span::seconds(60));

/// More than ten alarms in ten minutes are a flood. Source: public articles on EEMUA 191 and ISA-18.2.
pub const FLOOD: (usize, Span) = (10, Span::minutes(10));

/// An excursion that lasts longer than this is no short one (common practice, no source): as long as the window over
/// which the default limits take their means.
pub const LONGEST_SHORT: Span = Span::minutes(10);

/// What the figures of a day are made of.
#[derive(Debug, Clone, Copy)]
pub struct DayInput<'a> {
    /// Start of the local day.
    pub from: EventTime,
    /// Start of the next local day.
    pub to: EventTime,
    /// Nothing is known after this: a log may end within the day. An alarm that stands is counted up to here.
    pub until: EventTime,
    /// Start of each local hour of the day and its number; 23, 24 or 25 of them.
    pub hours: &'a [(EventTime, u8)],
    /// Changes up to the end of the day, in order of time; from before it as far as alarms may still stand.
    pub changes: &'a [Change],
    /// Excursions of the day.
    pub excursions: &'a [Excursion],
    /// Which transformers run in parallel.
    pub parallel: &'a [ParallelPlan],
    /// Which sides of transformers are held against IEEE 519.
    pub quality: &'a [QualityPlan],
}

/// The minute rows of one meter.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterRows {
    /// The transformer.
    pub transformer: String,
    /// The feeder that the meter measures.
    pub feeder: Option<String>,
    /// The meter.
    pub meter: String,
    /// What each column means.
    pub series: Vec<Quantity>,
    /// Limits in force on values or means of its columns.
    pub limits: Vec<LimitOn>,
    /// Counters whose end is known, and the first value that each can't show.
    pub rolls_over_at: Vec<(Quantity, f64)>,
    /// How long an event lasts at least that the meter can't miss, as was learned of it; `None`: not learned.
    pub shortest_event: Option<Span>,
    /// Start of the minute, and one value per column.
    pub rows: Vec<(EventTime, Vec<MinuteValue>)>,
}

/// A limit on a column.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitOn {
    /// On what.
    pub quantity: Quantity,
    /// How it is drawn.
    pub line: LimitLine,
}

/// One column of one minute.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct MinuteValue {
    /// Mean; meaningless when nothing is covered.
    pub mean: f64,
    /// Least.
    pub min: f64,
    /// Largest.
    pub max: f64,
    /// Time that the samples stand for, in milliseconds; zero: nothing was measured.
    pub covered_ms: u32,
}

/// The figures of a day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DayFigures {
    /// Start of the local day.
    pub from: EventTime,
    /// Start of the next local day.
    pub to: EventTime,
    /// Nothing is known after this; the start of the next day where all of the day is.
    pub until: EventTime,
    /// One per meter.
    pub meters: Vec<MeterDay>,
    /// One per alarm that held at some time of the day, the highest priority and the longest first.
    pub alarms: Vec<AlarmDay>,
    /// One per subject that waits for a person at the end of the day, the highest priority and the longest first.
    #[serde(default)]
    pub waiting: Vec<WaitingDay>,
    /// One per subject with short excursions.
    pub recurrences: Vec<RecurrenceDay>,
    /// How transformers that run in parallel shared.
    #[serde(default)]
    pub sharing: Vec<SharingDay>,
    /// Distortion against IEEE 519.
    #[serde(default)]
    pub quality: Vec<QualityDay>,
    /// The most alarms that rose within ten minutes.
    pub most_in_ten_minutes: usize,
    /// What the alarms asked of people; `None`: a day kept before that was worked out.
    #[serde(default)]
    pub asked: Option<figures::AlarmFigures>,
    /// What is drawn.
    #[serde(default)]
    pub lines: Vec<LineDay>,
}

/// One meter's day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeterDay {
    /// The transformer.
    pub transformer: String,
    /// The feeder that the meter measures.
    pub feeder: Option<String>,
    /// The meter.
    pub meter: String,
    /// One per column in which anything was measured.
    pub series: Vec<SeriesDay>,
    /// One per state that was read.
    #[serde(default)]
    pub states: Vec<StateDay>,
    /// One per counter that was read.
    #[serde(default)]
    pub counters: Vec<CounterDay>,
    /// How the insulation aged, where that is computed.
    #[serde(default)]
    pub ageing: Option<AgeingDay>,
    /// Share of the day in which the meter gave values, 0 to 1.
    pub measured: f64,
    /// Of what the meter is read for, the least measured, and its share of the day.
    #[serde(default)]
    pub least: Option<(Quantity, f64)>,
    /// How long an event lasts at least that the meter can't miss, as was learned of it when the day was frozen; `None`:
    /// not learned, or the meter is not polled.
    #[serde(default)]
    pub shortest_event: Option<Span>,
}

/// One column's day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeriesDay {
    /// What.
    pub quantity: Quantity,
    /// Mean weighted by time.
    pub mean: f64,
    /// Least value.
    pub min: f64,
    /// The minute of the least value.
    pub min_at: EventTime,
    /// Largest value.
    pub max: f64,
    /// The minute of the largest value.
    pub max_at: EventTime,
    /// Share of the day that was measured, 0 to 1.
    pub measured: f64,
}

/// A state's day: a fan, a breaker, a temperature switch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StateDay {
    /// Which state.
    pub quantity: Quantity,
    /// For how long it was on, of what was measured.
    pub on: Span,
    /// In how many minutes it changed.
    pub changes: u32,
    /// The minute of the first change.
    pub first_change: Option<EventTime>,
    /// The minute of the last change.
    pub last_change: Option<EventTime>,
    /// Whether it was on when last measured.
    pub on_at_end: bool,
    /// Share of the day that was measured, 0 to 1.
    pub measured: f64,
}

/// A counter's day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CounterDay {
    /// Which counter.
    pub quantity: Quantity,
    /// What it counted, in its unit.
    pub amount: f64,
    /// The time for which that is known: also across a gap without readings, not across a reset.
    pub known: Span,
}

/// One alarm's day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlarmDay {
    /// About what.
    pub subject: Subject,
    /// By which rule.
    pub rule: Rule,
    /// How soon a person must act.
    pub priority: Priority,
    /// How often it rose on this day.
    pub times: u32,
    /// When it first rose on this day, or since when it stood at its start.
    pub first: EventTime,
    /// For how long it held on this day.
    pub held: Span,
    /// Worst value.
    pub peak: Option<f64>,
    /// The limit.
    pub setpoint: Option<f64>,
    /// It judges means over so long; `None`: each value.
    #[serde(default)]
    pub over: Option<Span>,
    /// For a recurrence: when on this day it was seen; `None`: not at all.
    #[serde(default)]
    pub seen: Option<SeenDay>,
    /// Whether it still holds at the end of the day.
    pub standing: bool,
    /// Three or more times within a minute.
    pub chattering: bool,
    /// What fed its feeder when it last rose, where that was not the transformer of its subject.
    #[serde(default)]
    pub fed: Option<OtherSupply>,
}

/// When something that comes and goes was seen on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct SeenDay {
    /// How often.
    pub times: u32,
    /// Start of the first excursion.
    pub first: EventTime,
    /// Start of the last.
    pub last: EventTime,
}

/// A subject whose alarms wait for a person at the end of a day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WaitingDay {
    /// About what.
    pub subject: Subject,
    /// By which rule the most pressing of them rose.
    pub rule: Rule,
    /// The highest priority of them.
    pub priority: Priority,
    /// Since when the first of them stood.
    pub since: EventTime,
    /// Nobody has acknowledged it.
    pub to_acknowledge: bool,
    /// It is latched: a person must release it.
    pub to_release: bool,
}

/// Short excursions of one subject on a day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecurrenceDay {
    /// About what.
    pub subject: Subject,
    /// Which way.
    pub bound: Bound,
    /// How many.
    pub times: u32,
    /// The worst value.
    pub peak: f64,
    /// The limit.
    pub setpoint: f64,
    /// The shortest.
    pub shortest: Span,
    /// The longest.
    pub longest: Span,
    /// Start of the first.
    pub first: EventTime,
    /// Start of the last.
    pub last: EventTime,
    /// How many in each local hour that had any.
    pub by_hour: Vec<(u8, u32)>,
}

impl DayFigures {
    /// Works out the figures of a day from the rows of all its meters.
    pub fn new(input: &DayInput<'_>, meters: &[MeterRows]) -> Self {
        Self::of_parts(input, meters.iter().map(|rows| MeterPart::new(input, rows)).collect())
    }

    /// Puts the figures of a day together from those of its meters, so that the rows of one meter at a time are held.
    pub fn of_parts(input: &DayInput<'_>, parts: Vec<MeterPart>) -> Self {
        let mut alarms = alarms::alarm_days(input, &parts);
        alarms.sort_by_key(|day| std::cmp::Reverse((day.priority, day.held)));
        let recurrences = recurrences::recurrence_days(input);
        let sharing = sharing::sharing_days(input, &parts);
        let quality = quality::quality_days(input, &parts);
        let (meters, lines): (Vec<_>, Vec<_>) = parts.into_iter().map(|part| (part.day, part.lines)).unzip();
        let lines = lines.into_iter().flatten().collect();
        Self {
            from: input.from,
            to: input.to,
            until: input.until.min(input.to),
            meters,
            asked: Some(figures::figures(input, &alarms)),
            lines: charts::chosen(lines, &alarms, &recurrences),
            alarms,
            waiting: alarms::waiting(input),
            recurrences,
            sharing,
            quality,
            most_in_ten_minutes: most_within(&raised_on_the_day(input), FLOOD.1),
        }
    }
}

fn raised_on_the_day(input: &DayInput<'_>) -> Vec<EventTime> {
    let raised = input.changes.iter().filter(|change| change.what == ChangeKind::Raised);
    raised.map(|change| change.at).filter(|at| (input.from..input.to).contains(at)).collect()
}

/// The most of these times, given in order, that lie within one half-open stretch of this length.
pub fn most_within(times: &[EventTime], length: Span) -> usize {
    let mut first = 0;
    let mut most = 0;
    for (last, at) in times.iter().enumerate() {
        while *at - times[first] >= length {
            first += 1;
        }
        most = most.max(last + 1 - first);
    }
    most
}

#[cfg(test)]
mod tests;
