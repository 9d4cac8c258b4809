//! What is stored is enough: the tail gives the same outputs again, and a daemon that was stopped and started in a new
//! process goes on as if nothing had been, whatever was under way.

use kvarden::restore::replay_one;
use kvarden::store::{DATABASE, Store};
use kvarden_core::monitor::Monitor;
use kvarden_core::output::{Change, ChangeKind, Output, Rule};
use kvarden_core::plan::Plan;
use kvarden_core::time::{EventTime, Span};
use kvarden_tests::simulated::{BEGINS, Ledger, first_difference};
use kvarden_tests::story::Story;
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use tempfile::TempDir;

const SEED: u64 = 7;
/// A restart at this second falls into faults of every kind, see the story's schedule.
const AMID: i64 = 421;

fn folder() -> TempDir {
    tempfile::tempdir().expect("there is room for a folder")
}

/// Runs a part of the quarter of an hour in a process of its own.
fn run(folder: &Path, from: i64, to: i64) {
    let output = Command::new(env!("CARGO_BIN_EXE_simulate"))
        .arg(folder)
        .args([Story::QuarterHour.name(), &SEED.to_string(), &from.to_string(), &to.to_string()])
        .output()
        .expect("the binary of this package starts");
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "second {from} to {to}: {out}{err}");
}

fn end() -> i64 {
    Story::QuarterHour.seconds()
}

fn ledger(folder: &TempDir) -> Ledger {
    Ledger::of(folder.path()).expect("the store can be read")
}

fn undisturbed() -> Ledger {
    let folder = folder();
    run(folder.path(), 0, end());
    ledger(&folder)
}

fn second(at: EventTime) -> i64 {
    (at - BEGINS).0.div_euclid(1000)
}

fn is_silence(rule: Rule) -> bool {
    matches!(rule, Rule::Silent { .. })
}

/// Everything of a ledger but silence, whose clock rightly starts anew with the program, as lines to compare.
fn all_but_silence(ledger: &Ledger) -> Vec<String> {
    let told = |alert: &str| ledger.revisions.iter().any(|one| one.alert == alert && is_silence(one.rule));
    let mut lines: Vec<String> =
        ledger.changes.iter().filter(|one| !is_silence(one.rule)).map(|one| format!("{one:?}")).collect();
    let revisions = ledger.revisions.iter().filter(|one| !told(&one.alert));
    lines.extend(revisions.map(|one| format!("{one:?}")));
    lines.extend(ledger.excursions.iter().map(|one| format!("{one:?}")));
    lines.extend(ledger.minutes.iter().cloned());
    lines
}

/// Alarm, step and what happened, without times and values: in their order for each alarm.
fn steps(ledger: &Ledger) -> BTreeSet<String> {
    let line =
        |change: &Change| format!("{} {} {:?} {:?}", change.alarm, change.step, change.what, change.to);
    ledger.changes.iter().map(line).collect()
}

fn letter_ids(ledger: &Ledger) -> Vec<&str> {
    ledger.letters.iter().map(|letter| letter.id.as_str()).collect()
}

fn assert_nothing_told_twice(ledger: &Ledger) {
    let ids = letter_ids(ledger);
    assert_eq!(ids.iter().collect::<BTreeSet<_>>().len(), ids.len(), "a letter has its id alone");
    let told: BTreeSet<&str> =
        ledger.told.iter().filter_map(|line| line.split_once(' ').map(|(_, rest)| rest)).collect();
    assert_eq!(told.len(), ledger.told.len(), "a letter was delivered twice");
}

#[test]
fn the_story_has_something_of_everything() {
    let ledger = undisturbed();
    for rule in
        ["high level 1", "high level 2", "high level 3", "high recurrence", "silent level 1", "frozen"]
    {
        let rises = ledger.changes.iter().filter(|one| one.what == ChangeKind::Raised);
        assert!(rises.clone().any(|one| one.rule.key() == rule), "no {rule} rose");
    }
    assert!(ledger.changes.iter().any(|one| one.what == ChangeKind::Suppressed));
    assert!(ledger.excursions.len() >= 10, "{} excursions", ledger.excursions.len());
    assert!(ledger.minutes.len() > 8 * 12, "{} minutes", ledger.minutes.len());
}

#[test]
fn the_live_tail_through_a_fresh_monitor_gives_what_the_store_holds() {
    let folder = folder();
    run(folder.path(), 0, end());
    let stored = ledger(&folder);
    let store = Store::open_for_reading(&folder.path().join("data")).expect("the store is there");
    let (configuration, problems) = kvarden_config::load(&folder.path().join("kvarden.toml"));
    let configuration = configuration.unwrap_or_else(|| panic!("{}", kvarden_config::render(&problems)));
    let plan = Arc::new(Plan::new(&configuration.plant).expect("the daemon ran with it"));
    let mut monitor = Monitor::new(Arc::clone(&plan));
    let (mut outputs, mut again) = (Vec::new(), Ledger::default());
    let tail = store.whole_tail().expect("the tail can be read");
    assert_eq!(tail.first().map(|record| record.number), Some(1), "the tail reaches back to the start");
    for record in &tail {
        replay_one(&mut monitor, &plan, record.now, &record.input, &mut outputs);
        for output in outputs.drain(..) {
            match output {
                Output::Alarm(change) => again.changes.push(change),
                Output::Finding(change) => again.findings.push(change),
                Output::Alert(revision) => again.revisions.push(revision),
                Output::Excursion(excursion) => again.excursions.push(excursion),
                Output::Minute(closed) => {
                    let meter = plan.meter(closed.meter).expect("it comes from this plan");
                    let mut line = format!("{} {}", meter.name, (closed.minute - BEGINS).0 / 60_000);
                    for (quantity, pane) in meter.series.iter().zip(&closed.panes) {
                        // The store keeps 32-bit numbers.
                        let kept = |value: Option<f64>| value.map(|value| f64::from(value as f32));
                        let _ = write!(
                            line,
                            " {quantity} {:?} {:?} {:?} {} {}",
                            kept(pane.mean()),
                            kept(pane.min()),
                            kept(pane.max()),
                            pane.count,
                            pane.covered_ms
                        );
                    }
                    again.minutes.push(line);
                }
                Output::Recording(_) | Output::Refused(_) | Output::Answer(_) => {}
            }
        }
    }
    // The store gives them back in order of time, minutes by meter.
    again.changes.sort_by_key(|one| one.at);
    again.findings.sort_by_key(|one| one.at);
    again.revisions.sort_by_key(|one| one.at);
    again.excursions.sort_by_key(|one| one.start);
    let order = |lines: &[String]| lines.iter().cloned().collect::<BTreeSet<_>>();
    assert_eq!(order(&again.minutes), order(&stored.minutes));
    again.minutes.clone_from(&stored.minutes);
    let mut alone = stored.clone();
    (alone.letters, alone.told, alone.days, alone.refused) = Default::default();
    assert_eq!(first_difference(&again.lines(), &alone.lines()), None);
}

#[test]
fn a_restart_in_a_new_process_changes_nothing() {
    let expected = undisturbed();
    for at in [AMID, 130, 245, 362, 601] {
        let folder = folder();
        run(folder.path(), 0, at);
        run(folder.path(), at, end());
        let got = ledger(&folder);
        let difference = first_difference(&all_but_silence(&expected), &all_but_silence(&got));
        assert_eq!(difference, None, "restart at second {at}");
        assert_eq!(steps(&got), steps(&expected), "restart at second {at}: alarms, ids and steps");
        let (mut ids, mut before) = (letter_ids(&got), letter_ids(&expected));
        ids.sort_unstable();
        before.sort_unstable();
        assert_eq!(ids, before, "restart at second {at}: letters");
        assert_nothing_told_twice(&got);
    }
}

#[test]
fn six_restarts_in_a_row_change_nothing_either() {
    let expected = undisturbed();
    let folder = folder();
    let stops = [0, 97, 105, 362, 403, 415, AMID, end()];
    for pair in stops.windows(2) {
        run(folder.path(), pair[0], pair[1]);
    }
    let got = ledger(&folder);
    assert_eq!(first_difference(&all_but_silence(&expected), &all_but_silence(&got)), None);
    assert_eq!(steps(&got), steps(&expected));
    assert_nothing_told_twice(&got);
}

#[test]
fn after_ten_minutes_without_the_daemon_no_meter_is_called_silent_for_them() {
    let folder = folder();
    run(folder.path(), 0, 100);
    // Second 700: all meters answer.
    run(folder.path(), 700, end());
    let got = ledger(&folder);
    let silent: Vec<_> = got.changes.iter().filter(|one| is_silence(one.rule)).collect();
    assert!(silent.is_empty(), "{silent:?}");
}

#[test]
fn a_meter_that_is_gone_after_ten_minutes_without_the_daemon_is_silent_since_its_start() {
    let folder = folder();
    run(folder.path(), 0, 100);
    // F3 has answered nothing but exceptions since second 380, F5 since second 410.
    run(folder.path(), 440, end());
    let got = ledger(&folder);
    let first = |meter: &str| {
        let mut rises =
            got.changes.iter().filter(|one| is_silence(one.rule) && one.what == ChangeKind::Raised);
        rises.find(|one| one.subject.meter.as_deref() == Some(meter)).cloned()
    };
    for meter in ["T1 F3", "T1 F5"] {
        let rise = first(meter).unwrap_or_else(|| panic!("{meter} is not called silent"));
        assert_eq!((second(rise.since), second(rise.at)), (440, 460), "{meter}: its 20 s run from the start");
    }
}

/// Alarms that stand, from the changes up to `before`.
fn standing(ledger: &Ledger, before: i64) -> BTreeSet<String> {
    let mut standing = BTreeSet::new();
    for change in ledger.changes.iter().filter(|one| second(one.at) < before) {
        match change.what {
            ChangeKind::Raised => standing.insert(change.alarm.clone()),
            ChangeKind::Cleared => standing.remove(&change.alarm),
            _ => false,
        };
    }
    standing
}

fn spoil(folder: &TempDir, sql: &str) {
    let path = folder.path().join("data").join(DATABASE);
    let db = rusqlite::Connection::open(path).expect("the store is there");
    assert!(db.execute(sql, ()).expect("the statement fits the schema") > 0, "{sql}: nothing was spoilt");
}

#[test]
fn without_a_snapshot_that_can_be_read_alarms_and_alerts_still_go_on_under_their_ids() {
    for spoilt in ["UPDATE state SET format = 99", "UPDATE state SET body = x'00ff17'"] {
        let folder = folder();
        run(folder.path(), 0, AMID);
        let before = ledger(&folder);
        let stood = standing(&before, AMID);
        assert!(stood.len() >= 5, "{stood:?}");
        spoil(&folder, spoilt);
        run(folder.path(), AMID, end());
        let got = ledger(&folder);
        assert_eq!(got.changes[..before.changes.len()], before.changes[..], "what was told stays");
        let raised_again = got
            .changes
            .iter()
            .filter(|one| one.what == ChangeKind::Raised && stood.contains(&one.alarm))
            .count();
        assert_eq!(raised_again, stood.len(), "each standing alarm rose once, before the restart");
        let left = standing(&got, end());
        let cleared = stood.difference(&left).count();
        assert!(cleared + 2 >= stood.len(), "standing before {stood:?}, at the end {left:?}");
        // Every step of an alarm follows the one before it: nothing began anew under an old id.
        let ids: BTreeSet<_> = got.changes.iter().map(|one| (one.alarm.clone(), one.step)).collect();
        assert_eq!(ids.len(), got.changes.len());
        for change in &got.changes {
            let before = change.step == 1 || ids.contains(&(change.alarm.clone(), change.step - 1));
            assert!(before, "{} has a step {} without the one before", change.alarm, change.step);
        }
        assert_nothing_told_twice(&got);
    }
}

#[test]
fn a_scope_that_left_the_plan_or_came_into_it_does_not_cost_the_others_their_windows() {
    let expected = undisturbed();
    let folder = folder();
    run(folder.path(), 0, AMID);
    spoil(&folder, "INSERT INTO state SELECT 'T9', 1, format, body FROM state LIMIT 1");
    spoil(&folder, "DELETE FROM state WHERE scope = 'site'");
    run(folder.path(), AMID, end());
    let got = ledger(&folder);
    assert_eq!(first_difference(&all_but_silence(&expected), &all_but_silence(&got)), None);
    assert_nothing_told_twice(&got);
}

#[test]
fn stored_readings_that_cannot_be_read_do_not_keep_the_daemon_from_starting() {
    let folder = folder();
    run(folder.path(), 0, AMID);
    let before = ledger(&folder);
    let stood = standing(&before, AMID);
    spoil(&folder, "UPDATE tail SET body = x'63' WHERE first_number = (SELECT max(first_number) FROM tail)");
    run(folder.path(), AMID, end());
    let got = ledger(&folder);
    for alarm in &stood {
        let rises = got.changes.iter().filter(|one| one.alarm == *alarm && one.what == ChangeKind::Raised);
        assert_eq!(rises.count(), 1, "{alarm} rose once");
    }
    assert!(second(got.changes.last().expect("there are changes").at) > AMID);
    assert_nothing_told_twice(&got);
}

#[test]
fn if_only_the_newest_snapshot_is_damaged_the_one_before_and_the_tail_give_all() {
    let expected = undisturbed();
    let folder = folder();
    run(folder.path(), 0, AMID);
    spoil(
        &folder,
        "UPDATE state SET body = substr(body, 1, 40) WHERE number = (SELECT max(number) FROM state)",
    );
    run(folder.path(), AMID, end());
    let got = ledger(&folder);
    assert_eq!(first_difference(&all_but_silence(&expected), &all_but_silence(&got)), None);
    assert_nothing_told_twice(&got);
}

#[test]
fn a_snapshot_reaches_back_less_far_than_the_tail_is_kept() {
    let every = kvarden::engine::SNAPSHOT_EVERY;
    assert!(kvarden::store::tail_kept(every) >= every + Span(every.0 / 2));
}
