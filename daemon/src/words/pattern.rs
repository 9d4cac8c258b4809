//! How excursions come and go, in words: how often, how long each, at what hours and on which days, growing or not.

use super::cause::Reads;
use super::time::{duration, durations, local};
use kvarden_core::diagnosis::Pattern;
use kvarden_core::time::{EventTime, Span};
use std::cmp::Ordering;

/// So many starts make a pattern of hours or days.
const FEWEST: usize = 5;
/// Hours of the day are named where so large a part of all starts lies in a few of them (common practice, no source).
const MOSTLY: f64 = 0.75;
/// A few hours.
const FEW_HOURS: usize = 4;

/// How it comes and goes, in a sentence: `31 times since 13:10, 2-9 s each, about every 12 min, mostly 11-13 h`.
pub fn sentence(pattern: &Pattern, at: EventTime, reads: Reads<'_>) -> String {
    let Pattern { times, since, shortest, longest, every, days, .. } = pattern;
    let speech = reads.speech;
    let (first, lengths) = (reads.moment(*since, at), durations(*shortest, *longest, speech));
    let count = times.to_string();
    let parts = [("times", count.as_str()), ("first", &first), ("lengths", &lengths)];
    let mut said = vec![match times {
        1 => speech.with("pattern-once", &parts[1..]),
        _ => speech.with("line-times-since", &parts),
    }];
    if let Some(every) = every {
        said.push(speech.with("pattern-every", &[("every", &duration(*every))]));
    }
    if let Some((from, to)) = hours(pattern, reads) {
        said.push(speech.with("pattern-hours", &[("from", &from.to_string()), ("to", &to.to_string())]));
    }
    if let Some(days) = weekdays(pattern, reads) {
        said.push(speech.with("pattern-days", &[("days", &days)]));
    }
    if let Some((latest, before)) = days {
        let (now, then) = (latest.to_string(), before.to_string());
        let parts = [("latest", now.as_str()), ("before", &then)];
        said.push(match latest.cmp(before) {
            Ordering::Greater => speech.with("pattern-growing", &parts),
            Ordering::Less | Ordering::Equal => speech.with("pattern-not-growing", &parts),
        });
    }
    said.join(", ")
}

/// The few hours of the local day in which most of it began, if there are such.
fn hours(pattern: &Pattern, reads: Reads<'_>) -> Option<(usize, usize)> {
    if pattern.starts.len() < FEWEST {
        return None;
    }
    let mut counts = [0usize; 24];
    for start in &pattern.starts {
        counts[usize::try_from(local(*start, reads.zone).hour()).unwrap_or(0) % 24] += 1;
    }
    let enough = MOSTLY * pattern.starts.len() as f64;
    let within =
        |from: usize, length: usize| (from..from + length).map(|hour| counts[hour % 24]).sum::<usize>();
    (1..=FEW_HOURS).find_map(|length| {
        let best = (0..24).max_by_key(|from| (within(*from, length), 24 - *from))?;
        (within(best, length) as f64 >= enough).then_some((best, (best + length) % 24))
    })
}

/// The one or two weekdays on which most of it began, once it has gone on for longer than a week.
fn weekdays(pattern: &Pattern, reads: Reads<'_>) -> Option<String> {
    let (first, last) = (pattern.starts.first()?, pattern.starts.last()?);
    if pattern.starts.len() < FEWEST || *last - *first < Span::hours(24 * 8) {
        return None;
    }
    let mut counts = [0usize; 7];
    for start in &pattern.starts {
        counts[usize::from(local(*start, reads.zone).weekday().to_monday_zero_offset().unsigned_abs())] += 1;
    }
    let mut order: Vec<usize> = (0..7).collect();
    order.sort_by_key(|day| (std::cmp::Reverse(counts[*day]), *day));
    let enough = MOSTLY * pattern.starts.len() as f64;
    let few =
        (1..=2).find(|few| order[..*few].iter().map(|day| counts[*day]).sum::<usize>() as f64 >= enough)?;
    let mut days = order[..few].to_vec();
    days.sort_unstable();
    let days: Vec<String> =
        days.iter().map(|day| reads.speech.say(&format!("pattern-day-{}", day + 1))).collect();
    Some(match days.as_slice() {
        [one, other] => reads.speech.with("pattern-two-days", &[("one", one), ("other", other)]),
        _ => days.concat(),
    })
}
