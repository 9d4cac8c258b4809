//! Formulas against values that others have published, with the source beside each.

use kvarden_core::alarm::level::{LevelRule, LevelState, Step};
use kvarden_core::electrical::loading::{by_kva_percent, worst_phase_percent};
use kvarden_core::electrical::motors::{NoDerating, derating};
use kvarden_core::electrical::ratings::{
    SERVICE_VOLTAGE, UTILIZATION_VOLTAGE, VoltageRange, rated_current_single_phase, rated_current_three_phase,
};
use kvarden_core::electrical::unbalance::largest_deviation_percent;
use kvarden_core::plant::Bound;
use kvarden_core::time::{EventTime, Span};

fn assert_near(got: Option<f64>, published: f64, half_digit: f64) {
    let got = got.expect("a value");
    assert!((got - published).abs() <= half_digit, "{got} is not {published} ± {half_digit}");
}

#[test]
fn unbalance_after_nema_mg_1() {
    // NEMA MG 1-14.36: 460, 467 and 450 V; mean 459, largest deviation 9: 1.96 %.
    assert_near(largest_deviation_percent([460.0, 467.0, 450.0], 48.0), 1.96, 0.005);
    // Public motor guide's worked example: 480, 476 and 472 V; mean 476, largest deviation 4: 0.84 %.
    assert_near(largest_deviation_percent([480.0, 476.0, 472.0], 48.0), 0.84, 0.005);
}

#[test]
fn motors_after_the_public_table_of_nema_mg_1() {
    // A public table of motor imbalance after NEMA MG 1 figure 14-1, whole; the point at 1 % is from memory of NEMA MG 1.
    for (percent, factor) in [
        (0.0, 1.00),
        (0.5, 1.00),
        (1.0, 1.00),
        (1.5, 0.97),
        (2.0, 0.95),
        (2.5, 0.93),
        (3.0, 0.89),
        (3.5, 0.85),
        (4.0, 0.82),
        (4.5, 0.78),
        (5.0, 0.76),
    ] {
        assert_near(derating(percent).ok(), factor, 1e-9);
    }
    // A public forum that quotes the standard: above 5 % a motor should not be run.
    assert_eq!(derating(5.01), Err(NoDerating::ShouldNotRun));
}

#[test]
fn rated_currents_after_the_public_chart() {
    // Public table "Transformer kVA Chart by Voltage": it lists 208.2 A for 75 kVA at 208 V and 104.2 A for 25 kVA,
    // single phase, at 240 V; 90.2 A for 75 kVA at 480 V by the formula that it states.
    assert_near(rated_current_three_phase(75.0, 208.0), 208.2, 0.05);
    assert_near(rated_current_three_phase(75.0, 480.0), 90.2, 0.05);
    assert_near(rated_current_single_phase(25.0, 240.0), 104.2, 0.05);
}

#[test]
fn a_rating_without_a_number_gives_no_current() {
    assert_eq!(rated_current_three_phase(75.0, 0.0), None);
    assert_eq!(rated_current_three_phase(0.0, 208.0), None);
    assert_eq!(rated_current_single_phase(f64::NAN, 240.0), None);
}

#[test]
fn supply_voltage_after_ansi_c84_1() {
    use VoltageRange::{A, B, Outside};
    // ANSI C84.1-2016 Table 1 (from memory), 120 V base: service 114–126 and 110–127, utilization 110–126 and 106–127.
    for (volts, service, utilization) in [
        (105.0, Outside, Outside),
        (106.0, Outside, B),
        (109.0, Outside, B),
        (110.0, B, A),
        (113.0, B, A),
        (114.0, A, A),
        (120.0, A, A),
        (126.0, A, A),
        (127.0, B, B),
        (128.0, Outside, Outside),
    ] {
        assert_eq!(SERVICE_VOLTAGE.range_of(volts, 120.0), Some(service), "service at {volts} V");
        assert_eq!(UTILIZATION_VOLTAGE.range_of(volts, 120.0), Some(utilization), "utilization at {volts} V");
    }
    assert_eq!(SERVICE_VOLTAGE.range_of(f64::NAN, 120.0), None);
}

#[test]
fn loading_by_its_definition() {
    // Definition: 60 kVA on 75 kVA are 80 %.
    assert_near(by_kva_percent(60_000.0, 75.0), 80.0, 1e-9);
    // Definition: three phases of 60, 60 and 180 A on 100 A are 180 % in the worst, not 100.
    assert_near(worst_phase_percent([60.0, 60.0, 180.0], 100.0), 180.0, 1e-9);
}

#[test]
fn an_alarm_run_with_deadband_and_delays() {
    // Check case "alarm_run": on-delay counts from the first sample above the setpoint, off-delay from the first below
    // setpoint minus deadband (common practice). A sample each ten seconds.
    let values = [
        1.8, 2.1, 2.2, 1.9, 2.1, 2.2, 2.3, 2.4, 2.2, 2.1, 1.9, 1.8, 1.75, 1.6, 1.5, 1.6, 1.6, 1.65, 1.5, 1.4,
    ];
    let (on_delay, off_delay) = (Span::seconds(30), Span::seconds(30));
    let rule = LevelRule { bound: Bound::High, setpoint: 2.0, deadband: 0.3, on_delay, off_delay };
    let mut state = LevelState::default();
    let steps: Vec<(i64, bool)> = values
        .iter()
        .zip((0..).step_by(10))
        .filter_map(|(value, second)| {
            let at = EventTime(second * 1000);
            let step = state.observe(&rule, at, *value, Span::seconds(10))?;
            Some((second, matches!(step, Step::Raise { .. })))
        })
        .collect();
    assert_eq!(steps, [(70, true), (160, false)]);
}
