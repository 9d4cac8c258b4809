//! Values: their places, units, means and rates, and what is said where there is none.

use super::{about, lines, revised, site, unbalance};
use crate::words::Site;
use crate::words::message::message;
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::output::{AlertRevision, Matter, Revised, Rule};
use kvarden_core::phases::Place;
use kvarden_core::plant::Bound;
use kvarden_core::time::Span;

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

/// 22 K in an hour are 39.6 °F in an hour, and 20 K 36 °F: a difference has no zero point. By the definition of the scales.
#[test]
fn a_rate_is_read_in_the_unit_of_the_site_too() {
    let mut winding = about(Measurand::Winding, Place::A, 22.0, 20.0);
    winding.subject.matter = Matter::Rate(Quantity::at(Measurand::Winding, Place::A));
    let site = Site { shows: kvarden_config::TemperatureUnit::Fahrenheit, ..site() };
    let said = message(&winding, &site);
    assert!(said.text.contains("rises by 39.6 deg F/h (limit 36.0 deg F/h"), "{}", said.text);
    assert_eq!((said.value, said.unit.as_deref()), (Some(22.0), Some("K/h")), "programs read kelvin");
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
