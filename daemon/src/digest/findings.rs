//! The named causes of a day, taken from the steps of findings.

use kvarden_core::diagnosis::{Cause, Family, Finding, FindingChange, FindingStep};
use kvarden_core::time::EventTime;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Findings that a day lists: two pages. All are kept in the store.
pub const MOST: usize = 40;

/// A finding that stood on a day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FindingDay {
    /// Its id.
    pub finding: String,
    /// When it was found; `None`: earlier than is still known.
    pub found: Option<EventTime>,
    /// When nothing more showed of it; `None`: it stood at the end of the day.
    pub ended: Option<EventTime>,
    /// What was known of it at the end of the day, or when it ended.
    pub facts: Finding,
}

/// Events of one kind at one place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct EventDay {
    /// What.
    pub cause: Cause,
    /// Of which transformer.
    pub transformer: String,
    /// Of which feeder; `None`: of the transformer itself.
    pub feeder: Option<String>,
    /// How often on the day.
    pub times: u32,
    /// The first.
    pub first: EventTime,
    /// The last.
    pub last: EventTime,
}

/// What stood on the day that began at `from`, by the steps up to its end, and the events counted.
pub fn of_day(changes: &[FindingChange], from: EventTime) -> (Vec<FindingDay>, Vec<EventDay>) {
    let mut findings: BTreeMap<&str, FindingDay> = BTreeMap::new();
    let mut events: BTreeMap<(&str, &str, Cause), EventDay> = BTreeMap::new();
    for change in changes {
        let facts = &change.facts;
        if facts.cause.family() == Family::Event {
            if change.what == FindingStep::Found && change.at >= from {
                let key =
                    (facts.transformer.as_str(), facts.feeder.as_deref().unwrap_or_default(), facts.cause);
                let new = || EventDay {
                    cause: facts.cause,
                    transformer: facts.transformer.clone(),
                    feeder: facts.feeder.clone(),
                    times: 0,
                    first: change.at,
                    last: change.at,
                };
                let event = events.entry(key).or_insert_with(new);
                (event.times, event.last) = (event.times.saturating_add(1), change.at);
            }
            continue;
        }
        let ended = matches!(change.what, FindingStep::Ended | FindingStep::NoLongerWatched);
        let known = findings.entry(&change.finding).or_insert_with(|| FindingDay {
            finding: change.finding.clone(),
            found: (change.what == FindingStep::Found).then_some(change.at),
            ended: None,
            facts: facts.clone(),
        });
        known.ended = ended.then_some(change.at);
        known.facts.clone_from(facts);
    }
    let on_the_day = |day: &FindingDay| day.ended.is_none_or(|ended| ended >= from);
    let mut findings: Vec<FindingDay> = findings.into_values().filter(on_the_day).collect();
    findings.sort_by_key(|day| {
        (std::cmp::Reverse(day.facts.priority), day.ended.is_some(), day.facts.since, day.finding.clone())
    });
    findings.truncate(MOST);
    (findings, events.into_values().collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::plant::Priority;

    fn change(finding: &str, cause: Cause, what: FindingStep, at: i64) -> FindingChange {
        let priority = if what == FindingStep::Worse { Priority::High } else { Priority::Low };
        let facts = Finding {
            cause,
            transformer: "T2".to_owned(),
            feeder: Some("MP-3".to_owned()),
            place: None,
            since: EventTime(at),
            priority,
            confidence: 0.9,
            evidence: Vec::new(),
            ruled_out: Vec::new(),
            pattern: None,
            shares: Vec::new(),
            lacks: Vec::new(),
            meter_first: None,
        };
        FindingChange { finding: finding.to_owned(), step: 1, at: EventTime(at), what, facts }
    }

    #[test]
    fn a_day_has_what_stood_on_it_the_most_pressing_first_and_events_are_counted() {
        let steps = [
            change("over before", Cause::HotRoom, FindingStep::Found, 10),
            change("from before", Cause::HotRoom, FindingStep::Found, 20),
            change("over before", Cause::HotRoom, FindingStep::Ended, 90),
            change("new", Cause::Triplen, FindingStep::Found, 110),
            change("start 1", Cause::StartingLoad, FindingStep::Found, 50),
            change("start 2", Cause::StartingLoad, FindingStep::Found, 120),
            change("start 2", Cause::StartingLoad, FindingStep::Ended, 121),
            change("start 3", Cause::StartingLoad, FindingStep::Found, 130),
            change("from before", Cause::HotRoom, FindingStep::Ended, 140),
            change("new", Cause::Triplen, FindingStep::Worse, 150),
        ];
        let (findings, events) = of_day(&steps, EventTime(100));
        let listed: Vec<_> = findings
            .iter()
            .map(|day| (day.finding.as_str(), day.found, day.ended, day.facts.priority))
            .collect();
        let at = |at| Some(EventTime(at));
        assert_eq!(
            listed,
            [("new", at(110), None, Priority::High), ("from before", at(20), at(140), Priority::Low)]
        );
        assert_eq!(
            events.iter().map(|event| (event.times, event.first.0, event.last.0)).collect::<Vec<_>>(),
            [(2, 120, 130)]
        );
    }
}
