//! Faces of lost conductors, of a meter's own fuse and of a wrong configuration. Volts and amperes of the cases by circuit theory; the
//! times are those of the trade's limits (common practice, no source).

use crate::board::{Board, POWER_METER, with_feeders};
use crate::circuit::{Branch, solve};
use num_complex::Complex64;

/// The values of a power meter.
fn values(ln: [f64; 3], ll: [f64; 3], amperes: [f64; 3], neutral: f64) -> Vec<f64> {
    let watts = [0, 1, 2].map(|k| ln[k] * amperes[k]);
    [ln.to_vec(), ll.to_vec(), amperes.to_vec(), vec![neutral], watts.to_vec()].concat()
}

fn healthy(amperes: [f64; 3]) -> Vec<f64> {
    values([120.0, 120.0, 120.0], [208.0; 3], amperes, 8.0)
}

fn told(board: &Board) -> Vec<String> {
    board.lines().iter().filter_map(|line| line.split_once(' ')).map(|(_, rest)| rest.to_owned()).collect()
}

/// Line-neutral 60/120/60 V, line-line 180/180/0, all amperes fall: a line before the delta–wye unit is lost.
#[test]
fn half_whole_half_is_a_lost_primary_line() {
    let plant = with_feeders(&["MP-1"], POWER_METER, 1);
    let mut board = Board::of(&plant);
    board.run(600, |meter, _| healthy(if meter == 0 { [100.0, 104.0, 98.0] } else { [50.0; 3] }));
    board.run(60, |meter, _| {
        let part = if meter == 0 { [49.0, 52.0, 49.5] } else { [25.0, 50.0, 25.0] };
        values([60.0, 120.0, 60.0], [180.0, 180.0, 0.0], part, 40.0)
    });
    let lines = board.lines();
    assert_eq!(told(&board), ["found unbalance lost-primary-line at T2 B urgent"], "{lines:?}");
    assert_eq!(lines[0].split(' ').next(), Some("606"), "within seconds, not at the next step of the grid");
    board.run(400, |meter, _| healthy(if meter == 0 { [100.0, 104.0, 98.0] } else { [50.0; 3] }));
    assert_eq!(
        told(&board).last().map(String::as_str),
        Some("ended unbalance lost-primary-line at T2 B urgent")
    );
}

/// The same while motors run: 95/119/104 V and 1.15/2.3/1.15 times the amperes. The phase with twice the amperes endangers them.
#[test]
fn running_motors_hold_the_volts_and_the_line_that_burns_them_is_named() {
    let plant = with_feeders(&["MP-1"], POWER_METER, 1);
    let mut board = Board::of(&plant);
    board.run(600, |_, _| healthy([50.0; 3]));
    board.run(60, |_, _| values([95.0, 119.0, 104.0], [178.0, 187.0, 161.0], [57.5, 115.0, 57.5], 2.0));
    assert_eq!(told(&board)[0], "found unbalance lost-primary-line at T2 B urgent");
    let found = board.latest("unbalance lost-primary-line").expect("it is found");
    let times = found.facts.evidence.iter().find(|proof| (proof.value - 2.0).abs() < 1e-9);
    assert!(times.is_some(), "twice the amperes of the others: {found:?}");
}

#[test]
fn a_lost_phase_of_a_feeder_is_traced_to_it_and_an_outage_is_no_unbalance() {
    let plant = with_feeders(&["MP-1", "MP-2"], POWER_METER, 1);
    let mut board = Board::of(&plant);
    let hall = |meter: usize, second: i64| {
        let ohms = if (600..700).contains(&second) { 1e6 } else { 0.0 };
        let branches = [
            Branch::drawing([60.0, 55.0, 48.0], 0.95).with_contact(2, ohms),
            Branch::drawing([35.0, 41.0, 38.0], 0.85),
        ];
        let source = if second >= 1200 { [0.0; 3] } else { [1.0; 3] };
        solve(source, &branches)[meter].read(0.3, second as u64 * 16 + meter as u64)
    };
    board.run(1500, hall);
    let expected =
        ["found unbalance lost-phase at MP-1 C urgent", "ended unbalance lost-phase at MP-1 C urgent"];
    assert_eq!(told(&board), expected, "{:?}", board.lines());
    let found = board.found[0].at - board.found[0].facts.since;
    // Its meter is read each second, and judged with the others at the steps of the grid.
    assert!(found.0 <= 20_000, "found {} ms after it came", found.0);
}

#[test]
fn volts_that_are_gone_while_amperes_go_on_are_the_fuse_of_the_meter() {
    let plant = with_feeders(&["MP-1", "MP-2"], POWER_METER, 1);
    let mut board = Board::of(&plant);
    board.run(900, |meter, second| match (meter, second) {
        (1, 600..) => values([120.0, 31.0, 120.0], [118.0, 119.0, 208.0], [50.0, 52.0, 48.0], 8.0),
        _ => healthy(if meter == 0 { [100.0; 3] } else { [50.0, 52.0, 48.0] }),
    });
    assert_eq!(told(&board), ["found instrument fuse at MP-1 B low"], "{:?}", board.lines());
}

/// Line-neutral 124/116/121 with line-line equal while the neutral carries the lunch hour's amperes; the transformer even.
#[test]
fn volts_that_part_with_the_neutrals_amperes_are_its_loose_neutral() {
    let plant = with_feeders(&["MP-1", "MP-2"], POWER_METER, 1);
    let mut board = Board::of(&plant);
    let even = [0.0, 120.0, 240.0].map(|degrees: f64| Complex64::from_polar(120.0, -degrees.to_radians()));
    let lines = [0, 1, 2].map(|k: usize| (even[k] - even[(k + 1) % 3]).norm());
    // Amperes to neutral grow towards noon; the loose neutral of 0.1 Ω moves the point that the panel calls neutral.
    board.run(3 * 3600, |meter, second| {
        let share = 0.1 + 0.9 * second as f64 / (3.0 * 3600.0);
        let amperes = [[18.0, 70.0, 40.0], [20.0, 20.0, 20.0]];
        let Some(own) = meter.checked_sub(1).map(|feeder| amperes[feeder].map(|of| share * of)) else {
            return values([120.0; 3], [208.0; 3], [38.0, 90.0, 60.0].map(|of| share * of), share * 45.0);
        };
        let neutral: Complex64 = [0, 1, 2].iter().map(|k| even[*k] / 120.0 * own[*k]).sum();
        let shift = if meter == 1 { neutral * 0.1 } else { Complex64::new(0.0, 0.0) };
        values(even.map(|volts| (volts - shift).norm()), lines, own, neutral.norm())
    });
    let lines = told(&board);
    assert!(lines[0].starts_with("found unbalance neutral at MP-1 N"), "{:?}", board.lines());
    assert!(lines.iter().all(|line| line.contains("unbalance neutral at MP-1 N")), "{:?}", board.lines());
    assert!(lines.last().is_some_and(|line| line.ends_with("urgent")), "{:?}", board.lines());
}

/// 120/208/120 V: a high-leg delta whose owner says wye is a mistake of the configuration and no unbalance.
#[test]
fn a_high_leg_that_is_called_wye_is_a_wrong_configuration() {
    let plant = with_feeders(&["MP-1"], POWER_METER, 1);
    let mut board = Board::of(&plant);
    board.run(1800, |_, _| values([120.0, 208.0, 120.0], [240.0; 3], [50.0, 52.0, 48.0], 3.0));
    assert_eq!(told(&board), ["found instrument high-leg at T2 B low"], "{:?}", board.lines());
}
