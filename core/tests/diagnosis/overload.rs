//! Overload by kVA and amperes against the nameplate: 75 kVA at 208 V is 208.2 A. Times and setpoints of the loading limits
//! (common practice, no source).

use crate::board::{Board, POWER_METER, with_feeders};
use kvarden_core::plant::Cooling;

/// A balanced resistive load of so many amperes on each phase.
fn amperes(of: [f64; 3]) -> Vec<f64> {
    let watts = of.map(|amperes| 120.0 * amperes);
    [vec![120.0; 3], vec![208.0; 3], of.to_vec(), vec![0.0], watts.to_vec()].concat()
}

#[test]
fn a_whole_unit_over_its_rating_is_found_by_the_ladder_and_ends() {
    let plant = with_feeders(&["MP-1"], POWER_METER, 10);
    let mut board = Board::of(&plant);
    let load =
        |percent: f64| move |meter: usize, _| amperes([if meter == 0 { 2.082 * percent } else { 20.0 }; 3]);
    board.run(1800, load(95.0));
    assert!(board.lines().is_empty(), "{:?}", board.lines());
    board.run(3700, load(115.0));
    board.run(700, load(130.0));
    board.run(8000, load(80.0));
    let lines = board.lines();
    let expected = ["found overload whole-unit at T2 - high", "worse overload whole-unit at T2 - urgent"];
    let steps: Vec<&str> =
        lines.iter().filter_map(|line| line.split_once(' ')).map(|(_, rest)| rest).collect();
    assert_eq!(steps[..2], expected, "{lines:?}");
    assert!(steps.last().is_some_and(|line| line.starts_with("ended overload whole-unit")), "{lines:?}");
}

#[test]
fn one_phase_over_the_rating_is_named() {
    let plant = with_feeders(&["MP-1"], POWER_METER, 10);
    let mut board = Board::of(&plant);
    board.run(700, |meter, _| amperes(if meter == 0 { [100.0, 270.0, 110.0] } else { [20.0; 3] }));
    assert_eq!(board.lines(), ["610 found overload one-phase at T2 B urgent"]);
    let found = board.latest("overload one-phase").expect("it is found");
    let proof = &found.facts.evidence[0];
    assert!((proof.value - 100.0 * 270.0 / 208.18).abs() < 0.1, "amperes of the rating: {}", proof.value);
}

/// Fans let a dry unit carry a third more (C57.12.01, from memory).
#[test]
fn what_fans_allow_is_no_overload_and_what_is_beyond_is_one() {
    let mut plant = with_feeders(&["MP-1"], POWER_METER, 10);
    plant.transformers[0].cooling = Cooling::DryFan;
    let mut board = Board::of(&plant);
    let load =
        |percent: f64| move |meter: usize, _| amperes([if meter == 0 { 2.082 * percent } else { 20.0 }; 3]);
    board.run(3 * 3600, load(122.0));
    assert!(board.lines().is_empty(), "{:?}", board.lines());
    board.run(2 * 3600 + 60, load(140.0));
    let lines = board.lines();
    assert!(
        lines.first().is_some_and(|line| line.contains("found overload whole-unit at T2 -")),
        "{lines:?}"
    );
    assert!(lines.iter().all(|line| line.contains("overload whole-unit")), "{lines:?}");
}

/// The unit comes above its rating by a phase of MP-1 that has carried far too much for hours, so that what was before is not known: it is
/// that feeder's all the same, and what is unequal is no second fault.
#[test]
fn a_phase_of_the_unit_is_traced_to_the_only_feeder_that_is_over_on_it() {
    let plant = with_feeders(&["MP-1", "MP-2"], POWER_METER, 10);
    let mut board = Board::of(&plant);
    let load = |base: f64| {
        move |meter: usize, _| match meter {
            0 => amperes([base + 30.0, base + 160.0, base + 30.0]),
            1 => amperes([30.0, 160.0, 30.0]),
            _ => amperes([base; 3]),
        }
    };
    board.run(5 * 3600, load(20.0));
    board.run(3 * 3600, load(90.0));
    let lines = board.lines();
    assert!(!lines.is_empty(), "nothing was found");
    assert!(lines.iter().all(|line| line.contains("overload one-phase at MP-1 B")), "{lines:?}");
}
