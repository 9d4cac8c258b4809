//! People and the engine: a night without anybody who acknowledges, with the real monitor and the real store.

use super::tests::engine_of;
use super::*;
use crate::duty::{Duty, Rota, Rules};
use crate::store::{Options, Store};
use jiff::civil::{Weekday, date};
use kvarden_config::{Language, PersonSpec, RotaSpec, RuleSpec, TellingSpec, Way};

/// Monday, 23 November 2026, 12:00 in Denver.
const NOON: EventTime = EventTime(1_795_460_400_000);

fn rules() -> Rules {
    let person = |name: &str| PersonSpec {
        name: name.to_owned(),
        language: Language::English,
        quiet: None,
        mail: Some("duty@larkspur.example".to_owned()),
        command: Some("+1 555 0100".to_owned()),
        webhook: false,
    };
    let spec = RotaSpec {
        hand_over: (Weekday::Monday, (7, 0)),
        from: date(2026, 11, 23),
        weeks: vec![0, 1],
        exceptions: Vec::new(),
    };
    let high = RuleSpec {
        by: vec![Way::Command, Way::Mail],
        again: Some(Span::minutes(10)),
        next_in_line: Some(Span::minutes(20)),
        wait_for_cause: Span::ZERO,
    };
    Rules {
        people: vec![person("Ines"), person("Tomas")],
        rota: Rota::new(Some(spec), 2, jiff::tz::TimeZone::get("America/Denver").unwrap()),
        telling: TellingSpec { high: Some(high), ..TellingSpec::default() },
        daily: None,
    }
}

fn began(store: &Store) -> Duty {
    let newest = |alert: &str| store.alert(alert).unwrap();
    Duty::begin(rules(), store.duty().unwrap(), newest, store.open_alerts().unwrap())
}

/// What waits for mail, delivered: the person, why, and the minute since noon at which it was to be told.
fn delivered(store: &mut Store, now: EventTime) -> Vec<String> {
    let mut told = Vec::new();
    while let Some(letter) = store.next_letter("mail", now).unwrap() {
        let message: crate::words::Message = serde_json::from_str(&letter.message).unwrap();
        let why = message.told.unwrap().why;
        told.push(format!("{} {} {why}", (letter.due - NOON).0 / 60_000, letter.to.unwrap()));
        store.delivered(letter.number, now).unwrap();
    }
    told
}

/// Lets minutes pass; each second's batch is stored.
fn pass(engine: &mut Engine, store: &mut Store, minutes: std::ops::Range<i64>) {
    for second in minutes.start * 60..minutes.end * 60 {
        engine.tick(NOON + Span::seconds(second));
        if !engine.batch.is_empty() {
            store.apply(&std::mem::take(&mut engine.batch)).unwrap();
        }
    }
}

/// Row 36. Mail was away for an hour: what only reminds and nobody got is laid aside once somebody has acknowledged, by the same
/// transaction, so no pump can send it any more.
#[test]
fn a_reminder_that_somebody_made_needless_is_not_sent() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path(), Options::default(), NOON).unwrap().store;
    let mut engine = engine_of(began(&store));
    engine.part(NOON, Part::Store, false);
    pass(&mut engine, &mut store, 0..15);
    assert_eq!(delivered(&mut store, NOON + Span::minutes(15)), ["0 Ines new", "10 Ines reminder"]);
    pass(&mut engine, &mut store, 15..75);
    let alert = engine.monitor.open_alerts().next().unwrap().alert.clone();
    engine.order(NOON + Span::minutes(75), "Ines", &alert, Deed::Acknowledge).unwrap();
    pass(&mut engine, &mut store, 75..600);
    assert_eq!(delivered(&mut store, NOON + Span::minutes(600)), Vec::<String>::new());
    engine.part(NOON + Span::minutes(600), Part::Store, true);
    pass(&mut engine, &mut store, 600..610);
    assert_eq!(delivered(&mut store, NOON + Span::hours(11)), ["600 Ines cleared", "600 Tomas cleared"]);
}

/// The program dies each half hour: the same letters under the same ids as of one that lives.
#[test]
fn a_restart_neither_doubles_nor_loses_what_people_are_told() {
    let night = |restarts: bool| {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path(), Options::default(), NOON).unwrap().store;
        let mut engine = engine_of(began(&store));
        engine.part(NOON, Part::Store, false);
        let mut told = Vec::new();
        for half in 0..20 {
            pass(&mut engine, &mut store, half * 30..(half + 1) * 30);
            told.extend(delivered(&mut store, NOON + Span::minutes((half + 1) * 30)));
            if restarts {
                drop(store);
                store = Store::open(folder.path(), Options::default(), NOON).unwrap().store;
                engine.gathered = engine_of(began(&store)).gathered;
            }
        }
        told
    };
    let living = night(false);
    assert_eq!(living[..4], ["0 Ines new", "10 Ines reminder", "20 Tomas next in line", "30 Ines reminder"]);
    assert_eq!(night(true), living);
}
