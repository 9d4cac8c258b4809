//! Temperature sensors that show what can't be. Figures: common practice, no source.

use crate::board::{Board, windings};
use kvarden_core::time::Span;

/// A dry unit's windings by one time constant of 45 min towards 115 K at rated load to the 1.6 (IEEE C57.96, from memory),
/// stepped here; the load changes every two hours.
struct Unit {
    rise: f64,
}

impl Unit {
    fn at(&mut self, second: i64) -> [Vec<f64>; 2] {
        let load = if second.div_euclid(7200) % 2 == 0 { 0.7 } else { 0.35 };
        let steady = 115.0 * f64::powf(load, 1.6);
        self.rise += (steady - self.rise) * 10.0 / 2700.0;
        [vec![208.2 * load; 3], vec![25.0, 25.0 + self.rise, 25.4 + self.rise, 24.7 + self.rise]]
    }
}

fn lines(seconds: i64, mut change: impl FnMut(i64, &mut Vec<f64>)) -> Vec<String> {
    let mut board = Board::of(&windings());
    let mut unit = Unit { rise: 60.0 };
    for step in 0..seconds / 10 {
        let second = step * 10;
        let [amperes, mut sensors] = unit.at(second);
        change(second, &mut sensors);
        board.run(10, |meter, _| if meter == 0 { amperes.clone() } else { sensors.clone() });
    }
    board.lines().into_iter().filter(|line| line.contains("instrument")).collect()
}

#[test]
fn healthy_windings_under_a_changing_load_are_no_finding() {
    assert!(lines(24 * 3600, |_, _| ()).is_empty());
}

#[test]
fn what_jumps_is_the_sensor() {
    let jumped = lines(4 * 3600, |second, values| {
        if (7000..7600).contains(&second) {
            values[2] += 22.0;
        }
    });
    assert_eq!(jumped.len(), 1, "{jumped:?}");
    assert!(jumped[0].contains("found instrument sensor at T2 B low"), "{jumped:?}");
}

/// A winding that gets hotter and hotter until it shows more than 400 °C, which is taken for no reading: heat, no failed sensor. One
/// that is gone from where it stood is.
#[test]
fn a_reading_beyond_what_can_be_is_heat_where_it_came_near() {
    let gone = |to: f64| {
        lines(3 * 3600, move |second, values| {
            values[2] = if second < 4000 { values[2].max(to * second as f64 / 4000.0) } else { f64::NAN };
        })
    };
    assert!(!gone(399.0).iter().any(|line| line.contains("found")), "{:?}", gone(399.0));
    assert!(gone(0.0)[0].contains("found instrument sensor at T2 B low"), "{:?}", gone(0.0));
}

/// A winding that came up to the end of what its sensor shows, and stands there for ten hours.
// Seen to fail without the look at where it stands.
#[test]
fn what_stands_at_the_end_of_its_range_is_heat() {
    let hot = lines(10 * 3600, |second, values| {
        values[3] = (values[3] + 0.1 * second as f64).min(399.8);
    });
    assert!(hot.iter().all(|line| !line.contains("found")), "{hot:?}");
}

#[test]
fn what_stands_still_while_its_like_move_is_the_sensor() {
    let still = lines(10 * 3600, |_, values| values[3] = 71.3);
    assert!(still[0].contains("found instrument sensor at T2 C low"), "{still:?}");
}

#[test]
fn what_is_colder_than_the_air_is_the_sensor() {
    let below = lines(3 * 3600, |_, values| values[1] = 8.0 + (values[1] - 60.0) / 10.0);
    assert!(below[0].contains("found instrument sensor at T2 A low"), "{below:?}");
}

/// A sensor that has slipped out of its duct shows two fifths of the rise that its like show and that its load lets expect.
#[test]
fn what_is_far_colder_than_a_healthy_winding_is_the_sensor() {
    let mut board = Board::of(&windings());
    let rise = 115.0 * f64::powf(0.8, 1.6);
    let shown = [25.0, 25.0 + rise, 25.0 + 0.4 * rise, 25.0 + rise];
    board.run(8 * 3600, |meter, _| if meter == 0 { vec![208.2 * 0.8; 3] } else { shown.to_vec() });
    let lines = board.lines();
    assert_eq!(lines.len(), 1, "{lines:?}");
    assert!(lines[0].contains("found instrument sensor at T2 B low"), "{lines:?}");
}

/// From the fourth hour on by 4 K an hour, at every load. A duct that is blocked would warm the winding ever more slowly.
#[test]
fn what_drifts_by_as_much_each_hour_is_the_sensor_and_no_cooling() {
    let mut board = Board::of(&windings());
    let mut rise = 60.0;
    for step in 0..14 * 360 {
        let hours = f64::from(step) / 360.0;
        rise += (115.0 * f64::powf(0.6, 1.6) - rise) * 10.0 / 2700.0;
        let off = 4.0 * (hours - 4.0).max(0.0);
        board.run(10, |meter, _| {
            if meter == 0 {
                vec![208.2 * 0.6; 3]
            } else {
                vec![25.0, 25.0 + rise, 25.4 + rise + off, 24.7 + rise]
            }
        });
    }
    let lines = board.lines();
    assert_eq!(lines.len(), 1, "{lines:?}");
    assert!(lines[0].contains("found instrument sensor at T2 B low"), "{lines:?}");
}

/// It stays 30 K off: not the winding, a day later neither. Seen to fail where it is believed again after some hours.
#[test]
fn what_has_jumped_is_not_believed_until_it_is_back() {
    let mut board = Board::of(&windings());
    let mut unit = Unit { rise: 60.0 };
    for step in 0..20 * 360 {
        let [amperes, mut sensors] = unit.at(step * 10);
        sensors[2] += if step > 4 * 360 { 30.0 } else { 0.0 };
        board.run(10, |meter, _| if meter == 0 { amperes.clone() } else { sensors.clone() });
    }
    let lines = board.lines();
    assert_eq!(lines.len(), 1, "{lines:?}");
    assert!(lines[0].contains("found instrument sensor at T2 B low"), "{lines:?}");
}

/// A value each five minutes: 25 K are no more than copper could do in that time, but its like did nothing. An air sensor that
/// jumps moves what is expected of the windings and not the windings. Seen to fail where it need not have
/// moved itself.
#[test]
fn what_jumps_between_two_slow_values_is_the_sensor_and_no_other() {
    for (jumps, by, who) in [(2, 25.0, "T2 B"), (0, -20.0, "T2 -")] {
        let mut plant = windings();
        for meter in &mut plant.meters {
            (meter.every, meter.silent_after) = (Span::seconds(300), Span::seconds(900));
        }
        let mut board = Board::of(&plant);
        let mut unit = Unit { rise: 60.0 };
        for step in 0..8 * 12 {
            let mut shown = unit.at(step * 300);
            (1..30).for_each(|more| shown = unit.at(step * 300 + more * 10));
            let [amperes, mut sensors] = shown;
            sensors[jumps] += if step < 5 * 12 { 0.0 } else { by };
            board.run(300, |meter, _| if meter == 0 { amperes.clone() } else { sensors.clone() });
        }
        let lines: Vec<_> = board.lines().into_iter().filter(|line| line.contains(" sensor ")).collect();
        let wrong = lines.iter().filter(|line| !line.contains(who)).count();
        assert_eq!(wrong, 0, "{lines:?}");
        assert!(jumps == 0 || lines.len() == 1, "{lines:?}");
    }
}

/// 850 °C, which no winding bears and the door does not let in: the others beside it give values. Seen to fail without the look
/// at what is missing.
#[test]
fn what_shows_what_cannot_be_or_nothing_is_the_sensor() {
    for shows in [850.0, f64::NAN] {
        let lines = lines(2 * 3600, |second, values| {
            if second > 3600 {
                values[2] = shows;
            }
        });
        assert_eq!(lines.len(), 1, "{lines:?}");
        assert!(lines[0].contains("found instrument sensor at T2 B low"), "{lines:?}");
    }
}

/// A duct of the middle winding is blocked at once, its time constant 45 min: it warms ever more slowly and is no sensor.
#[test]
fn a_winding_whose_duct_is_blocked_is_no_sensor_that_drifts() {
    let mut board = Board::of(&windings());
    let mut rises = [50.0; 3];
    for step in 0..12 * 360 {
        for (phase, rise) in rises.iter_mut().enumerate() {
            let hotter = if phase == 1 && step > 5 * 360 { 1.6 } else { 1.0 };
            *rise += (115.0 * f64::powf(0.6, 1.6) * hotter - *rise) * 10.0 / 2700.0;
        }
        let sensors = [vec![25.0], rises.map(|rise| 25.0 + rise).to_vec()].concat();
        board.run(10, |meter, _| if meter == 0 { vec![208.2 * 0.6; 3] } else { sensors.clone() });
    }
    let lines = board.lines();
    assert_eq!(lines.len(), 1, "{lines:?}");
    assert!(lines[0].contains("found cooling blocked at T2 B"), "{lines:?}");
}

/// The vents clog slowly: all windings warm for hours by as much each hour, the middle one by more.
#[test]
fn windings_that_all_warm_slowly_are_no_sensor_that_drifts() {
    let mut board = Board::of(&windings());
    let sound = 115.0 * f64::powf(0.5, 1.6);
    for step in 0..14 * 360 {
        let hours = (f64::from(step) / 360.0 - 4.0).clamp(0.0, 8.0);
        let rises = [0.12, 0.22, 0.12].map(|more| sound * (1.0 + more * hours));
        let sensors = [vec![25.0], rises.map(|rise| 25.0 + rise).to_vec()].concat();
        board.run(10, |meter, _| if meter == 0 { vec![208.2 * 0.5; 3] } else { sensors.clone() });
    }
    let lines = board.lines();
    assert!(!lines.iter().any(|line| line.contains("sensor")), "{lines:?}");
}

/// A large unit follows its load with 4 h, its model with less. One phase comes to 1.4 times its rating: its winding is far below what
/// is expected for hours, and is no sensor.
#[test]
fn a_winding_that_follows_a_grown_load_slowly_is_no_sensor() {
    let mut board = Board::of(&windings());
    let full = |load: f64| 115.0 * load.powf(1.6);
    let mut rises = [full(0.4); 3];
    for step in 0..16 * 360 {
        let loads = [0.4, if step < 4 * 360 { 0.4 } else { 1.4 }, 0.4];
        for (rise, load) in rises.iter_mut().zip(loads) {
            *rise += (full(load) - *rise) * 10.0 / 14_400.0;
        }
        let sensors = [vec![25.0], rises.map(|rise| 25.0 + rise).to_vec()].concat();
        board.run(
            10,
            |meter, _| {
                if meter == 0 { loads.map(|load| 208.2 * load).to_vec() } else { sensors.clone() }
            },
        );
    }
    let lines = board.lines();
    assert!(!lines.iter().any(|line| line.contains(" sensor ")), "{lines:?}");
}
