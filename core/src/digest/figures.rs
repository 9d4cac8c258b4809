//! How much the alarms ask of people: counts, times and lists, to be held against the standard's figures.

use super::alarms::{Episode, alarm_days, episodes};
use super::{AlarmDay, DayInput, most_within};
use crate::output::{Change, ChangeKind, Rule, Subject};
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// About one alarm in ten minutes can be followed. Source: public articles on EEMUA 191 and ISA-18.2.
pub const ACCEPTABLE_A_DAY: u32 = 150;
/// The same for an hour. Source: as before.
pub const ACCEPTABLE_AN_HOUR: u32 = 6;
/// Alarms of each priority as a share of all, in per cent: low, high, urgent. Source: ISA-18.2, EEMUA 191 (from memory).
pub const SHARES: [u32; 3] = [80, 15, 5];
/// Time in flood should stay below this share. Source: ISA-18.2 (from memory).
pub const MOST_IN_FLOOD: f64 = 0.01;
/// An alarm that stands for longer than this is stale. Source: ISA-18.2 (from memory).
pub const STALE: Span = Span::hours(24);
/// The most alarms in a list: more are only counted.
const MOST_LISTED: usize = 10;

/// The figures of a stretch of time. Only alarms of which people are told count: what is for the record does not.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct AlarmFigures {
    /// How many rose.
    pub rose: u32,
    /// How many rose in the hour with the most.
    pub most_in_an_hour: u32,
    /// How many rose of low, high and urgent priority.
    pub by_priority: [u32; 3],
    /// For how long at least one held.
    pub held: Span,
    /// For how long there was a flood.
    pub in_flood: Span,
    /// How many that want it were acknowledged, of those that rose.
    pub acknowledged: u32,
    /// How many that want it were not, of those that rose.
    pub not_acknowledged: u32,
    /// The middle one of the times to acknowledge, and the longest.
    pub to_acknowledge: Option<(Span, Span)>,
    /// Those that stand for longer than [`STALE`], the oldest first; not all if there are many.
    pub stale: Vec<(Subject, Rule, EventTime)>,
    /// How many those are.
    pub stale_count: u32,
    /// Those that rose three times or more within a minute; not all if there are many.
    pub chattering: Vec<(Subject, Rule)>,
    /// How many those are.
    pub chattering_count: u32,
    /// Planned work of the time.
    pub works: Vec<WorkDay>,
}

/// A window of planned work.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct WorkDay {
    /// On what.
    pub subject: Subject,
    /// Its start.
    pub from: EventTime,
    /// Its end, as far as it has ended.
    pub until: Option<EventTime>,
    /// Who answered for it.
    pub by: String,
    /// What was done.
    pub why: String,
}

/// The figures from `from` up to `to`, which is now, of changes in order of time; from before it as far as alarms may still stand.
pub fn of_stretch(from: EventTime, to: EventTime, changes: &[Change]) -> AlarmFigures {
    let input =
        DayInput { from, to, until: to, hours: &[], changes, excursions: &[], parallel: &[], quality: &[] };
    figures(&input, &alarm_days(&input, &[]))
}

/// The figures of a day.
pub(super) fn figures(input: &DayInput<'_>, days: &[AlarmDay]) -> AlarmFigures {
    let told = |priority: Priority, rule: Rule| priority > Priority::Journal && rule != Rule::Flood;
    let rises: Vec<&Change> = input
        .changes
        .iter()
        .filter(|change| change.what == ChangeKind::Raised && told(change.priority, change.rule))
        .filter(|change| (input.from..input.to).contains(&change.at))
        .collect();
    let times: Vec<EventTime> = rises.iter().map(|change| change.at).collect();
    let mut by_priority = [0; 3];
    for change in &rises {
        by_priority[change.priority as usize - 1] += 1;
    }
    let all = episodes(input, None);
    let of = |episode: &&Episode<'_>| told(episode.raised.priority, episode.raised.rule);
    let floods = all.iter().filter(|episode| episode.raised.rule == Rule::Flood);
    let end = input.until.min(input.to);
    let mut stale: Vec<(Subject, Rule, EventTime)> = all
        .iter()
        .filter(of)
        .filter(|episode| episode.cleared.is_none() && end - episode.raised.at > STALE)
        .map(|episode| (episode.raised.subject.clone(), episode.raised.rule, episode.raised.at))
        .collect();
    stale.sort_by_key(|(.., since)| *since);
    let chattering = days.iter().filter(|day| day.chattering && told(day.priority, day.rule));
    let mut chattering: Vec<(Subject, Rule)> =
        chattering.map(|day| (day.subject.clone(), day.rule)).collect();
    let (stale_count, chattering_count) = (count(stale.len()), count(chattering.len()));
    stale.truncate(MOST_LISTED);
    chattering.truncate(MOST_LISTED);
    let (acknowledged, not_acknowledged, to_acknowledge) = acknowledging(input, &rises);
    AlarmFigures {
        rose: count(rises.len()),
        most_in_an_hour: count(most_within(&times, Span::hours(1))),
        by_priority,
        held: covered(input, all.iter().filter(of)),
        in_flood: covered(input, floods),
        acknowledged,
        not_acknowledged,
        to_acknowledge,
        stale,
        stale_count,
        chattering,
        chattering_count,
        works: works(input),
    }
}

fn count(length: usize) -> u32 {
    u32::try_from(length).unwrap_or(u32::MAX)
}

/// For how long any of these held within the time.
fn covered<'a>(input: &DayInput<'_>, episodes: impl Iterator<Item = &'a Episode<'a>>) -> Span {
    let end = input.until.min(input.to);
    let mut spans: Vec<(EventTime, EventTime)> = episodes
        .map(|episode| (episode.raised.at.max(input.from), episode.cleared.unwrap_or(end).min(end)))
        .filter(|(from, until)| from < until)
        .collect();
    spans.sort_unstable();
    let (mut total, mut reached) = (Span::ZERO, input.from);
    for (from, until) in spans {
        total += (until - from.max(reached)).max(Span::ZERO);
        reached = reached.max(until);
    }
    total
}

/// How many of these were acknowledged, how many that want it were not, and the middle and the longest time to it.
fn acknowledging(input: &DayInput<'_>, rises: &[&Change]) -> (u32, u32, Option<(Span, Span)>) {
    let mut seen: BTreeMap<&str, EventTime> = BTreeMap::new();
    for change in input.changes {
        if matches!(change.what, ChangeKind::Acknowledged { .. }) {
            seen.entry(change.alarm.as_str()).or_insert(change.at);
        }
    }
    let wanted = rises.iter().filter(|change| change.priority.wants_acknowledgement());
    let (mut spans, mut open) = (Vec::new(), 0);
    for change in wanted {
        match seen.get(change.alarm.as_str()) {
            Some(at) => spans.push((*at - change.at).max(Span::ZERO)),
            None => open += 1,
        }
    }
    spans.sort_unstable();
    let middle = spans.get(spans.len() / 2).copied();
    (count(spans.len()), open, middle.zip(spans.last().copied()))
}

fn works(input: &DayInput<'_>) -> Vec<WorkDay> {
    let mut works: Vec<(&str, WorkDay)> = Vec::new();
    for change in input.changes.iter().filter(|change| change.at < input.to) {
        match &change.what {
            ChangeKind::WorkBegun { by, reason, .. } => {
                let (subject, from) = (change.subject.clone(), change.at);
                let work = WorkDay { subject, from, until: None, by: by.clone(), why: reason.clone() };
                works.push((&change.alarm, work));
            }
            ChangeKind::WorkEnded { .. } => {
                let begun = works.iter_mut().find(|(alarm, _)| *alarm == change.alarm);
                if let Some((_, work)) = begun {
                    work.until = Some(change.at);
                }
            }
            _ => {}
        }
    }
    let of_day = |work: &WorkDay| work.until.is_none_or(|until| until >= input.from);
    works.into_iter().map(|(_, work)| work).filter(of_day).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::state::AlarmState;
    use crate::output::Matter;

    fn at(minute: i64) -> EventTime {
        EventTime(1_767_225_600_000) + Span::minutes(minute)
    }

    fn change(meter: &str, rise: u32, minute: i64, what: ChangeKind, priority: Priority) -> Change {
        let subject = Subject {
            transformer: Some("T2".to_owned()),
            feeder: None,
            meter: Some(meter.to_owned()),
            matter: Matter::Meter,
        };
        Change {
            alarm: format!("T2/{meter}/frozen#{rise}"),
            step: 1,
            at: at(minute),
            what,
            from: AlarmState::Normal,
            to: AlarmState::Normal,
            subject,
            rule: Rule::Frozen,
            priority,
            since: at(minute),
            value: None,
            peak: None,
            setpoint: None,
            over: None,
            recurred: None,
            fed: None,
        }
    }

    /// Counted by hand. An alarm before the time stands through it; two overlap; one of three that want it is not acknowledged.
    #[test]
    fn figures_of_a_day_are_those_counted_by_hand() {
        use ChangeKind::{Cleared, Raised};
        let seen = || ChangeKind::Acknowledged { by: "Ines".to_owned() };
        let (low, high, urgent) = (Priority::Low, Priority::High, Priority::Urgent);
        let day = 24 * 60;
        let changes = [
            change("old", 1, -10, Raised, low),
            change("a", 1, 60, Raised, high),
            change("b", 1, 70, Raised, high),
            change("a", 1, 75, seen(), high),
            change("a", 1, 90, Cleared, high),
            change("b", 1, 100, Cleared, high),
            change("b", 2, 600, Raised, urgent),
            change("b", 2, 604, seen(), urgent),
            change("b", 2, 610, Cleared, urgent),
            change("note", 1, 700, Raised, Priority::Journal),
        ];
        let figures = of_stretch(at(0), at(day), &changes);
        assert_eq!((figures.rose, figures.most_in_an_hour, figures.by_priority), (3, 2, [0, 2, 1]));
        assert_eq!((figures.acknowledged, figures.not_acknowledged), (2, 1));
        assert_eq!(figures.to_acknowledge, Some((Span::minutes(15), Span::minutes(15))), "15 and 4 minutes");
        assert_eq!(figures.held, Span::minutes(day), "the old one stands all day");
        let stale: Vec<&str> =
            figures.stale.iter().filter_map(|(subject, ..)| subject.meter.as_deref()).collect();
        assert_eq!((stale, figures.stale_count), (vec!["old"], 1));
        let figures = of_stretch(at(0), at(day), &changes[1..]);
        assert_eq!(figures.held, Span::minutes(40 + 10), "60 to 100 and 600 to 610, each minute once");
        assert!(figures.stale.is_empty() && figures.works.is_empty());
    }
}
