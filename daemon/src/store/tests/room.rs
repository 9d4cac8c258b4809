//! Room: what a value costs, what goes when the budget is used up, and what never goes.

use super::*;

#[test]
fn a_stored_value_costs_about_four_and_a_half_bytes_also_when_meters_take_turns() {
    let folder = folder();
    let mut store = open(&folder);
    let series = columns(60);
    let empty = store.levels().unwrap().used_bytes;
    let (meters, minutes) = (4, 1000);
    for minute in 0..minutes {
        let rows = (0..meters).map(|meter| minute_row(&format!("M{meter}"), &series, minute)).collect();
        store.apply(&Batch { minutes: rows, ..Batch::default() }).unwrap();
    }
    let bytes = (store.levels().unwrap().used_bytes - empty) as f64;
    // Mean, least, largest and root of squares of each column, and the tenth part of them once more as tens.
    let per_value = bytes / (meters * minutes * 60 * 4) as f64;
    assert!((3.8..=4.8).contains(&per_value), "{per_value} bytes a value");
}

#[test]
fn over_the_budget_the_oldest_minutes_go_and_what_was_told_stays() {
    let folder = folder();
    let options = Options { max_bytes: 4 << 20 };
    let mut store = Store::open(folder.path(), options, NOW).unwrap().store;
    let told = Batch {
        changes: vec![change(1, 1, AlarmState::Unacknowledged)],
        alerts: vec![alert("a", 1, true)],
        letters: vec![letter("a", 1)],
        ..Batch::default()
    };
    store.apply(&told).unwrap();
    store.put_day("T2", "2026-11-24", 1, "{}").unwrap();
    let series = columns(60);
    let (meters, minutes) = (20, 500);
    let mut thinned = 0;
    for minute in 0..minutes {
        let rows = (0..meters).map(|meter| minute_row(&format!("M{meter}"), &series, minute)).collect();
        thinned += store.apply(&Batch { minutes: rows, ..Batch::default() }).unwrap().thinned_minutes;
        let levels = store.levels().unwrap();
        assert!(levels.used_bytes <= levels.max_bytes, "{levels:?} at minute {minute}");
    }
    assert!(thinned > 3000, "{thinned}");
    let end = NOW + Span::minutes(minutes);
    for meter in ["M0", "M19"] {
        let kept = store.minutes(meter, EventTime(0), end).unwrap();
        let rows = &kept[0].rows;
        assert_eq!(rows.last().unwrap().0, end - Span::minutes(1));
        assert!((150..300).contains(&rows.len()), "{}", rows.len());
        assert_eq!((end - rows[0].0).0 / 60_000, rows.len() as i64, "no hole in what is kept");
    }
    assert_eq!(store.changes(NOW, end).unwrap().len(), 1);
    assert_eq!(store.open_alerts().unwrap().len(), 1);
    assert_eq!(store.waiting("mqtt").unwrap(), 1);
    assert!(store.get_day("T2", "2026-11-24").unwrap().is_some());
}

#[test]
fn a_smaller_budget_is_reached_in_time() {
    let folder = folder();
    let mut store = open(&folder);
    let series = columns(60);
    let minutes = (0..12_000).map(|minute| minute_row("M0", &series, minute)).collect();
    store.apply(&Batch { minutes, ..Batch::default() }).unwrap();
    assert!(store.levels().unwrap().used_bytes > 8 << 20);
    drop(store);
    let mut store = Store::open(folder.path(), Options { max_bytes: 4 << 20 }, NOW).unwrap().store;
    for minute in 12_000..12_900 {
        store.apply(&Batch { minutes: vec![minute_row("M0", &series, minute)], ..Batch::default() }).unwrap();
    }
    let levels = store.levels().unwrap();
    assert!(levels.used_bytes <= levels.max_bytes, "{levels:?}");
}

#[test]
fn at_the_hard_stop_the_store_says_full_and_keeps_what_it_has() {
    let folder = folder();
    let mut store = Store::open(folder.path(), Options { max_bytes: 4 << 20 }, NOW).unwrap().store;
    store.apply(&Batch { alerts: vec![alert("a", 1, true)], ..Batch::default() }).unwrap();
    // It can't be packed to much less.
    let mut chance: u64 = 1;
    let noise = std::iter::repeat_with(|| {
        chance = chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        char::from(b' ' + (chance >> 33) as u8 % 94)
    });
    let blob: String = noise.take(1 << 20).collect();
    let error = (1..40).find_map(|revision| store.put_day("T2", "2026-11-24", revision, &blob).err());
    assert!(matches!(error, Some(Error::Full { .. })), "{error:?}");
    let levels = store.levels().unwrap();
    assert!(levels.used_bytes <= levels.max_bytes, "{levels:?}");
    assert_eq!(store.open_alerts().unwrap().len(), 1);
    assert_eq!(store.last_number(), 0);
}

#[test]
fn histories_of_what_was_told_have_a_bound_of_their_own() {
    let folder = folder();
    let mut store = Store::open(folder.path(), Options { max_bytes: 4 << 20 }, NOW).unwrap().store;
    for hundred in 0..8 {
        let changes = (0..100).map(|index| change(hundred * 100 + index, 1, AlarmState::Normal)).collect();
        store.apply(&Batch { changes, ..Batch::default() }).unwrap();
    }
    let kept = store.changes(EventTime(0), EventTime(i64::MAX)).unwrap();
    assert_eq!(kept.len(), 512);
    assert_eq!(kept.last().map(|change| change.alarm.as_str()), Some("T2/current_a.B high level 1#799"));
}

/// A meter whose rows are small, a recording of each priority, a tail: then minutes until the budget is used up many
/// times over.
#[test]
fn what_goes_for_want_of_room_goes_in_the_stated_order_and_the_file_never_passes_its_bound() {
    let folder = folder();
    let options = Options { max_bytes: 4 << 20 };
    let mut store = Store::open(folder.path(), options, NOW).unwrap().store;
    let told = Batch {
        changes: vec![change(1, 1, AlarmState::Unacknowledged)],
        alerts: vec![alert("a", 1, true)],
        letters: vec![letter("a", 1)],
        ..Batch::default()
    };
    store.apply(&told).unwrap();
    store.put_day("T2", "2026-11-24", 1, "{}").unwrap();
    recording::fill(&mut store, "low", Priority::Low);
    recording::fill(&mut store, "urgent", Priority::Urgent);
    // Everything of the tail lies before a snapshot, so none of it is needed.
    store.put_state("T2", 1, store.last_number(), b"x").unwrap();
    let series = columns(40);
    let kinds = |store: &Store| {
        let count = |table: &str| -> i64 {
            store.db.query_row(&format!("SELECT count(*) FROM {table}"), (), |row| row.get(0)).unwrap()
        };
        [count("tail"), count("minute"), count("recording"), count("ten")]
    };
    let mut lost_first: Vec<&str> = Vec::new();
    let mut before = kinds(&store);
    for minute in (0..60 * 24 * 90).step_by(10) {
        let minutes = (minute..minute + 10).map(|minute| minute_row("M0", &series, minute)).collect();
        let applied = store.apply(&Batch { minutes, ..Batch::default() }).unwrap();
        assert!(!applied.over_budget, "at minute {minute}");
        if minute % 50 == 0 || applied.thinned_recordings + applied.thinned_tens > 0 {
            let now = kinds(&store);
            for (index, name) in ["tail", "minute", "recording", "ten"].into_iter().enumerate() {
                let loses = now[index] < before[index];
                if loses && !lost_first.contains(&name) {
                    lost_first.push(name);
                }
            }
            before = now;
            let length = std::fs::metadata(folder.path().join(DATABASE)).unwrap().len();
            assert!(length <= options.max_bytes, "{length} bytes at minute {minute}");
        }
    }
    assert_eq!(lost_first, ["tail", "minute", "recording", "ten"]);
    let end = NOW + Span::minutes(60 * 24 * 90);
    let minutes = &store.minutes("M0", EventTime(0), end).unwrap()[0].rows;
    assert!(minutes.len() >= 48 * 60, "{} minutes: two days are kept for the digest", minutes.len());
    assert_eq!(store.recordings(EventTime(0), end).unwrap().len(), 1, "what was urgent stays");
    assert_eq!(store.changes(NOW, end).unwrap().len(), 1);
    assert_eq!(store.open_alerts().unwrap().len(), 1);
    assert_eq!(store.waiting("mqtt").unwrap(), 1);
    assert!(store.get_day("T2", "2026-11-24").unwrap().is_some());
}

#[test]
fn a_budget_that_cannot_be_kept_is_said() {
    let folder = folder();
    let mut store = Store::open(folder.path(), Options { max_bytes: 4 << 20 }, NOW).unwrap().store;
    for revision in 1..=7 {
        let plain = "INSERT INTO day VALUES ('T2', '2026-11-24', ?1, ?2)";
        store.db.execute(plain, (revision, "x".repeat(1 << 19))).unwrap();
    }
    let applied = store.apply(&Batch { alerts: vec![alert("a", 1, true)], ..Batch::default() }).unwrap();
    assert!(applied.over_budget);
    assert_eq!(store.open_alerts().unwrap().len(), 1, "and what is to be told is stored all the same");
}

/// The guard: the border of the sweep is held to its pace.
#[test]
fn a_clock_that_jumps_ahead_takes_away_a_minute_a_sweep_and_no_tail_that_a_restart_needs() {
    let folder = folder();
    let mut store = open(&folder);
    let days = 20;
    for day in 0..days {
        let at = NOW + Span::hours(24 * day);
        let letters = vec![NewLetter { created: at, ..letter(&format!("a{day}"), 1) }];
        let record = TailRecord { number: day as u64 + 1, now: at, input: OwnedInput::Tick };
        store.apply(&Batch { letters, tail: vec![record], ..Batch::default() }).unwrap();
        let next = store.next_letter("mqtt", at).unwrap().unwrap();
        store.delivered(next.number, at).unwrap();
    }
    store.put_state("T2", 1, 15, b"x").unwrap();
    let now = NOW + Span::hours(24 * days);
    assert_eq!(store.sweep(now, Span::minutes(5)).unwrap().letters, 0);
    let jumped = now + Span::hours(24 * 3650);
    let mut gone = 0;
    for sweep in 0..60 * 24 {
        gone += store.sweep(jumped + Span::minutes(sweep), Span::minutes(5)).unwrap().letters;
    }
    assert!(gone <= 1, "{gone} letters of {days} days went in a day");
    let tail = store.whole_tail().unwrap();
    assert_eq!((tail[0].number, tail.len()), (16, 5), "what came after the snapshot stays");
}

#[test]
fn the_tail_is_kept_for_its_time_and_its_newest_row_for_ever() {
    assert_eq!(
        tail_kept(Span::minutes(5)),
        kvarden_core::recorder::REACH,
        "the longest recording is cut from it"
    );
    assert_eq!(tail_kept(Span::minutes(40)), Span::minutes(60));
    let folder = folder();
    let mut store = open(&folder);
    for minute in 1..=60 {
        let now = NOW + Span::minutes(minute);
        let record = TailRecord { number: minute as u64, now, input: OwnedInput::Tick };
        store.apply(&Batch { tail: vec![record], ..Batch::default() }).unwrap();
    }
    store.put_state("T2", 1, 60, b"x").unwrap();
    let end = NOW + Span::minutes(60);
    assert_eq!(store.sweep(end, Span::minutes(5)).unwrap().tail, 31);
    assert_eq!(store.whole_tail().unwrap()[0].number, 32);
    store.sweep(end + Span::hours(1000), Span::minutes(5)).unwrap();
    assert_eq!(store.whole_tail().unwrap().len(), 1);
    drop(store);
    assert_eq!(open(&folder).last_number(), 60);
}
