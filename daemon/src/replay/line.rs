//! The lines of `replay --json`: one object a line, for programs.

use crate::words::message::unit_of;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use kvarden_core::diagnosis::{Figure, FindingChange, FindingStep};
use kvarden_core::output::{AlertRevision, Change, ChangeKind, Matter, Output, RecordingSpan};
use kvarden_core::phases::Place;
use kvarden_core::plant::Priority;
use kvarden_core::time::EventTime;
use serde::Serialize;
use std::collections::BTreeMap;
use std::io::{self, Write};

/// The form's number; it changes only when a reader of the old form would read something wrong.
const FORMAT: u32 = 1;

/// One line about an alarm: written when it has cleared, or at the end if it still stands.
#[derive(Debug, Serialize)]
struct AlarmLine<'a> {
    format: u32,
    kind: &'static str,
    raised: String,
    cleared: Option<String>,
    transformer: Option<&'a str>,
    measurand: &'a str,
    phase: Option<&'static str>,
    place: Option<&'static str>,
    number: Option<u8>,
    feeder: Option<&'a str>,
    meter: Option<&'a str>,
    limit: String,
    priority: Priority,
    peak: Option<f64>,
    setpoint: Option<f64>,
    unit: &'static str,
    /// Excursions, for an alarm about something that comes and goes.
    times: Option<u32>,
    alarm: &'a str,
}

/// One line about a finding, likewise.
#[derive(Debug, Serialize)]
struct FindingLine<'a> {
    format: u32,
    kind: &'static str,
    raised: String,
    cleared: Option<String>,
    transformer: &'a str,
    cause: &'static str,
    variant: &'static str,
    phase: Option<&'static str>,
    place: Option<&'static str>,
    feeder: Option<&'a str>,
    priority: Priority,
    peak: Option<f64>,
    unit: &'static str,
    confidence: f64,
    finding: &'a str,
}

/// One line about a recording, written when its last reading has come.
#[derive(Debug, Serialize)]
struct RecordingLine<'a> {
    format: u32,
    kind: &'static str,
    from: String,
    to: String,
    scope: &'a str,
    priority: Priority,
    alarm: &'a str,
}

/// Writes one line for each alarm and finding as it ends, and the rest at the end.
#[derive(Debug, Default)]
pub struct Lines {
    alarms: BTreeMap<String, (EventTime, Change)>,
    findings: BTreeMap<String, (EventTime, FindingChange)>,
}

impl Lines {
    /// Takes one output.
    ///
    /// # Errors
    /// When the line can't be written.
    pub fn take(&mut self, output: &Output, zone: &TimeZone, out: &mut impl Write) -> io::Result<()> {
        match output {
            Output::Alarm(change) => match change.what {
                ChangeKind::Raised => {
                    self.alarms.insert(change.alarm.clone(), (change.at, change.clone()));
                }
                ChangeKind::Cleared => {
                    let raised = self.alarms.remove(&change.alarm).map_or(change.since, |(raised, _)| raised);
                    write(out, &alarm_line(change, raised, Some(change.at), zone))?;
                }
                _ => {}
            },
            Output::Alert(revision) => self.follow(revision),
            Output::Finding(change) => {
                let raised = self.findings.get(&change.finding).map_or(change.at, |(raised, _)| *raised);
                if matches!(change.what, FindingStep::Ended | FindingStep::NoLongerWatched) {
                    self.findings.remove(&change.finding);
                    write(out, &finding_line(change, raised, Some(change.at), zone))?;
                } else {
                    self.findings.insert(change.finding.clone(), (raised, change.clone()));
                }
            }
            Output::Recording(span) => write(out, &recording_line(span, zone))?,
            _ => {}
        }
        Ok(())
    }

    /// The worst value and the count of an alarm that stands, as its alert last told them.
    fn follow(&mut self, revision: &AlertRevision) {
        let same = |change: &Change| change.subject == revision.subject && change.rule == revision.rule;
        if let Some((_, change)) = self.alarms.values_mut().find(|(_, change)| same(change)) {
            change.peak = revision.peak.or(change.peak);
            change.recurred = revision.recurred.or(change.recurred);
        }
    }

    /// Writes what still stands, the earliest first.
    ///
    /// # Errors
    /// When a line can't be written.
    pub fn finish(self, zone: &TimeZone, out: &mut impl Write) -> io::Result<()> {
        let mut alarms: Vec<_> = self.alarms.into_values().collect();
        alarms.sort_by_key(|(raised, _)| *raised);
        for (raised, change) in &alarms {
            write(out, &alarm_line(change, *raised, None, zone))?;
        }
        let mut findings: Vec<_> = self.findings.into_values().collect();
        findings.sort_by_key(|(raised, _)| *raised);
        for (raised, change) in &findings {
            write(out, &finding_line(change, *raised, None, zone))?;
        }
        Ok(())
    }
}

fn write(out: &mut impl Write, line: &impl Serialize) -> io::Result<()> {
    serde_json::to_writer(&mut *out, line)?;
    out.write_all(b"\n")
}

fn alarm_line<'a>(
    change: &'a Change,
    raised: EventTime,
    cleared: Option<EventTime>,
    zone: &TimeZone,
) -> AlarmLine<'a> {
    let quantity = match &change.subject.matter {
        Matter::Quantity(quantity) | Matter::Rate(quantity) => Some(*quantity),
        Matter::Meter
        | Matter::Part(_)
        | Matter::Supply(_)
        | Matter::Cause(..)
        | Matter::Flood
        | Matter::Work => None,
    };
    let place = quantity.map(|quantity| quantity.place).filter(|place| *place != Place::Whole);
    AlarmLine {
        format: FORMAT,
        kind: "alarm",
        raised: local(raised, zone),
        cleared: cleared.map(|cleared| local(cleared, zone)),
        transformer: change.subject.transformer.as_deref(),
        measurand: match (&change.subject.matter, quantity) {
            (_, Some(quantity)) => quantity.what.key(),
            (Matter::Supply(_), None) => "supply",
            (Matter::Cause(..), None) => "cause",
            (Matter::Flood, None) => "flood",
            (Matter::Work, None) => "work",
            _ => "meter",
        },
        phase: place.filter(|place| Place::PHASES.contains(place)).map(Place::key),
        place: place.map(Place::key),
        number: quantity.map(|quantity| quantity.number).filter(|number| *number > 0),
        feeder: change.subject.feeder.as_deref(),
        meter: change.subject.meter.as_deref(),
        limit: change.rule.key(),
        priority: change.priority,
        peak: change.peak,
        setpoint: change.setpoint,
        unit: quantity.map_or("", |quantity| unit_of(&change.subject.matter, quantity)),
        times: change.recurred.map(|recurred| recurred.times),
        alarm: &change.alarm,
    }
}

fn finding_line<'a>(
    change: &'a FindingChange,
    raised: EventTime,
    cleared: Option<EventTime>,
    zone: &TimeZone,
) -> FindingLine<'a> {
    let facts = &change.facts;
    let worst = facts.evidence.first();
    FindingLine {
        format: FORMAT,
        kind: "finding",
        raised: local(raised, zone),
        cleared: cleared.map(|cleared| local(cleared, zone)),
        transformer: &facts.transformer,
        cause: facts.cause.family().key(),
        variant: facts.cause.key(),
        phase: facts.place.filter(|place| Place::PHASES.contains(place)).map(Place::key),
        place: facts.place.map(Place::key),
        feeder: facts.feeder.as_deref(),
        priority: facts.priority,
        peak: worst.map(|worst| worst.value),
        unit: worst.map_or("", |worst| match worst.figure {
            Figure::Quantity(quantity) => unit_of(&Matter::Quantity(quantity), quantity),
            Figure::Sign(sign, _) => sign.unit(),
        }),
        confidence: facts.confidence,
        finding: &change.finding,
    }
}

fn recording_line<'a>(span: &'a RecordingSpan, zone: &TimeZone) -> RecordingLine<'a> {
    RecordingLine {
        format: FORMAT,
        kind: "recording",
        from: local(span.from, zone),
        to: local(span.to, zone),
        scope: &span.scope,
        priority: span.priority,
        alarm: &span.alarm,
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
    use kvarden_core::diagnosis::{Cause, Evidence, Finding};
    use kvarden_core::measurand::{Measurand, Quantity};

    fn finding(what: FindingStep, at: i64, peak: f64) -> Output {
        let figure = Figure::Quantity(Quantity::at(Measurand::ContactHeat, Place::B));
        let feeder = Some("MP-3".to_owned());
        let facts = Finding {
            cause: Cause::ConnectionSteady,
            transformer: "T2".into(),
            feeder: feeder.clone(),
            place: Some(Place::B),
            since: EventTime(at),
            priority: Priority::High,
            confidence: 0.9,
            evidence: vec![Evidence { figure, feeder, value: peak, against: None }],
            ruled_out: Vec::new(),
            pattern: None,
            shares: Vec::new(),
            lacks: Vec::new(),
            meter_first: None,
        };
        let finding = "T2/loose-connection steady/MP-3/B#1".into();
        Output::Finding(FindingChange { finding, step: 1, at: EventTime(at), what, facts })
    }

    #[test]
    fn a_finding_is_one_line_when_it_has_ended() {
        let zone = TimeZone::get("America/Denver").unwrap();
        let (mut lines, mut out) = (Lines::default(), Vec::new());
        lines.take(&finding(FindingStep::Found, 1_790_000_000_000, 4.1), &zone, &mut out).unwrap();
        lines.take(&finding(FindingStep::Worse, 1_790_000_030_000, 4.2), &zone, &mut out).unwrap();
        assert!(out.is_empty());
        lines.take(&finding(FindingStep::Ended, 1_790_000_060_000, 4.3), &zone, &mut out).unwrap();
        lines.finish(&zone, &mut out).unwrap();
        assert_eq!(
            String::from_utf8(out).unwrap(),
            concat!(
                r#"{"format":1,"kind":"finding","raised":"2026-09-21T08:13:20-06:00","cleared":"2026-09-21T08:14:20-06:00","#,
                r#""transformer":"T2","cause":"loose-connection","variant":"steady","phase":"B","place":"B","feeder":"MP-3","#,
                r#""priority":"high","peak":4.3,"unit":"W","confidence":0.9,"finding":"T2/loose-connection steady/MP-3/B#1"}"#,
                "\n"
            )
        );
    }

    /// The table of `docs/forms.md` names every member of both lines.
    #[test]
    fn every_member_stands_in_the_document() {
        let document = include_str!("../../../docs/forms.md");
        let written = include_str!("line.rs");
        for name in ["AlarmLine", "FindingLine", "RecordingLine"] {
            let body =
                written.split(&format!("struct {name}<'a> {{")).nth(1).unwrap().split('}').next().unwrap();
            let members: Vec<&str> = body
                .lines()
                .filter(|line| !line.trim_start().starts_with("///"))
                .filter_map(|line| line.trim().split(':').next())
                .filter(|member| !member.is_empty())
                .collect();
            assert!(members.len() >= 7, "{members:?}");
            for member in members {
                assert!(document.contains(&format!("`{member}`")), "{name}: {member}");
            }
        }
    }

    #[test]
    fn what_still_stands_at_the_end_has_no_time_of_clearing() {
        let (mut lines, mut out) = (Lines::default(), Vec::new());
        lines.take(&finding(FindingStep::Found, 0, 4.1), &TimeZone::UTC, &mut out).unwrap();
        lines.finish(&TimeZone::UTC, &mut out).unwrap();
        assert!(String::from_utf8(out).unwrap().contains(r#""cleared":null"#));
    }
}
