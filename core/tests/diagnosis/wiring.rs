//! Is a meter wired as drawn. What each mistake makes of the powers of the phases: by phasors here (four-wire theory), the
//! load lagging by 25° as in the handbook's table: turned −0.906, exchanged −0.819 and −0.087.

use crate::board::{Board, with_feeders};
use kvarden_core::phases::Place;

const POINTS: &str = "voltage_ln_v.A voltage_ln_v.B voltage_ln_v.C current_a.A current_a.B current_a.C \
                      power_w.A power_w.B power_w.C reactive_power_var.A reactive_power_var.B reactive_power_var.C";
const WITHOUT_VARS: &str = "voltage_ln_v.A voltage_ln_v.B voltage_ln_v.C current_a.A current_a.B current_a.C \
                            power_w.A power_w.B power_w.C";

/// What a meter shows whose inputs A, B, C have the currents of these phases, turned or not.
fn shown(amperes: [f64; 3], lag: [f64; 3], current: [usize; 3], sign: [f64; 3], vars: bool) -> Vec<f64> {
    let of = |input: usize| {
        let phase = current[input];
        let behind = 120.0 * (phase as f64 - input as f64) + lag[phase];
        let apparent = 120.0 * amperes[phase] * sign[input];
        let (sin, cos) = behind.to_radians().sin_cos();
        (amperes[phase], apparent * cos, apparent * sin)
    };
    let [a, b, c] = [of(0), of(1), of(2)];
    let mut values = vec![120.0, 120.0, 120.0, a.0, b.0, c.0, a.1, b.1, c.1];
    if vars {
        values.extend([a.2, b.2, c.2]);
    }
    values
}

const DRAWN: [usize; 3] = [0, 1, 2];
const ALIKE: [f64; 3] = [1.0; 3];

fn finding(points: &str, current: [usize; 3], sign: [f64; 3]) -> Vec<String> {
    let mut board = Board::of(&with_feeders(&["MP-1"], points, 10));
    let vars = points == POINTS;
    let lag = [25.0, 22.0, 28.0];
    board.run(2400, |meter, _| {
        if meter == 0 {
            shown([100.0, 110.0, 95.0], lag, DRAWN, ALIKE, vars)
        } else {
            shown([50.0, 58.0, 41.0], lag, current, sign, vars)
        }
    });
    board.lines().iter().filter_map(|line| line.split_once(' ')).map(|(_, rest)| rest.to_owned()).collect()
}

#[test]
fn a_turned_current_transformer_is_named_with_its_phase() {
    for points in [POINTS, WITHOUT_VARS] {
        for (input, place) in Place::PHASES.into_iter().enumerate() {
            let mut sign = ALIKE;
            sign[input] = -1.0;
            let expected = format!("found instrument wiring at MP-1 {place} low");
            assert_eq!(finding(points, DRAWN, sign), [expected]);
        }
    }
}

#[test]
fn exchanged_current_transformers_are_named_with_their_pair() {
    let pairs = [([1, 0, 2], "AB"), ([0, 2, 1], "BC"), ([2, 1, 0], "CA"), ([1, 2, 0], "-"), ([2, 0, 1], "-")];
    for (current, place) in pairs {
        let expected = format!("found instrument wiring at MP-1 {place} low");
        assert_eq!(finding(POINTS, current, ALIKE), [expected]);
    }
}

/// Idle motors (power factor 0.5) beside heaters (1.0) on other phases are unequal and wired rightly.
#[test]
fn a_meter_wired_as_drawn_is_no_finding_whatever_its_load() {
    for lag in [[0.0; 3], [60.0, 50.0, 58.0], [0.0, 36.0, 30.0], [-20.0, 10.0, 0.0]] {
        for points in [POINTS, WITHOUT_VARS] {
            let mut board = Board::of(&with_feeders(&["MP-1"], points, 10));
            board.run(2400, |_, _| shown([30.0, 60.0, 45.0], lag, DRAWN, ALIKE, points == POINTS));
            assert!(board.lines().is_empty(), "{lag:?}: {:?}", board.lines());
        }
    }
}

#[test]
fn mended_it_ends() {
    let mut board = Board::of(&with_feeders(&["MP-1"], POINTS, 10));
    let amperes = [50.0, 58.0, 41.0];
    board.run(1200, |_, _| shown(amperes, [25.0; 3], DRAWN, [1.0, -1.0, 1.0], true));
    board.run(2 * 3600 + 1800, |_, _| shown(amperes, [25.0; 3], DRAWN, ALIKE, true));
    let lines = board.lines();
    assert!(lines.last().is_some_and(|line| line.contains("ended instrument wiring")), "{lines:?}");
}

/// Leads of the volts exchanged: by phasors, a load that lags by 25° shows −95° and 145° on the two inputs. Without reactive power it
/// may as well be the currents of that pair.
// Seen to fail without the hypotheses of exchanged volts.
#[test]
fn exchanged_leads_of_the_volts_are_named_with_their_pair() {
    for points in [POINTS, WITHOUT_VARS] {
        for (pair, place) in [([0, 1], "AB"), ([1, 2], "BC"), ([2, 0], "CA")] {
            let mut board = Board::of(&with_feeders(&["MP-1"], points, 10));
            let mut lag = [25.0, 22.0, 28.0];
            lag[pair[0]] -= 120.0;
            lag[pair[1]] += 120.0;
            board.run(2400, |meter, _| {
                let lag = if meter == 1 { lag } else { [25.0; 3] };
                shown([50.0, 58.0, 41.0], lag, DRAWN, ALIKE, points == POINTS)
            });
            let expected = format!("found instrument wiring at MP-1 {place} low");
            let lines: Vec<_> = board
                .lines()
                .iter()
                .filter_map(|line| line.split_once(' '))
                .map(|line| line.1.to_owned())
                .collect();
            assert_eq!(lines, [expected], "{points}");
        }
    }
}

/// What fitted as drawn and then shows all phases turned alike is the load: the sun gives power back by day (170°), capacitors stand
/// alone at night (−88°).
// Seen to fail without `fitted`.
#[test]
fn power_that_flows_back_and_capacitors_are_no_wiring() {
    for (first, then) in [(25.0, 170.0), (25.0, -88.0), (195.0, 25.0)] {
        let mut board = Board::of(&with_feeders(&["MP-1"], POINTS, 10));
        board.run(6 * 3600, |_, second| {
            let lag = if second < 3 * 3600 { first } else { then };
            shown([50.0, 58.0, 41.0], [lag; 3], DRAWN, ALIKE, true)
        });
        assert!(board.lines().is_empty(), "{first} {then}: {:?}", board.lines());
    }
}

/// All three turned, by day and by night: after the longest day of the sun it is the meter.
#[test]
fn a_meter_with_all_currents_turned_is_told_after_a_day() {
    let mut board = Board::of(&with_feeders(&["MP-1"], POINTS, 60));
    board.run(20 * 3600, |meter, _| {
        shown([50.0, 58.0, 41.0], [25.0; 3], DRAWN, if meter == 1 { [-1.0; 3] } else { ALIKE }, true)
    });
    assert_eq!(board.lines().len(), 1, "{:?}", board.lines());
    assert!(board.lines()[0].ends_with("found instrument wiring at MP-1 - low"), "{:?}", board.lines());
}

/// A meter that gives angles and no powers: the angles say the same.
#[test]
fn angles_stand_for_powers() {
    let points = "voltage_ln_v.A voltage_ln_v.B voltage_ln_v.C current_a.A current_a.B current_a.C voltage_angle_deg.A \
                  voltage_angle_deg.B voltage_angle_deg.C current_angle_deg.A current_angle_deg.B current_angle_deg.C";
    let mut board = Board::of(&with_feeders(&["MP-1"], points, 10));
    board.run(2400, |meter, _| {
        let turned = if meter == 1 { 180.0 } else { 0.0 };
        let volts = vec![120.0, 120.0, 120.0, 50.0, 58.0, 41.0, 0.0, -120.0, 120.0];
        [volts, vec![-25.0, -145.0 + turned, 95.0]].concat()
    });
    assert_eq!(board.lines().len(), 1, "{:?}", board.lines());
    assert!(board.lines()[0].ends_with("found instrument wiring at MP-1 B low"), "{:?}", board.lines());
}

/// The sun gives power back on a feeder whose phases are unequal: by noon A and B flow back and C does not. The meter fitted as drawn
/// before, and the amperes passed nought; whoever turns leads turns the same amperes.
#[test]
fn two_phases_that_flow_back_beside_one_that_does_not_are_no_wiring_and_leads_that_were_turned_are() {
    for points in [POINTS, WITHOUT_VARS] {
        let vars = points == POINTS;
        let mut board = Board::of(&with_feeders(&["MP-1"], points, 10));
        board.run(9 * 3600, |meter, second| {
            if meter == 0 {
                return shown([150.0, 160.0, 145.0], [25.0; 3], DRAWN, ALIKE, vars);
            }
            let sun = ((second - 3 * 3600) as f64 / 3600.0).clamp(0.0, 1.0);
            // 50, 50 and 90 A in phase, of which the sun takes 75 A each.
            let (amperes, lag): (Vec<f64>, Vec<f64>) = [50.0, 50.0, 90.0]
                .map(|own: f64| {
                    let (real, reactive) = (own - 75.0 * sun, 8.0);
                    (real.hypot(reactive), f64::atan2(reactive, real).to_degrees())
                })
                .into_iter()
                .unzip();
            shown([amperes[0], amperes[1], amperes[2]], [lag[0], lag[1], lag[2]], DRAWN, ALIKE, vars)
        });
        assert_eq!(board.lines(), Vec::<String>::new(), "{points}");
        let mut board = Board::of(&with_feeders(&["MP-1"], points, 10));
        board.run(5 * 3600, |meter, second| {
            let turned = meter == 1 && second >= 2 * 3600;
            let sign = if turned { [1.0, -1.0, 1.0] } else { ALIKE };
            shown([50.0, 58.0, 41.0], [25.0; 3], DRAWN, sign, vars)
        });
        assert_eq!(board.lines().len(), 1, "{:?}", board.lines());
        assert!(board.lines()[0].ends_with("found instrument wiring at MP-1 B low"), "{:?}", board.lines());
    }
}

/// Leads of the volts of A and B exchanged at MP-1, whose A carries one and a half times the amperes of the others. What input B shows as lost
/// on the way is lost by A's amperes: half as much again as a sound wire, and no joint.
#[test]
fn the_way_to_a_meter_with_exchanged_leads_shows_no_joint() {
    let mut board = Board::of(&with_feeders(&["MP-1"], POINTS, 10));
    board.run(9 * 3600, |meter, second| {
        let on = 0.6 + 0.4 * (second as f64 / 1500.0).sin();
        let own = [90.0, 60.0, 60.0].map(|amperes| amperes * on);
        let volts: [f64; 3] =
            if meter == 0 { [120.0; 3] } else { std::array::from_fn(|phase| 119.8 - 0.01 * own[phase]) };
        let leads = if meter == 0 { DRAWN } else { [1, 0, 2] };
        let of = |input: usize| {
            let behind = 25.0 + 120.0 * (input as f64 - leads[input] as f64);
            let (sin, cos) = behind.to_radians().sin_cos();
            (
                volts[leads[input]],
                volts[leads[input]] * own[input] * cos,
                volts[leads[input]] * own[input] * sin,
            )
        };
        let [a, b, c] = [of(0), of(1), of(2)];
        [[a.0, b.0, c.0], own, [a.1, b.1, c.1], [a.2, b.2, c.2]].concat()
    });
    let lines = board.lines();
    assert!(lines.iter().any(|line| line.contains("found instrument wiring at MP-1 AB")), "{lines:?}");
    assert!(!lines.iter().any(|line| line.contains("loose-connection")), "{lines:?}");
}
