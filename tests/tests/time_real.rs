//! The real binary with a faked wall clock, and stopped for a while as a suspended machine is.

use kvarden_tests::faked_clock::environment;
use kvarden_tests::modbus_server::{Answer, serve};
use kvarden_tests::program::{Daemon, PATIENCE, signal};
use kvarden_tests::site::{Site, point};
use kvarden_tests::wait::wait_for;
use serde_json::Value;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

fn site(modbus: u16) -> Site {
    let config = format!(
        r#"
[[meter]]
name = "MP-3"
measures = {{ feeder = "MP-3" }}
modbus = {{ address = "127.0.0.1:{modbus}", unit = 1, map = "maps/mp3.toml", every = "200ms" }}
silent_after = "3s"
frozen_after = "never"

[[limit]]
on = "current_a"
of = "MP-3"
levels = [{{ setpoint = 80, priority = "high" }}]
deadband = 4
on_delay = "20s"
off_delay = "2s"

[tell]
file = "alerts.jsonl"

[store]
folder = "data"
"#
    );
    Site::new(&config, &[("maps/mp3.toml", &point("current_a.A", "address = 0\nkind = \"u16\""))])
}

fn amps(amps: u16) -> u16 {
    serve(move |_| Answer::Words(vec![amps]))
}

fn about<'a>(lines: &'a [Value], words: &str) -> Vec<&'a Value> {
    lines.iter().filter(|line| line["text"].as_str().unwrap_or_default().contains(words)).collect()
}

/// Seen to fail without `BEFORE_US`, below which the wall clock is not believed.
#[test]
fn a_daemon_that_starts_in_1970_tells_it_and_goes_on_in_true_time_when_the_clock_is_set() {
    let site = site(amps(50));
    let hand = site.path("wall-clock");
    let since = SystemTime::now().duration_since(UNIX_EPOCH).expect("the machine of a test has a clock");
    let back = format!("-{}d", since.as_secs() / 86_400 - 1);
    std::fs::write(&hand, back).expect("the folder can be written");
    let faked = environment(&hand);
    let environment = faked.each_ref().map(|(name, value)| (*name, value.as_str()));
    let mut daemon = Daemon::start_in(&site, &environment);
    daemon.wait_until_watching();
    let told = wait_for("people are told that the clock is not trusted", PATIENCE, || {
        let lines = site.told_lines();
        about(&lines, "clock").first().map(|line| (*line).clone())
    });
    assert!(told["text"].as_str().unwrap_or_default().contains("not to be trusted"), "{told}");
    // Some whole minutes are made while time is a guess.
    std::thread::sleep(Duration::from_secs(65));
    std::fs::write(&hand, "+0").expect("the folder can be written");
    wait_for("people are told that the clock is right again", PATIENCE, || {
        let lines = site.told_lines();
        (!about(&lines, "plausible again").is_empty()).then_some(())
    });
    daemon.stop();
    let db = rusqlite::Connection::open(site.path("data/kvarden.db")).expect("the daemon has made its store");
    let mut statement = db.prepare("SELECT key & 4294967295 FROM minute").expect("the table is there");
    let minutes: Vec<i64> = statement
        .query_map((), |row| row.get(0))
        .expect("it reads")
        .map(|key| key.expect("a number"))
        .collect();
    let first: i64 = db.query_row("SELECT min(at) FROM change_", (), |row| row.get(0)).expect("it reads");
    assert!(first >= since.as_millis() as i64, "the alarm of the clock itself too: {first}");
    let begun = (since.as_secs() / 60) as i64;
    assert!(!minutes.is_empty(), "minutes of the guess are stored");
    assert!(
        minutes.iter().all(|minute| *minute >= begun - 1),
        "under their true date: {minutes:?}, not before {begun}"
    );
}

/// Seen to fail without the note of `Resumed` in `Desk::awake`.
#[test]
fn a_process_that_stood_still_brings_no_burst_and_gives_no_credit() {
    let site = site(amps(90));
    let started = Instant::now();
    let daemon = Daemon::watching(&site);
    wait_for("MP-3 is read", PATIENCE, || (daemon.status().readings > 5).then_some(()));
    signal("STOP", daemon.pid());
    // The delay of 20 s cannot have run for longer than this.
    let ran = started.elapsed();
    std::thread::sleep(Duration::from_secs(30));
    let goes_on = Instant::now();
    signal("CONT", daemon.pid());
    let told = wait_for("the limit is told", Duration::from_secs(90), || {
        let lines = site.told_lines();
        (!lines.is_empty()).then_some(lines)
    });
    let passed = goes_on.elapsed();
    assert_eq!(about(&told, "current").len(), told.len(), "nothing but the limit: {told:?}");
    assert!(
        ran + passed >= Duration::from_secs(19),
        "told after {ran:?} and {passed:?} of values: credit for the gap"
    );
    daemon.stop();
}
