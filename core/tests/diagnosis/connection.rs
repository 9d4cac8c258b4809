//! A lug that heats: case studies of the trade (common practice, no source, where nothing else is said). Rises follow the
//! square of each lug's own current, so the same fault shows little at night and much at noon.

use crate::board::Board;
use crate::cannery::{meter, plant};
use kvarden_core::diagnosis::{Figure, Sign};
use kvarden_core::plant::{Plant, SideOf, Target};

/// T2 with its meter and a module of lugs on the load side, all every 10 s.
fn lugs() -> Plant {
    let mut plant = plant();
    let secondary = Target::Transformer(0, SideOf::Secondary);
    let points = "ambient_c termination_c.A termination_c.B termination_c.C";
    plant.feeders.clear();
    plant.limits.clear();
    plant.meters = vec![
        meter("T2 secondary", secondary, "current_a.A current_a.B current_a.C", 10),
        meter("T2 lugs", secondary, points, 10),
    ];
    plant.meters.iter_mut().for_each(|meter| meter.frozen_after = None);
    plant
}

/// Rated 208.2 A; sound lugs rise by 35 K at it, one has so much more there.
fn shows(meter: usize, load: f64, more_k: f64) -> Vec<f64> {
    let amperes = 208.2 * load;
    let rise = 35.0 * load * load;
    match meter {
        0 => vec![amperes; 3],
        _ => vec![25.0, 25.0 + rise + 0.4, 25.0 + rise + more_k * load * load, 25.0 + rise - 0.3],
    }
}

/// +9 K at 45 % load, +24 K at 70 %, +2 K at 20 %: at rated current 44 and 49 K, and no verdict at night.
#[test]
fn one_growing_bad_connection_is_one_finding_and_never_cleared_at_night() {
    let mut board = Board::of(&lugs());
    let hours = |hours: i64| hours * 3600;
    for _ in 0..3 {
        board.run(hours(8), |meter, _| shows(meter, 0.45, 0.0));
    }
    assert!(board.lines().is_empty(), "a sound lug: {:?}", board.lines());
    board.run(hours(8), |meter, _| shows(meter, 0.45, 9.0 / 0.45f64.powi(2)));
    board.run(hours(10), |meter, _| shows(meter, 0.2, 2.0 / 0.2f64.powi(2)));
    board.run(hours(6), |meter, _| shows(meter, 0.7, 24.0 / 0.7f64.powi(2)));
    board.run(hours(12), |meter, _| shows(meter, 0.2, 2.0 / 0.2f64.powi(2)));
    let lines = board.lines();
    assert!(lines.iter().all(|line| line.contains("loose-connection steady at T2 B")), "{lines:?}");
    assert!(lines.iter().filter(|line| line.contains("found")).count() == 1, "{lines:?}");
    assert!(!lines.iter().any(|line| line.contains("ended")), "{lines:?}");
    let found = &board.latest("loose-connection steady").expect("it is found").facts;
    assert!((40.0..60.0).contains(&found.evidence[0].value), "{found:?}");
}

#[test]
fn a_lug_that_gets_worse_from_day_to_day_is_told_to_grow() {
    let mut board = Board::of(&lugs());
    for day in 0..4 {
        board.run(24 * 3600, |meter, _| shows(meter, 0.8, 8.0 + 5.0 * f64::from(day)));
    }
    board.run(3600, |meter, _| shows(meter, 0.8, 45.0));
    let found = &board.latest("loose-connection steady").expect("it is found").facts;
    let growth = |figure: &Figure| matches!(figure, Figure::Sign(Sign::GrowthOfExcess, _));
    let grown = found.evidence.iter().find(|evidence| growth(&evidence.figure)).expect("it grows");
    assert!(grown.value > 2.0, "{grown:?}");
}

/// Two sensors differ by a kelvin: at 40 % load that is 6 K at rated current, and no finding. Full sun on the wall warms all.
#[test]
fn sensors_that_differ_and_a_hot_day_are_no_finding() {
    let mut board = Board::of(&lugs());
    let differ = |meter: usize, second: i64| {
        let mut values = shows(meter, 0.42, 0.0);
        if meter == 1 {
            values[2] += 1.0;
            let warmer = 12.0 * (second as f64 / 20_000.0).sin().abs();
            values.iter_mut().for_each(|value| *value += warmer);
        }
        values
    };
    board.run(24 * 3600, differ);
    assert!(board.lines().is_empty(), "{:?}", board.lines());
}

#[test]
fn mended_it_ends_after_a_day_that_shows_it_whole() {
    let mut board = Board::of(&lugs());
    board.run(4 * 3600, |meter, _| shows(meter, 0.8, 20.0));
    board.run(26 * 3600, |meter, _| shows(meter, 0.8, 0.0));
    let lines = board.lines();
    assert!(
        lines.last().is_some_and(|line| line.contains("ended loose-connection steady at T2 B")),
        "{lines:?}"
    );
}
