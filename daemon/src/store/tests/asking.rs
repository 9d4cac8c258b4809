//! Minutes, days and snapshots read back, and the keeper that carries the questions.

use super::*;
use std::sync::mpsc;

#[test]
fn a_minute_comes_back_within_thirty_two_bits_and_absent_stays_absent() {
    let folder = folder();
    let mut store = open(&folder);
    let series = columns(5);
    let mut row = minute_row("T2 secondary", &series, 0);
    row.panes[1] = Pane::EMPTY;
    row.panes[3].push(1e8, Span::ZERO);
    store.apply(&Batch { minutes: vec![row.clone()], ..Batch::default() }).unwrap();
    let runs = store.minutes("T2 secondary", NOW, NOW + Span::minutes(1)).unwrap();
    let keys: Vec<String> = series.iter().map(ToString::to_string).collect();
    assert_eq!(runs[0].series[..], keys);
    let (minute, panes) = &runs[0].rows[0];
    assert_eq!((*minute, panes.len()), (NOW, 5));
    for (stored, pane) in panes.iter().zip(&row.panes) {
        assert_eq!((stored.count, stored.covered_ms), (pane.count, pane.covered_ms));
        for (got, meant) in [(stored.mean, pane.mean()), (stored.min, pane.min()), (stored.max, pane.max())] {
            assert_eq!(got.is_some(), meant.is_some());
            let (got, meant) = (got.unwrap_or(0.0), meant.unwrap_or(0.0));
            assert!((got - meant).abs() <= meant.abs() * f64::from(f32::EPSILON), "{got} for {meant}");
        }
    }
    assert_eq!((panes[1].mean, panes[1].min, panes[1].count), (None, None, 0));
}

#[test]
fn what_a_column_meant_is_known_from_when() {
    let folder = folder();
    let (three, four) = (columns(3), columns(4));
    for (start, series) in [(0, &three), (10, &four), (20, &four)] {
        let mut store = open(&folder);
        let minutes = (start..start + 10).map(|minute| minute_row("MP-3", series, minute)).collect();
        store.apply(&Batch { minutes, ..Batch::default() }).unwrap();
    }
    let store = open(&folder);
    let runs = store.minutes("MP-3", NOW, NOW + Span::hours(1)).unwrap();
    let shape: Vec<(usize, usize)> = runs.iter().map(|run| (run.series.len(), run.rows.len())).collect();
    assert_eq!(shape, [(3, 10), (4, 20)]);
    let some = store.minutes("MP-3", NOW + Span(1), NOW + Span::minutes(3)).unwrap();
    assert_eq!(
        some[0].rows.iter().map(|row| row.0).collect::<Vec<_>>(),
        [NOW + Span::minutes(1), NOW + Span::minutes(2)]
    );
    assert_eq!(store.minutes("MP-4", NOW, NOW + Span::hours(1)).unwrap(), []);
    assert_eq!(store.meters().unwrap(), ["MP-3"]);
}

#[test]
fn a_minute_that_cannot_be_keyed_is_counted_and_harms_no_other() {
    let folder = folder();
    let mut store = open(&folder);
    let series = columns(2);
    let mut early = minute_row("MP-3", &series, 0);
    early.minute = EventTime(-60_000);
    let mut short = minute_row("MP-3", &series, 1);
    short.panes = Box::new([Pane::EMPTY]);
    let minutes = vec![early, short, minute_row("MP-3", &series, 2)];
    assert_eq!(store.apply(&Batch { minutes, ..Batch::default() }).unwrap().refused_minutes, 2);
    assert_eq!(store.minutes("MP-3", EventTime(i64::MIN), EventTime(i64::MAX)).unwrap()[0].rows.len(), 1);
}

#[test]
fn minutes_of_a_closed_day_that_are_new_are_late_and_told_again_they_are_not() {
    let folder = folder();
    let mut store = open(&folder);
    let series = columns(2);
    let rows = |minutes: std::ops::Range<i64>| Batch {
        minutes: minutes.map(|minute| minute_row("MP-3", &series, minute)).collect(),
        ..Batch::default()
    };
    store.apply(&rows(0..10)).unwrap();
    store.watch_day("2026-11-25", NOW, NOW + Span::hours(24));
    assert_eq!(store.late().unwrap(), []);
    store.apply(&rows(5..15)).unwrap();
    store.apply(&rows(24 * 60..24 * 60 + 5)).unwrap();
    store.apply(&rows(-5..0)).unwrap();
    let late = store.late().unwrap();
    assert_eq!(late.len(), 1, "neither the next day nor one that is not watched: {late:?}");
    assert_eq!(late[0].meters, [("MP-3".to_owned(), 5)]);
    store.apply(&rows(15..16)).unwrap();
    store.forget_late(&late[0]).unwrap();
    assert_eq!(store.late().unwrap()[0].meters, [("MP-3".to_owned(), 6)], "more has come since");
    store.forget_late(&store.late().unwrap()[0]).unwrap();
    assert_eq!(store.late().unwrap(), []);
    assert!(store.has_minutes("MP-3", NOW, NOW + Span::minutes(1)).unwrap());
    assert!(!store.has_minutes("MP-3", NOW + Span::minutes(16), NOW + Span::minutes(20)).unwrap());
}

#[test]
fn a_frozen_day_stays_as_it_was_and_late_data_makes_a_revision() {
    let folder = folder();
    let mut store = open(&folder);
    assert!(store.put_day("T2", "2026-11-24", 1, "first").unwrap());
    assert!(!store.put_day("T2", "2026-11-24", 1, "other").unwrap());
    assert_eq!(store.get_day("T2", "2026-11-24").unwrap().map(|day| day.body).as_deref(), Some("first"));
    assert!(store.put_day("T2", "2026-11-24", 2, "late").unwrap());
    assert_eq!(store.get_day("T2", "2026-11-24").unwrap().map(|day| day.revision), Some(2));
    assert_eq!(store.get_day("T1", "2026-11-24").unwrap(), None);
    assert_eq!(store.days("T2").unwrap(), ["2026-11-24"]);
}

#[test]
fn a_day_is_stored_packed_and_one_that_an_earlier_program_stored_is_read_as_it_is() {
    let folder = folder();
    let mut store = open(&folder);
    let plain = "{\"series\":[1.0,2.0]} of an earlier program: 27 °C";
    let minutes = (0..2000).map(|minute| format!("{{\"minute\":{minute},\"mean\":230.5,\"°\":null}}"));
    let long = minutes.collect::<Vec<_>>().join(",");
    let as_it_was = "INSERT INTO day VALUES ('T2', '2026-11-23', 1, ?1)";
    store.db.execute(as_it_was, [plain]).unwrap();
    store.put_day("T2", "2026-11-24", 1, &long).unwrap();
    let body = |date: &str| store.get_day("T2", date).unwrap().map(|day| day.body);
    assert_eq!(body("2026-11-23").as_deref(), Some(plain));
    assert_eq!(body("2026-11-24").as_deref(), Some(long.as_str()));
    assert_eq!(
        store.get_day_revision("T2", "2026-11-24", 1).unwrap().map(|day| day.body),
        Some(long.clone())
    );
    let bytes: i64 = store
        .db
        .query_row("SELECT length(body) FROM day WHERE date = '2026-11-24'", (), |row| row.get(0))
        .unwrap();
    assert!((bytes as usize) * 4 < long.len(), "{bytes} of {}", long.len());
    for harm in ["x'00ff'", "x''", "substr(body, 1, 100)"] {
        store.db.execute(&format!("UPDATE day SET body = {harm} WHERE date = '2026-11-24'"), ()).unwrap();
        let error = store.get_day("T2", "2026-11-24").unwrap_err();
        assert!(matches!(error, Error::Row { table: "day", .. }), "{harm}: {error}");
        store.db.execute("DELETE FROM day WHERE date = '2026-11-24'", ()).unwrap();
        store.put_day("T2", "2026-11-24", 1, &long).unwrap();
    }
}

#[test]
fn the_newest_two_snapshots_are_kept_and_scopes_can_be_forgotten() {
    let folder = folder();
    let mut store = open(&folder);
    for number in [10, 30, 20, 40] {
        store.put_state("T2", 1, number, &number.to_le_bytes()).unwrap();
    }
    store.put_state("T1", 1, 5, b"one").unwrap();
    let numbers: Vec<u64> = store.states("T2").unwrap().iter().map(|state| state.number).collect();
    assert_eq!(numbers, [40, 30]);
    assert_eq!(store.last_number(), 40);
    let row = |number, body: &str| Precious { scope: "T3".into(), number, body: body.to_owned() };
    let precious = vec![row(7, "new"), row(6, "old"), row(7, "newer")];
    store.apply(&Batch { precious, ..Batch::default() }).unwrap();
    assert_eq!(store.precious("T3").unwrap(), Some((7, "newer".to_owned())));
    assert_eq!(store.saved_scopes().unwrap(), ["T1", "T2", "T3"]);
    assert_eq!(store.watch_scopes(&["T1", "T3"]).unwrap(), [0, 0], "nothing was noted before");
    assert_eq!(store.saved_scopes().unwrap(), ["T1", "T3"], "T2 left the plan");
    assert_eq!(store.watch_scopes(&["T2", "T1"]).unwrap(), [40, 0], "T2 came anew after input 40");
    store.put_state("T1", 1, 60, b"sixty").unwrap();
    assert_eq!(store.watch_scopes(&["T1", "T2", "T3"]).unwrap(), [0, 40, 60], "and T3 after input 60");
}

#[tokio::test]
async fn the_keeper_does_its_jobs_in_order_and_closes_the_file_at_the_end() {
    let folder = folder();
    for on_a_thread in [false, true] {
        let (keeper, thread) = if on_a_thread {
            let (keeper, thread) = Keeper::thread(open(&folder)).unwrap();
            (keeper, Some(thread))
        } else {
            (Keeper::inline(open(&folder)), None)
        };
        let (sender, applied) = mpsc::channel();
        let batch = Batch { alerts: vec![alert("a", 1, true)], ..Batch::default() };
        keeper
            .submit(batch, move |done| sender.send(done.map(|applied| applied.last_number)).unwrap())
            .unwrap();
        let open = keeper.clone().ask(|store| store.open_alerts().map(|alerts| alerts.len())).await.unwrap();
        assert_eq!(open.unwrap(), 1);
        assert_eq!(applied.recv().unwrap().unwrap(), 0);
        drop(keeper);
        if let Some(thread) = thread {
            thread.join().unwrap();
        }
    }
    open(&folder);
}

#[tokio::test]
async fn a_full_queue_gives_the_batch_back_at_once() {
    let folder = folder();
    let (keeper, thread) = Keeper::thread(open(&folder)).unwrap();
    let (release, held) = mpsc::channel::<()>();
    let (taken, is_taken) = mpsc::channel::<()>();
    let slow = keeper.ask(move |_| {
        taken.send(()).unwrap();
        held.recv().unwrap();
    });
    let flood = async {
        tokio::task::yield_now().await;
        is_taken.recv().unwrap();
        let batch = Batch { alerts: vec![alert("a", 1, true)], ..Batch::default() };
        for _ in 0..QUEUE_DEPTH {
            keeper.submit(batch.clone(), |done| assert!(done.is_ok())).unwrap();
        }
        let back = keeper.submit(batch.clone(), |_| unreachable!("it was not taken"));
        assert!(matches!(back, Err(NotTaken::Full(whole)) if *whole == batch));
        release.send(()).unwrap();
    };
    tokio::join!(biased; slow, flood).0.unwrap();
    drop(keeper);
    thread.join().unwrap();
}

#[tokio::test]
async fn a_batch_that_could_not_be_written_comes_back_with_the_reason() {
    let folder = folder();
    drop(open(&folder));
    let keeper = Keeper::inline(Store::open_for_reading(folder.path()).unwrap());
    let (sender, outcome) = mpsc::channel();
    let batch = Batch { alerts: vec![alert("a", 1, true)], ..Batch::default() };
    keeper.submit(batch.clone(), move |done| sender.send(done).unwrap()).unwrap();
    let unwritten = outcome.recv().unwrap().unwrap_err();
    assert!(matches!(unwritten.why, Error::ForReading));
    assert_eq!(unwritten.batch, batch);
}
