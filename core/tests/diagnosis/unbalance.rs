//! Unbalance of the supply and of a load, told apart; circuits by phasors (textbook), limits as the handbook of the trade has
//! them: 2 % of volts (EN 50160, from memory), 30 % of amperes with a phase above 80 % of its rating (common practice, no
//! source).

use crate::board::{Board, POWER_METER, with_feeders};
use crate::site::{Draw, Meters, Site, VOLTS, lagging};
use kvarden_core::diagnosis::{Figure, Lack, Sign};
use kvarden_core::phases::Place;
use kvarden_core::plant::{Meter, SideOf, Target};

const FEEDERS: [&str; 3] = ["MP-1", "MP-2", "MP-3"];

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

/// u2 of the source, worked by phasors: 126.1, 117.7 and 116.5 V at equal angles have 2.5 %.
fn unequal_source(site: &mut Site) {
    site.source = lagging([VOLTS * 1.05, VOLTS * 0.98, VOLTS * 0.97], 0.0);
}

#[test]
fn an_unbalanced_supply_is_told_from_the_load_with_angles_and_without() {
    for meters in [Meters::Full, Meters::NoAngles] {
        let mut site =
            Site { meters, ..Site::new(vec![Draw::even(40.0), Draw::even(50.0), Draw::even(30.0)]) };
        let mut board = board(meters);
        board.run(3600, |meter, second| site.shown(meter, second));
        assert!(board.lines().is_empty(), "{:?}", board.lines());
        unequal_source(&mut site);
        board.run(1800, |meter, second| site.shown(meter, second));
        assert_eq!(causes(&board), ["found unbalance supply at T2 - low"], "{:?}", board.lines());
        let found = &board.latest("unbalance supply").expect("it is found").facts;
        let supply = found
            .evidence
            .iter()
            .find(|line| line.figure == Figure::Sign(Sign::UnbalanceOfSupply, Place::Whole));
        assert!(supply.is_some_and(|line| (line.value - 2.6).abs() < 0.6), "{:?}", found.evidence);
        site.source = lagging([VOLTS; 3], 0.0);
        board.run(3600, |meter, second| site.shown(meter, second));
        assert_eq!(causes(&board).last().map(String::as_str), Some("ended unbalance supply at T2 - low"));
    }
}

#[test]
fn an_unequal_load_is_traced_to_its_feeder_and_phase() {
    for meters in [Meters::Full, Meters::NoAngles, Meters::NoOrders] {
        let mut site =
            Site { meters, ..Site::new(vec![Draw::even(40.0), Draw::even(40.0), Draw::even(30.0)]) };
        let mut board = board(meters);
        board.run(3600, |meter, second| site.shown(meter, second));
        // 110 + 75 = 185 A on B of 208 A; the two others 75 A; the feeder's own B is above its 100 A, which is another finding
        // after two hours.
        site.feeders[1] = Draw::of([5.0, 115.0, 5.0]);
        board.run(1800, |meter, second| site.shown(meter, second));
        let of_load: Vec<_> = causes(&board).into_iter().filter(|line| line.contains("unbalance")).collect();
        assert_eq!(of_load, ["found unbalance load at MP-2 B low"], "{:?}", board.lines());
        let found = &board.latest("unbalance load").expect("it is found").facts;
        let share = &found.shares[0];
        assert_eq!(share.feeder.as_deref(), Some("MP-2"), "{:?}", found.shares);
        assert!((share.percent - 100.0).abs() < 5.0, "all of it: {:?}", found.shares);
    }
}

#[test]
fn what_no_feeder_s_meter_shows_is_the_transformer_s() {
    let mut site = Site::new(vec![Draw::even(40.0), Draw::even(40.0), Draw::even(30.0)]);
    let mut board = board(Meters::Full);
    site.unmetered = Draw::of([65.0, 2.0, 2.0]);
    board.run(1800, |meter, second| site.shown(meter, second));
    assert_eq!(causes(&board), ["found unbalance load at T2 A low"]);
    let shares = &board.latest("unbalance load").expect("it is found").facts.shares;
    assert_eq!(shares[0].feeder, None, "{shares:?}");
}

/// Unequal as most boards are: nothing, for hours.
#[test]
fn unequal_but_acceptable_is_none() {
    for meters in [Meters::Full, Meters::NoAngles, Meters::NoOrders] {
        let feeders =
            vec![Draw::of([50.0, 36.0, 44.0]), Draw::of([20.0, 45.0, 30.0]), Draw::of([60.0, 25.0, 35.0])];
        let mut site = Site { meters, ..Site::new(feeders) };
        // A supply of 1.2 %, as many have.
        site.source = lagging([VOLTS * 1.02, VOLTS, VOLTS * 0.985], 0.0);
        let mut board = board(meters);
        board.run(2 * 3600, |meter, second| site.shown(meter, second));
        assert!(board.lines().is_empty(), "{:?}", board.lines());
    }
}

/// The volts follow the amperes: 4.5 % impedance and two thirds of the rating as negative sequence make 3 % (worked: a load
/// between two lines of 240 A has 139 A of it). The supply is equal.
#[test]
fn volts_that_the_load_makes_are_not_the_supply_s() {
    let mut site = Site::new(vec![Draw::even(5.0), Draw::even(5.0), Draw::even(5.0)]);
    let line = lagging([100.0; 3], 0.0);
    let between = (line[0] - line[1]) * 1.1;
    site.feeders[0].fundamental = [between, -between, 0.0.into()];
    let mut board = board(Meters::Full);
    board.run(1800, |meter, second| site.shown(meter, second));
    assert!(board.latest("unbalance supply").is_none(), "{:?}", board.lines());
    assert!(board.lines().iter().any(|line| line.contains("unbalance load at MP-1")), "{:?}", board.lines());
}

/// An unbalanced supply and an unequal load at once, with a meter before the unit: told as two. The volts between the primary
/// lines are those of the windings behind them (delta-wye, textbook).
#[test]
fn an_unbalanced_supply_and_an_unequal_load_are_told_as_two() {
    let mut plant = with_feeders(&FEEDERS, &Meters::Full.points(), 10);
    let lines = "voltage_ll_v.AB voltage_ll_v.BC voltage_ll_v.CA";
    let before = Meter {
        frozen_after: None,
        ..crate::cannery::meter("T2 primary", Target::Transformer(0, SideOf::Primary), lines, 10)
    };
    plant.meters.push(before);
    let mut board = Board::of(&plant);
    let mut site = Site::new(vec![Draw::even(40.0), Draw::of([5.0, 110.0, 5.0]), Draw::even(30.0)]);
    // A positive sequence of 120 V and a negative one of 2.8 %.
    let (positive, negative) = (lagging([VOLTS; 3], 0.0), lagging([VOLTS * 0.028; 3], 40.0));
    site.source = [0, 2, 1].map(|phase| negative[phase]);
    site.source.iter_mut().zip(positive).for_each(|(own, positive)| *own += positive);
    board.run(2400, |meter, second| {
        if meter == 4 {
            site.source.map(|volts| 480.0 / VOLTS * volts.norm()).to_vec()
        } else {
            site.shown(meter, second)
        }
    });
    let lines = causes(&board);
    assert!(lines.contains(&"found unbalance supply at T2 - low".to_owned()), "{lines:?}");
    assert!(lines.contains(&"found unbalance load at MP-2 B low".to_owned()), "{lines:?}");
    let supply = &board.latest("unbalance supply").expect("it is found").facts;
    assert!((supply.evidence[0].value - 2.8).abs() < 0.5, "{:?}", supply.evidence);
}

/// A phase of the main meter's volts was gone for half an hour: what the means of the latest minutes kept of it is no unbalance of the
/// supply. And an unbalance that came after an hour of records, below the 2 % of the limit, is told by what it gained.
// Seen to fail without `explain` of the trace; without `USUAL_KNOWN`.
#[test]
fn what_stood_before_is_no_unbalance_and_what_came_newly_is() {
    let mut site = Site::new(vec![Draw::even(40.0), Draw::even(50.0), Draw::even(30.0)]);
    let mut board = board(Meters::Full);
    board.run(2 * 3600, |meter, second| {
        let mut shown = site.shown(meter, second);
        if meter == 0 && (3600..5400).contains(&second) {
            // AB and CA at 0.66, phase A at a third (phasors).
            (shown[0], shown[2], shown[4]) = (137.0, 137.0, 40.0);
        }
        shown
    });
    let lines = causes(&board);
    assert!(lines.iter().all(|line| line.contains("instrument fuse at T2 A")), "{lines:?}");
    // One line of three 4 % low before a delta: u2 of 1.4 %.
    site.source = lagging([VOLTS * 0.98, VOLTS * 0.98, VOLTS * 1.0], 0.0);
    site.source[1] *= num_complex::Complex::from_polar(1.0, 1.4f64.to_radians());
    site.source[2] *= num_complex::Complex::from_polar(1.0, 0.7f64.to_radians());
    board.run(1500, |meter, second| site.shown(meter, second));
    let lines = causes(&board);
    assert!(lines.last().is_some_and(|line| line.starts_with("found unbalance supply at T2")), "{lines:?}");
}

/// No feeder has a meter: the finding stands at the transformer and says which to meter first, the largest.
#[test]
fn without_meters_of_feeders_it_says_which_to_meter_first() {
    let mut plant = with_feeders(&FEEDERS, &Meters::Full.points(), 10);
    plant.meters.truncate(1);
    plant.feeders[1].rated_a = Some(150.0);
    let site = Site::new(vec![Draw::of([190.0, 90.0, 90.0])]);
    let mut board = Board::of(&plant);
    board.run(3600, |meter, second| site.shown(meter, second));
    let found = board.found.iter().find(|change| change.facts.lacks.contains(&Lack::FeederMeters));
    let found = &found.unwrap_or_else(|| panic!("{:?}", board.lines())).facts;
    assert_eq!((found.feeder.as_deref(), found.meter_first.as_deref()), (None, Some("MP-2")));
}

/// Leads of the volts of B and C exchanged at the main meter: the phases follow each other the other way round, which is a hundred times
/// what an unbalanced supply makes of the negative sequence, and none.
#[test]
fn exchanged_leads_are_no_unbalanced_supply() {
    let site = Site::new(vec![Draw::even(40.0), Draw::even(50.0), Draw::even(30.0)]);
    let points = Meters::Full.points();
    let place = |key: &str| points.split_whitespace().position(|known| known == key).expect("a point");
    let pairs = ["voltage_ln_v", "voltage_angle_deg"]
        .map(|key| (place(&format!("{key}.B")), place(&format!("{key}.C"))));
    let mut board = board(Meters::Full);
    board.run(3600, |meter, second| {
        let mut shown = site.shown(meter, second);
        if meter == 0 {
            for (b, c) in pairs {
                shown.swap(b, c);
            }
        }
        shown
    });
    assert!(!board.lines().iter().any(|line| line.contains("unbalance supply")), "{:?}", board.lines());
}

/// A neutral's volts shift those of B down and lift the others by half as much (phasors of three at 120 degrees; lines stay equal). Before
/// the feeder it is 1.8 %, and its own wire does as much again on top at 90 A, as it did half at 45 A: none is loose. Then it is 8 V.
#[test]
fn what_a_sound_neutral_does_comes_on_top_of_what_the_bus_shows() {
    let shown = |shift: f64, neutral: f64| -> Vec<f64> {
        let volts = lagging([120.0; 3], 0.0);
        let moved = volts.map(|volts| (volts - volts_of_b() * shift).norm());
        let lines = [0, 1, 2].map(|phase: usize| (volts[phase] - volts[(phase + 1) % 3]).norm());
        let watts = [20.0, 20.0 + neutral, 20.0].map(|amperes| 120.0 * amperes);
        [moved.to_vec(), lines.to_vec(), vec![20.0, 20.0 + neutral, 20.0, neutral], watts.to_vec()].concat()
    };
    let of = |bus: f64, own: f64, neutral: f64| {
        move |meter: usize, _: i64| match meter {
            0 => shown(bus, neutral),
            1 => shown(bus + own, neutral),
            _ => shown(bus, 0.0),
        }
    };
    let mut board = Board::of(&with_feeders(&FEEDERS, POWER_METER, 10));
    board.run(3600, of(0.72, 0.78, 45.0));
    board.run(3600, of(1.44, 1.68, 90.0));
    assert!(!board.lines().iter().any(|line| line.contains("neutral")), "{:?}", board.lines());
    board.run(600, of(1.44, 8.0, 90.0));
    assert!(
        board.lines().iter().any(|line| line.contains("found unbalance neutral at MP-1 N")),
        "{:?}",
        board.lines()
    );
}

/// The direction of phase B.
fn volts_of_b() -> crate::site::Phasor {
    lagging([1.0; 3], 0.0)[1]
}
