//! The whole nameplate, wiring forms, circuits, states and supplies are read as they are written.

use kvarden_config::{Configuration, Language, SourceSpec, TemperatureUnit, render};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::phases::{Phase, Place};
use kvarden_core::plan::Plan;
use kvarden_core::plant::{
    Beside, Cooling, Kind, Losses, LugMarks, Mark, Metal, Side, SideOf, SourceKind, StateIs, Supply,
    SupplyFrom, TripPoints, WiringForm,
};
use kvarden_core::supply::transformer_now;
use std::path::Path;

const WHOLE: &str = include_str!("good/whole.toml");

fn whole() -> Configuration {
    read(WHOLE)
}

fn read(text: &str) -> Configuration {
    let (configuration, problems) = kvarden_config::parse("whole.toml", text, &|path| {
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/good").join(path))
    });
    assert!(problems.is_empty(), "{}", render(&problems));
    configuration.expect("no problems, so a configuration")
}

#[test]
fn the_whole_nameplate_is_kept() {
    let plant = whole().plant;
    let unit = &plant.transformers[0];
    assert_eq!((unit.kind, unit.phases, unit.kva, unit.cooling), (Kind::TwoWinding, 3, 75.0, Cooling::Dry));
    assert_eq!(unit.primary, Side { volts: 480.0, form: WiringForm::Delta, rated_a: Some(90.2) });
    let high_leg = WiringForm::HighLegDelta { high: Phase::B };
    assert_eq!(unit.secondary, Side { volts: 240.0, form: high_leg, rated_a: Some(180.0) });
    assert_eq!((unit.impedance_percent, unit.x_over_r), (Some(4.5), Some(1.2)));
    assert_eq!((unit.insulation_class_c, unit.k_rating), (Some(220), Some(13.0)));
    assert_eq!((unit.rated_ambient_c, unit.neutral_rating_percent), (Some(30.0), Some(200.0)));
    let losses = Losses {
        no_load_w: Some(310.0),
        load_w: Some(2200.0),
        resistances_ohm: Some((0.085, 0.012)),
        eddy_percent: Some(7.5),
    };
    assert_eq!(unit.losses, losses);
    assert_eq!(unit.winding, Some(Metal::Aluminium));
    let taps = unit.taps.as_ref().expect("it has taps");
    assert_eq!((taps.volts.len(), taps.present_volts()), (5, Some(468.0)));
    let other = plant.transformers[1].taps.as_ref().expect("it has taps");
    assert_eq!(other.present_volts(), Some(480.0));
    let records = &unit.records;
    assert_eq!((records.serial.as_deref(), records.year), (Some("LC-0003"), Some(1998)));
    assert_eq!(records.call.as_deref(), Some("Electrical shop, extension 204"));
    assert_eq!(records.spare.as_deref(), Some("none; T2 may be moved here"));
    assert_eq!(records.lead_time.as_deref(), Some("20 weeks"));
    assert_eq!(records.feeds.as_deref(), Some("Boiler house and its pumps"));
    assert_eq!(records.clearances.as_deref(), Some("150 mm at the sides, 900 mm in front"));
    let lugs = LugMarks {
        rated_c: Some(90.0),
        size: Some("6 AWG to 350 kcmil".into()),
        torque: Some("31 N·m".into()),
    };
    assert_eq!(records.lugs, lugs);
}

/// 32 °F is 0 °C and 356 °F is 180 °C; a rise of 207 °F is 115 K and one of 27 °F is 15 K: nine degrees Fahrenheit are
/// five kelvin, and only a temperature has a zero point to move. By the definition of the scales.
#[test]
fn fahrenheit_is_converted_as_a_temperature_or_as_a_difference() {
    let plant = whole().plant;
    let near = |got: Option<f64>, expected: f64| {
        let got = got.expect("a value");
        assert!((got - expected).abs() < 1e-9, "{got} is not {expected}");
    };
    let TripPoints { warn_c, trip_c } = plant.transformers[0].trip_points;
    near(warn_c, 180.0);
    near(trip_c, 200.0);
    near(plant.transformers[0].rated_rise_k, 115.0);
    near(Some(plant.limits[0].levels[0].setpoint), 185.0);
    near(Some(plant.limits[0].deadband), 5.0);
    near(Some(plant.limits[1].levels[0].setpoint), 15.0);
    near(plant.limits[1].when.first().map(|when| when.above), 0.0);
    assert_eq!(whole().shows, TemperatureUnit::Fahrenheit);
}

#[test]
fn a_site_has_its_language_and_without_one_it_is_english() {
    assert_eq!(whole().language, Language::German);
    let english = WHOLE.replace("language = \"de\"\n", "");
    assert_eq!(read(&english).language, Language::English);
}

/// The meter gives tenths of °F: 770 is 77 °F, which is 25 °C, by the definition of the scales.
#[test]
fn a_map_says_in_which_unit_its_numbers_are() {
    let configuration = whole();
    let SourceSpec::Mqtt(spec) = &configuration.sources[0] else { panic!("it is told by MQTT") };
    let point = spec.points.last().expect("the map has points");
    assert!((770.0 * point.scale + point.offset - 25.0).abs() < 1e-9, "{point:?}");
}

#[test]
fn each_form_of_wiring_is_read() {
    let plant = whole().plant;
    let secondary = |index: usize| plant.transformers[index].secondary.form;
    assert_eq!(secondary(1), WiringForm::CornerGroundedDelta { grounded: Phase::C });
    assert_eq!(secondary(2), WiringForm::OpenDelta { high: Some(Phase::B) });
    assert_eq!(plant.transformers[2].primary.form, WiringForm::OpenWye);
    assert_eq!((secondary(3), plant.transformers[3].phases), (WiringForm::SplitPhase, 1));
    assert_eq!(plant.feeders[2].form, Some(WiringForm::TwoLegs { legs: Place::CA }));
    assert_eq!((plant.feeders[1].form, plant.feeders[1].volts), (Some(WiringForm::SinglePhase), Some(120.0)));
}

/// An open bank carries 1/√3 = 57.7 % of the closed one (textbook): two units of 25 kVA at 240 V carry 25 kVA/240 V =
/// 104.2 A a line, which is one unit's own rated current (public chart: 25 kVA, single phase, 240 V: 104.2 A).
#[test]
fn an_open_bank_carries_what_one_of_its_units_can() {
    let plant = whole().plant;
    let bank = &plant.transformers[2];
    assert!((bank.through_kva().expect("two windings") - 43.3).abs() < 0.01);
    assert!((bank.rated_a(SideOf::Secondary).expect("by kVA") - 104.2).abs() < 0.05);
    let buck = &plant.transformers[4];
    assert_eq!((buck.through_kva(), buck.rated_a(SideOf::Secondary)), (None, Some(54.3)));
}

#[test]
fn circuits_states_and_supplies_are_read() {
    let plant = whole().plant;
    assert_eq!(plant.sources[1].kind, SourceKind::Generator);
    let circuit = &plant.circuits[0];
    assert_eq!((circuit.feeder, circuit.breaker_a), (0, 30.0));
    assert_eq!(circuit.phases, [Phase::A, Phase::B, Phase::C]);
    assert_eq!(circuit.marks, [Mark::ThreePhaseOnly, Mark::ServesMotors]);
    assert_eq!(plant.states[1].flag, Quantity::numbered(Measurand::BreakerClosed, Place::Whole, 2));
    let when = |state, on| Some(StateIs { state, on });
    let ats = [
        Supply { from: SupplyFrom::Source(0), when: when(2, false) },
        Supply { from: SupplyFrom::Source(1), when: when(2, true) },
    ];
    assert_eq!(plant.transformers[0].supplies, ats);
    assert_eq!(plant.transformers[5].coupling, Some(SideOf::Primary));
    assert_eq!(plant.transformers[5].beside, [Beside { transformer: 0, when: when(0, true) }]);
    // MP-9 hangs normally on T3, and LP-9 through it.
    assert_eq!(plant.feeders.iter().map(|feeder| feeder.fed_by).collect::<Vec<_>>(), [0, 0, 4]);
    let breakers = |q2, q3| move |state: usize| [Some(q2), Some(q3), None, None][state];
    assert_eq!(transformer_now(&plant.feeders, 1, &breakers(false, true)).transformer, Some(2));
    assert_eq!(transformer_now(&plant.feeders, 1, &breakers(true, false)).transformer, Some(0));
}

#[test]
fn the_plant_compiles() {
    Plan::new(&whole().plant).expect("the configuration reader gives only fit plants");
}
