//! The lines of `replay --json`: one object a line, for programs.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use kvarden_core::output::{Change, ChangeKind, FindingChange, Matter};
use kvarden_core::phases::Place;
use kvarden_core::plant::Priority;
use kvarden_core::time::EventTime;
use serde::Serialize;

/// The form's number; it changes only when a reader of the old form would read something wrong.
const FORMAT: u32 = 1;

/// One line about an alarm.
#[derive(Debug, Serialize)]
pub struct AlarmLine<'a> {
    format: u32,
    kind: &'static str,
    change: &'static str,
    at: String,
    transformer: Option<&'a str>,
    measurand: &'a str,
    place: Option<&'static str>,
    feeder: Option<&'a str>,
    meter: Option<&'a str>,
    limit: String,
    priority: Priority,
    value: Option<f64>,
    setpoint: Option<f64>,
    peak: Option<f64>,
    unit: &'static str,
    alarm: &'a str,
}

/// One line about a finding.
#[derive(Debug, Serialize)]
pub struct FindingLine<'a> {
    format: u32,
    kind: &'static str,
    change: &'static str,
    at: String,
    transformer: &'a str,
    cause: &'a str,
    phase: Option<&'static str>,
    feeder: Option<&'a str>,
    priority: Priority,
    peak: Option<f64>,
    finding: &'a str,
}

/// The line of a change, if it is one that is printed: raised or cleared.
pub fn of_alarm<'a>(change: &'a Change, zone: &TimeZone) -> Option<AlarmLine<'a>> {
    let what = match change.what {
        ChangeKind::Raised => "raised",
        ChangeKind::Cleared => "cleared",
        _ => return None,
    };
    let quantity = match &change.subject.matter {
        Matter::Quantity(quantity) => Some(*quantity),
        Matter::Meter | Matter::Part(_) => None,
    };
    Some(AlarmLine {
        format: FORMAT,
        kind: "alarm",
        change: what,
        at: local(change.at, zone),
        transformer: change.subject.transformer.as_deref(),
        measurand: quantity.map_or("meter", |quantity| quantity.what.key()),
        place: quantity.map(|quantity| quantity.place).filter(|place| *place != Place::Whole).map(Place::key),
        feeder: change.subject.feeder.as_deref(),
        meter: change.subject.meter.as_deref(),
        limit: change.rule.key(),
        priority: change.priority,
        value: change.value,
        setpoint: change.setpoint,
        peak: change.peak,
        unit: quantity.map_or("", |quantity| quantity.what.facts().unit.symbol()),
        alarm: &change.alarm,
    })
}

/// The line of a finding.
pub fn of_finding<'a>(change: &'a FindingChange, zone: &TimeZone) -> FindingLine<'a> {
    FindingLine {
        format: FORMAT,
        kind: "finding",
        change: if change.raised { "raised" } else { "cleared" },
        at: local(change.at, zone),
        transformer: &change.transformer,
        cause: &change.cause,
        phase: change.phase.map(|phase| match phase {
            kvarden_core::phases::Phase::A => "A",
            kvarden_core::phases::Phase::B => "B",
            kvarden_core::phases::Phase::C => "C",
        }),
        feeder: change.feeder.as_deref(),
        priority: change.priority,
        peak: change.peak,
        finding: &change.finding,
    }
}

/// RFC 3339 in the site's time.
fn local(at: EventTime, zone: &TimeZone) -> String {
    let timestamp = Timestamp::from_millisecond(at.0).unwrap_or_default();
    timestamp.display_with_offset(zone.to_offset(timestamp)).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::phases::Phase;

    #[test]
    fn the_form_of_a_finding_is_reserved() {
        let finding = FindingChange {
            finding: "T2/loose connection/MP-3/B#1".into(),
            raised: true,
            at: EventTime(1_790_000_000_000),
            transformer: "T2".into(),
            feeder: Some("MP-3".into()),
            phase: Some(Phase::B),
            cause: "loose connection".into(),
            priority: Priority::High,
            peak: Some(4.1),
        };
        let zone = TimeZone::get("America/Denver").unwrap();
        assert_eq!(
            serde_json::to_string(&of_finding(&finding, &zone)).unwrap(),
            r#"{"format":1,"kind":"finding","change":"raised","at":"2026-09-21T08:13:20-06:00","transformer":"T2","cause":"loose connection","phase":"B","feeder":"MP-3","priority":"high","peak":4.1,"finding":"T2/loose connection/MP-3/B#1"}"#
        );
    }
}
