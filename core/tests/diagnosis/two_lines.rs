//! What goes on by two of its three lines: the lost line explains the low volts, the amperes above the rating and the step when it
//! comes back. The cases are circuits solved by nodes (the demonstration's own physics, not core's) or by theory as said.

use crate::board::{Board, POWER_METER, with_feeders};
use crate::circuit::{Branch, solve};

/// The values of a power meter.
fn values(ln: [f64; 3], ll: [f64; 3], amperes: [f64; 3], neutral: f64) -> Vec<f64> {
    let watts = [0, 1, 2].map(|k| ln[k] * amperes[k]);
    [ln.to_vec(), ll.to_vec(), amperes.to_vec(), vec![neutral], watts.to_vec()].concat()
}

fn told(board: &Board) -> Vec<String> {
    board.lines().iter().filter_map(|line| line.split_once(' ')).map(|(_, rest)| rest.to_owned()).collect()
}

/// A delta–wye unit of 4.6 % that loses a line while large motors run: solved by nodes. The phase that keeps its line carries twice
/// the amperes and so loses 4 % of its volts within the unit; the two in series have like amperes.
// Seen to fail without each of: the unit's own drop in `in_series`; `on_two_lines` in the judge of overload; `stood_on_bus`; `explain` of the trace.
#[test]
fn a_lost_line_explains_what_follows_from_it() {
    let plant = with_feeders(&["MP-1", "MP-2"], POWER_METER, 1);
    for (every, seconds) in [(1, 6), (10, 20), (60, 70)] {
        let mut plant = plant.clone();
        plant.meters.iter_mut().for_each(|meter| meter.every = kvarden_core::time::Span::seconds(every));
        let mut board = Board::of(&plant);
        let usual = |meter: usize, second: i64| {
            let wiggle = 1.0 + 0.002 * ((second * 7 + meter as i64 * 3) % 5 - 2) as f64;
            let amperes = match meter {
                0 => [111.5, 112.0, 111.3],
                1 => [56.0, 56.2, 56.1],
                _ => [55.5, 55.8, 55.2],
            };
            values([118.6, 118.4, 118.7], [205.3, 205.3, 205.6], amperes.map(|a| a * wiggle), 8.4)
        };
        board.run(2400, usual);
        board.run(1500, |meter, second| {
            let wiggle = 1.0 + 0.002 * ((second * 7 + meter as i64 * 3) % 5 - 2) as f64;
            let amperes = match meter {
                0 => [138.5, 138.2, 277.0],
                1 => [82.2, 81.0, 163.0],
                _ => [57.6, 57.9, 113.8],
            };
            values([97.0, 59.1, 114.1], [113.1, 153.6, 203.4], amperes.map(|a| a * wiggle), 5.5)
        });
        board.run(1200, usual);
        assert_eq!(
            told(&board),
            [
                "found unbalance lost-primary-line at T2 C urgent",
                "ended unbalance lost-primary-line at T2 C urgent"
            ],
            "{:?}",
            board.lines()
        );
        let found = (board.found[0].at - board.found[0].facts.since).0 / 1000;
        assert!(found <= seconds, "with a reading each {every} s after {found} s");
    }
}

/// A line of the supply at half of its volts: behind a delta–wye unit two phases stand at 0.764 and impedances draw 1.31 times as
/// much on the third (worked by phasors). It is a sag, however long.
// Seen to fail with a bound of 1.15 instead of `ALONE`.
#[test]
fn a_line_of_the_supply_that_sags_is_not_lost() {
    let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], POWER_METER, 1));
    board.run(700, |meter, second| {
        let source = if (600..630).contains(&second) { [0.764, 1.0, 0.764] } else { [1.0; 3] };
        let branches = [Branch::drawing([60.0, 55.0, 58.0], 0.95), Branch::drawing([35.0, 41.0, 38.0], 0.9)];
        solve(source, &branches)[meter].read(0.3, second as u64 * 16 + meter as u64)
    });
    assert_eq!(told(&board), ["found supply sag at T2 - journal"], "{:?}", board.lines());
}

/// A fuse of the main meter's volts is renewed after ten minutes: nothing came with the supply.
// Seen to fail without the fuse in `stood`.
#[test]
fn a_fuse_of_the_main_meter_that_is_renewed_was_no_sag() {
    let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], POWER_METER, 1));
    board.run(2400, |meter, second| match (meter, (600..1200).contains(&second)) {
        (0, true) => values([120.0, 40.0, 120.0], [118.0, 119.0, 208.0], [100.0, 104.0, 98.0], 8.0),
        (0, false) => values([120.0; 3], [208.0; 3], [100.0, 104.0, 98.0], 8.0),
        _ => values([120.0; 3], [208.0; 3], [50.0, 52.0, 49.0], 8.0),
    });
    assert_eq!(
        told(&board),
        ["found instrument fuse at T2 B low", "ended instrument fuse at T2 B low"],
        "{:?}",
        board.lines()
    );
}

/// A contact lets go for eight seconds where motors run: the two lines that are left carry √3 times the amperes (textbook). It is a
/// break, though amperes rise while volts fall.
// Seen to fail without the parting of what is broken in `start`.
#[test]
fn amperes_that_rise_beside_a_break_are_no_start() {
    let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], POWER_METER, 1));
    board.run(1200, |meter, second| {
        let off = |channel: i64| 1.0 + 0.001 * ((second * 7 + channel * 5 + meter as i64) % 5 - 2) as f64;
        let open = (600..608).contains(&second) || (1000..1008).contains(&second);
        let shown = match (meter, open) {
            (0, false) => values([119.0; 3], [206.1; 3], [100.0, 104.0, 98.0], 8.0),
            (0, true) => values([118.0, 117.8, 120.4], [204.0, 206.0, 206.3], [144.0, 148.0, 38.0], 12.0),
            (1, false) => values([118.2; 3], [204.7; 3], [60.0, 60.0, 60.0], 4.0),
            (1, true) => values([116.0, 115.8, 79.0], [200.0, 168.0, 169.0], [104.0, 104.0, 0.3], 6.0),
            _ => values([118.5; 3], [205.2; 3], [40.0, 44.0, 38.0], 4.0),
        };
        shown.iter().zip(0..).map(|(value, channel)| value * off(channel)).collect()
    });
    let lines = told(&board);
    assert!(lines.iter().all(|line| line.contains("loose-connection intermittent at MP-1 C")), "{lines:?}");
    let found = board.latest("loose-connection intermittent").expect("it is found");
    assert_eq!(found.facts.pattern.as_ref().map(|pattern| pattern.times), Some(2), "{lines:?}");
}

/// The neutral of a panel opens under loads so unequal that one phase is left with 62 V: the lines stand, so it is no fuse of the
/// meter.
// Seen to fail without `LINES_STAND`.
#[test]
fn a_lost_neutral_is_no_fuse_of_the_meter() {
    let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], POWER_METER, 1));
    board.run(900, |meter, second| match (meter, second >= 600) {
        (1, true) => values([62.0, 148.0, 152.0], [207.5, 208.2, 207.8], [40.0, 22.0, 20.0], 0.2),
        (0, _) => values([120.0; 3], [208.0; 3], [100.0, 104.0, 98.0], 8.0),
        _ => values([120.0; 3], [208.0; 3], [50.0, 24.0, 22.0], 27.0),
    });
    assert_eq!(told(&board), ["found unbalance neutral at MP-1 N urgent"], "{:?}", board.lines());
}

/// The same case (b) as in `lost.rs` from meters without volts between the lines: 124/116/121 V where the bus has 120 V. A phase that
/// a loaded cable lowers is none.
#[test]
fn a_loose_neutral_lifts_a_phase_above_the_bus() {
    let points = "voltage_ln_v.A voltage_ln_v.B voltage_ln_v.C current_a.A current_a.B current_a.C";
    for (volts, expected) in [([124.0, 116.0, 121.0], 1), ([119.0, 113.5, 119.2], 0)] {
        let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], points, 10));
        board.run(2400, |meter, second| {
            let own = if meter == 1 && second >= 600 { volts } else { [119.6, 119.2, 119.5] };
            let wiggle = 1.0 + 0.001 * ((second / 10 * 7 + meter as i64) % 5 - 2) as f64;
            let amperes = if meter == 0 { [75.0, 105.0, 82.0] } else { [35.0, 50.0, 40.0] };
            let volts = if meter == 0 { [120.0; 3] } else { own };
            [volts.map(|volts| volts * wiggle), amperes.map(|amperes| amperes * wiggle)].concat()
        });
        let lines = told(&board);
        let of_neutral = lines.iter().filter(|line| line.starts_with("found unbalance neutral"));
        assert_eq!(of_neutral.count(), expected, "{lines:?}");
    }
}
