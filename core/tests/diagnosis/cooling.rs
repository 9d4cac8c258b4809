//! Cooling by what remains above what a healthy unit would show: case studies of the trade (common practice, no source).
//! T2 is dry, 115 K at 208.2 A; rises follow the load to the 1.6 (IEEE C57.96, from memory) with one time constant of 45 min.

use crate::board::{Board, windings};
use kvarden_core::diagnosis::Finding;

/// The unit with its rises, which follow the load and how much of the cooling is left at each winding.
struct Unit {
    board: Board,
    rise: [f64; 3],
}

impl Unit {
    fn new() -> Self {
        Self { board: Board::of(&windings()), rise: [0.0; 3] }
    }

    /// So many hours at a load; `hotter`: how much each winding rises over a healthy one, as a factor.
    fn run(&mut self, hours: i64, load: f64, hotter: [f64; 3], air: f64) -> &mut Self {
        for _ in 0..hours * 360 {
            for (rise, hotter) in self.rise.iter_mut().zip(hotter) {
                *rise += (115.0 * load.powf(1.6) * hotter - *rise) * 10.0 / 2700.0;
            }
            let [a, b, c] = self.rise.map(|rise| air + rise);
            self.board
                .run(10, |meter, _| if meter == 0 { vec![208.2 * load; 3] } else { vec![air, a, b, c] });
        }
        self
    }

    fn lines(&self) -> Vec<String> {
        self.board.lines()
    }

    fn found(&self) -> &Finding {
        &self.board.latest("cooling blocked").expect("it is found").facts
    }
}

/// 60 % load in a 5 °C room: expected 56 °C; all windings 26 K more for hours, and no absolute limit is reached.
#[test]
fn all_windings_above_expected_in_a_cold_room_are_blocked_cooling() {
    let mut unit = Unit::new();
    unit.run(8, 0.6, [1.0; 3], 5.0);
    assert!(unit.lines().is_empty(), "{:?}", unit.lines());
    unit.run(8, 0.6, [1.5, 1.55, 1.5], 5.0);
    let lines = unit.lines();
    assert_eq!(lines.iter().filter(|line| line.contains("found")).count(), 1, "{lines:?}");
    assert!(lines[0].contains("found cooling blocked at T2 - low"), "{lines:?}");
    let found = unit.found();
    assert!((20.0..32.0).contains(&found.evidence[0].value), "{found:?}");
    assert!(found.confidence > 0.8, "{found:?}");
    unit.run(12, 0.6, [1.0; 3], 5.0);
    assert!(
        unit.lines().last().is_some_and(|line| line.contains("ended cooling blocked")),
        "{:?}",
        unit.lines()
    );
}

/// One winding alone: a duct, the winding or its sensor.
#[test]
fn the_middle_winding_alone_is_named_and_less_sure() {
    let mut unit = Unit::new();
    unit.run(6, 0.6, [1.0; 3], 5.0).run(8, 0.6, [1.0, 1.6, 1.0], 5.0);
    let lines = unit.lines();
    assert!(lines[0].contains("found cooling blocked at T2 B"), "{lines:?}");
    assert!(unit.found().confidence <= 0.5, "{:?}", unit.found());
}

/// Hot weather, and a warm room at high load: as warm as they make a healthy unit.
#[test]
fn hot_weather_and_a_warm_room_at_full_load_are_no_finding() {
    let mut unit = Unit::new();
    unit.run(10, 0.95, [1.0; 3], 38.0).run(6, 0.98, [1.0; 3], 40.0);
    assert!(unit.lines().is_empty(), "{:?}", unit.lines());
}

/// Far beyond the 40 °C for which it is rated at most (C57.12.01), and the windings as they should be.
#[test]
fn a_room_without_air_is_told_as_that() {
    let mut unit = Unit::new();
    for air in [25.0, 30.0, 35.0, 40.0] {
        unit.run(1, 0.7, [1.0; 3], air);
    }
    unit.run(5, 0.7, [1.0; 3], 48.0);
    let lines = unit.lines();
    assert_eq!(lines.len(), 1, "{lines:?}");
    assert!(lines[0].contains("found cooling hot-room at T2 - low"), "{lines:?}");
}
