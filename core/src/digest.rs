//! The day's figures, from minute rows, changes and excursions. Words and layout are made elsewhere.
//!
//! Every figure says what share of the day was really measured.

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
    /// Whether it still holds at the end of the day.
    pub standing: bool,
    /// Three or more times within a minute.
    pub chattering: bool,
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
            alarms: alarm_days(input),
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
        series,
    }
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

/// From when to when an alarm held, as far as known.
struct Episode<'a> {
    raised: &'a Change,
    cleared: Option<EventTime>,
    peak: Option<f64>,
}

fn episodes<'a>(input: &DayInput<'a>) -> Vec<Episode<'a>> {
    let mut episodes: Vec<Episode<'a>> = Vec::new();
    let mut open: BTreeMap<&str, usize> = BTreeMap::new();
    for change in input.changes.iter().filter(|change| change.at < input.to) {
        match change.what {
            ChangeKind::Raised => {
                open.insert(&change.alarm, episodes.len());
                episodes.push(Episode { raised: change, cleared: None, peak: change.peak });
            }
            ChangeKind::Cleared | ChangeKind::NoLongerWatched => {
                if let Some(index) = open.remove(change.alarm.as_str()) {
                    episodes[index].cleared = Some(change.at);
                    episodes[index].peak = change.peak;
                }
            }
            _ => {}
        }
    }
    episodes.retain(|episode| episode.cleared.is_none_or(|cleared| cleared >= input.from));
    episodes
}

fn alarm_days(input: &DayInput<'_>) -> Vec<AlarmDay> {
    let mut days: BTreeMap<(Subject, Rule), (AlarmDay, Vec<EventTime>)> = BTreeMap::new();
    for episode in episodes(input) {
        let raised = episode.raised;
        let key = (raised.subject.clone(), raised.rule);
        let (day, times) = days.entry(key).or_insert_with(|| {
            let day = AlarmDay {
                subject: raised.subject.clone(),
                rule: raised.rule,
                priority: raised.priority,
                times: 0,
                first: raised.at,
                held: Span::ZERO,
                peak: None,
                setpoint: raised.setpoint,
                standing: false,
                chattering: false,
            };
            (day, Vec::new())
        });
        if raised.at >= input.from {
            day.times += 1;
            times.push(raised.at);
        }
        let end = episode.cleared.unwrap_or(input.until).min(input.to);
        day.held += (end - raised.at.max(input.from)).max(Span::ZERO);
        day.standing |= episode.cleared.is_none();
        day.peak = worse(raised.rule, day.peak, episode.peak);
    }
    let mut days: Vec<AlarmDay> = days
        .into_values()
        .map(|(day, times)| AlarmDay { chattering: most_within(&times, CHATTERING.1) >= CHATTERING.0, ..day })
        .collect();
    days.sort_by_key(|day| std::cmp::Reverse((day.priority, day.held)));
    days
}

fn worse(rule: Rule, one: Option<f64>, other: Option<f64>) -> Option<f64> {
    let bound = match rule {
        Rule::Level { bound, .. } | Rule::Recurrence { bound } => bound,
        Rule::Silent { .. } | Rule::Frozen | Rule::Absent | Rule::Broken => Bound::High,
    };
    match (one, other) {
        (Some(one), Some(other)) => Some(bound.worse(one, other)),
        (one, other) => one.or(other),
    }
}

fn recurrence_days(input: &DayInput<'_>) -> Vec<RecurrenceDay> {
    let mut days: BTreeMap<(&Subject, Bound), RecurrenceDay> = BTreeMap::new();
    for one in input.excursions.iter().filter(|one| (input.from..input.to).contains(&one.start)) {
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
mod tests {
    use super::*;
    use crate::alarm::state::AlarmState;
    use crate::measurand::Measurand;
    use crate::output::Matter;

    fn subject() -> Subject {
        Subject {
            transformer: Some("T2".into()),
            feeder: Some("MP-3".into()),
            meter: Some("MP-3".into()),
            matter: Matter::Quantity(Quantity::whole(Measurand::VoltageUnbalance)),
        }
    }

    fn change(number: u32, minute: i64, what: ChangeKind, peak: f64) -> Change {
        Change {
            alarm: format!("T2/MP-3#{number}"),
            step: 1,
            at: EventTime(minute * 60_000),
            what,
            from: AlarmState::Normal,
            to: AlarmState::Unacknowledged,
            subject: subject(),
            rule: Rule::Level { bound: Bound::High, level: 1 },
            priority: Priority::High,
            since: EventTime(minute * 60_000),
            value: Some(peak),
            peak: Some(peak),
            setpoint: Some(3.0),
            over: None,
            recurred: None,
        }
    }

    fn day(changes: &[Change], excursions: &[Excursion], meters: &[MeterRows]) -> DayFigures {
        let (from, to) = (EventTime(0), EventTime(86_400_000));
        let hours: Vec<(EventTime, u8)> =
            (0..24).map(|hour| (EventTime(i64::from(hour) * 3_600_000), hour)).collect();
        DayFigures::new(&DayInput { from, to, until: to, hours: &hours, meters, changes, excursions })
    }

    #[test]
    fn an_alarm_that_stood_at_midnight_counts_from_midnight_and_one_without_end_to_the_end() {
        let changes = [
            change(1, -30, ChangeKind::Raised, 3.5),
            change(1, 30, ChangeKind::Cleared, 4.2),
            change(2, 24 * 60 - 10, ChangeKind::Raised, 3.1),
        ];
        let figures = day(&changes, &[], &[]);
        assert_eq!(figures.alarms.len(), 1);
        let alarm = &figures.alarms[0];
        assert_eq!((alarm.held, alarm.times, alarm.standing), (Span::minutes(40), 1, true));
        assert_eq!(alarm.peak, Some(4.2));
    }

    #[test]
    fn what_ended_before_the_day_is_not_of_the_day() {
        let changes = [change(1, -30, ChangeKind::Raised, 3.5), change(1, -20, ChangeKind::Cleared, 3.5)];
        assert!(day(&changes, &[], &[]).alarms.is_empty());
    }

    #[test]
    fn excursions_are_counted_by_local_hour() {
        let at = |minute: i64| Excursion {
            subject: subject(),
            bound: Bound::High,
            start: EventTime(minute * 60_000),
            length: Span::seconds(minute % 7 + 2),
            peak: 4.0 + minute as f64 / 1000.0,
            setpoint: 2.0,
        };
        let figures = day(&[], &[at(790), at(800), at(850)], &[]);
        assert_eq!(figures.recurrences[0].by_hour, [(13, 2), (14, 1)]);
        assert_eq!(figures.recurrences[0].times, 3);
    }

    #[test]
    fn a_figure_says_what_share_of_the_day_was_measured() {
        let value = |mean: f64| MinuteValue { mean, min: mean - 1.0, max: mean + 1.0, covered_ms: 60_000 };
        let rows = (0..360).map(|minute| (EventTime(minute * 60_000), vec![value(minute as f64)])).collect();
        let meter = MeterRows {
            transformer: "T2".into(),
            feeder: None,
            meter: "T2 secondary".into(),
            series: vec![Quantity::whole(Measurand::LoadingKva), Quantity::whole(Measurand::LoadingPhase)],
            rows,
        };
        let figures = day(&[], &[], &[meter]);
        let series = &figures.meters[0].series;
        assert_eq!(series.len(), 1, "what was never measured has no figures");
        assert!((series[0].measured - 0.25).abs() < 1e-12);
        assert_eq!((series[0].max, series[0].max_at), (360.0, EventTime(359 * 60_000)));
        assert_eq!((series[0].min, series[0].mean), (-1.0, 179.5));
    }
}
