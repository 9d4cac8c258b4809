//! The day of each alarm, and what waits for a person when the day is over.

use super::{AlarmDay, CHATTERING, DayInput, MeterPart, SeenDay, WaitingDay, most_within, parts};
use crate::alarm::state::AlarmState;
use crate::output::{Change, ChangeKind, Rule, Subject};
use crate::plant::Bound;
use crate::time::{EventTime, Span};
use std::collections::BTreeMap;

/// From when to when an alarm held, as far as known.
pub(super) struct Episode<'a> {
    pub(super) raised: &'a Change,
    pub(super) cleared: Option<EventTime>,
    peak: Option<f64>,
}

impl Episode<'_> {
    /// It began before the day or lasts beyond it: the worst value told with its changes may be of another day, or be
    /// only that at its rise.
    pub(super) fn crosses(&self, input: &DayInput<'_>) -> bool {
        self.raised.at < input.from || self.cleared.is_none()
    }
}

/// The episodes of the day, of one meter or of all.
pub(super) fn episodes<'a>(input: &DayInput<'a>, meter: Option<&str>) -> Vec<Episode<'a>> {
    let mut episodes: Vec<Episode<'a>> = Vec::new();
    let mut open: BTreeMap<&str, usize> = BTreeMap::new();
    let of_meter = |change: &&Change| meter.is_none() || change.subject.meter.as_deref() == meter;
    for change in input.changes.iter().filter(of_meter).filter(|change| change.at < input.to) {
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

pub(super) fn alarm_days(input: &DayInput<'_>, parts: &[MeterPart]) -> Vec<AlarmDay> {
    let mut days: BTreeMap<(Subject, Rule), (AlarmDay, Vec<EventTime>)> = BTreeMap::new();
    let worst_of = parts::worst_by_alarm(parts);
    for episode in episodes(input, None) {
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
                over: raised.over,
                seen: seen(input, raised),
                standing: false,
                chattering: false,
                fed: None,
            };
            (day, Vec::new())
        });
        if raised.at >= input.from {
            day.times += 1;
            times.push(raised.at);
        }
        day.fed.clone_from(&raised.fed);
        let end = episode.cleared.unwrap_or(input.until).min(input.to);
        day.held += (end - raised.at.max(input.from)).max(Span::ZERO);
        day.standing |= episode.cleared.is_none();
        let peak = match worst_of.get(raised.alarm.as_str()).copied() {
            // At its rise it was known to the value, later only by minutes.
            Some(worst) if raised.at >= input.from => worse(raised.rule, Some(worst), raised.peak),
            Some(worst) => Some(worst),
            None => episode.peak,
        };
        day.peak = worse(raised.rule, day.peak, peak);
    }
    days.into_values()
        .map(|(day, times)| AlarmDay { chattering: most_within(&times, CHATTERING.1) >= CHATTERING.0, ..day })
        .collect()
}

fn worse(rule: Rule, one: Option<f64>, other: Option<f64>) -> Option<f64> {
    let bound = rule.bound().unwrap_or(Bound::High);
    match (one, other) {
        (Some(one), Some(other)) => Some(bound.worse(one, other)),
        (one, other) => one.or(other),
    }
}

/// All excursions of the day, short or long, behind a recurrence alarm.
fn seen(input: &DayInput<'_>, raised: &Change) -> Option<SeenDay> {
    let Rule::Recurrence { bound } = raised.rule else { return None };
    let of_day = input.excursions.iter().filter(|one| (input.from..input.to).contains(&one.start));
    let starts =
        of_day.filter(|one| one.bound == bound && one.subject == raised.subject).map(|one| one.start);
    starts.fold(None, |seen: Option<SeenDay>, start| {
        let SeenDay { times, first, last } = seen.unwrap_or(SeenDay { times: 0, first: start, last: start });
        Some(SeenDay { times: times + 1, first: first.min(start), last: last.max(start) })
    })
}

/// What waits for a person at the end of the day, by the last state of each alarm.
pub(super) fn waiting(input: &DayInput<'_>) -> Vec<WaitingDay> {
    let mut last: BTreeMap<(&Subject, Rule), &Change> = BTreeMap::new();
    for change in input.changes.iter().filter(|change| change.at < input.to) {
        last.insert((&change.subject, change.rule), change);
    }
    let mut waiting: BTreeMap<&Subject, WaitingDay> = BTreeMap::new();
    for change in last.into_values() {
        let (to_acknowledge, to_release) = waits(change);
        if !to_acknowledge && !to_release {
            continue;
        }
        let day = waiting.entry(&change.subject).or_insert_with(|| WaitingDay {
            subject: change.subject.clone(),
            rule: change.rule,
            priority: change.priority,
            since: change.since,
            to_acknowledge: false,
            to_release: false,
        });
        if change.priority > day.priority {
            (day.priority, day.rule) = (change.priority, change.rule);
        }
        day.since = day.since.min(change.since);
        day.to_acknowledge |= to_acknowledge;
        day.to_release |= to_release;
    }
    let mut waiting: Vec<WaitingDay> = waiting.into_values().collect();
    waiting.sort_by_key(|day| (std::cmp::Reverse(day.priority), day.since));
    waiting
}

/// Whether an alarm as it was left is still to be acknowledged, and to be released.
fn waits(change: &Change) -> (bool, bool) {
    let wanted = change.priority.wants_acknowledgement();
    match change.to {
        AlarmState::Unacknowledged => (wanted, false),
        AlarmState::ReturnedUnacknowledged => (true, false),
        AlarmState::LatchedUnacknowledged => (true, true),
        AlarmState::LatchedAcknowledged => (false, true),
        AlarmState::Normal
        | AlarmState::Acknowledged
        | AlarmState::Shelved
        | AlarmState::SuppressedByDesign
        | AlarmState::OutOfService => (false, false),
    }
}
