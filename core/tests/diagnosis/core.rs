//! The core: over-excited, or biased by a half-wave load. A half-wave current has 42 % of second and 8.5 % of fourth order
//! (Fourier series of the half-wave rectified sine).

use crate::board::{Board, with_feeders};
use crate::site::{Draw, Meters, Site, VOLTS, lagging};
use kvarden_core::plant::{SideOf, Target};

const FEEDERS: [&str; 2] = ["MP-1", "MP-2"];

fn causes(board: &Board) -> Vec<String> {
    board
        .lines()
        .iter()
        .map(|line| line.split_once(' ').map_or(String::new(), |(_, rest)| rest.to_owned()))
        .collect()
}

/// Case study: load 6 %, 1.09 of the tap's volts, hum stronger at night, no even orders (common practice, no source).
#[test]
fn high_volts_at_night_without_even_orders_are_an_over_excited_core() {
    let mut plant = with_feeders(&FEEDERS, &Meters::Full.points(), 10);
    let hum = "sound_tone_dba.2 sound_tone_dba.4";
    plant.meters.push(crate::cannery::meter("T2 hum", Target::Transformer(0, SideOf::Secondary), hum, 10));
    if let Some(meter) = plant.meters.last_mut() {
        meter.frozen_after = None;
    }
    let mut board = Board::of(&plant);
    let mut site = Site::new(vec![Draw::even(8.0), Draw::even(4.5)]);
    let sound = |loud: f64, second: i64| vec![48.0 + loud + (second % 3) as f64 * 0.1, 40.0 + loud];
    site.source = lagging([VOLTS * 1.03; 3], 0.0);
    board.run(
        6 * 3600,
        |meter, second| if meter == 3 { sound(0.0, second) } else { site.shown(meter, second) },
    );
    assert!(board.lines().is_empty(), "{:?}", board.lines());
    site.source = lagging([VOLTS * 1.09; 3], 0.0);
    board.run(3600, |meter, second| if meter == 3 { sound(6.0, second) } else { site.shown(meter, second) });
    assert_eq!(causes(&board), ["found core over-excited at T2 - low"], "{:?}", board.lines());
}

/// Case study: rated volts and a second order of 3 % with one feeder: that feeder's half-wave load.
#[test]
fn a_second_order_with_one_feeder_is_its_half_wave_load() {
    let mut site = Site::new(vec![Draw::even(60.0), Draw::of([15.0, 50.0, 15.0])]);
    // A half-wave heater of 15 A on B of MP-2, beside its other load: 6.4 A of second order, 3 % of 208 A.
    let zero = crate::site::Phasor::new(0.0, 0.0);
    let on_b = |amperes: f64| [zero, crate::site::Phasor::new(amperes, 0.0), zero];
    let mut board = Board::of(&with_feeders(&FEEDERS, &Meters::Full.points(), 10));
    board.run(3600, |meter, second| site.shown(meter, second));
    assert!(board.lines().is_empty(), "{:?}", board.lines());
    site.feeders[1].orders = vec![(2, on_b(6.4)), (4, on_b(1.28))];
    board.run(2400, |meter, second| site.shown(meter, second));
    assert_eq!(causes(&board), ["found core half-wave at MP-2 B low"], "{:?}", board.lines());
    // With none of them it is direct current of the transformer itself.
    let mut board = Board::of(&with_feeders(&FEEDERS, &Meters::Full.points(), 10));
    site.feeders[1].orders.clear();
    site.unmetered.orders = vec![(2, on_b(6.4)), (4, on_b(1.28))];
    board.run(2400, |meter, second| site.shown(meter, second));
    assert_eq!(causes(&board), ["found core half-wave at T2 B low"], "{:?}", board.lines());
}
