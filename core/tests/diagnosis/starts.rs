//! What is no fault: a load that starts, a transformer that is energised, a breaker that opens. Common practice, no source.

use crate::board::{Board, POWER_METER, with_feeders};
use crate::circuit::{Branch, solve};
use kvarden_core::diagnosis::Lack;

const FEEDERS: [&str; 2] = ["MP-1", "MP-2"];

fn hall(meter: usize, second: i64, mut own: [f64; 3], more: f64) -> Vec<f64> {
    let plain = Branch::drawing([35.0, 41.0, 38.0], 0.9);
    for amperes in &mut own {
        *amperes = amperes.max(1e-6);
    }
    let mut first = Branch::drawing(own, 0.9);
    if more > 0.0 {
        // A motor at standstill beside it: 0.3 power factor.
        let start = Branch::drawing([more; 3], 0.3);
        for (load, start) in first.load.iter_mut().zip(start.load) {
            *load = 1.0 / (1.0 / *load + 1.0 / start);
        }
    }
    solve([1.0; 3], &[first, plain])[meter].read(0.3, second as u64 * 16 + meter as u64)
}

#[test]
fn a_motor_that_starts_is_a_starting_load_of_its_feeder_and_no_break() {
    let plant = with_feeders(&FEEDERS, POWER_METER, 1);
    let mut board = Board::of(&plant);
    board.run(6 * 3600, |meter, second| {
        let starts = second > 300 && second % 1800 < 4;
        hall(meter, second, [30.0, 33.0, 28.0], if starts { 150.0 } else { 0.0 })
    });
    let lines = board.lines();
    assert!(lines.iter().all(|line| line.contains("event starting-load at MP-1 - journal")), "{lines:?}");
    let found = board.latest("event starting-load").expect("it is found");
    let pattern = found.facts.pattern.as_ref().expect("it comes again");
    assert!(pattern.times >= 8, "{pattern:?}");
    assert_eq!(pattern.every.map(|every| every.0), Some(1_800_000));
}

#[test]
fn a_feeder_whose_breaker_opened_has_tripped_and_one_that_idles_has_not() {
    let points = format!("{POWER_METER} breaker_closed");
    let mut told = Vec::new();
    for opens in [true, false] {
        let plant = with_feeders(&FEEDERS, &points, 1);
        let mut board = Board::of(&plant);
        board.run(900, |meter, second| {
            let off = second >= 600;
            let mut values = hall(meter, second, if off { [0.0; 3] } else { [30.0, 33.0, 28.0] }, 0.0);
            values.push(if meter == 1 && off && opens { 0.0 } else { 1.0 });
            values
        });
        told.push(board.lines());
    }
    assert_eq!(told[0].len(), 1, "{told:?}");
    assert!(told[0][0].ends_with("found event trip at MP-1 - journal"), "{told:?}");
    assert!(told[1].is_empty(), "{told:?}");
}

/// Amperes of an inrush die away within a second or two, unlike in the three phases, with a strong second order.
#[test]
fn an_inrush_is_named_and_is_no_starting_load() {
    let points = format!("{POWER_METER} current_harmonic_percent.A.2");
    let plant = with_feeders(&FEEDERS, &points, 1);
    let mut board = Board::of(&plant);
    board.run(900, |meter, second| {
        let on = second == 600;
        let own = if on { [110.0, 75.0, 60.0] } else { [30.0, 33.0, 28.0] };
        let mut values = hall(meter, second, own, 0.0);
        values.push(if on && meter < 2 { 40.0 } else { 0.3 });
        values
    });
    let lines = board.lines();
    assert_eq!(lines.len(), 1, "{lines:?}");
    assert!(lines[0].ends_with("found event inrush at MP-1 - journal"), "{lines:?}");
}

/// Meters of ten seconds that read no breaker. A feeder that always carries something and is empty from one reading to the next has
/// tripped, or all of it was switched off: told with what would tell it. One that empties every half an hour is switched; one
/// that fades away within a minute was left by its people.
#[test]
fn a_feeder_that_empties_at_once_where_no_breaker_is_read_is_told_as_no_more_than_likely() {
    for (case, expected) in [("opens", 1), ("cycles", 0), ("fades", 0)] {
        let plant = with_feeders(&FEEDERS, POWER_METER, 10);
        let mut board = Board::of(&plant);
        board.run(5 * 3600, |meter, second| {
            let left = match case {
                "opens" if second >= 4 * 3600 => 0.0,
                "cycles" if second % 1800 >= 900 => 0.0,
                "fades" => ((4 * 3600 + 60 - second) as f64 / 60.0).clamp(0.0, 1.0),
                _ => 1.0,
            };
            hall(meter, second, [30.0, 33.0, 28.0].map(|amperes| amperes * left), 0.0)
        });
        let lines: Vec<_> = board.lines().into_iter().filter(|line| line.contains(" found ")).collect();
        assert_eq!(lines.len(), expected, "{case}: {lines:?}");
        if expected > 0 {
            assert!(lines[0].ends_with("found event trip at MP-1 - journal"), "{lines:?}");
            let facts = &board.latest("event trip").expect("it is found").facts;
            assert!(facts.confidence <= 0.5 && facts.lacks.contains(&Lack::States), "{facts:?}");
        }
    }
}
