//! Who will be told about what in the coming weeks: what `kvarden oncall` prints.

use super::{Rota, Rules};
use crate::digest::calendar::moment;
use crate::words::time::{duration, local};
use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use kvarden_config::{PersonSpec, RuleSpec, Way};
use kvarden_core::plant::Priority;
use kvarden_core::time::{EventTime, Span};
use std::fmt::Write;

/// The most lines of shifts: a year of turns with an exception a day.
const MOST_SHIFTS: usize = 500;

/// The first moment of a local time such as `2026-12-21 07:00`, or `2026-12-21`.
pub fn moment_of(text: &str, zone: &TimeZone) -> Option<EventTime> {
    let local: DateTime = text.parse().ok()?;
    moment(local.date(), (local.hour() as u8, local.minute() as u8), zone)
}

/// The page, for so many weeks from a moment on.
pub fn page(rules: &Rules, site: &str, from: EventTime, weeks: u32) -> String {
    let mut text = String::new();
    let zone = rules.rota.zone();
    let name = zone.iana_name().unwrap_or("UTC");
    let until = from + Span::hours(7 * 24).times(i64::from(weeks));
    let _ = writeln!(text, "{site}, on duty from {} to {}", written(from, zone), written(until, zone));
    let _ = writeln!(text, "Local times of {name}.\n");
    if rules.people.is_empty() {
        text.push_str("Nobody: the configuration names no [[person]]. Alerts go to the channels that have no addressee.\n");
        return text;
    }
    shifts(&mut text, rules, from, until);
    clocks(&mut text, &rules.rota, from, until);
    text.push_str("\nHow they are told\n");
    for priority in [Priority::Urgent, Priority::High, Priority::Low] {
        let _ = writeln!(text, "  {:7} {}", priority.key(), told(rules.telling.rule(priority), priority));
    }
    text.push_str("  journal not told: it stands in the digest\n\nPeople\n");
    let widest = rules.people.iter().map(|person| person.name.chars().count()).max().unwrap_or(0);
    for person in &rules.people {
        let _ = writeln!(text, "  {:widest$}  {}", person.name, reached(person));
    }
    text
}

fn shifts(text: &mut String, rules: &Rules, from: EventTime, until: EventTime) {
    let zone = rules.rota.zone();
    let named = |person: usize| rules.people[person].name.as_str();
    let widest = rules.people.iter().map(|person| person.name.chars().count()).max().unwrap_or(0).max(7);
    let _ = writeln!(text, "  {:20}  {:20}  {:widest$}  then", "from", "until", "on duty");
    let mut at = from;
    for _ in 0..MOST_SHIFTS {
        let Some(shift) = rules.rota.shift(at).filter(|_| at < until) else { break };
        let end = shift.until.map_or(until, |end| end.min(until));
        let line = rules.rota.line(at);
        let then: Vec<&str> = line.iter().skip(1).map(|person| named(*person)).collect();
        let then = if then.is_empty() { "nobody".to_owned() } else { then.join(", ") };
        let instead = shift
            .instead_of
            .map_or_else(String::new, |other| format!("   exception, instead of {}", named(other)));
        let _ = writeln!(
            text,
            "  {:20}  {:20}  {:widest$}  {then}{instead}",
            written(at, zone),
            written(end, zone),
            named(shift.person)
        );
        at = end;
    }
    text.push_str(if at < until {
        "  and so on: the list is cut here\n"
    } else {
        "  No gap: somebody is on duty at every moment.\n"
    });
}

/// When the clocks change, and what becomes of hand-overs.
fn clocks(text: &mut String, rota: &Rota, from: EventTime, until: EventTime) {
    let zone = rota.zone();
    let Ok(start) = Timestamp::from_millisecond(from.0) else { return };
    for change in zone.following(start).take_while(|change| change.timestamp().as_millisecond() < until.0) {
        let at = change.timestamp().as_millisecond();
        let before = local(EventTime(at - 1), zone);
        let by = change.offset().seconds() - before.offset().seconds();
        let way = match by {
            0 => continue,
            1.. => "forward",
            _ => "back",
        };
        let clock = |at: i64| local(EventTime(at), zone).strftime("%H:%M").to_string();
        let _ = writeln!(
            text,
            "\n  {}: the clocks go {way} by {}, from {} to {}.",
            before.strftime("%a %Y-%m-%d"),
            duration(Span::seconds(i64::from(by.abs()))),
            on_the_old_clock(at, zone),
            clock(at)
        );
        text.push_str(if by > 0 {
            "  A hand-over at an hour that is jumped over comes at the first moment after the jump.\n"
        } else {
            "  A hand-over at an hour that comes twice comes at the first of the two.\n"
        });
    }
}

/// What the old clock would have shown at a change.
fn on_the_old_clock(at: i64, zone: &TimeZone) -> String {
    let offset = local(EventTime(at - 1), zone).offset();
    Timestamp::from_millisecond(at)
        .map_or_else(|_| String::new(), |at| offset.to_datetime(at).strftime("%H:%M").to_string())
}

fn written(at: EventTime, zone: &TimeZone) -> String {
    local(at, zone).strftime("%a %Y-%m-%d %H:%M").to_string()
}

fn told(rule: Option<&RuleSpec>, priority: Priority) -> String {
    let Some(rule) = rule else { return "not told: it stands in the digest".to_owned() };
    let mut parts = Vec::new();
    if priority == Priority::Urgent {
        parts.push("day and night".to_owned());
    } else {
        parts.push("in quiet hours only at their end".to_owned());
    }
    if rule.wait_for_cause == Span::ZERO {
        parts.push("at once".to_owned());
    } else {
        parts.push(format!("when the cause is known, at the latest after {}", duration(rule.wait_for_cause)));
    }
    let ways: Vec<&str> = rule.by.iter().map(|way| way.key()).collect();
    parts.push(format!("by {}", ways.join(", ")));
    parts.push(rule.again.map_or_else(
        || "no reminders".to_owned(),
        |again| format!("again after {} while nobody acknowledges, then ever later", duration(again)),
    ));
    parts.push(rule.next_in_line.map_or_else(
        || "nobody else".to_owned(),
        |wait| format!("each {} the next in line is told too", duration(wait)),
    ));
    parts.join("; ")
}

fn reached(person: &PersonSpec) -> String {
    let ways = Way::ALL.into_iter().filter(|way| person.has(*way));
    let ways: Vec<&str> = ways.map(Way::key).collect();
    let quiet = person.quiet.map_or("no quiet hours".to_owned(), |quiet| {
        format!("quiet {:02}:{:02}-{:02}:{:02}", quiet.from.0, quiet.from.1, quiet.until.0, quiet.until.1)
    });
    format!("by {}; {quiet}; reads {}", ways.join(", "), person.language.key())
}
