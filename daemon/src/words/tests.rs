//! Each kind of message, as the electrician reads it.

use super::advice::NEVER;
use super::message::{MOST_BYTES, Message, message};
use super::text::STANDS_ALONE;
use super::{Site, alphabet};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::input::{MeterTrouble, Part};
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

pub(super) fn site() -> Site {
    Site {
        name: "Larkspur Cannery".to_owned(),
        zone: TimeZone::get("America/Denver").unwrap(),
        book: "k7".to_owned(),
        topics: "kvarden/larkspur-cannery".to_owned(),
        shows: kvarden_config::TemperatureUnit::Celsius,
        whereabouts: super::Whereabouts::default(),
    }
}

/// An alert about a feeder's voltage unbalance above its second level, just opened.
fn unbalance() -> AlertRevision {
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

pub(super) fn about_meter(rule: Rule) -> AlertRevision {
    let mut revision = unbalance();
    revision.subject.matter = Matter::Meter;
    AlertRevision { rule, value: None, peak: None, setpoint: None, ..revision }
}

pub(super) fn about_part(part: Part) -> AlertRevision {
    let subject = Subject { transformer: None, feeder: None, meter: None, matter: Matter::Part(part) };
    AlertRevision { subject, ..about_meter(Rule::Broken) }
}

pub(super) fn lines(revisions: &[AlertRevision]) -> String {
    let lines: Vec<String> = revisions.iter().map(|revision| message(revision, &site()).text).collect();
    lines.join("\n")
}

pub(super) fn revised(from: &AlertRevision, why: Revised, state: AlarmState, local: &str) -> AlertRevision {
    let open = !matches!(why, Revised::Closed | Revised::NoLongerWatched);
    AlertRevision { why, state, open, at: at(local), revision: from.revision + 1, ..from.clone() }
}

#[test]
fn a_limit_passed_is_told_from_the_first_word_to_the_close() {
    use AlarmState::{Acknowledged, Normal, ReturnedUnacknowledged, Unacknowledged};
    let open = unbalance();
    let mut worse = revised(&open, Revised::Worse, Unacknowledged, "13:20");
    (worse.priority, worse.value, worse.peak, worse.setpoint) =
        (Priority::Urgent, Some(5.04), Some(5.04), Some(5.0));
    let mut milder = revised(&worse, Revised::Milder, Unacknowledged, "13:30");
    (milder.priority, milder.value, milder.setpoint) = (Priority::Low, Some(2.2), Some(2.0));
    let told = lines(&[
        open.clone(),
        worse.clone(),
        milder,
        revised(&open, Revised::Acknowledged { by: ines() }, Acknowledged, "13:40"),
        revised(&open, Revised::Returned, ReturnedUnacknowledged, "14:02"),
        revised(&open, Revised::Closed, Normal, "14:05"),
    ]);
    insta::assert_snapshot!(told, @r#"
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10
    URGENT Larkspur Cannery T2, MP-3: voltage unbalance 5.04 % (limit 5.0 %) since 13:10; told now because it got worse or came back
    LOW Larkspur Cannery T2, MP-3: voltage unbalance 2.2 % (limit 2.0 %) since 13:10; was up to 5.0 %; milder than before, not over
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; acknowledged by Ines
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance back within limits since 14:02; still to be acknowledged; was up to 4.1 % (limit 3.0 %) since 13:10
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance back within limits, closed at 14:05; was up to 4.1 % (limit 3.0 %) since 13:10
    "#);
}

#[test]
fn what_comes_and_goes_is_told_with_how_often_and_how_long() {
    use AlarmState::{Acknowledged, ReturnedUnacknowledged, Unacknowledged};
    let level = AlertRevision { recurred: Some(often("13:10", "16:40")), at: at("16:40"), ..unbalance() };
    let rule = Rule::Recurrence { bound: Bound::High };
    let only = AlertRevision { rule, value: Some(0.9), setpoint: Some(2.0), ..level.clone() };
    let later = AlertRevision { since: at("14:00"), ..level.clone() };
    let mut next_day = revised(&only, Revised::CameAgain, Acknowledged, "16:40");
    next_day.at += Span::hours(24);
    insta::assert_snapshot!(lines(&[
        level,
        only.clone(),
        later,
        next_day,
        revised(&only, Revised::Acknowledged { by: ines() }, Acknowledged, "17:00"),
        revised(&only, Revised::Worse, Unacknowledged, "17:00"),
        revised(&only, Revised::Returned, ReturnedUnacknowledged, "22:40"),
    ]), @r#"
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10, 31 times, 2-9 s each
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 % (limit 2.0 %) since 13:10, 31 times, 2-9 s each
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 14:00; 31 times since 13:10, 2-9 s each
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 % (limit 2.0 %) since Tue 24 Nov 13:10, 31 times, 2-9 s each
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 % (limit 2.0 %) since 13:10, 31 times, 2-9 s each; acknowledged by Ines
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 % (limit 2.0 %) since 13:10, 31 times, 2-9 s each; told now because it got worse or came back
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance not seen again after 16:40; still to be acknowledged; 31 times since 13:10, 2-9 s each; was up to 4.1 % (limit 2.0 %) since 13:10
    "#);
}

#[test]
fn a_hot_place_that_cooled_is_never_told_as_mended() {
    use AlarmState::{Acknowledged, LatchedAcknowledged, LatchedUnacknowledged, Normal};
    let mut hot = about(Measurand::Termination, Place::B, 96.04, 90.0);
    hot.peak = Some(101.3);
    let cooled = revised(&hot, Revised::Returned, LatchedUnacknowledged, "15:00");
    insta::assert_snapshot!(lines(&[
        hot.clone(),
        revised(&hot, Revised::Acknowledged { by: ines() }, Acknowledged, "13:30"),
        cooled.clone(),
        revised(&cooled, Revised::Acknowledged { by: ines() }, LatchedAcknowledged, "15:10"),
        revised(&cooled, Revised::Closed, Normal, "16:00"),
    ]), @r#"
    HIGH Larkspur Cannery T2: termination temperature phase B 96.0 deg C (limit 90.0 deg C) since 13:10; was up to 101.3 deg C; meter T2 secondary
    HIGH Larkspur Cannery T2: termination temperature phase B 96.0 deg C (limit 90.0 deg C) since 13:10; was up to 101.3 deg C; meter T2 secondary; acknowledged by Ines
    HIGH Larkspur Cannery T2: termination temperature phase B cooler now since 15:00, the fault may remain; to be acknowledged and released; was up to 101.3 deg C (limit 90.0 deg C) since 13:10; meter T2 secondary
    HIGH Larkspur Cannery T2: termination temperature phase B cooler now, the fault may remain; to be released with a note; was up to 101.3 deg C (limit 90.0 deg C) since 13:10; meter T2 secondary; acknowledged by Ines
    HIGH Larkspur Cannery T2: termination temperature phase B back within limits, closed at 16:00; was up to 101.3 deg C (limit 90.0 deg C) since 13:10; meter T2 secondary
    "#);
}

#[test]
fn each_place_and_unit_has_its_words() {
    let low = |what, place, value, setpoint| AlertRevision {
        rule: Rule::Level { bound: Bound::Low, level: 1 },
        peak: Some(value * 0.95),
        ..about(what, place, value, setpoint)
    };
    let absent = AlertRevision { value: None, ..about(Measurand::Current, Place::A, 212.0, 208.0) };
    insta::assert_snapshot!(lines(&[
        about(Measurand::VoltageLn, Place::B, 131.0, 127.2),
        low(Measurand::VoltageLl, Place::AB, 165.44, 166.4),
        about(Measurand::TerminationRise, Place::N, 41.0, 40.0),
        about(Measurand::LoadingKva, Place::Whole, 112.4, 110.0),
        about(Measurand::VoltageThd, Place::C, 8.26, 8.25),
        low(Measurand::PowerFactor, Place::Whole, 0.71, 0.8),
        absent,
    ]), @r#"
    HIGH Larkspur Cannery T2: line-to-neutral voltage phase B 131.0 V (limit 127.2 V) since 13:10; meter T2 secondary
    HIGH Larkspur Cannery T2: line-to-line voltage lines A-B 165.4 V (low limit 166.4 V) since 13:10; was down to 157.2 V; meter T2 secondary
    HIGH Larkspur Cannery T2: termination rise over ambient neutral 41.0 K (limit 40.0 K) since 13:10; meter T2 secondary
    HIGH Larkspur Cannery T2: loading by kVA 112 % (limit 110 %) since 13:10; meter T2 secondary
    HIGH Larkspur Cannery T2: voltage distortion (THD) phase C 8.3 % (limit 8.25 %) since 13:10; meter T2 secondary
    HIGH Larkspur Cannery T2: power factor 0.71 (low limit 0.80) since 13:10; was down to 0.67; meter T2 secondary
    HIGH Larkspur Cannery T2: current phase A not measured (limit 208.0 A) since 13:10; was up to 212.0 A; meter T2 secondary
    "#);
}

#[test]
fn a_meter_that_says_nothing_or_always_the_same_is_told_as_that() {
    use AlarmState::{Normal, ReturnedUnacknowledged};
    let silent = about_meter(Rule::Silent { level: 3 });
    let frozen = about_meter(Rule::Frozen);
    let mut sensor = silent.clone();
    sensor.subject.feeder = None;
    sensor.subject.meter = Some("T2 sensors".to_owned());
    insta::assert_snapshot!(lines(&[
        silent.clone(),
        sensor,
        revised(&silent, Revised::Returned, ReturnedUnacknowledged, "13:50"),
        frozen.clone(),
        revised(&frozen, Revised::Closed, Normal, "14:20"),
    ]), @r#"
    HIGH Larkspur Cannery T2, MP-3: meter silent since 13:10, nothing is judged there
    HIGH Larkspur Cannery T2: meter T2 sensors silent since 13:10, nothing is judged there
    HIGH Larkspur Cannery T2, MP-3: meter values back since 13:50; still to be acknowledged
    HIGH Larkspur Cannery T2, MP-3: meter values frozen since 13:10, nothing is judged by them
    HIGH Larkspur Cannery T2, MP-3: meter values moving again, closed at 14:20
    "#);
}

#[test]
fn a_part_of_the_program_that_fails_says_what_that_costs() {
    use AlarmState::{Normal, ReturnedUnacknowledged};
    let broker = about_part(Part::Broker);
    let channel = about_part(Part::Channel("mqtt".to_owned()));
    insta::assert_snapshot!(lines(&[
        broker.clone(),
        about_part(Part::Store),
        channel.clone(),
        revised(&broker, Revised::Returned, ReturnedUnacknowledged, "13:50"),
        revised(&channel, Revised::Closed, Normal, "14:20"),
    ]), @r#"
    HIGH Larkspur Cannery: no link to the broker of the meters since 13:10, nothing is judged by them
    HIGH Larkspur Cannery: store not writable since 13:10, judging goes on but is not kept
    HIGH Larkspur Cannery: channel mqtt not delivering since 13:10, its messages wait
    HIGH Larkspur Cannery: link to the broker of the meters working again since 13:50; still to be acknowledged
    HIGH Larkspur Cannery: channel mqtt delivering again, closed at 14:20
    "#);
}

#[test]
fn what_is_held_back_or_dropped_says_who_and_until_when() {
    use AlarmState::{Normal, OutOfService, Shelved, Unacknowledged};
    let open = unbalance();
    let until = at("13:40") + Span::hours(8);
    let tomorrow = at("13:40") + Span::hours(24);
    insta::assert_snapshot!(lines(&[
        revised(&open, Revised::Shelved { by: ines(), until }, Shelved, "13:40"),
        revised(&open, Revised::Shelved { by: ines(), until: tomorrow }, Shelved, "13:40"),
        revised(&open, Revised::Unshelved, Unacknowledged, "21:40"),
        revised(&open, Revised::OutOfService { by: ines() }, OutOfService, "13:40"),
        revised(&open, Revised::NoLongerWatched, Normal, "15:00"),
    ]), @r#"
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; shelved by Ines until 21:40: no messages, recording goes on
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; shelved by Ines until Wed 25 Nov 13:40: no messages, recording goes on
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; told again: no longer shelved or out of service
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; taken out of service by Ines: no messages, recording goes on
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance no longer watched: removed from the configuration; was up to 4.1 % (limit 3.0 %) since 13:10; this says nothing about the fault
    "#);
}

#[test]
fn the_whole_message_in_its_written_form() {
    let revision = AlertRevision { recurred: Some(often("13:10", "13:40")), ..unbalance() };
    let said = message(&revision, &site());
    let json = serde_json::to_string_pretty(&said).unwrap();
    insta::assert_snapshot!(json, @r#"
    {
      "format": 1,
      "id": "k7:T2/MP-3 voltage_unbalance_percent#1:1",
      "alert": "T2/MP-3 voltage_unbalance_percent#1",
      "code": "FY30FS",
      "revision": 1,
      "sequence": null,
      "state": "open",
      "alarm_state": "unacknowledged",
      "priority": "high",
      "act": "this shift",
      "site": "Larkspur Cannery",
      "transformer": "T2",
      "feeder": "MP-3",
      "meter": "MP-3",
      "location": null,
      "call": null,
      "spare": null,
      "what": "voltage unbalance",
      "measurand": "voltage_unbalance_percent",
      "place": null,
      "number": null,
      "value": 4.123,
      "unit": "%",
      "setpoint": 3.0,
      "peak": 4.123,
      "since": "2026-11-24T13:10:00-07:00",
      "at": "2026-11-24T13:11:00-07:00",
      "recurred": {
        "times": 31,
        "since": "2026-11-24T13:10:00-07:00",
        "shortest_s": 2.0,
        "longest_s": 9.0
      },
      "check": [
        "Compare the three line-to-line voltages here with those on the source side: the same unbalance on both comes from the supply.",
        "Look at the phase currents at the same times: single-phase load on one phase is a usual cause, and can be moved by normal switching.",
        "Ask which three-phase motors hum, run hot or trip: they suffer first, and can be taken off by normal switching.",
        "If one phase sags only under load, a usual cause is a poor connection or conductor between source and meter: infrared through a window made for it.",
        "Compare with a second meter: a blown voltage fuse or loose lead of the meter looks the same. Anything further is planned work on dead gear."
      ],
      "caution": "Qualified persons only. Keep the arc-flash boundary and wear the PPE on the label. Prove dead before touching. Never open a CT secondary under current. Local codes and the licensed electrician decide.",
      "text": "HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10, 31 times, 2-9 s each"
    }
    "#);
    let read: Message = serde_json::from_str(&said.json()).unwrap();
    assert_eq!(read, said);
}

/// Every mix of matter, rule, state and reason.
fn all_mixes() -> Vec<AlertRevision> {
    let mut matters = vec![about_meter(Rule::Silent { level: 1 }), about_meter(Rule::Frozen)];
    matters.extend(MeterTrouble::ALL.map(|trouble| about_meter(Rule::Trouble(trouble))));
    matters.extend(Part::FIXED.into_iter().chain([Part::Channel("file".to_owned())]).map(about_part));
    for what in Measurand::ALL {
        // The longest number of each place stands for all: the words differ in nothing else.
        let most = *what.facts().numbers.range().end();
        // As long as the measurand's own numbers can be.
        let high = what.facts().range.1;
        let (value, setpoint) = (20_123.4f64.min(high), 19_999.5f64.min(high * 0.9));
        for quantity in what.quantities().filter(|quantity| [0, most].contains(&quantity.number)) {
            let mut level = AlertRevision {
                recurred: Some(often("11:00", "12:00")),
                ..about(*what, quantity.place, value, setpoint)
            };
            level.subject.matter = Matter::Quantity(quantity);
            for bound in [Bound::High, Bound::Low] {
                matters.push(AlertRevision { rule: Rule::Level { bound, level: 1 }, ..level.clone() });
                matters.push(AlertRevision { rule: Rule::Recurrence { bound }, ..level.clone() });
            }
        }
    }
    let reasons = [
        (Revised::Opened, AlarmState::Unacknowledged),
        (Revised::Worse, AlarmState::Unacknowledged),
        (Revised::Instead, AlarmState::Unacknowledged),
        (Revised::CameAgain, AlarmState::Acknowledged),
        (Revised::Acknowledged { by: ines() }, AlarmState::LatchedAcknowledged),
        (Revised::Returned, AlarmState::ReturnedUnacknowledged),
        (Revised::Returned, AlarmState::LatchedUnacknowledged),
        (Revised::Shelved { by: ines(), until: at("23:00") }, AlarmState::Shelved),
        (Revised::OutOfService { by: ines() }, AlarmState::OutOfService),
        (Revised::Closed, AlarmState::Normal),
        (Revised::NoLongerWatched, AlarmState::Normal),
    ];
    let mixed = |matter: &AlertRevision| {
        reasons
            .clone()
            .map(|(why, state)| AlertRevision { since: at("00:10"), ..revised(matter, why, state, "14:00") })
    };
    matters.iter().flat_map(mixed).collect()
}

#[test]
fn no_message_says_what_advice_never_says_and_all_fit_a_phone() {
    for revision in all_mixes() {
        let said = message(&revision, &site());
        let json = said.json();
        let lower = json.to_lowercase();
        assert!(NEVER.iter().all(|word| !lower.contains(word)), "{json}");
        assert_eq!(alphabet::plain(&said.text), said.text);
        assert!(json.len() <= MOST_BYTES / 2, "{json}");
        assert!(said.text.chars().count() <= 2 * STANDS_ALONE + 20, "{}", said.text);
        assert_eq!(said.check.is_empty(), !revision.open, "{json}");
        assert!(!said.caution.is_empty());
    }
}

#[test]
fn the_first_140_characters_hold_priority_place_number_and_limit_however_long_the_names() {
    let long = |name: &str| format!("{name} in the old building behind the northern loading dock, {name}");
    let site = Site { name: long("Larkspur Cannery"), ..site() };
    for mut revision in all_mixes() {
        let Subject { transformer, feeder, meter, .. } = &mut revision.subject;
        *transformer = transformer.as_ref().map(|_| long("T2"));
        *feeder = Some(long("MP-3"));
        *meter = meter.as_ref().map(|_| long("MP-3"));
        let text = message(&revision, &site).text;
        let first: String = text.chars().take(STANDS_ALONE).collect();
        let closed = matches!(revision.why, Revised::Closed | Revised::NoLongerWatched);
        let over = closed || revision.state == AlarmState::ReturnedUnacknowledged;
        let matter = matches!(revision.subject.matter, Matter::Quantity(_));
        if matter && !over && revision.state == AlarmState::Unacknowledged {
            let limit = format!("limit {}", revision.setpoint.unwrap().trunc());
            assert!(first.starts_with("HIGH Lark"), "{text}");
            assert!(first.contains("T2") && first.contains("P-3"), "{text}");
            assert!(first.contains(&limit) && first.contains("since 00:10"), "{text}");
        }
        if over && !closed {
            assert!(first.contains("since 14:00") || first.contains("not seen again after 12:00"), "{text}");
        }
    }
}

#[test]
fn a_message_with_absurd_names_is_shortened_when_it_is_built() {
    let mut revision = unbalance();
    let absurd = "ж\"\\\u{1}".repeat(5_000);
    revision.subject.transformer = Some(absurd.clone());
    revision.subject.feeder = Some(absurd.clone());
    revision.subject.meter = Some(absurd.clone());
    revision.why = Revised::Acknowledged { by: absurd.clone() };
    revision.alert = "x".repeat(3_000);
    let said = message(&revision, &Site { name: absurd, ..site() });
    assert!(said.json().len() <= MOST_BYTES, "{}", said.json().len());
    assert_eq!(said.check.last().map(String::as_str), Some("and 3 more"));
}

#[test]
fn numbers_without_meaning_are_absent_and_not_zero() {
    let revision = AlertRevision { value: Some(f64::NAN), peak: Some(f64::INFINITY), ..unbalance() };
    let said = message(&revision, &site());
    assert_eq!((said.value, said.peak), (None, None));
    assert!(said.text.contains("voltage unbalance not measured (limit 3.0 %)"), "{}", said.text);
}

#[test]
fn a_mean_is_told_as_a_mean_and_a_point_without_a_value_as_that() {
    let mean = AlertRevision { over: Some(Span::minutes(10)), ..unbalance() };
    let sensor = AlertRevision {
        rule: Rule::Absent,
        value: None,
        peak: None,
        setpoint: None,
        ..about(Measurand::Winding, Place::B, 0.0, 0.0)
    };
    let back = revised(&sensor, Revised::Closed, AlarmState::Normal, "14:00");
    insta::assert_snapshot!(lines(&[mean, sensor, back]), @r"
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (mean of 10 min, limit 3.0 %) since 13:10
    HIGH Larkspur Cannery T2: winding temperature phase B gives no value since 13:10, nothing is judged by it; meter T2 secondary
    HIGH Larkspur Cannery T2: winding temperature phase B gives values again, closed at 14:00; meter T2 secondary
    ");
}

#[test]
fn a_value_that_does_not_fit_the_nameplate_is_told_with_what_it_costs() {
    let volts = about(Measurand::VoltageLl, Place::AB, 2080.0, 312.0);
    let text = message(&AlertRevision { rule: Rule::Nameplate, ..volts }, &site()).text;
    let said = "line-to-line voltage lines A-B 2080.0 V does not fit the nameplate (limit 312.0 V)";
    assert!(text.contains(said) && text.contains("the limits of this meter wait"), "{text}");
}

#[test]
fn how_fast_a_value_rises_or_falls_is_told_by_the_hour() {
    let mut winding = about(Measurand::Winding, Place::A, 22.0, 20.0);
    winding.subject.matter = Matter::Rate(Quantity::at(Measurand::Winding, Place::A));
    winding.over = Some(Span::minutes(30));
    for (bound, sign, way) in [(Bound::High, 1.0, "rises"), (Bound::Low, -1.0, "falls")] {
        let revision = AlertRevision {
            rule: Rule::Level { bound, level: 1 },
            value: Some(22.0 * sign),
            setpoint: Some(20.0 * sign),
            ..winding.clone()
        };
        let said = message(&revision, &site());
        let expected = format!("winding temperature phase A {way} by 22.0 K/h (limit 20.0 K/h over");
        assert!(said.text.contains(&expected), "{}", said.text);
        assert_eq!(said.unit.as_deref(), Some("K/h"));
    }
}

/// 96 °C is 204.8 °F and 101.3 °C is 214.3 °F, by the definition of the scales. Programs read °C all the same.
#[test]
fn a_site_that_reads_fahrenheit_is_told_so_and_programs_are_not() {
    let revision = about(Measurand::Termination, Place::B, 96.0, 90.0);
    let site = Site { shows: kvarden_config::TemperatureUnit::Fahrenheit, ..site() };
    let said = message(&revision, &site);
    assert!(said.text.contains("204.8 deg F (limit 194.0 deg F)"), "{}", said.text);
    assert_eq!((said.value, said.setpoint, said.unit.as_deref()), (Some(96.0), Some(90.0), Some("°C")));
}
