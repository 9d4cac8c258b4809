//! What a healthy transformer would show: expected temperatures, hot spot and ageing as series of the grid's meter.

use crate::cannery::{AIR, Hall, SENSORS, T2, at, plant};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::output::Output;
use kvarden_core::plan::Plan;
use kvarden_core::plant::Cooling;
use kvarden_core::values_now::WhyNot;

/// The mean, or of a counter the latest value, in the latest closed minute of the last quarter of an hour of a series of "T2 across meters".
fn latest(hall: &Hall, key: &str) -> Option<f64> {
    let plan: &Plan = hall.monitor.plan();
    let meter = plan.meter_by_name("T2 across meters")?;
    let quantity = Quantity::from_key(key)?;
    let series = plan.meter(meter)?.series.iter().position(|known| *known == quantity)?;
    let minutes = hall.told.iter().rev().filter_map(|output| match output {
        Output::Minute(closed) if closed.meter == meter && closed.minute >= at(hall.second - 900) => {
            Some(closed)
        }
        _ => None,
    });
    let pane = minutes.into_iter().next()?.panes[series];
    pane.mean().or(pane.max())
}

/// T2: 115 K at 208.2 A, by the load to the 1.6 (IEEE C57.96, from memory); class 220: hot spot 30 K above at rated.
#[test]
fn after_hours_of_one_load_the_steady_state_is_shown() {
    let mut hall = Hall::new();
    hall.run(1200);
    for (phase, amperes) in [("A", 100.0), ("B", 101.0), ("C", 99.0)] {
        let rise = 115.0 * rise_pu(amperes);
        let expected = latest(&hall, &format!("winding_expected_c.{phase}")).expect("it is known");
        assert!((expected - 25.0 - rise).abs() < 1e-6, "{phase}: {expected}");
    }
    let spot = latest(&hall, "hot_spot_c").expect("it is known");
    let by_b = 61.5 + 30.0 * rise_pu(101.0);
    assert!((spot - by_b).abs() < 1e-6, "the warmest winding as measured, and the allowance: {spot}, {by_b}");
}

/// Steady rise per unit of the rated one, by the load to the 1.6.
fn rise_pu(amperes: f64) -> f64 {
    (amperes / (1000.0 * 75.0 / (3f64.sqrt() * 208.0))).powf(1.6)
}

/// `kvarden status` tells why what is expected, or what is measured beyond it, is not known just now.
#[test]
fn why_nothing_is_expected_is_told() {
    let why = |hall: &Hall, key: &str| {
        let quantity = Quantity::from_key(key).expect("a key");
        hall.monitor.not_told().find(|one| one.quantity == quantity).map(|one| one.why)
    };
    let (expected, residual) = ("winding_expected_c.B", "winding_residual_k.B");
    let mut hall = Hall::new();
    hall.run(1200);
    assert_eq!((why(&hall, expected), why(&hall, residual)), (None, Some(WhyNot::Settling)));
    hall.show(T2, 4, f64::NAN).run(900);
    let current = Quantity::from_key("current_a.B").expect("a key");
    assert_eq!(why(&hall, expected), Some(WhyNot::Missing(current)));
    hall.heal(T2);
    hall.speaks[AIR] = false;
    hall.run(1200);
    assert_eq!(why(&hall, expected), Some(WhyNot::Missing(Quantity::whole(Measurand::Ambient))));
}

#[test]
fn without_load_or_air_it_is_absent_and_comes_back() {
    let mut hall = Hall::new();
    hall.run(1200).show(T2, 4, f64::NAN).run(900);
    assert_eq!(latest(&hall, "winding_expected_c.B"), None);
    assert!(latest(&hall, "winding_expected_c.A").is_some(), "each phase by its own current");
    hall.heal(T2).run(600);
    assert!(latest(&hall, "winding_expected_c.B").is_some());
    hall.speaks[AIR] = false;
    hall.run(1200);
    assert_eq!(latest(&hall, "winding_expected_c.A"), None, "the air is not known");
    hall.speaks[SENSORS] = false;
    hall.run(1200);
    assert_eq!(latest(&hall, "hot_spot_c"), None);
}

/// Class 220 ages at the rated rate at 210 °C (IEC 60076-12 Table 1): an hour there is an hour.
#[test]
fn an_hour_at_the_rated_hot_spot_ages_by_an_hour() {
    let mut hall = Hall::new();
    hall.run(1200);
    let before = latest(&hall, "ageing_h").expect("it is known");
    let gradient = 30.0 * rise_pu(101.0);
    hall.show(SENSORS, 1, 210.0 - gradient).run(3600);
    let rate = latest(&hall, "ageing_rate").expect("it is known");
    assert!((rate - 1.0).abs() < 1e-6, "{rate}");
    let aged = latest(&hall, "ageing_h").expect("it is known") - before;
    assert!((aged - 1.0).abs() < 0.12, "the grid is up to 5 min behind, for the thermometer: {aged}");
}

/// What is said of a series that can't be judged.
fn not_judged(hall: &Hall, what: Measurand) -> Option<String> {
    let mut told = hall.monitor.plan().not_judged.iter();
    told.find(|one| one.quantity.what == what).map(|one| one.reason.to_string())
}

/// The windings tell their own hot spot, and so its ageing; what a healthy unit would show they do not.
#[test]
fn without_a_sensor_in_the_air_it_is_said_and_hot_spot_and_ageing_go_by_the_windings() {
    let mut plant = plant();
    plant.meters.remove(AIR);
    let mut hall = Hall::of(&plant);
    hall.run(1200);
    let said = not_judged(&hall, Measurand::WindingExpected).expect("it is said");
    assert!(
        said.contains("give it an ambient sensor") && said.contains("by what the windings show"),
        "{said}"
    );
    assert_eq!((latest(&hall, "winding_expected_c.B"), latest(&hall, "winding_residual_k.B")), (None, None));
    let spot = latest(&hall, "hot_spot_c").expect("it is known");
    assert!((spot - 61.5 - 30.0 * rise_pu(101.0)).abs() < 1e-6, "{spot}");
    assert!(latest(&hall, "ageing_rate").is_some_and(|rate| rate > 0.0));
}

/// In a liquid the oil stands between winding and air: over oil that is measured a healthy winding is known, 25 K at rated
/// load (65 K average rise: hot spot 80 K, top oil 55 K; C57.92-1981, and common practice).
#[test]
fn in_a_liquid_without_a_sensor_in_the_air_windings_go_by_the_oil() {
    let mut plant = plant();
    plant.meters.remove(AIR);
    let unit = &mut plant.transformers[0];
    (unit.cooling, unit.rated_rise_k, unit.insulation_class_c) = (Cooling::Liquid, Some(65.0), None);
    plant.meters[SENSORS].points.push(Quantity::whole(Measurand::TopOil));
    let mut hall = Hall::of(&plant);
    hall.show(SENSORS, 7, 48.0).run(1200);
    let said = not_judged(&hall, Measurand::TopOilExpected).expect("it is said");
    assert!(said.contains("give it an ambient sensor") && said.contains("by what the oil shows"), "{said}");
    let healthy = 48.0 + 25.0 * rise_pu(101.0);
    let expected = latest(&hall, "winding_expected_c.B").expect("it is known");
    assert!((expected - healthy).abs() < 1e-6, "{expected} {healthy}");
    let residual = latest(&hall, "winding_residual_k.B").expect("it is known");
    assert!((residual - (61.5 - healthy)).abs() < 1e-6, "{residual}");
    assert_eq!(latest(&hall, "top_oil_residual_k"), None);
}
