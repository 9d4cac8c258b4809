//! Each kind of message, as the electrician reads it; here what the tests share.

pub(crate) mod cause;
mod form;
mod health;
mod holds;
mod limits;
mod numbers;

use crate::words::Site;
use crate::words::message::message;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::input::Part;
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::output::{AlertRevision, Matter, Recurred, Revised, Rule, Subject};
use kvarden_core::phases::Place;
use kvarden_core::plant::{Bound, Priority};
use kvarden_core::time::{EventTime, Span};

fn ines() -> String {
    "Ines".to_owned()
}

fn at(local: &str) -> EventTime {
    let text = format!("2026-11-24T{local}:00-07:00");
    EventTime(text.parse::<Timestamp>().unwrap().as_millisecond())
}

pub(crate) fn site() -> Site {
    Site {
        name: "Larkspur Cannery".to_owned(),
        zone: TimeZone::get("America/Denver").unwrap(),
        book: "k7".to_owned(),
        topics: "kvarden/larkspur-cannery".to_owned(),
        shows: kvarden_config::TemperatureUnit::Celsius,
        whereabouts: crate::words::Whereabouts::default(),
        speech: crate::words::speech::Speech::ENGLISH,
    }
}

/// An alert about a feeder's voltage unbalance above its second level, just opened.
pub(crate) fn unbalance() -> AlertRevision {
    AlertRevision {
        alert: "T2/MP-3 voltage_unbalance_percent#1".to_owned(),
        revision: 1,
        at: at("13:11"),
        why: Revised::Opened,
        open: true,
        state: AlarmState::Unacknowledged,
        priority: Priority::High,
        subject: Subject {
            transformer: Some("T2".to_owned()),
            feeder: Some("MP-3".to_owned()),
            meter: Some("MP-3".to_owned()),
            matter: Matter::Quantity(Quantity::whole(Measurand::VoltageUnbalance)),
        },
        rule: Rule::Level { bound: Bound::High, level: 2 },
        value: Some(4.123),
        peak: Some(4.123),
        setpoint: Some(3.0),
        over: None,
        since: at("13:10"),
        recurred: None,
        fed: None,
        cause: None,
        held: None,
        flood: None,
    }
}

fn often(since: &str, latest: &str) -> Recurred {
    let (shortest, longest) = (Span::seconds(2), Span::seconds(9));
    Recurred { times: 31, since: at(since), latest: at(latest), shortest, longest }
}

fn about(what: Measurand, place: Place, value: f64, setpoint: f64) -> AlertRevision {
    let mut revision = unbalance();
    revision.subject.feeder = None;
    revision.subject.meter = Some("T2 secondary".to_owned());
    revision.subject.matter = Matter::Quantity(Quantity::at(what, place));
    AlertRevision { value: Some(value), peak: Some(value), setpoint: Some(setpoint), ..revision }
}

pub(in crate::words) fn about_meter(rule: Rule) -> AlertRevision {
    let mut revision = unbalance();
    revision.subject.matter = Matter::Meter;
    AlertRevision { rule, value: None, peak: None, setpoint: None, ..revision }
}

pub(in crate::words) fn about_part(part: Part) -> AlertRevision {
    let subject = Subject { transformer: None, feeder: None, meter: None, matter: Matter::Part(part) };
    AlertRevision { subject, ..about_meter(Rule::Broken) }
}

pub(in crate::words) fn lines(revisions: &[AlertRevision]) -> String {
    let lines: Vec<String> = revisions.iter().map(|revision| message(revision, &site()).text).collect();
    lines.join("\n")
}

pub(crate) fn revised(from: &AlertRevision, why: Revised, state: AlarmState, local: &str) -> AlertRevision {
    let open = !matches!(why, Revised::Closed | Revised::NoLongerWatched);
    AlertRevision { why, state, open, at: at(local), revision: from.revision + 1, ..from.clone() }
}
