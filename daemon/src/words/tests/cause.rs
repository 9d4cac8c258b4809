//! What is told once the cause of an alert is known.

use super::*;
use crate::words::advice::NEVER;
use crate::words::alphabet;
use crate::words::cause::Reads;
use crate::words::message::MOST_BYTES;
use crate::words::speech::Speech;
use crate::words::text::STANDS_ALONE;
use kvarden_core::diagnosis::{
    Cause, Evidence, Family, Figure, Finding, Lack, MOST_STARTS, Pattern, RuledOut, Share, Sign,
};
use kvarden_core::output::NamedCause;

fn mark(figure: Figure, value: f64, against: Option<f64>) -> Evidence {
    Evidence { figure, feeder: Some("MP-3".to_owned()), value, against }
}

fn pattern() -> Pattern {
    Pattern {
        times: 31,
        since: at("13:10"),
        starts: (0..31).map(|minute| at("13:10") + Span::minutes(minute)).collect(),
        shortest: Span::seconds(2),
        longest: Span::seconds(9),
        every: None,
        days: None,
    }
}

fn finding(cause: Cause, place: Option<Place>) -> Finding {
    let heat = Figure::Quantity(Quantity::at(Measurand::ContactHeat, Place::B));
    let load = Figure::Sign(Sign::ShareOfRating, Place::Whole);
    Finding {
        cause,
        transformer: "T2".to_owned(),
        feeder: Some("MP-3".to_owned()),
        place,
        since: at("13:10"),
        priority: Priority::High,
        confidence: 0.874,
        evidence: vec![mark(heat, 38.4, Some(6.0))],
        ruled_out: vec![RuledOut { family: Family::Overload, by: mark(load, 62.0, Some(100.0)) }],
        pattern: None,
        shares: vec![
            Share { feeder: Some("MP-3".to_owned()), percent: 81.6 },
            Share { feeder: None, percent: 18.4 },
        ],
        lacks: vec![Lack::Terminations],
        meter_first: None,
    }
}

pub(crate) fn told_with(facts: Finding, stands: bool, mut revision: AlertRevision) -> AlertRevision {
    let finding = "T2/loose-connection intermittent/MP-3/B#1".to_owned();
    revision.cause = Some(Box::new(NamedCause { finding, stands, facts }));
    revision
}

pub(crate) fn lug() -> Finding {
    Finding { pattern: Some(pattern()), ..finding(Cause::ConnectionIntermittent, Some(Place::B)) }
}

#[test]
fn the_line_names_the_cause_within_what_stands_alone() {
    let open = AlertRevision { why: Revised::Explained, revision: 2, at: at("15:40"), ..unbalance() };
    let elsewhere = Finding { feeder: None, place: None, ..finding(Cause::UnbalanceSupply, None) };
    let steady = finding(Cause::ConnectionSteady, Some(Place::B));
    let unsure = Finding { confidence: 0.4, ..steady.clone() };
    let own = |facts: Finding| {
        let mut own = AlertRevision { rule: Rule::Cause, why: Revised::Opened, ..open.clone() };
        own.subject.matter = Matter::Cause(facts.cause, facts.place);
        own.subject.meter = None;
        AlertRevision { value: None, peak: None, setpoint: None, ..told_with(facts, true, own) }
    };
    let over = |why, state| AlertRevision { why, state, ..told_with(lug(), false, open.clone()) };
    let into = "T2/MP-3 voltage_unbalance_percent#1".to_owned();
    let note = "lug B remade by the licensed electrician".to_owned();
    let said = lines(&[
        told_with(lug(), true, open.clone()),
        told_with(steady.clone(), true, open.clone()),
        told_with(unsure, true, open.clone()),
        told_with(elsewhere, true, open.clone()),
        own(steady),
        over(Revised::CauseOver, AlarmState::Unacknowledged),
        over(Revised::Returned, AlarmState::LatchedAcknowledged),
        AlertRevision { open: false, ..over(Revised::Merged { into }, AlarmState::Unacknowledged) },
        AlertRevision { open: false, ..over(Revised::Released { by: ines(), note }, AlarmState::Normal) },
    ]);
    insta::assert_snapshot!(said, @"
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 %, 31 times since 13:10, 2-9 s each. Likely loose phase B connection; limit 3.0 %; told now because its cause is known
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 % since 13:10. Likely poor phase B connection; limit 3.0 %; told now because its cause is known
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 % since 13:10. Perhaps poor phase B connection; limit 3.0 %; told now because its cause is known
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 % since 13:10. Likely unbalance that comes from the supply at T2; limit 3.0 %; told now because its cause is known
    HIGH Larkspur Cannery T2, MP-3: heat of a connection phase B 38 W against 6 W since 13:10. Likely poor phase B connection
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance 4.1 % (limit 3.0 %) since 13:10; loose phase B connection, told before as the cause, no longer shows
    HIGH Larkspur Cannery T2, MP-3: loose phase B connection: cooler because the load fell, the fault remains; to be released with a note; was up to 4.1 % (limit 3.0 %) since 13:10
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance is one fault with alert FY30FS and told there from now on; nothing is over
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance closed at 15:40 by Ines: lug B remade by the licensed electrician; was up to 4.1 % (limit 3.0 %) since 13:10
    ");
    for (line, cause) in
        said.lines().zip(["Likely loose phase B connection", "Likely poor phase B connection"])
    {
        let first: String = line.chars().take(STANDS_ALONE).collect();
        assert!(first.contains(cause), "{first}");
    }
}

#[test]
fn a_rate_is_told_with_its_cause_and_names_no_place_twice() {
    let mut rate = unbalance();
    rate.subject.matter = Matter::Rate(Quantity::at(Measurand::Winding, Place::A));
    (rate.value, rate.peak, rate.setpoint) = (Some(22.0), Some(22.0), Some(20.0));
    let open = told_with(finding(Cause::CoolingFan, None), true, rate);
    let back = AlertRevision { rule: Rule::Cause, value: None, setpoint: None, ..open.clone() };
    insta::assert_snapshot!(lines(&[open, back]), @"
    HIGH Larkspur Cannery T2, MP-3: winding temperature phase A rises by 22.0 K/h (limit 20.0 K/h) since 13:10. Likely fans that do not cool
    HIGH Larkspur Cannery T2, MP-3: rate of winding temperature phase A since 13:10. Likely fans that do not cool
    ");
}

#[test]
fn the_message_carries_what_proves_it_what_was_ruled_out_and_what_to_check() {
    let said = message(&told_with(lug(), true, unbalance()), &site());
    let cause = said.cause.clone().expect("the cause is known");
    assert_eq!((cause.cause.as_str(), cause.variant.as_str()), ("loose-connection", "intermittent"));
    assert_eq!((cause.place.as_deref(), cause.confidence), (Some("B"), 0.87));
    assert_eq!(cause.proof, ["heat of a connection phase B 38 W against 6 W"]);
    assert_eq!(cause.ruled_out, ["not overload: load of the rating 62 % against 100 %"]);
    assert_eq!(cause.shares, ["MP-3 82 %", "not metered 18 %"]);
    assert_eq!(cause.pattern.as_deref(), Some("31 times since 13:10, 2-9 s each, mostly 13-14 h"));
    assert!(cause.means.starts_with("Can burn"), "{}", cause.means);
    assert!(said.check[0].starts_with("Take load off this feeder by normal switching"), "{:?}", said.check);
    assert!(said.caution.contains("Local codes"));
    let over = message(&told_with(lug(), false, unbalance()), &site());
    assert!(
        over.check[0].starts_with("Compare the three line-to-line"),
        "the alarm's own advice: {:?}",
        over.check
    );
}

/// A translation, a long name or a new sign must not make a message too long for its channel, or say what is banned.
#[test]
fn every_cause_fits_a_phone_and_a_channel_and_says_nothing_banned() {
    for cause in Cause::ALL {
        for place in [None, Some(Place::B), Some(Place::N), Some(Place::AB)] {
            let long = "MP-3 in the old building behind the northern loading dock, MP-3 of the second hall";
            let mut facts = Finding { pattern: Some(pattern()), ..finding(*cause, place) };
            facts.feeder = Some(long.to_owned());
            facts.lacks = vec![Lack::FeederMeters, Lack::Neutral, Lack::VoltsAtBothEnds];
            facts.shares = vec![Share { feeder: Some(long.to_owned()), percent: 12.0 }; 12];
            facts.evidence = vec![Evidence { feeder: Some(long.to_owned()), ..facts.evidence[0].clone() }; 6];
            let out = RuledOut { by: facts.evidence[0].clone(), family: Family::Sharing };
            facts.ruled_out = vec![out; 9];
            if let Some(pattern) = &mut facts.pattern {
                pattern.starts = vec![at("13:10"); MOST_STARTS];
            }
            let said = message(&told_with(facts, true, unbalance()), &site());
            let json = said.json();
            assert!(json.len() <= MOST_BYTES && !said.check.last().unwrap().starts_with("and "), "{json}");
            assert!(NEVER.iter().all(|word| !json.to_lowercase().contains(word)), "{json}");
            assert_eq!(alphabet::plain(&said.text), said.text);
            let first: String = said.text.chars().take(STANDS_ALONE).collect();
            assert!(first.contains("4.1 %") && first.contains("since") && first.contains("ikely"), "{first}");
        }
    }
}

#[test]
fn every_member_of_a_cause_stands_in_the_document() {
    let document = include_str!("../../../../docs/forms.md");
    let table = document.split("The member `cause`:").nth(1).expect("it has its table");
    let told = message(&told_with(lug(), true, unbalance()), &site()).cause.expect("it is known");
    let json = serde_json::to_value(&told).unwrap();
    for member in json.as_object().unwrap().keys() {
        assert!(table.contains(&format!("`{member}`")), "{member}");
    }
}

/// Counted by hand: 5 January 2026 is a Monday; at 18 h UTC it is 11 h in Denver. Two weeks of it on Mondays and Thursdays, every
/// 20 minutes or so within an hour.
#[test]
fn hours_and_weekdays_stand_in_the_sentence() {
    let monday = EventTime(1_767_636_000_000);
    let days = [0, 3, 7, 10, 14].map(|day| monday + Span::hours(24 * day));
    let starts: Vec<EventTime> =
        days.iter().flat_map(|day| [0, 20, 41].map(|minute| *day + Span::minutes(minute))).collect();
    let (times, since, now) = (15, starts[0], starts[14] + Span::hours(1));
    let pattern = Pattern { times, since, starts, days: Some((3, 2)), ..pattern() };
    let zone = jiff::tz::TimeZone::get("America/Denver").unwrap();
    let reads =
        Reads { zone: &zone, shows: kvarden_config::TemperatureUnit::Celsius, speech: Speech::ENGLISH };
    let said = crate::words::pattern::sentence(&pattern, now, reads);
    assert!(
        said.contains("mostly 11-12 h, mostly on Mondays and Thursdays, growing: 3 in the latest day"),
        "{said}"
    );
    let mut every_day = pattern.clone();
    every_day.starts = (0..15).map(|day| monday + Span::hours(24 * day)).collect();
    assert!(!crate::words::pattern::sentence(&every_day, now, reads).contains("mostly on"), "{said}");
}

/// Without meters of feeders it is said which to fit first: the largest by name, where feeders are configured.
#[test]
fn which_feeder_to_meter_first_is_said() {
    let lacks = vec![Lack::FeederMeters];
    let mut facts = Finding { lacks, ..finding(Cause::UnbalanceLoad, None) };
    let said = |facts: &Finding| crate::words::cause::lacks(facts, Speech::ENGLISH).remove(0);
    assert!(said(&facts).starts_with("Fit a meter on each feeder, the largest first"), "{}", said(&facts));
    facts.meter_first = Some("MP-2".to_owned());
    assert!(said(&facts).starts_with("Fit a meter on each feeder, MP-2 first"), "{}", said(&facts));
}
