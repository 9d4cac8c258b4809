//! A lug that heats: case studies of the trade (common practice, no source, where nothing else is said). Rises follow the
//! square of each lug's own current, so the same fault shows little at night and much at noon.

use crate::board::Board;
use crate::cannery::{meter, plant};
use kvarden_core::diagnosis::{Figure, Sign};
use kvarden_core::plant::{Feeder, Plant, SideOf, Target};

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

/// Three lugs that follow their load in 20 min: sound ones rise by 35 K at rated 208.2 A, B by so much more.
struct Lugs {
    board: Board,
    rise: [f64; 3],
}

impl Lugs {
    fn new() -> Self {
        Self { board: Board::of(&lugs()), rise: [0.0; 3] }
    }

    /// So many hours at a load, B showing so much more at rated load; `air` and `off`: the air, and what B's sensor is off by.
    fn run(&mut self, hours: f64, load: f64, more_k: f64, off: f64, air: impl Fn(i64) -> f64) -> &mut Self {
        for _ in 0..(hours * 360.0) as i64 {
            let warm = air(self.board.second);
            for (rise, full) in self.rise.iter_mut().zip([35.0, 35.0 + more_k, 35.0]) {
                *rise += (full * load * load - *rise) * 10.0 / 1200.0;
            }
            let [a, b, c] = self.rise;
            let shown = [warm, warm + a + 0.4, warm + b + off, warm + c - 0.3];
            let amperes = 208.2 * load;
            self.board.run(10, |meter, _| if meter == 0 { vec![amperes; 3] } else { shown.to_vec() });
        }
        self
    }
}

fn room(_: i64) -> f64 {
    25.0
}

/// +9 K at 45 % load, +24 K at 70 %, +2 K at 20 %: at rated current 44 and 49 K, and no verdict at night.
#[test]
fn one_growing_bad_connection_is_one_finding_and_never_cleared_at_night() {
    let mut lugs = Lugs::new();
    lugs.run(24.0, 0.45, 0.0, 0.0, room);
    assert!(lugs.board.lines().is_empty(), "a sound lug: {:?}", lugs.board.lines());
    lugs.run(8.0, 0.45, 9.0 / 0.45f64.powi(2), 0.0, room);
    lugs.run(10.0, 0.2, 2.0 / 0.2f64.powi(2), 0.0, room);
    lugs.run(6.0, 0.7, 24.0 / 0.7f64.powi(2), 0.0, room);
    lugs.run(12.0, 0.2, 2.0 / 0.2f64.powi(2), 0.0, room);
    let lines = lugs.board.lines();
    assert!(lines.iter().all(|line| line.contains("loose-connection steady at T2 B")), "{lines:?}");
    assert!(lines.iter().filter(|line| line.contains("found")).count() == 1, "{lines:?}");
    assert!(!lines.iter().any(|line| line.contains("ended")), "{lines:?}");
    let found = &lugs.board.latest("loose-connection steady").expect("it is found").facts;
    assert!((40.0..60.0).contains(&found.evidence[0].value), "{found:?}");
}

#[test]
fn a_lug_that_gets_worse_from_day_to_day_is_told_to_grow() {
    let mut lugs = Lugs::new();
    for day in 0..4 {
        lugs.run(24.0, 0.8, 8.0 + 5.0 * f64::from(day), 0.0, room);
    }
    lugs.run(3.0, 0.8, 45.0, 0.0, room);
    let found = &lugs.board.latest("loose-connection steady").expect("it is found").facts;
    let growth = |figure: &Figure| matches!(figure, Figure::Sign(Sign::GrowthOfExcess, _));
    let grown = found.evidence.iter().find(|evidence| growth(&evidence.figure)).expect("it grows");
    assert!(grown.value > 2.0, "{grown:?}");
}

/// Two sensors differ by a kelvin: at 42 % load that is 6 K at rated current, and no finding. Sun on the wall warms all.
/// Seen to fail without the least that a sensor must show.
#[test]
fn sensors_that_differ_and_a_hot_day_are_no_finding() {
    let mut lugs = Lugs::new();
    lugs.run(24.0, 0.42, 0.0, 1.0, |second| 25.0 + 12.0 * (second as f64 / 20_000.0).sin().abs());
    assert!(lugs.board.lines().is_empty(), "{:?}", lugs.board.lines());
}

#[test]
fn mended_it_ends_after_a_day_that_shows_it_whole() {
    let mut lugs = Lugs::new();
    lugs.run(4.0, 0.8, 20.0, 0.0, room).run(27.0, 0.8, 0.0, 0.0, room);
    let lines = lugs.board.lines();
    assert!(
        lines.last().is_some_and(|line| line.contains("ended loose-connection steady at T2 B")),
        "{lines:?}"
    );
}

/// Lugs that still air cools with the 1.25th power of their rise: 30 K at rated current, so that a rise goes with the power 1.6
/// of the load (IEEE C57.96's exponent, from memory); the time constant is 27 min, not the 20 min of the model. A bar conducts
/// a tenth of what a lug gives to the air between the lugs of T2 and those of MP-1.
struct Bar {
    board: Board,
    /// Of T2, of MP-1.
    rise: [[f64; 3]; 2],
}

impl Bar {
    fn new() -> Self {
        let mut plant = lugs();
        let feeder = Target::Feeder(0);
        plant.feeders = vec![Feeder { rated_a: Some(100.0), ..Feeder::new("MP-1", 0) }];
        let points = "ambient_c termination_c.A termination_c.B termination_c.C";
        plant.meters.push(meter("MP-1", feeder, "current_a.A current_a.B current_a.C", 10));
        plant.meters.push(meter("MP-1 lugs", feeder, points, 10));
        plant.meters.iter_mut().for_each(|meter| meter.frozen_after = None);
        Self { board: Board::of(&plant), rise: [[0.0; 3]; 2] }
    }

    /// So many hours at these loads of T2 and of MP-1; `more`: so many times the heat of a sound lug arises at MP-1.
    fn run(&mut self, hours: f64, loads: [[f64; 3]; 2], more: [f64; 3]) -> &mut Self {
        for _ in 0..(hours * 360.0) as i64 {
            let before = self.rise;
            for (place, rises) in self.rise.iter_mut().enumerate() {
                for (phase, rise) in rises.iter_mut().enumerate() {
                    let made = loads[place][phase].powi(2) * if place == 1 { more[phase] } else { 1.0 };
                    let given = (before[place][phase] / 30.0).powf(1.25);
                    let conducted = 0.1 * (before[1 - place][phase] - before[place][phase]) / 30.0;
                    *rise += 30.0 * (made - given + conducted) * 10.0 / 1620.0;
                }
            }
            let shown =
                |place: usize| [vec![25.0], self.rise[place].map(|rise| 25.0 + rise).to_vec()].concat();
            self.board.run(10, |meter, _| match meter {
                0 => loads[0].map(|load| 208.18 * load).to_vec(),
                1 => shown(0),
                2 => loads[1].map(|load| 100.0 * load).to_vec(),
                _ => shown(1),
            });
        }
        self
    }

    fn connections(&self) -> Vec<String> {
        self.board.lines().into_iter().filter(|line| line.contains("loose-connection")).collect()
    }
}

/// One phase at 125 %, the others at half: what carries little looks hot for its square. Seen to fail without what unequal
/// loads explain.
#[test]
fn sound_lugs_beside_an_overloaded_phase_are_no_finding() {
    let mut bar = Bar::new();
    bar.run(10.0, [[1.25, 0.5, 0.45], [1.1, 0.5, 0.45]], [1.0; 3]);
    bar.run(4.0, [[0.5, 0.45, 0.6]; 2], [1.0; 3]);
    assert_eq!(bar.connections(), Vec::<String>::new());
}

/// What MP-1's lug sends along the bar shows at T2's of the same phase. Seen to fail without what a hotter one explains.
#[test]
fn a_hot_lug_is_told_where_it_is_and_not_where_its_heat_goes() {
    let mut bar = Bar::new();
    bar.run(4.0, [[0.5; 3], [0.8; 3]], [1.0; 3]).run(10.0, [[0.5; 3], [0.8; 3]], [1.0, 1.0, 6.0]);
    let lines = bar.connections();
    assert!(!lines.is_empty(), "it is found");
    assert!(lines.iter().all(|line| line.contains("loose-connection steady at MP-1 C")), "{lines:?}");
}

/// The lug in the middle is heavier and cools half as fast; the load falls from 110 to 42 %.
#[test]
fn a_heavy_lug_after_a_fall_of_the_load_is_no_finding() {
    let mut board = Board::of(&lugs());
    let mut rise = [0.0_f64; 3];
    for step in 0..9 * 360 {
        let load: f64 = if step < 5 * 360 { 1.1 } else { 0.42 };
        for (rise, tau_s) in rise.iter_mut().zip([1200.0, 2400.0, 1200.0]) {
            *rise += (35.0 * load * load - *rise) * 10.0 / tau_s;
        }
        let sensors = [vec![25.0], rise.map(|rise| 25.0 + rise).to_vec()].concat();
        board.run(10, |meter, _| if meter == 0 { vec![208.2 * load; 3] } else { sensors.clone() });
    }
    let lines: Vec<_> = board.lines().into_iter().filter(|line| line.contains("connection")).collect();
    assert_eq!(lines, Vec::<String>::new());
}

/// Lugs that differ by 30 % of 25 K at rated current, as sound ones do, at 52 % of it and in still air.
#[test]
fn sound_lugs_that_differ_are_no_finding_at_little_load() {
    let mut board = Board::of(&lugs());
    let load: f64 = 0.52;
    let rises = [0.87, 1.17, 0.87].map(|own: f64| 25.0 * own * load.powf(1.6));
    let sensors = [vec![25.0], rises.map(|rise| 25.0 + rise).to_vec()].concat();
    board.run(4 * 3600, |meter, _| if meter == 0 { vec![208.2 * load; 3] } else { sensors.clone() });
    assert_eq!(board.lines(), Vec::<String>::new());
}

/// Two sensors differ by 2 K and lugs by 8 % of 28 K, at half load: 11 K over its peers at rated current, of which the sensors may be
/// most.
#[test]
fn what_two_sensors_and_two_lugs_differ_by_at_half_load_is_no_finding() {
    let mut board = Board::of(&lugs());
    let load: f64 = 0.48;
    let rises = [0.97, 1.08, 0.97].map(|own: f64| 28.0 * own * load * load);
    let sensors = [vec![25.0, 25.0 + rises[0]], vec![27.0 + rises[1], 25.0 + rises[2]]].concat();
    board.run(6 * 3600, |meter, _| if meter == 0 { vec![208.2 * load; 3] } else { sensors.clone() });
    assert_eq!(board.lines(), Vec::<String>::new());
}
