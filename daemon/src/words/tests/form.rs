//! What holds for every message: its written form, its length, and what is never said.

use super::{about, about_meter, about_part, at, ines, often, revised, site, unbalance};
use crate::words::advice::NEVER;
use crate::words::message::{MOST_BYTES, Message, message};
use crate::words::speech::Speech;
use crate::words::text::STANDS_ALONE;
use crate::words::{Site, alphabet};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::input::{MeterTrouble, Part};
use kvarden_core::measurand::Measurand;
use kvarden_core::output::{AlertRevision, Held, Matter, Revised, Rule, Subject};
use kvarden_core::plant::Bound;

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
      "fed": null,
      "meter": "MP-3",
      "location": null,
      "call": null,
      "spare": null,
      "feeds": null,
      "lugs": null,
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
      "cause": null,
      "check": [
        "Compare the three line-to-line voltages here with those on the source side: the same unbalance on both comes from the supply.",
        "Look at the phase currents at the same times: single-phase load on one phase is a usual cause, and can be moved by normal switching.",
        "Ask which three-phase motors hum, run hot or trip: they suffer first, and can be taken off by normal switching.",
        "If one phase sags only under load, a usual cause is a poor connection or conductor between source and meter: infrared through a window made for it.",
        "Compare with a second meter: a blown voltage fuse or loose lead of the meter looks the same. Anything further is planned work on dead gear."
      ],
      "caution": "Qualified persons only. Keep the arc-flash boundary and wear the PPE on the label. Prove dead before touching. Never open a CT secondary under current. Local codes and the licensed electrician decide.",
      "text": "HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10, 31 times, 2-9 s each",
      "told": null
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
        (Revised::Chattering, AlarmState::Unacknowledged),
        (Revised::Calm, AlarmState::Acknowledged),
        (Revised::WorkBegun, AlarmState::Unacknowledged),
        (Revised::Stands { after: Held::Work }, AlarmState::Unacknowledged),
        (Revised::Stands { after: Held::Flood }, AlarmState::Unacknowledged),
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
    let all = || all_mixes().into_iter();
    for (speech, revision) in Speech::all().flat_map(|speech| all().map(move |revision| (speech, revision))) {
        let said = message(&revision, &site().spoken(speech));
        let json = said.json();
        let lower = json.to_lowercase();
        assert!(NEVER.iter().all(|word| !lower.contains(word)), "{json}");
        assert_eq!(alphabet::plain(&said.text), said.text);
        assert!(json.len() <= MOST_BYTES / 2, "{json}");
        // German words are longer.
        let most = if speech == Speech::ENGLISH { 2 * STANDS_ALONE + 20 } else { 3 * STANDS_ALONE };
        assert!(said.text.chars().count() <= most, "{}", said.text);
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
    assert_eq!(said.check.last().map(String::as_str), Some("and 4 more"));
}
