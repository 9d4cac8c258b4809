//! Clocks that are set, wrong, or stand still, under the whole daemon: delays run on steady time, what cannot be dated
//! waits, and a gap is a gap.

use kvarden::store::{DATABASE, Store};
use kvarden_core::input::Part;
use kvarden_core::output::{Change, ChangeKind, Matter, Recurred};
use kvarden_core::time::{EventTime, Span};
use kvarden_tests::simulated::{BEGINS, Hand, Ledger, simulate_under};
use kvarden_tests::story::Story;
use kvarden_tests::undisturbed::{stored, undisturbed};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use tempfile::TempDir;

const SEED: u64 = 20_261_124;
const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

fn folder() -> TempDir {
    tempfile::tempdir().expect("there is room for a folder")
}

fn run(folder: &Path, seconds: (i64, i64), hand: &Hand) -> Ledger {
    simulate_under(folder, Story::QuarterHour, SEED, seconds, hand).expect("the story runs");
    Ledger::of(folder).expect("the store can be read")
}

/// The whole story in a folder of its own.
fn story(hand: &Hand) -> (TempDir, Ledger) {
    let folder = folder();
    let ledger = run(folder.path(), (0, Story::QuarterHour.seconds()), hand);
    (folder, ledger)
}

fn wall(steps: &[(i64, i64)]) -> Hand {
    Hand { wall: steps.to_vec(), ..Hand::default() }
}

/// What was told of the plant: the steady second, channel, revision and alert.
fn told(ledger: &Ledger) -> Vec<&str> {
    ledger.told.iter().map(String::as_str).filter(|line| !line.contains("clock")).collect()
}

/// Steps of alarms about the plant in the order in which they were judged, with the time that they bear.
fn changes(folder: &Path) -> Vec<(String, i64)> {
    let db = rusqlite::Connection::open(folder.join("data").join(DATABASE)).expect("it is there");
    let mut statement = db.prepare("SELECT body FROM change_ ORDER BY number").expect("the table is there");
    let bodies = statement.query_map((), |row| row.get::<_, String>(0)).expect("it reads");
    let changes =
        bodies.map(|body| serde_json::from_str::<Change>(&body.expect("a text")).expect("a change"));
    changes
        .filter(|change| change.subject.matter != Matter::Part(Part::Clock))
        .map(|change| (format!("{} {} {:?}", change.alarm, change.step, change.what), change.at.0))
        .collect()
}

fn count(folder: &Path, sql: &str) -> i64 {
    let db = rusqlite::Connection::open(folder.join("data").join(DATABASE)).expect("it is there");
    db.query_row(sql, (), |row| row.get(0)).expect("it can be counted")
}

/// Seen to fail when `Clock::steady` followed the wall clock.
#[test]
fn steps_of_the_wall_clock_of_any_size_touch_no_delay_and_no_order() {
    let (still_folder, still) = story(&Hand::default());
    let steps = [
        (90, -HOUR_MS),
        (205, 2 * HOUR_MS),
        (311, -40 * 60_000),
        (421, 5_000),
        (470, -1_500),
        (520, 400 * DAY_MS),
    ];
    let (folder, stepped) = story(&wall(&steps));
    assert!(told(&still).len() > 20, "the story tells a lot: {:?}", still.told);
    assert_eq!(told(&stepped), told(&still), "steady second, channel, revision, alert");
    let (expected, got) = (changes(still_folder.path()), changes(folder.path()));
    let names = |all: &[(String, i64)]| all.iter().map(|(name, _)| name.clone()).collect::<Vec<_>>();
    assert_eq!(names(&got), names(&expected), "in the order of the inputs");
    assert!(got.windows(2).any(|two| two[1].1 < two[0].1), "and both times are kept: {got:?}");
}

/// The second of the story at which the daemon ran for the first time, and at 05:55 the next morning.
const MORNING: i64 = 18 * 3600 - 300;

/// Seen to fail without `desk.clock_is_trusted()` before the look for digests in `run.rs`.
#[test]
fn a_machine_that_starts_in_1970_says_so_closes_no_day_and_dates_its_minutes_when_its_clock_is_set() {
    let folder = folder();
    run(folder.path(), (0, 300), &Hand::default());
    run(folder.path(), (MORNING, MORNING + 270), &Hand::default());
    // Power fails; without a battery the clock begins anew. By what is stored it is soon after six, when a digest is due.
    let rebooted = MORNING + 600;
    let in_1970 = -(BEGINS.0 + rebooted * 1000) + 7_000;
    let lost = run(folder.path(), (rebooted, rebooted + 420), &wall(&[(rebooted, in_1970)]));
    let of_clock = |ledger: &Ledger| -> Vec<ChangeKind> {
        let clock = ledger.changes.iter().filter(|change| change.subject.matter == Matter::Part(Part::Clock));
        clock.map(|change| change.what.clone()).collect()
    };
    assert_eq!(of_clock(&lost), [ChangeKind::Raised], "clock not trusted");
    assert!(lost.told.iter().any(|line| line.contains("clock")), "and people are told: {:?}", lost.told);
    assert_eq!(lost.days, Vec::<String>::new(), "no day is closed by a guess");
    assert_eq!(
        count(folder.path(), "SELECT count(*) FROM minute WHERE (key & 4294967295) < 29000000"),
        0,
        "none in 1970"
    );

    // Again, and two minutes later the network sets the clock.
    let again = rebooted + 600;
    let set = wall(&[(again, -(BEGINS.0 + again * 1000) + 7_000), (again + 120, 0)]);
    let found = run(folder.path(), (again, again + 400), &set);
    assert_eq!(of_clock(&found).last(), Some(&ChangeKind::Cleared));
    assert_eq!(found.days.len(), 1, "the digest was due and is made now");
    assert!(found.days[0].contains("\"date\":\"2026-11-23\""), "{}", &found.days[0][..200]);
    // Minutes of the time before the clock was set bear their true date.
    let of_guess = |line: &&String| {
        line.starts_with("T1 secondary ") && {
            let minute: i64 = line
                .split(' ')
                .find_map(|text| text.parse().ok())
                .expect("a minute stands after the meter's name");
            (again / 60..again / 60 + 2).contains(&minute)
        }
    };
    assert!(found.minutes.iter().any(|line| of_guess(&line)), "{:?}", found.minutes.last());
}

/// Seen to fail without `desk.clock_is_trusted()` before the sweep in `run.rs`.
#[test]
fn a_jump_far_ahead_removes_nothing_while_it_is_not_trusted() {
    let folder = folder();
    let before = run(folder.path(), (0, 300), &Hand::default());
    let ahead = run(folder.path(), (300, 700), &wall(&[(360, 400 * DAY_MS)]));
    let kept: Vec<&str> = ahead.letters.iter().map(|letter| letter.id.as_str()).collect();
    assert!(
        before.letters.iter().all(|letter| kept.contains(&letter.id.as_str())),
        "every letter is still there"
    );
    assert!(ahead.minutes.starts_with(&before.minutes[..3]), "every minute is still there");
    let from_before = format!("SELECT count(*) FROM tail WHERE last_now < {}", BEGINS.0 + 350_000);
    assert!(count(folder.path(), &from_before) > 0, "the inputs too");
    assert_eq!(ahead.days, Vec::<String>::new(), "no day of next year is closed");
}

/// The first second at which each alert was told, by alert.
fn first_told(ledger: &Ledger) -> BTreeMap<String, i64> {
    let mut first = BTreeMap::new();
    for line in told(ledger) {
        let mut words = line.splitn(4, ' ');
        let second: i64 = words.next().and_then(|text| text.parse().ok()).expect("a second stands there");
        let alert = words.nth(2).expect("an alert stands there").to_owned();
        first.entry(alert).or_insert(second);
    }
    first
}

/// Seen to fail without the note of `Resumed` in `Desk::awake`.
#[test]
fn a_sleep_of_hours_is_a_gap_without_data_and_brings_no_burst_and_no_credit_for_delays() {
    let (_still, still) = story(&Hand::default());
    // Five seconds into an overload of F1 whose limits wait for 10, 20 and 40 seconds.
    let (sleep_at, length) = (305, 3 * HOUR_MS);
    let (_folder, slept) = story(&Hand { sleeps: vec![(sleep_at, length)], ..Hand::default() });
    let (expected, got) = (first_told(&still), first_told(&slept));
    assert_eq!(
        got.keys().collect::<Vec<_>>(),
        expected.keys().collect::<Vec<_>>(),
        "the same alerts, no burst"
    );
    for (alert, second) in &got {
        let usual = expected[alert];
        assert!(*second >= usual, "{alert} at {second}, before {usual}: it was given credit for the gap");
    }
    let within = (BEGINS + Span::seconds(sleep_at + 60), BEGINS + Span(sleep_at * 1000 + length - 60_000));
    for line in &slept.minutes {
        let minute: i64 = line
            .split(' ')
            .find_map(|text| text.parse().ok())
            .expect("a minute stands after the meter's name");
        let at = EventTime(BEGINS.0 + minute * 60_000);
        assert!(at < within.0 || at >= within.1, "nothing was measured in the gap: {line}");
    }
    // A line begins with the meter's name, then the minute. What is computed across meters has rows of its own.
    let name = |line: &String| -> String {
        line.split(' ').take_while(|text| text.parse::<i64>().is_err()).collect::<Vec<_>>().join(" ")
    };
    let meters: BTreeSet<String> = still.minutes.iter().map(name).collect();
    let covered = |ledger: &Ledger| ledger.minutes.len();
    assert!(covered(&slept) <= covered(&still) + meters.len(), "one more begun minute a meter at most");
}

/// Power fails at the first of these seconds and is back at the second; the network sets the clock at the third.
const OUTAGE: (i64, i64, i64) = (60, 290, 520);

/// The story over that outage: after it time is a guess, too early by as long as the power was away. `parts`: the seconds at
/// which the program is started again.
fn over_an_outage(folder: &Path, guesses: bool, restarts: &[i64]) -> Ledger {
    let (fails, back, set) = OUTAGE;
    let in_1970 = -(BEGINS.0 + back * 1000) + 7_000;
    let hand = if guesses { wall(&[(back, in_1970), (set, 0)]) } else { Hand::default() };
    let mut from = back;
    let mut ledger = run(folder, (0, fails), &Hand::default());
    for to in restarts.iter().copied().chain([Story::QuarterHour.seconds()]) {
        ledger = run(folder, (from, to), &hand);
        from = to;
    }
    ledger
}

/// All that bears a stamp but what is about our own clock, in the order of its ids: what, and its stamps.
fn stamped(ledger: &Ledger) -> Vec<(String, [i64; 4])> {
    let ours = Matter::Part(Part::Clock);
    let recurred = |told: Option<Recurred>| told.map_or((0, 0), |told| (told.since.0, told.latest.0));
    let mut all: Vec<(String, [i64; 4])> = Vec::new();
    for change in ledger.changes.iter().filter(|change| change.subject.matter != ours) {
        let (first, latest) = recurred(change.recurred);
        let what = format!("{} step {} {:?}", change.alarm, change.step, change.what);
        all.push((what, [change.at.0, change.since.0, first, latest]));
    }
    // A finding keeps the id that it got, by the clock of that moment; its stamps are asked for in the store's own tests.
    let by_limits = ledger.revisions.iter().filter(|told| told.cause.is_none());
    for told in by_limits.filter(|told| told.subject.matter != ours) {
        let (first, latest) = recurred(told.recurred);
        let what = format!("{} revision {} {:?}", told.alert, told.revision, told.why);
        all.push((what, [told.at.0, told.since.0, first, latest]));
    }
    for (number, one) in ledger.excursions.iter().enumerate() {
        all.push((format!("excursion {number} of {:?}", one.subject), [one.start.0, one.length.0, 0, 0]));
    }
    all.sort();
    all
}

/// Guards: `guessed::correct` in `Store::apply`, and the move of the alerts in `Scope::reclock`.
#[test]
fn what_was_told_in_a_guess_bears_its_true_time_once_the_clock_is_set() {
    let (right, guessed, restarted) = (folder(), folder(), folder());
    let expected = stamped(&over_an_outage(right.path(), false, &[]));
    let (_, back, set) = OUTAGE;
    let within = |at: i64| (BEGINS.0 + back * 1000..BEGINS.0 + set * 1000).contains(&at);
    assert!(expected.iter().filter(|(_, stamps)| within(stamps[0])).count() > 20, "{expected:?}");
    assert_eq!(stamped(&over_an_outage(guessed.path(), true, &[])), expected);
    // Of the program's own absence a restart within a guess knows nothing: at most a second between two polls.
    let again = stamped(&over_an_outage(restarted.path(), true, &[421, 700]));
    let usual = stamped(&over_an_outage(folder().path(), false, &[421, 700]));
    // So a third rise may seem to come within a minute of the first, and is then told as chattering at once: it came again in any case.
    let whats = |all: &[(String, [i64; 4])]| {
        all.iter().map(|(what, _)| what.replace("Chattering", "CameAgain")).collect::<Vec<_>>()
    };
    assert_eq!(whats(&again), whats(&usual));
    for ((what, got), (usually, usual)) in again.iter().zip(&usual) {
        assert!(
            what != usually || got.iter().zip(usual).all(|(got, usual)| (got - usual).abs() <= 1000),
            "{what}: {got:?}, {usual:?}"
        );
    }
}

/// The stored inputs, fed once to a fresh monitor and gathered as the daemon does, bring the same stamps.
#[test]
fn after_restarts_around_a_correction_the_store_holds_what_an_undisturbed_run_brings() {
    let folder = folder();
    over_an_outage(folder.path(), true, &[421, 530, 700]);
    let data = folder.path().join("data");
    let store = Store::open_for_reading(&data).expect("the store is there");
    let (configuration, problems) = kvarden_config::load(&folder.path().join("kvarden.toml"));
    let configuration = configuration.unwrap_or_else(|| panic!("{}", kvarden_config::render(&problems)));
    let tail = store.whole_tail().expect("the tail can be read");
    let golden = undisturbed(&configuration, store.book(), &tail);
    let held = stored(&data.join(DATABASE), &store);
    let difference = golden.difference(&held);
    assert_eq!(difference, None, "{}", difference.clone().unwrap_or_default());
}
