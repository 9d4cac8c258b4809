//! What the alarms of a day asked of people, beside the figures of the standard.

use super::subject;
use super::time::{duration, moment};
use jiff::tz::TimeZone;
use kvarden_core::alarm::work::Work;
use kvarden_core::digest::figures::{
    ACCEPTABLE_A_DAY, ACCEPTABLE_AN_HOUR, AlarmFigures, MOST_IN_FLOOD, SHARES, WorkDay,
};
use kvarden_core::time::{EventTime, Span};

/// The figures of a day or of the last 24 hours, a sentence each. The figures beside them are those for a control room; somebody
/// on call should get far fewer (common practice, no source).
pub fn lines(asked: &AlarmFigures, (from, to): (EventTime, EventTime), zone: &TimeZone) -> Vec<String> {
    let mut lines = vec![format!(
        "{} alarms of which people are told rose (up to {ACCEPTABLE_A_DAY} a day can be followed); {} in the hour with the most (up to {ACCEPTABLE_AN_HOUR}).",
        asked.rose, asked.most_in_an_hour
    )];
    if asked.rose > 0 {
        let share = |index: usize| 100.0 * f64::from(asked.by_priority[index]) / f64::from(asked.rose);
        lines.push(format!(
            "By priority: low {:.0} %, high {:.0} %, urgent {:.0} % (about {}, {} and {} is usual).",
            share(0),
            share(1),
            share(2),
            SHARES[0],
            SHARES[1],
            SHARES[2]
        ));
    }
    lines.push(match asked.held {
        Span::ZERO => "At no time any of them held.".to_owned(),
        held => format!("At least one held for {}.", duration(held)),
    });
    if let Some((middle, longest)) = asked.to_acknowledge {
        lines.push(format!(
            "Acknowledged: {}, the middle one after {}, the last after {}; {} not.",
            asked.acknowledged,
            duration(middle),
            duration(longest),
            asked.not_acknowledged
        ));
    } else if asked.not_acknowledged > 0 {
        lines.push(format!("None of {} that want it was acknowledged.", asked.not_acknowledged));
    }
    if asked.in_flood > Span::ZERO {
        let share = 100.0 * asked.in_flood.0 as f64 / (to - from).0.max(1) as f64;
        lines.push(format!(
            "In flood for {}, {share:.1} % of the time (below {:.0} % is the aim).",
            duration(asked.in_flood),
            100.0 * MOST_IN_FLOOD
        ));
    }
    for (about, rule, since) in &asked.stale {
        let since = moment(*since, to, zone);
        lines.push(format!("Standing for more than a day: {}, since {since}.", subject::alarm(about, *rule)));
    }
    lines.extend(more(asked.stale_count, asked.stale.len(), "stand for more than a day"));
    for (about, rule) in &asked.chattering {
        lines.push(format!("Rose three times or more within a minute: {}.", subject::alarm(about, *rule)));
    }
    lines.extend(more(
        asked.chattering_count,
        asked.chattering.len(),
        "rose three times or more within a minute",
    ));
    lines
}

fn more(count: u32, listed: usize, what: &str) -> Option<String> {
    let more = count.saturating_sub(u32::try_from(listed).unwrap_or(u32::MAX));
    (more > 0).then(|| format!("And {more} more {what}."))
}

/// A window of planned work on a day.
pub fn work_of_day(work: &WorkDay, to: EventTime, zone: &TimeZone) -> String {
    let until = match work.until {
        Some(until) => format!("until {}", moment(until, to, zone)),
        None => "not ended".to_owned(),
    };
    let from = moment(work.from, to, zone);
    format!("{} from {from} {until}, {}: {}.", on(&work.subject), work.by, work.why)
}

fn on(subject: &kvarden_core::output::Subject) -> &str {
    subject.feeder.as_deref().or(subject.transformer.as_deref()).unwrap_or("the site")
}

/// A window of planned work that goes on.
pub fn work_now((on, work): (&str, &Work), now: EventTime, zone: &TimeZone) -> String {
    let until = moment(work.until, now, zone);
    format!("{on} until {until}, {}: {}; only what is urgent is told", work.by, work.why)
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::output::{Matter, Rule, Subject};

    #[test]
    fn figures_stand_beside_those_of_the_standard() {
        let meter = |name: &str| Subject {
            transformer: Some("T2".to_owned()),
            feeder: None,
            meter: Some(name.to_owned()),
            matter: Matter::Meter,
        };
        let noon = EventTime(1_795_460_400_000);
        let asked = AlarmFigures {
            rose: 20,
            most_in_an_hour: 12,
            by_priority: [15, 4, 1],
            held: Span::hours(3),
            in_flood: Span::minutes(36),
            acknowledged: 3,
            not_acknowledged: 2,
            to_acknowledge: Some((Span::minutes(4), Span::minutes(50))),
            stale: vec![(meter("MP-1"), Rule::Frozen, noon - Span::hours(40))],
            stale_count: 3,
            chattering: vec![(meter("MP-3"), Rule::Frozen)],
            chattering_count: 1,
            works: Vec::new(),
        };
        let lines = lines(&asked, (noon - Span::hours(24), noon), &TimeZone::UTC).join("\n");
        for expected in [
            "20 alarms of which people are told rose (up to 150 a day can be followed); 12 in the hour with the most (up to 6).",
            "low 75 %, high 20 %, urgent 5 % (about 80, 15 and 5 is usual)",
            "At least one held for 3 h",
            "Acknowledged: 3, the middle one after 4 min, the last after 50 min; 2 not.",
            "In flood for 36 min, 2.5 % of the time (below 1 % is the aim).",
            "And 2 more stand for more than a day.",
            "Rose three times or more within a minute: T2, MP-3: meter",
        ] {
            assert!(lines.contains(expected), "{expected}\n{lines}");
        }
    }
}
