//! The day's figures, from minute rows, changes and excursions. Words and layout are made elsewhere.
//!
//! Every figure says what share of the day was really measured.

mod alarms;

use crate::measurand::Quantity;
use crate::output::{Change, ChangeKind, Excursion, Rule, Subject};
use crate::plant::{Bound, Priority};
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

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
    /// The meters of the site.
    pub meters: &'a [MeterRows],
    /// Changes up to the end of the day, in order of time; from before it as far as alarms may still stand.
    pub changes: &'a [Change],
    /// Excursions of the day.
    pub excursions: &'a [Excursion],
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
    /// Start of the minute, and one value per column.
    pub rows: Vec<(EventTime, Vec<MinuteValue>)>,
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
    /// The most alarms that rose within ten minutes.
    pub most_in_ten_minutes: usize,
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
    /// Share of the day in which the meter gave values, 0 to 1.
    pub measured: f64,
    /// Of what the meter is read for, the least measured, and its share of the day.
    #[serde(default)]
    pub least: Option<(Quantity, f64)>,
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
    /// Works out the figures of a day.
    pub fn new(input: &DayInput<'_>) -> Self {
        Self {
            from: input.from,
            to: input.to,
            until: input.until.min(input.to),
            meters: input.meters.iter().map(|rows| meter_day(input, rows)).collect(),
            alarms: alarms::alarm_days(input),
            waiting: alarms::waiting(input),
            recurrences: recurrence_days(input),
            most_in_ten_minutes: most_within(&raised_on_the_day(input), FLOOD.1),
        }
    }
}

fn meter_day(input: &DayInput<'_>, rows: &MeterRows) -> MeterDay {
    let series: Vec<SeriesDay> = rows
        .series
        .iter()
        .enumerate()
        .filter_map(|(column, quantity)| series_day(input, *quantity, rows, column))
        .collect();
    MeterDay {
        transformer: rows.transformer.clone(),
        feeder: rows.feeder.clone(),
        meter: rows.meter.clone(),
        measured: series.iter().map(|one| one.measured).fold(0.0, f64::max),
        least: least_measured(rows, &series),
        series,
    }
}

/// What is computed may be absent by its nature, such as an unbalance without load: it does not count.
fn least_measured(rows: &MeterRows, series: &[SeriesDay]) -> Option<(Quantity, f64)> {
    let share = |quantity: &Quantity| {
        let found = series.iter().find(|one| one.quantity == *quantity);
        (*quantity, found.map_or(0.0, |one| one.measured))
    };
    let read = rows.series.iter().filter(|quantity| !quantity.what.is_computed());
    read.map(share).min_by(|one, other| one.1.total_cmp(&other.1))
}

fn series_day(
    input: &DayInput<'_>,
    quantity: Quantity,
    rows: &MeterRows,
    column: usize,
) -> Option<SeriesDay> {
    let measured: Vec<(EventTime, MinuteValue)> = rows
        .rows
        .iter()
        .filter(|(minute, _)| (input.from..input.to).contains(minute))
        .filter_map(|(minute, values)| {
            Some((*minute, *values.get(column).filter(|value| value.covered_ms > 0)?))
        })
        .collect();
    let (min_at, lowest) = measured.iter().min_by(|one, other| one.1.min.total_cmp(&other.1.min))?;
    let largest = measured.iter().map(|(_, value)| value.max).fold(f64::NEG_INFINITY, f64::max);
    let (max_at, _) = measured.iter().find(|(_, value)| value.max.total_cmp(&largest).is_eq())?;
    let covered: f64 = measured.iter().map(|(_, value)| f64::from(value.covered_ms)).sum();
    let weighted: f64 = measured.iter().map(|(_, value)| value.mean * f64::from(value.covered_ms)).sum();
    Some(SeriesDay {
        quantity,
        mean: weighted / covered,
        min: lowest.min,
        min_at: *min_at,
        max: largest,
        max_at: *max_at,
        measured: (covered / (input.to - input.from).0.max(1) as f64).min(1.0),
    })
}

/// Excursions of the day that no level's alarm told of, and that did not last.
fn short_excursions<'a>(input: &DayInput<'a>) -> impl Iterator<Item = &'a Excursion> {
    let changes = input.changes;
    let was_told = move |one: &Excursion| {
        let during = one.start..=one.start + one.length;
        changes.iter().any(|change| {
            change.what == ChangeKind::Raised
                && change.over.is_none()
                && matches!(change.rule, Rule::Level { bound, .. } if bound == one.bound)
                && during.contains(&change.at)
                && change.subject == one.subject
        })
    };
    let of_day = input.from..input.to;
    input
        .excursions
        .iter()
        .filter(move |one| of_day.contains(&one.start) && one.length <= LONGEST_SHORT && !was_told(one))
}

fn recurrence_days(input: &DayInput<'_>) -> Vec<RecurrenceDay> {
    let mut days: BTreeMap<(&Subject, Bound), RecurrenceDay> = BTreeMap::new();
    for one in short_excursions(input) {
        let day = days.entry((&one.subject, one.bound)).or_insert_with(|| RecurrenceDay {
            subject: one.subject.clone(),
            bound: one.bound,
            times: 0,
            peak: one.peak,
            setpoint: one.setpoint,
            shortest: one.length,
            longest: one.length,
            first: one.start,
            last: one.start,
            by_hour: Vec::new(),
        });
        day.times += 1;
        day.peak = one.bound.worse(day.peak, one.peak);
        day.shortest = day.shortest.min(one.length);
        day.longest = day.longest.max(one.length);
        day.first = day.first.min(one.start);
        day.last = day.last.max(one.start);
        let hour =
            input.hours.iter().rev().find(|(start, _)| *start <= one.start).map_or(0, |(_, hour)| *hour);
        match day.by_hour.iter_mut().find(|(known, _)| *known == hour) {
            Some((_, count)) => *count += 1,
            None => day.by_hour.push((hour, 1)),
        }
    }
    let mut days: Vec<RecurrenceDay> = days.into_values().collect();
    for day in &mut days {
        day.by_hour.sort_unstable();
    }
    days.sort_by_key(|day| std::cmp::Reverse(day.times));
    days
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
