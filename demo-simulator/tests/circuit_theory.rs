//! The simulator's circuit against figures that follow from circuit theory on paper.

use kvarden_demo::circuit::{Branch, Solution, Supply, solve_circuit};
use kvarden_demo::complex::{Abc, Complex};
use kvarden_demo::load::{Connection, Drawn, Law};

fn source() -> Abc {
    [0.0, -120.0, 120.0].map(|angle| Complex::polar(480.0 / 3.0_f64.sqrt(), angle))
}

/// Stiff: no impedance ahead of the loads.
fn stiff() -> Supply {
    Supply {
        primary_v: 480.0,
        secondary_v: 120.0 * 3.0_f64.sqrt(),
        source: Complex::ZERO,
        leakage: Complex::ZERO,
        background_thd_percent: 0.0,
    }
}

fn real() -> Supply {
    Supply { source: Complex::new(0.003, 0.013), leakage: Complex::new(0.0138, 0.022), ..stiff() }
}

fn wires(loads: Vec<Drawn>) -> Branch {
    Branch {
        cable: Complex::new(0.012, 0.005),
        neutral: Complex::new(0.012, 0.005),
        contact: [0.0; 3],
        loads,
    }
}

fn solved(supply: &Supply, branches: &[Branch]) -> Solution {
    solve_circuit(supply, &source(), branches, None)
}

fn close(value: f64, wanted: f64, within: f64) {
    assert!((value - wanted).abs() <= within, "{value} is not {wanted} ± {within}");
}

#[test]
fn unity_loads_of_10_15_and_20_amperes_put_8_66_amperes_on_the_neutral() {
    let loads = [10.0, 15.0, 20.0].iter().enumerate().map(|(p, a)| Drawn::single(p, 120.0 * a, 1.0));
    let branch = Branch { cable: Complex::ZERO, neutral: Complex::ZERO, ..wires(loads.collect()) };
    let found = solved(&stiff(), &[branch]);
    close(found.ends[0].rms_amperes(0), 10.0, 1e-6);
    close(found.ends[0].rms_amperes(2), 20.0, 1e-6);
    close(found.ends[0].neutral_amperes(), 8.660_254, 1e-5);
}

#[test]
fn a_balanced_load_leaves_the_neutral_empty() {
    let load = Drawn { connection: Connection::Wye, ..Drawn::single(0, 30_000.0, 0.9) };
    let found = solved(&real(), &[wires(vec![load])]);
    close(found.secondary.neutral_amperes(), 0.0, 1e-6);
    close(found.secondary.rms_amperes(0), found.secondary.rms_amperes(1), 1e-6);
}

#[test]
fn third_harmonics_of_a_balanced_load_add_on_the_neutral() {
    // 33 % third: the neutral carries 0.94 of the phase current.
    let spectrum = [0.33, 0.0, 0.0, 0.0, 0.0];
    let load = Drawn { connection: Connection::Wye, spectrum, ..Drawn::single(0, 20_000.0, 1.0) };
    let point = solved(&stiff(), &[wires(vec![load])]).secondary;
    close(point.neutral_amperes() / point.rms_amperes(0), 0.94, 0.002);
    close(point.current_thd_percent(1).unwrap(), 33.0, 1e-6);
}

#[test]
fn a_load_on_one_secondary_phase_shows_in_two_primary_lines() {
    let found = solved(&stiff(), &[wires(vec![Drawn::single(0, 6000.0, 1.0)])]);
    let primary = found.primary_amperes.map(Complex::abs);
    close(primary[0], primary[2], 1e-9);
    close(primary[1], 0.0, 1e-9);
    close(primary[0] / found.secondary.rms_amperes(0), 120.0 / 480.0, 1e-9);
}

#[test]
fn the_secondary_lags_the_primary_by_30_degrees_in_abc_order() {
    let found = solved(&stiff(), &[wires(vec![])]);
    for (phase, angle) in [-30.0, -150.0, 90.0].into_iter().enumerate() {
        assert!((found.secondary.volts[phase] - Complex::polar(120.0, angle)).abs() < 1e-9);
    }
}

#[test]
fn what_the_source_gives_is_what_loads_and_wires_take() {
    let motor = Drawn { connection: Connection::Motor, law: Law::Power, ..Drawn::single(0, 21_000.0, 0.84) };
    let first = wires(vec![motor, Drawn::single(0, 4000.0, 1.0), Drawn::single(1, 2500.0, 0.9)]);
    let second = Branch { contact: [0.0, 0.3, 0.0], ..wires(vec![Drawn::single(1, 5000.0, 0.97), motor]) };
    let (supply, branches) = (real(), [first, second]);
    let found = solved(&supply, &branches);
    let given: f64 =
        (0..3).map(|line| (found.source_volts[line] * found.primary_amperes[line].conj()).re).sum();
    let mut taken = 0.0;
    for (branch, end) in branches.iter().zip(&found.ends) {
        let neutral = end.amperes[0] + end.amperes[1] + end.amperes[2];
        taken += neutral.abs_squared() * branch.neutral.re;
        for phase in 0..3 {
            let wire = branch.cable.re + branch.contact[phase];
            taken += end.power(phase).re + end.amperes[phase].abs_squared() * wire;
        }
    }
    for phase in 0..3 {
        taken += found.secondary.amperes[phase].abs_squared() * supply.leakage.re
            + found.primary_amperes[phase].abs_squared() * supply.source.re;
    }
    close(given, taken, 1e-3);
    assert!(given > 40_000.0);
}

#[test]
fn rated_current_through_the_leakage_drops_the_regulation_of_the_textbook() {
    // %R·cos + %X·sin at full load, 0.8 lagging: 2.39·0.8 + 3.81·0.6 = 4.2 % to first order.
    let load = Drawn { connection: Connection::Wye, law: Law::Power, ..Drawn::single(0, 75_000.0, 0.8) };
    let supply = Supply { source: Complex::ZERO, ..real() };
    let branch = Branch { cable: Complex::ZERO, neutral: Complex::ZERO, ..wires(vec![load]) };
    let volts = solved(&supply, &[branch]).secondary.rms_volts(0);
    close(100.0 * (120.0 - volts) / 120.0, 4.4, 0.3);
}

#[test]
fn an_open_phase_takes_the_single_phase_loads_down_and_a_motor_feeds_it_back() {
    let open = |loads| Branch { contact: [0.0, 1e9, 0.0], ..wires(loads) };
    let motor = Drawn { connection: Connection::Motor, law: Law::Power, ..Drawn::single(0, 9000.0, 0.85) };
    let lamps = solved(&real(), &[open(vec![Drawn::single(0, 2000.0, 1.0), Drawn::single(1, 2000.0, 1.0)])]);
    close(lamps.ends[0].rms_volts(1), 0.0, 1e-3);
    close(lamps.ends[0].rms_amperes(1), 0.0, 1e-3);
    let turning = solved(&real(), &[open(vec![motor])]);
    close(turning.ends[0].rms_amperes(1), 0.0, 1e-3);
    let kept = turning.ends[0].rms_amperes(0);
    assert!(kept > 1.5 * 25.0, "the two live phases carry {kept} A instead of 25 A");
}

#[test]
fn the_dead_phase_of_a_motor_stands_where_its_sequence_admittances_put_it() {
    // No current in B: Y1·(2 + x) + Y2·(x − 1) = 0, so x = (Y2 − 2·Y1)/(Y1 + Y2) of nominal.
    let motor = Drawn { connection: Connection::Motor, ..Drawn::single(0, 9000.0, 0.85) };
    let branch = Branch { cable: Complex::ZERO, neutral: Complex::ZERO, ..wires(vec![motor]) };
    let found = solved(&stiff(), &[Branch { contact: [0.0, 1e9, 0.0], ..branch }]);
    let lagging = |size: f64, power_factor: f64| Complex::polar(size, -power_factor.acos().to_degrees());
    let (running, still) = (lagging(1.0, 0.85), lagging(6.0, 0.3));
    let wanted = ((still - running.times(2.0)) / (running + still)).abs();
    assert!((0.5..0.95).contains(&wanted));
    close(found.ends[0].rms_volts(1) / 120.0, wanted, 1e-4);
}

#[test]
fn a_contact_of_a_third_of_an_ohm_drops_its_own_phase_and_no_other_feeder() {
    let loads = || (0..3).map(|p| Drawn::single(p, 4800.0, 1.0)).collect::<Vec<_>>();
    let loose = Branch { contact: [0.0, 0.333, 0.0], ..wires(loads()) };
    let found = solved(&stiff(), &[loose, wires(loads())]);
    // 3 Ω of load behind 0.333 Ω: 120 · 3/(3.333 + wires).
    close(found.ends[0].rms_volts(1), 107.4, 0.8);
    assert!(found.ends[0].rms_volts(0) > 118.0);
    assert!(found.ends[1].rms_volts(1) > 118.0);
}
