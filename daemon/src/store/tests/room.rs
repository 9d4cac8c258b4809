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
    let per_value = bytes / (meters * minutes * 60 * 3) as f64;
    assert!((4.0..=4.62).contains(&per_value), "{per_value} bytes a value");
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
        assert!(
            levels.used_bytes <= levels.max_bytes + levels.max_bytes / 16,
            "{levels:?} at minute {minute}"
        );
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
    assert!(levels.used_bytes <= levels.max_bytes + levels.max_bytes / 32, "{levels:?}");
}

#[test]
fn at_the_hard_stop_the_store_says_full_and_keeps_what_it_has() {
    let folder = folder();
    let mut store = Store::open(folder.path(), Options { max_bytes: 4 << 20 }, NOW).unwrap().store;
    store.apply(&Batch { alerts: vec![alert("a", 1, true)], ..Batch::default() }).unwrap();
    let blob = "x".repeat(1 << 20);
    let error = (1..40).find_map(|revision| store.put_day("T2", "2026-11-24", revision, &blob).err());
    assert!(matches!(error, Some(Error::Full { .. })), "{error:?}");
    let levels = store.levels().unwrap();
    assert!(levels.used_bytes <= levels.max_bytes + (17 << 20), "{levels:?}");
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

#[test]
fn the_tail_is_kept_for_its_time_and_its_newest_row_for_ever() {
    assert_eq!(tail_kept(Span::minutes(5)), Span::minutes(15));
    assert_eq!(tail_kept(Span::minutes(20)), Span::minutes(30));
    let folder = folder();
    let mut store = open(&folder);
    for minute in 1..=60 {
        let now = NOW + Span::minutes(minute);
        let record = TailRecord { number: minute as u64, now, input: OwnedInput::Tick };
        store.apply(&Batch { tail: vec![record], ..Batch::default() }).unwrap();
    }
    let end = NOW + Span::minutes(60);
    assert_eq!(store.sweep(end, Span::minutes(5)).unwrap().tail, 44);
    assert_eq!(store.whole_tail().unwrap()[0].number, 45);
    store.sweep(end + Span::hours(1000), Span::minutes(5)).unwrap();
    assert_eq!(store.whole_tail().unwrap().len(), 1);
    drop(store);
    assert_eq!(open(&folder).last_number(), 60);
}
