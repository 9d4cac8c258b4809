//! The circuits of the trials against what network theory says of them, and each trial as files.

use kvarden_demo::complex::{Abc, Complex};
use kvarden_demo::load::{Connection, Drawn, Law};
use kvarden_demo::trial::fault::{Fault, What};
use kvarden_demo::trial::files;
use kvarden_demo::trial::line::{Drawing, Line};
use kvarden_demo::trial::meters::Kind;
use kvarden_demo::trial::network::{Bank, HARMONICS, Island, OPEN_OHMS, ORDERS, Winding};
use kvarden_demo::trial::record::Record;
use kvarden_demo::trial::scenes::{Trial, names};
use kvarden_demo::trial::world::World;

/// A unit of 75 kVA, 480 V delta to 208Y/120 V.
fn bank() -> Bank {
    Bank {
        ratio: 480.0 / 208.0,
        winding: Winding::Wye,
        leakage: Complex::new(0.0138, 0.0219),
        source: Complex::new(0.004, 0.014),
        primary_contact: [0.0; 3],
        winding_contact: [0.0; 3],
    }
}

fn line(loads: Vec<Drawing>) -> Line {
    Line { cable: Complex::new(0.02, 0.006), contact: [0.0; 3], neutral_contact: 0.0, loads }
}

fn single(phase: usize, va: f64, shares: [f64; HARMONICS]) -> Drawing {
    Drawing { drawn: Drawn::single(phase, va, 1.0), shares, capacitor_var: 0.0 }
}

fn source() -> Abc {
    std::array::from_fn(|k| Complex::polar(480.0 / 3.0_f64.sqrt(), -120.0 * k as f64))
}

fn near(got: f64, want: f64, within: f64) {
    assert!((got - want).abs() <= within, "{got}, expected {want}");
}

/// Handbook, section 2 (worked there): line-neutral ½, 1, ½ and line-line 0.87, 0.87, 0 behind a delta–wye of which a primary
/// line is lost. Here line B: windings A–C keeps its volts, the two others share them.
#[test]
fn a_lost_primary_line_gives_half_one_half() {
    let mut island =
        Island::new(vec![bank()], vec![line((0..3).map(|p| single(p, 900.0, [0.0; 8])).collect())]);
    island.banks[0].primary_contact[1] = OPEN_OHMS;
    island.solve(&source());
    let volts = island.terminals[0].volts[0];
    let mut parts = volts.map(|v| v.abs() / 120.1);
    parts.sort_by(f64::total_cmp);
    [0.5, 0.5, 1.0].iter().zip(parts).for_each(|(want, got)| near(got, *want, 0.01));
    let mut lines: Vec<f64> = (0..3).map(|k| (volts[k] - volts[(k + 1) % 3]).abs() / 208.0).collect();
    lines.sort_by(f64::total_cmp);
    [0.0, 0.866, 0.866].iter().zip(lines).for_each(|(want, got)| near(got, *want, 0.01));
}

/// A high leg stands at √3 times the others to neutral: 120, 208, 120 V of 240 V (handbook, section 21).
#[test]
fn a_high_leg_is_1_73_times_the_others() {
    let bank = Bank { ratio: 2.0, winding: Winding::HighLeg, ..bank() };
    let mut island = Island::new(vec![bank], vec![line(vec![single(0, 100.0, [0.0; 8])])]);
    island.solve(&source());
    let volts = island.terminals[0].volts[0];
    [120.0, 207.8, 120.0].iter().zip(volts).for_each(|(want, got)| near(got.abs(), *want, 0.4));
    (0..3).for_each(|k| near((volts[k] - volts[(k + 1) % 3]).abs(), 240.0, 0.6));
}

/// A delta of 240 V with its corner B earthed: 240, 0 and 240 V to earth (circuit theory), and a balanced load of 20 kVA draws its 48.1 A in
/// each line, of which each winding carries the root of three less.
#[test]
fn a_grounded_corner_stands_at_nothing_and_its_windings_carry_a_part_of_the_lines() {
    let bank = Bank { ratio: 2.0, winding: Winding::Corner, ..bank() };
    let load = Drawn {
        connection: Connection::Delta,
        va: 20_000.0,
        power_factor: 1.0,
        law: Law::Power,
        ..Drawn::single(0, 0.0, 1.0)
    };
    let drawing = Drawing { drawn: load, shares: [0.0; HARMONICS], capacitor_var: 0.0 };
    let mut island = Island::new(vec![bank], vec![line(vec![drawing])]);
    island.solve(&source());
    let place = island.terminals[0];
    [240.0, 0.0, 240.0].iter().zip(place.volts[0]).for_each(|(want, got)| near(got.abs(), *want, 3.0));
    (0..3).for_each(|k| near((place.volts[0][k] - place.volts[0][(k + 1) % 3]).abs(), 240.0, 3.0));
    let lines = 20_000.0 / (3.0_f64.sqrt() * 240.0);
    place.amperes[0].iter().for_each(|amperes| near(amperes.abs(), lines, 1.0));
    island.windings[0][0].iter().for_each(|amperes| near(*amperes, lines / 3.0_f64.sqrt(), 0.6));
}

/// Without its neutral a board's loads lie in series between the lines: by Millman's theorem its star point moves to
/// `Σ Y·E / Σ Y`, while the line volts stay.
#[test]
fn a_lost_neutral_moves_the_star_point_as_millman_says() {
    let va = [3000.0, 900.0, 1800.0];
    let mut island =
        Island::new(vec![bank()], vec![line((0..3).map(|p| single(p, va[p], [0.0; 8])).collect())]);
    island.lines[0].neutral_contact = OPEN_OHMS;
    island.solve(&source());
    let bus = island.terminals[0].volts[0];
    let ohms = va.map(|va| Complex::new(120.0 * 120.0 / va, 0.0) + Complex::new(0.02, 0.006));
    let admittance = ohms.map(Complex::inverse);
    let top = (0..3).fold(Complex::ZERO, |sum, p| sum + admittance[p] * bus[p]);
    let bottom = (0..3).fold(Complex::ZERO, |sum, p| sum + admittance[p]);
    let star = top / bottom;
    for phase in 0..3 {
        let load = Complex::new(120.0 * 120.0 / va[phase], 0.0);
        let want = load * admittance[phase] * (bus[phase] - star);
        near((island.ends[0].volts[0][phase] - want).abs(), 0.0, 0.1);
    }
    let lines: Vec<f64> = (0..3).map(|k| (bus[k] - bus[(k + 1) % 3]).abs()).collect();
    near(lines[0], lines[1], 1.0);
    let spread = island.ends[0].volts[0].map(Complex::abs);
    assert!(spread[1] > 140.0 && spread[0] < 95.0, "{spread:?}");
}

/// Handbook, section 10: triplen amperes add in the neutral, `I_N,3 = 3·I_3`, others cancel.
#[test]
fn triplen_amperes_add_in_the_neutral() {
    let shares = [0.0, 0.6, 0.0, 0.4, 0.2, 0.0, 0.0, 0.0];
    let loads = (0..3)
        .map(|phase| {
            let mut load = single(phase, 4000.0, shares);
            load.drawn.law = Law::Power;
            load
        })
        .collect();
    let mut island = Island::new(vec![bank()], vec![line(loads)]);
    island.solve(&source());
    island.solve_harmonics(&source());
    let end = &island.ends[0];
    let neutral = |index: usize| {
        let abc = end.amperes[index];
        (abc[0] + abc[1] + abc[2]).abs()
    };
    let third = end.amperes[2][0].abs();
    near(third / end.amperes[0][0].abs(), 0.6, 0.003);
    near(neutral(2) / third, 3.0, 0.01);
    near(neutral(4) / end.amperes[4][0].abs(), 0.0, 0.02);
    near(neutral(5) / end.amperes[5][0].abs(), 0.0, 0.02);
}

/// A capacitor in parallel to the transformer: what a drive gives at their resonance comes out times `|Z_C / (Z_C + Z_L)|`.
#[test]
fn a_capacitor_that_meets_the_reactance_multiplies_the_fifth() {
    let drive = Drawing {
        drawn: Drawn {
            connection: Connection::Delta,
            va: 3000.0,
            power_factor: 0.97,
            law: Law::Power,
            spectrum: [0.0; 5],
        },
        shares: [0.0, 0.0, 0.0, 0.3, 0.0, 0.0, 0.0, 0.0],
        capacitor_var: 0.0,
    };
    let none = Drawn { va: 0.0, ..Drawn::single(0, 0.0, 1.0) };
    let var = 14_400.0 / (5.3 * 5.3 * 0.04);
    let capacitor = Drawing { drawn: none, shares: [0.0; 8], capacitor_var: var };
    let stiff = Line { cable: Complex::new(1e-6, 0.0), ..line(vec![drive]) };
    let fifth = |lines: Vec<Line>| {
        let mut island = Island::new(vec![Bank { source: Complex::new(1e-6, 0.0), ..bank() }], lines);
        island.solve(&source());
        island.solve_harmonics(&source());
        (island.terminals[0].amperes[4][0].abs(), island.ends[0].amperes[4][0].abs())
    };
    let other = Line { loads: vec![capacitor], ..stiff.clone() };
    let (through, drawn) = fifth(vec![stiff, other]);
    let inductive = Complex::new(0.0138, 5.0 * 0.0219);
    let capacitive = Complex::new(0.0, -14_400.0 / (5.0 * var));
    near(through / drawn, (capacitive / (capacitive + inductive)).abs(), 0.05);
    assert_eq!(ORDERS[4].to_bits(), 5.0_f64.to_bits());
    assert!(through > 1.5 * drawn, "{through} A of {drawn} A");
}

/// What goes in at the primary comes out at the loads or warms the copper.
#[test]
fn power_is_neither_made_nor_lost() {
    let motor = Drawing {
        drawn: Drawn {
            connection: Connection::Motor,
            va: 12_000.0,
            power_factor: 0.85,
            law: Law::Power,
            spectrum: [0.0; 5],
        },
        shares: [0.0; 8],
        capacitor_var: 0.0,
    };
    let mut island = Island::new(
        vec![bank(), Bank { leakage: Complex::new(0.01, 0.015), ..bank() }],
        vec![line(vec![motor, single(1, 4000.0, [0.0; 8])]), line(vec![single(2, 2500.0, [0.0; 8])])],
    );
    island.solve(&source());
    let power = |place: &kvarden_demo::trial::network::Place| -> f64 {
        (0..3).map(|p| (place.volts[0][p] * place.amperes[0][p].conj()).re).sum()
    };
    let given: f64 = island.terminals.iter().map(power).sum();
    let taken: f64 = island.ends.iter().map(power).sum();
    let copper: f64 = island
        .ends
        .iter()
        .map(|end| {
            let abc = end.amperes[0];
            let neutral = (abc[0] + abc[1] + abc[2]).abs_squared();
            0.02 * (abc.iter().map(|a| a.abs_squared()).sum::<f64>() + neutral)
        })
        .sum();
    near(given, taken + copper, 2.0);
    // Two units on one bus share by the inverse of their impedances.
    let share = island.terminals[1].amperes[0][0].abs() / island.terminals[0].amperes[0][0].abs();
    near(share, 0.0219_f64.hypot(0.0138) / 0.015_f64.hypot(0.01), 0.08);
}

/// A generator of the plant: its regulator holds the volts before the transformer, and each order's amperes make volts by its reactance
/// and the transformer's, `V_h = I_h·|R + j·h·X|`, while the utility's were a tenth of that and had a background of their own. Between the
/// two nothing feeds.
#[test]
fn a_generator_holds_its_volts_and_distorts_by_its_reactance() {
    let trial = Trial::named("healthy-generator", 3, Kind::Full).unwrap();
    let fed = |fault: &&Fault| matches!(fault.what, What::Generator { .. });
    let generator = trial.faults.iter().find(fed).unwrap().clone();
    let open = trial.faults.iter().find(|fault| matches!(fault.what, What::Transfer)).unwrap().clone();
    let What::Generator { kva } = generator.what else { panic!("it was found as one") };
    let plan = trial.plant.units[0].clone();
    let mut world =
        World::new(trial.seed, trial.plant.clone(), trial.faults.clone(), generator.from - 60_000);
    let middle = |world: &World| {
        let place = world.terminals(0);
        let mean = |of: &dyn Fn(usize) -> f64| (0..3).map(of).sum::<f64>() / 3.0;
        let volts = mean(&|p| place.volts[0][p].abs());
        (volts, mean(&|p| place.volts[4][p].abs()), mean(&|p| place.amperes[4][p].abs()))
    };
    world.step(generator.from - 10_000);
    let (utility, ..) = middle(&world);
    assert!(world.generator_kva().is_none() && (59.9..60.1).contains(&world.frequency_hz(0)));
    world.step(open.from + 100);
    assert!(middle(&world).0 < 5.0, "nothing feeds: {:?}", middle(&world));
    for at in [1, 2, 3, 120] {
        world.step(open.until + 1000 * at);
    }
    let (volts, fifth_v, fifth_a) = middle(&world);
    assert_eq!(world.generator_kva(), Some(kva));
    // Without load 120.1 V; the transformer's own drop at half load is some 2 %.
    assert!((113.0..121.0).contains(&volts) && (volts - utility).abs() < 4.0, "{volts} V after {utility} V");
    let base = 208.0 * 208.0 / 1000.0;
    let own =
        Complex::new(plan.resistance_percent, 5.0 * plan.reactance_percent).times(base / plan.kva / 100.0);
    let behind = Complex::new(0.01, 5.0 * 0.14).times(base / kva);
    let want = (own + behind).abs();
    assert!((fifth_v / fifth_a / want - 1.0).abs() < 0.05, "{} ohms, expected {want}", fifth_v / fifth_a);
}

#[test]
fn every_trial_is_made_the_same_again_and_its_files_have_no_problem() {
    for name in names() {
        for kind in Kind::ALL {
            let trial = Trial::named(name, 5, kind).unwrap();
            let record = Record::new(&trial);
            let text = files::configuration(&trial, &record.meters);
            let (configuration, problems) =
                kvarden_config::parse("kvarden.toml", &text, &|_| Err(std::io::ErrorKind::NotFound.into()));
            assert!(problems.is_empty(), "{name}: {}", kvarden_config::render(&problems));
            let plant = configuration.unwrap().plant;
            assert_eq!(plant.meters.len(), record.meters.len());
            let columns = files::columns(&trial, &record.meters);
            let (logs, problems) = kvarden_config::parse_columns("columns.toml", &columns, &plant, &|_| true);
            assert!(problems.is_empty(), "{name}: {}", kvarden_config::render(&problems));
            assert_eq!(logs.unwrap().len(), record.meters.len());
            let nothing = name.starts_with("healthy") && trial.truths.iter().all(|t| t.cause == "event");
            assert_eq!(nothing, name.starts_with("healthy"), "{name}");
            assert!(name.starts_with("healthy") || !trial.truths.is_empty(), "{name}");
        }
    }
    let rounds = |seed| {
        let trial = Trial::named("unbalance-neutral", seed, Kind::Full).unwrap();
        let mut record = Record::new(&trial);
        let mut seen = Vec::new();
        for _ in 0..60 {
            record.round(|meter, at, values| seen.push((meter, at, format!("{values:?}"))));
        }
        seen
    };
    assert_eq!(rounds(3), rounds(3));
    assert_ne!(rounds(3), rounds(4));
}
