//! Short peaks above the rating that come again, and motors that start, which are none. Setpoints: 120 % of the rating, three
//! times within six hours (common practice, no source).

use crate::board::{Board, with_feeders};
use crate::site::{Draw, Meters, Site};

#[test]
fn short_peaks_that_come_again_are_found_with_their_pattern() {
    let site = Site { meters: Meters::NoAngles, ..Site::new(vec![Draw::even(60.0), Draw::even(70.0)]) };
    let mut high = site.clone();
    high.feeders[1] = Draw::even(230.0);
    let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], &Meters::NoAngles.points(), 10));
    // Every forty minutes five minutes of 290 A on 208 A, by MP-2.
    for _ in 0..4 {
        board.run(2100, |meter, second| site.shown(meter, second));
        board.run(300, |meter, second| high.shown(meter, second));
    }
    board.run(600, |meter, second| site.shown(meter, second));
    let found: Vec<_> = board.lines().iter().filter(|line| line.contains(" found ")).cloned().collect();
    assert_eq!(found.len(), 1, "one fault, one finding: {found:?}");
    assert!(found[0].ends_with("found overload repeated-peaks at MP-2 - low"), "{found:?}");
    let pattern = board.latest("overload repeated-peaks").and_then(|change| change.facts.pattern.clone());
    let pattern = pattern.expect("a pattern");
    assert_eq!(pattern.times, 3);
    assert!((pattern.longest.as_seconds() - 300.0).abs() <= 20.0, "{pattern:?}");
    // Six hours after the last of three it is no recurrence any more, and six hours later it has ended.
    board.run(13 * 3600, |meter, second| site.shown(meter, second));
    assert!(
        board.lines().iter().any(|line| line.contains("ended overload repeated-peaks at MP-2")),
        "{:?}",
        board.lines()
    );
}

/// A unit at 77 % of its rating, whose machines bring it to 123 % for five minutes each forty: three such are what happens in a unit that
/// is nearly full, eight within six hours are too many.
// Seen to fail without the demand for more where the peaks lift little.
#[test]
fn peaks_that_lift_little_are_told_when_they_are_many() {
    let mut site = Site { meters: Meters::NoAngles, ..Site::new(vec![Draw::even(60.0), Draw::even(60.0)]) };
    let mut high = site.clone();
    (site.unmetered, high.unmetered) = (Draw::even(40.0), Draw::even(136.0));
    let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], &Meters::NoAngles.points(), 10));
    board.run(3 * 3600, |meter, second| site.shown(meter, second));
    for many in 1..=8 {
        board.run(300, |meter, second| high.shown(meter, second));
        board.run(2100, |meter, second| site.shown(meter, second));
        let told = board.lines().iter().any(|line| line.contains("found overload repeated-peaks at T2"));
        assert_eq!(told, many == 8, "after {many}: {:?}", board.lines());
    }
}

/// Eight minutes at 144 % and four at 62 %, without end: no step of the ladder stands for its time, but the mean of the hour is 117 %. It is
/// an overload, and its ups are no peaks.
// Seen to fail, each for itself, without the demand in the ladder and without the mean of the half hour.
#[test]
fn a_load_that_goes_up_and_down_around_its_rating_is_an_overload() {
    let mut site = Site { meters: Meters::NoAngles, ..Site::new(vec![Draw::even(60.0), Draw::even(40.0)]) };
    let mut high = site.clone();
    (site.unmetered, high.unmetered) = (Draw::even(30.0), Draw::even(200.0));
    let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], &Meters::NoAngles.points(), 10));
    board.run(3 * 3600, |meter, second| site.shown(meter, second));
    for _ in 0..20 {
        board.run(480, |meter, second| high.shown(meter, second));
        board.run(240, |meter, second| site.shown(meter, second));
    }
    let lines = board.lines();
    assert!(lines.iter().any(|line| line.contains("found overload whole-unit at T2")), "{lines:?}");
    assert!(!lines.iter().any(|line| line.contains("repeated-peaks")), "{lines:?}");
}

/// A motor draws six times its amperes for eight seconds, each ten minutes: no peak, whatever the meter's interval.
#[test]
fn motors_that_start_are_no_peaks() {
    for every in [1, 10, 60] {
        let site = Site { meters: Meters::NoAngles, ..Site::new(vec![Draw::even(60.0), Draw::even(40.0)]) };
        let mut start = site.clone();
        start.unmetered = Draw::even(180.0);
        let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], &Meters::NoAngles.points(), every));
        board.run(2 * 3600, |meter, second| {
            if second % 600 < 8 { start.shown(meter, second) } else { site.shown(meter, second) }
        });
        let starts = |line: &String| line.contains("event starting-load");
        assert!(board.lines().iter().all(starts), "each {every} s: {:?}", board.lines());
    }
}

/// Hours above the rating with peaks in between and breaks of some minutes: one overload.
#[test]
fn the_ups_and_downs_of_an_overload_that_lasts_are_no_peaks() {
    let site =
        |amperes| Site { meters: Meters::NoAngles, ..Site::new(vec![Draw::even(60.0), Draw::even(amperes)]) };
    let (base, high, low) = (site(170.0), site(200.0), site(120.0));
    let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], &Meters::NoAngles.points(), 10));
    board.run(2 * 3600, |meter, second| base.shown(meter, second));
    for _ in 0..6 {
        board.run(600, |meter, second| high.shown(meter, second));
        board.run(600, |meter, second| low.shown(meter, second));
        board.run(900, |meter, second| base.shown(meter, second));
    }
    let lines = board.lines();
    assert!(lines.iter().any(|line| line.contains("found overload whole-unit")), "{lines:?}");
    assert!(!lines.iter().any(|line| line.contains("repeated-peaks")), "{lines:?}");
}

/// Machines that cycle above the rating from the first minute on: 255 A for four minutes, 185 A for eight, which is 89 % of the rating.
/// An overload's ups and downs before the ladder has told of it.
#[test]
fn the_ups_and_downs_of_a_unit_that_is_full_are_no_peaks() {
    let site =
        |amperes| Site { meters: Meters::NoAngles, ..Site::new(vec![Draw::even(60.0), Draw::even(amperes)]) };
    let (base, high) = (site(125.0), site(195.0));
    let mut board = Board::of(&with_feeders(&["MP-1", "MP-2"], &Meters::NoAngles.points(), 10));
    board.run(3 * 3600, |meter, second| base.shown(meter, second));
    for _ in 0..6 {
        board.run(240, |meter, second| high.shown(meter, second));
        board.run(480, |meter, second| base.shown(meter, second));
    }
    assert!(!board.lines().iter().any(|line| line.contains("repeated-peaks")), "{:?}", board.lines());
}
