//! What came and went on a day: short excursions, counted by subject and hour.

use super::{DayInput, LONGEST_SHORT, RecurrenceDay};
use crate::output::{ChangeKind, Excursion, Rule, Subject};
use crate::plant::Bound;
use std::collections::BTreeMap;

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

pub(super) fn recurrence_days(input: &DayInput<'_>) -> Vec<RecurrenceDay> {
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
