//! What the alarms of a day asked of people, beside the figures of the standard.

use super::speech::Speech;
use super::subject::alarm_in;
use super::time::{duration, moment, moment_in};
use jiff::tz::TimeZone;
use kvarden_core::alarm::work::Work;
use kvarden_core::digest::figures::{
    ACCEPTABLE_A_DAY, ACCEPTABLE_AN_HOUR, AlarmFigures, MOST_IN_FLOOD, SHARES, WorkDay,
};
use kvarden_core::time::{EventTime, Span};

/// The figures of a day or of the last 24 hours, a sentence each. The figures beside them are those for a control room; somebody
/// on call should get far fewer (common practice, no source).
pub fn lines(
    asked: &AlarmFigures,
    (from, to): (EventTime, EventTime),
    zone: &TimeZone,
    speech: Speech,
) -> Vec<String> {
    let counts = [asked.rose, ACCEPTABLE_A_DAY, asked.most_in_an_hour, ACCEPTABLE_AN_HOUR];
    let [rose, day, most, hour] = counts.map(|count| count.to_string());
    let parts = [("rose", rose.as_str()), ("day", &day), ("most", &most), ("hour", &hour)];
    let mut lines = vec![speech.with("asked-rose", &parts)];
    lines.extend(priorities(asked, speech));
    lines.push(match asked.held {
        Span::ZERO => speech.say("asked-none-held"),
        held => speech.with("asked-held", &[("long", &duration(held))]),
    });
    let not = asked.not_acknowledged.to_string();
    if let Some((middle, longest)) = asked.to_acknowledge {
        let (count, middle, longest) = (asked.acknowledged.to_string(), duration(middle), duration(longest));
        let parts = [("count", count.as_str()), ("middle", &middle), ("longest", &longest), ("rest", &not)];
        lines.push(speech.with("asked-acknowledged", &parts));
    } else if asked.not_acknowledged > 0 {
        lines.push(speech.with("asked-none-acknowledged", &[("count", &not)]));
    }
    if asked.in_flood > Span::ZERO {
        let share = 100.0 * asked.in_flood.0 as f64 / (to - from).0.max(1) as f64;
        let (long, share) = (duration(asked.in_flood), speech.digits(&format!("{share:.1}")));
        let aim = format!("{:.0}", 100.0 * MOST_IN_FLOOD);
        lines.push(speech.with("asked-flood", &[("long", &long), ("share", &share), ("aim", &aim)]));
    }
    for (about, rule, since) in &asked.stale {
        let (what, since) = (alarm_in(about, *rule, speech), moment_in(*since, to, zone, speech));
        lines.push(speech.with("asked-stale", &[("what", &what), ("since", &since)]));
    }
    let more = more(asked.stale_count, asked.stale.len());
    lines.extend(more.map(|more| speech.with("asked-stale-more", &[("count", &more)])));
    for (about, rule) in &asked.chattering {
        lines.push(speech.with("asked-chattering", &[("what", &alarm_in(about, *rule, speech))]));
    }
    let more = self::more(asked.chattering_count, asked.chattering.len());
    lines.extend(more.map(|more| speech.with("asked-chattering-more", &[("count", &more)])));
    lines
}

/// How the alarms that rose were spread over the priorities; nothing where none rose.
fn priorities(asked: &AlarmFigures, speech: Speech) -> Option<String> {
    if asked.rose == 0 {
        return None;
    }
    let shares = asked.by_priority.map(|count| 100.0 * f64::from(count) / f64::from(asked.rose));
    let [low, high, urgent] = shares.map(|share| format!("{share:.0}"));
    let [lows, highs, urgents] = SHARES.map(|share| share.to_string());
    let parts = [
        ("low", low.as_str()),
        ("high", &high),
        ("urgent", &urgent),
        ("lows", &lows),
        ("highs", &highs),
        ("urgents", &urgents),
    ];
    Some(speech.with("asked-priorities", &parts))
}

/// How many there are beyond those listed.
fn more(count: u32, listed: usize) -> Option<String> {
    let more = count.saturating_sub(u32::try_from(listed).unwrap_or(u32::MAX));
    (more > 0).then(|| more.to_string())
}

/// A window of planned work on a day.
pub fn work_of_day(work: &WorkDay, to: EventTime, zone: &TimeZone, speech: Speech) -> String {
    let whole = speech.say("work-site");
    let on = work.subject.feeder.as_deref().or(work.subject.transformer.as_deref()).unwrap_or(&whole);
    let moment = |at| moment_in(at, to, zone, speech);
    let from = moment(work.from);
    let parts = [("on", on), ("from", &from), ("person", &work.by), ("why", &work.why)];
    match work.until.map(moment) {
        Some(until) => {
            let until = [("until", until.as_str())];
            speech.with("work-of-day", &[parts.as_slice(), &until].concat())
        }
        None => speech.with("work-of-day-open", &parts),
    }
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
        let lines = lines(&asked, (noon - Span::hours(24), noon), &TimeZone::UTC, Speech::ENGLISH).join("\n");
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
