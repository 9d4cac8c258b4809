//! Readings that come too late to be judged: history of their own minute where nothing was known, and nothing else.

use crate::cannery::{Hall, MP3, at};
use kvarden_core::late::SETTLES;
use kvarden_core::output::{Closed, Output};
use kvarden_core::time::Span;

/// The minutes of MP-3 as told: minute of the story, samples of phase A, largest of them, and whether they came late.
fn minutes(hall: &Hall) -> Vec<(i64, u32, Option<f64>, bool)> {
    let of_mp3 = |output: &Output| match output {
        Output::Minute(Closed { meter, minute, panes, late }) if meter.0 as usize == MP3 => {
            Some(((*minute - at(0)).0 / 60_000, panes[0].count, panes[0].max(), *late))
        }
        _ => None,
    };
    hall.told.iter().filter_map(of_mp3).collect()
}

/// MP-3 was silent from second 100 to 400 and speaks again.
fn after_a_gap() -> Hall {
    let mut hall = Hall::new();
    hall.run(100);
    hall.speaks[MP3] = false;
    hall.run(300);
    hall.speaks[MP3] = true;
    hall.run(100);
    hall
}

/// Seen to fail when a late reading was judged, and when it was not counted.
#[test]
fn what_comes_late_for_a_gap_is_added_to_its_minute_and_raises_and_clears_nothing() {
    let mut hall = after_a_gap();
    let before = hall.changes().count();
    // 500 A for a minute would have raised whatever there is to raise.
    hall.show(MP3, 0, 500.0);
    for second in (110..250).rev() {
        hall.read(MP3, at(500), at(second));
    }
    hall.heal(MP3);
    hall.run(70);
    assert_eq!(hall.changes().count(), before, "nothing rises and nothing clears");
    let late: Vec<_> = minutes(&hall).into_iter().filter(|(.., late)| *late).collect();
    let expected = [
        (4, 10, Some(500.0), true),
        (3, 60, Some(500.0), true),
        (2, 60, Some(500.0), true),
        (1, 10, Some(500.0), true),
    ];
    assert_eq!(late, expected, "in the order in which they came");
    assert_eq!(hall.refused(), ["reading OnlyHistory 1"], "and counted: once a minute it is told how many");
    // A quiet gap in the story: the largest of the judged minutes are those of a healthy hall.
    assert!(minutes(&hall).iter().all(|(_, _, most, late)| *late || most.is_some_and(|most| most < 40.0)));
}

/// Seen to fail when each late reading was taken for one of a gap, and when a filled gap stayed one.
#[test]
fn the_same_late_reading_again_and_one_of_a_time_that_is_known_change_nothing() {
    let mut hall = after_a_gap();
    for second in [200, 200, 201, 200, 201, 50, 99, 100, 399, 400, 450] {
        hall.read(MP3, at(500), at(second));
    }
    hall.run(130);
    let told: u32 = minutes(&hall).iter().filter(|(.., late)| *late).map(|(_, count, ..)| count).sum();
    // 100 and 399 lie in the gap, whose ends are 99 and 400.
    assert_eq!(told, 4);
    let (refused, history): (Vec<_>, Vec<_>) =
        hall.refused().into_iter().partition(|line| !line.contains("OnlyHistory"));
    assert_eq!((refused.len(), history.len()), (1, 1), "{refused:?} {history:?}");
}

#[test]
fn a_late_minute_is_told_when_its_burst_is_over_and_what_is_late_for_the_open_minute_joins_it() {
    let mut hall = after_a_gap();
    hall.forget();
    hall.read(MP3, at(500), at(200));
    hall.run(SETTLES.0 / 1000);
    assert!(minutes(&hall).iter().all(|(.., late)| !late));
    hall.run(1);
    assert!(
        minutes(&hall).contains(&(3, 1, Some(30.0 + f64::from(500 % 7) * 0.01), true)),
        "{:?}",
        minutes(&hall)
    );
    // Minute 9 is open; one of its seconds is missing and comes late.
    let mut hall = after_a_gap();
    hall.run(60);
    hall.speaks[MP3] = false;
    hall.run(5);
    hall.speaks[MP3] = true;
    hall.run(10);
    hall.read(MP3, at(575), at(562));
    hall.run(60);
    assert_eq!(minutes(&hall).last().map(|row| (row.0, row.1, row.3)), Some((9, 56, false)));
}

/// Seen to fail when any reading ended a silence.
#[test]
fn what_is_late_ends_no_silence() {
    let mut hall = after_a_gap();
    hall.speaks[MP3] = false;
    hall.run(200);
    hall.forget();
    hall.read(MP3, at(700), at(200));
    hall.read(MP3, at(700), at(499));
    assert_eq!(hall.changes().count(), 0);
    hall.read(MP3, at(700), at(700));
    assert!(hall.changes().count() > 0, "a new one does");
}

/// A late reading's impossible value is counted and left out like any other.
#[test]
fn an_impossible_value_that_comes_late_is_no_history() {
    let mut hall = after_a_gap();
    hall.show(MP3, 0, 1.0e9);
    hall.read(MP3, at(500), at(200));
    hall.run(70);
    assert!(hall.refused().contains(&"current_a.A OutOfRange 1".to_owned()), "{:?}", hall.refused());
    assert!(minutes(&hall).contains(&(3, 0, None, true)));
}

/// Seen to fail when each late reading was taken for one of a gap.
#[test]
fn what_is_too_old_is_refused_and_no_meter_that_we_stamp_has_anything_late() {
    let mut hall = after_a_gap();
    hall.second += Span::hours(7 * 24).0 / 1000;
    hall.run(10);
    hall.forget();
    hall.read(MP3, at(hall.second), at(200));
    hall.read(0, at(hall.second), at(200));
    hall.run(130);
    assert!(minutes(&hall).iter().all(|(.., late)| !late));
}
