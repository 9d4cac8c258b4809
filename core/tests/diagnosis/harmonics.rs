//! Harmonics that do harm and such that do none. Spectra are those that the handbook of the trade gives for each kind of load
//! (common practice, no source, where nothing else is said); triplen orders add in the neutral (Masters, eq. 2.102).

use crate::board::{Board, with_feeders};
use crate::site::{Draw, Meters, Phasor, Site};
use kvarden_core::diagnosis::{Figure, Sign};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::phases::Place;

const FEEDERS: [&str; 2] = ["MP-1", "MP-2"];

fn board(meters: Meters) -> Board {
    Board::of(&with_feeders(&FEEDERS, &meters.points(), 10))
}

fn causes(board: &Board) -> Vec<String> {
    board
        .lines()
        .iter()
        .map(|line| line.split_once(' ').map_or(String::new(), |(_, rest)| rest.to_owned()))
        .collect()
}

/// Single-phase electronic loads: 62, 30, 10 and 6 % of orders 3, 5, 7 and 9.
fn electronic(amperes: f64) -> Draw {
    // So that phases of 120 A come out: 120/√(1 + 0.62² + 0.3² + 0.1² + 0.06²) of fundamental.
    let fundamental =
        amperes / (1.0f64 + 0.62f64.powi(2) + 0.3f64.powi(2) + 0.1f64.powi(2) + 0.06f64.powi(2)).sqrt();
    Draw::even(fundamental).with(3, 62.0).with(5, 30.0).with(7, 10.0).with(9, 6.0)
}

/// A six-pulse drive with a choke.
fn drive(amperes: f64, percent: f64) -> Draw {
    let part = percent / 35.0;
    Draw::even(amperes).with(5, 35.0 * part).with(7, 14.0 * part).with(11, 7.0 * part).with(13, 5.0 * part)
}

/// Case study: phases of 120 A and a neutral of 184 A by orders 62, 30, 10 and 6 % at 58 % of 208 A. The neutral is what
/// suffers; the transformer is not overloaded (common practice, no source; neutral worked: 3·√(62² + 6²) % of 98.6 A).
#[test]
fn a_neutral_of_triplen_orders_with_a_transformer_that_is_not_overloaded() {
    for meters in [Meters::Full, Meters::NoAngles, Meters::NoOrders] {
        let mut site = Site { meters, ..Site::new(vec![Draw::even(0.01), Draw::even(0.01)]) };
        site.unmetered = electronic(120.0);
        site.volt_thd = 4.0;
        let shown = site.shown(0, 0);
        assert!((shown[3] - 184.0).abs() < 3.0 && (shown[7] - 120.0).abs() < 1.0, "{shown:?}");
        let mut board = board(meters);
        board.run(3 * 3600, |meter, second| site.shown(meter, second));
        assert_eq!(causes(&board), ["found harmonics triplen at T2 N low"], "{:?}", board.lines());
        let found = &board.latest("harmonics triplen").expect("it is found").facts;
        let neutral = &found.evidence[0];
        assert_eq!(neutral.figure, Figure::Quantity(Quantity::whole(Measurand::NeutralCurrent)));
        assert!((neutral.value - 184.0).abs() < 4.0, "{neutral:?}");
        let overload = found.ruled_out.iter().find(|out| out.family.key() == "overload");
        assert!(overload.is_some_and(|out| out.by.value < 70.0), "{:?}", found.ruled_out);
    }
}

#[test]
fn triplen_orders_of_one_feeder_are_traced_to_it() {
    let mut site = Site::new(vec![electronic(80.0), Draw::even(30.0)]);
    site.unmetered = Draw::even(3.0);
    let mut board = board(Meters::Full);
    board.run(1800, |meter, second| site.shown(meter, second));
    assert!(causes(&board)[0].starts_with("found harmonics triplen at MP-1 N"), "{:?}", board.lines());
    assert_eq!(board.found.len(), 1, "one fault, one finding: {:?}", board.lines());
}

/// Case study: 2, 38 and 35 A at night, 14 % load, 62 % distortion: none (common practice, no source).
#[test]
fn much_distortion_at_light_load_is_none() {
    for meters in [Meters::Full, Meters::NoAngles, Meters::NoOrders] {
        let mut night = Draw::of([2.0, 32.0, 30.0]).with(3, 50.0).with(5, 30.0).with(7, 15.0).with(9, 8.0);
        night.orders.push((11, [Phasor::new(0.05, 0.0); 3]));
        let mut site = Site { meters, ..Site::new(vec![Draw::even(0.01), Draw::even(0.01)]) };
        site.unmetered = night;
        let mut board = board(meters);
        board.run(2 * 3600, |meter, second| site.shown(meter, second));
        assert!(board.lines().is_empty(), "{:?}", board.lines());
    }
}

#[test]
fn orders_of_drives_are_found_and_traced() {
    for meters in [Meters::Full, Meters::NoAngles, Meters::NoOrders] {
        let mut site = Site { meters, ..Site::new(vec![Draw::even(60.0), drive(85.0, 40.0)]) };
        site.volt_thd = 6.0;
        let mut board = board(meters);
        board.run(1800, |meter, second| site.shown(meter, second));
        let lines = causes(&board);
        assert_eq!(lines.len(), 1, "{:?}", board.lines());
        assert!(lines[0].starts_with("found harmonics five-seven at MP-2"), "{:?}", board.lines());
    }
}

/// A few drives on a large load: 30 A at 35 % are 12 A of orders, 5 % of the rating.
#[test]
fn a_few_drives_are_none() {
    let mut site = Site::new(vec![Draw::even(70.0), drive(30.0, 35.0)]);
    site.volt_thd = 3.0;
    let mut board = board(Meters::Full);
    board.run(2 * 3600, |meter, second| site.shown(meter, second));
    assert!(board.lines().is_empty(), "{:?}", board.lines());
}

/// The same kind of drives at 130 % of the rating: 270 A with 16 % of orders, which at the rating would be within what is allowed of the
/// volts. It is the load that is too large.
#[test]
fn orders_of_an_overload_are_the_overloads() {
    let mut site = Site::new(vec![Draw::even(160.0), drive(110.0, 35.0)]);
    site.volt_thd = 9.0;
    let mut board = board(Meters::Full);
    board.run(3600, |meter, second| site.shown(meter, second));
    let lines = causes(&board);
    assert!(lines.iter().any(|line| line.contains("found overload whole-unit")), "{:?}", board.lines());
    assert!(!lines.iter().any(|line| line.contains("five-seven")), "{:?}", board.lines());
}

/// A drive that runs alone at night: 40 % of orders, which are 8 A of 208.
#[test]
fn a_drive_at_light_load_is_none() {
    let mut site = Site::new(vec![Draw::even(0.01), drive(20.0, 40.0)]);
    site.volt_thd = 2.0;
    let mut board = board(Meters::Full);
    board.run(2 * 3600, |meter, second| site.shown(meter, second));
    assert!(board.lines().is_empty(), "{:?}", board.lines());
}

/// Volts distorted beyond 8 % by an eleventh order that resonates, while drives run: the capacitors are the cause, and not the drives.
#[test]
fn what_resonates_is_not_told_as_drives_too() {
    let mut site = Site::new(vec![drive(40.0, 30.0), Draw::even(20.0)]);
    let leading = crate::site::lagging([60.0; 3], -90.0);
    site.unmetered = Draw { fundamental: leading, orders: Vec::new() }.with(11, 45.0);
    site.volt_thd = 10.0;
    let mut board = board(Meters::Full);
    board.run(3600, |meter, second| site.shown(meter, second));
    let lines = causes(&board);
    assert!(lines[0].contains("found harmonics resonance"), "{:?}", board.lines());
    assert!(lines.iter().all(|line| line.contains("resonance")), "{:?}", board.lines());
}

/// Capacitors that stay in at night: the load leads, one order stands out of a falling row and the volts are distorted.
#[test]
fn resonance_at_low_load_is_told_from_drives() {
    let mut site = Site::new(vec![drive(40.0, 30.0), Draw::even(20.0)]);
    let mut board = board(Meters::Full);
    board.run(1800, |meter, second| site.shown(meter, second));
    assert!(board.lines().is_empty(), "{:?}", board.lines());
    // 40 A a quarter of a turn ahead, and an eleventh order that grows between capacitors and transformer.
    let leading = crate::site::lagging([60.0; 3], -90.0);
    site.unmetered = Draw { fundamental: leading, orders: Vec::new() }.with(11, 30.0);
    site.volt_thd = 7.0;
    board.run(1800, |meter, second| site.shown(meter, second));
    assert_eq!(causes(&board), ["found harmonics resonance at T2 - low"], "{:?}", board.lines());
}

#[test]
fn even_orders_of_a_converter_are_not_a_half_wave_load() {
    let mut site = Site::new(vec![
        Draw::even(80.0),
        Draw::even(60.0).with(2, 8.0).with(4, 6.0).with(5, 12.0).with(7, 6.0),
    ]);
    let mut board = board(Meters::Full);
    board.run(1800, |meter, second| site.shown(meter, second));
    assert_eq!(causes(&board), ["found harmonics even-orders at MP-2 - low"], "{:?}", board.lines());
    site.feeders[1] = Draw::even(60.0);
    board.run(3600, |meter, second| site.shown(meter, second));
    assert_eq!(causes(&board).last().map(String::as_str), Some("ended harmonics even-orders at MP-2 - low"));
}

/// A drive of 40 A on three lines goes on by two: a single-phase rectifier between A and C, its amperes and orders opposite to
/// each other, so that nothing of them is in the neutral.
#[test]
fn a_drive_that_lost_a_fuse_is_named_with_its_line() {
    let other = Draw::of([30.0, 32.0, 28.0]);
    let whole = |draw: &Draw| {
        let mut all = other.clone();
        all.fundamental.iter_mut().zip(draw.fundamental).for_each(|(own, theirs)| *own += theirs);
        all.orders.clone_from(&draw.orders);
        all
    };
    let mut site = Site::new(vec![whole(&drive(40.0, 35.0)), Draw::even(40.0)]);
    let mut board = board(Meters::Full);
    board.run(2 * 3600, |meter, second| site.shown(meter, second));
    assert!(board.lines().is_empty(), "{:?}", board.lines());
    let line = crate::site::lagging([1.0; 3], 0.0);
    // The same power by one pair of lines: √3 times the amperes.
    let between = (line[0] - line[2]) / 3f64.sqrt() * 69.0;
    let on_two = |phasor: Phasor| [phasor, 0.0.into(), -phasor];
    let orders =
        [(3, 0.7), (5, 0.4), (7, 0.2)].map(|(order, part)| (order, on_two(Phasor::new(69.0 * part, 0.0))));
    site.feeders[0] = whole(&Draw { fundamental: on_two(between), orders: orders.to_vec() });
    board.run(1200, |meter, second| site.shown(meter, second));
    let lines = causes(&board);
    assert_eq!(lines[0], "found harmonics drive-input-fuse at MP-1 B high", "{:?}", board.lines());
    assert!(
        lines.iter().all(|line| line.contains("drive-input-fuse") || line.contains("overload")),
        "{:?}",
        board.lines()
    );
    let found = &board.latest("harmonics drive-input-fuse").expect("it is found").facts;
    assert_eq!(found.evidence[0].figure, Figure::Sign(Sign::ThirdGained, Place::B));
}

/// Electronics on two of three phases come on: they draw third order on two lines as well, but it meets in the neutral.
#[test]
fn electronics_on_two_phases_are_no_drive() {
    let mut site = Site::new(vec![Draw::of([30.0, 42.0, 30.0]), Draw::even(30.0)]);
    let mut board = board(Meters::Full);
    board.run(2 * 3600, |meter, second| site.shown(meter, second));
    let electronics = Draw::of([12.0, 0.0, 12.0]).with(3, 70.0).with(5, 45.0);
    let mut both = Draw::of([30.0, 30.0, 30.0]);
    both.fundamental.iter_mut().zip(electronics.fundamental).for_each(|(own, theirs)| *own += theirs);
    both.orders = electronics.orders;
    site.feeders[0] = both;
    board.run(3600, |meter, second| site.shown(meter, second));
    assert!(board.lines().is_empty(), "{:?}", board.lines());
}
