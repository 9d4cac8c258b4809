//! The real binary, killed again and again while time is only a guess: no minute that was measured is lost, and when the
//! clock is set each bears its true date.

use kvarden::store::OwnedInput;
use kvarden_core::time::{EventTime, Span};
use kvarden_tests::faked_clock::environment;
use kvarden_tests::program::{Daemon, PATIENCE};
use kvarden_tests::site::polled_feeder;
use kvarden_tests::wait::wait_for;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

const MINUTE: Span = Span::minutes(1);

/// Seconds from start to kill: minutes close before the first and between the others.
const RUNS: [u64; 3] = [70, 25, 45];

// Seen to fail when minutes of a guess waited in memory, and when they were stored at once under the guessed date: without
// the branch on `guessed` in `minutes::append`.
#[test]
fn killed_in_a_guess_it_loses_no_minute_and_dates_them_all_when_the_clock_is_set() {
    let (site, _load) = polled_feeder("");
    let hand = site.path("wall-clock");
    let since = SystemTime::now().duration_since(UNIX_EPOCH).expect("the machine of a test has a clock");
    std::fs::write(&hand, format!("-{}d", since.as_secs() / 86_400 - 1)).expect("the folder can be written");
    let faked = environment(&hand);
    let environment = faked.each_ref().map(|(name, value)| (*name, value.as_str()));
    let start = || {
        let mut daemon = Daemon::start_in(&site, &environment);
        daemon.wait_until_watching();
        daemon
    };
    for seconds in RUNS {
        let mut daemon = start();
        std::thread::sleep(Duration::from_secs(seconds));
        daemon.kill();
    }
    let daemon = start();
    let told_right = || {
        let right = |line: &serde_json::Value| line.to_string().contains("plausible again");
        site.told_lines().iter().any(right).then_some(())
    };
    std::fs::write(&hand, "+0").expect("the folder can be written");
    wait_for("people are told that the clock is right again", PATIENCE, told_right);
    daemon.stop();

    let store = site.store();
    let tail = store.whole_tail().expect("the tail can be read");
    let set = tail.iter().position(|record| matches!(record.input, OwnedInput::Reclocked { .. }));
    let set = set.expect("the clock was corrected");
    let is_reading =
        |record: &&kvarden::store::TailRecord| matches!(record.input, OwnedInput::Reading { .. });
    let readings = tail[..set].iter().filter(is_reading).count() as u64;
    assert!(readings > 1000, "{readings}");
    let runs = store.minutes("MP-3", EventTime(0), EventTime(i64::MAX)).expect("the rows can be read");
    let rows: Vec<(EventTime, u64)> =
        runs.iter().flat_map(|run| &run.rows).map(|(at, panes)| (*at, u64::from(panes[0].count))).collect();
    let begun = EventTime(since.as_millis() as i64).floor(MINUTE) - MINUTE;
    assert!(rows.iter().all(|(at, _)| *at >= begun), "none under the date of the guess: {rows:?}");
    // The row in which the clock was set closed with it; what was read after that belongs to the next.
    let until = tail[set].now.floor(MINUTE);
    let measured: u64 = rows.iter().filter(|(at, _)| *at <= until).map(|(_, count)| count).sum();
    assert_eq!(measured, readings, "every stored reading of the guess stands in a minute: {rows:?}");
}
