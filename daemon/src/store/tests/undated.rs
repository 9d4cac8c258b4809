//! Minutes that our clock dated while it was not trusted: they wait apart, and nothing of them is lost.

use super::*;

/// The guess was wrong by this: four hours and half a minute.
const BY: Span = Span(4 * 3_600_000 + 30_000);

fn guessed(minutes: &[i64]) -> Batch {
    let series = columns(3);
    let row = |minute: &i64| MinuteRow { guessed: true, ..minute_row("M", &series, *minute) };
    Batch { minutes: minutes.iter().map(row).collect(), ..Batch::default() }
}

fn corrected(number: u64, by: Span, settled: bool) -> Batch {
    let tail = vec![TailRecord { number, now: NOW + by, input: OwnedInput::Reclocked { by } }];
    let mut batch = Batch { tail, ..Batch::default() };
    if by != Span::ZERO {
        batch.redate(by, &Arc::default());
    }
    if settled {
        batch.settle_stamps();
    }
    batch
}

/// The stored minutes, counted from `NOW`, each with its values.
fn minutes(store: &Store) -> Vec<(i64, Vec<PaneRow>)> {
    let runs = store.minutes("M", EventTime(0), EventTime(i64::MAX)).unwrap();
    runs.into_iter().flat_map(|run| run.rows).map(|(at, row)| ((at - NOW).0 / 60_000, row)).collect()
}

fn tens(store: &Store) -> Vec<i64> {
    let runs = store.tens("M", EventTime(0), EventTime(i64::MAX)).unwrap();
    runs.into_iter().flat_map(|run| run.rows).map(|(at, _)| (at - NOW).0 / 60_000).collect()
}

fn waiting(store: &Store) -> i64 {
    store.db.query_row("SELECT count(*) FROM undated", (), |row| row.get(0)).unwrap()
}

/// The store is opened anew after each batch, as after a kill.
// Seen to fail without `undated::shift`, and without `undated::settle`, in `guessed::carry_out`.
#[test]
fn minutes_of_a_guess_outlive_a_kill_and_are_dated_by_the_correction() {
    let folder = folder();
    for batch in [guessed(&[0, 1, 2]), guessed(&[1, 2, 3]), guessed(&(4..21).collect::<Vec<_>>())] {
        open(&folder).apply(&batch).unwrap();
    }
    let store = open(&folder);
    assert_eq!((minutes(&store), tens(&store), waiting(&store)), (vec![], vec![], 21), "none twice");
    drop(store);
    open(&folder).apply(&corrected(1, BY, true)).unwrap();
    let store = open(&folder);
    let dated = minutes(&store);
    assert_eq!(dated.iter().map(|(at, _)| *at).collect::<Vec<_>>(), (240..261).collect::<Vec<_>>());
    let other = super::folder();
    let mut right = open(&other);
    right.apply(&Batch { minutes: vec![minute_row("M", &columns(3), 7)], ..Batch::default() }).unwrap();
    assert_eq!(dated[7].1, minutes(&right)[0].1, "with the values that it had");
    assert_eq!((tens(&store), waiting(&store)), (vec![240, 250], 0), "tens are made as of any other");
}

/// A correction by whole minutes moves each row to where the next one lies. Seen to fail when rows were moved one by one.
#[test]
fn a_correction_by_whole_minutes_forth_and_back_loses_none() {
    let folder = folder();
    let mut store = open(&folder);
    store.apply(&guessed(&[0, 1, 2, 3])).unwrap();
    for (number, by) in [(1, Span::minutes(2)), (2, Span::minutes(-1)), (3, Span::minutes(60))] {
        store.apply(&corrected(number, by, false)).unwrap();
        assert_eq!((minutes(&store).len(), waiting(&store)), (0, 4), "it may be corrected again");
    }
    store.apply(&corrected(4, Span::ZERO, true)).unwrap();
    assert_eq!(minutes(&store).iter().map(|(at, _)| *at).collect::<Vec<_>>(), [61, 62, 63, 64]);
}

/// However they were gathered: in one batch with their correction, or before it.
// Seen to fail without the move of the rows in `Batch::follow`.
#[test]
fn gathered_with_its_correction_a_minute_is_dated_the_same() {
    let (one, two) = (folder(), folder());
    let (mut in_one, mut in_two) = (open(&one), open(&two));
    let mut all = guessed(&[0, 1]);
    crate::batching::append(&mut all, corrected(1, BY, true));
    in_one.apply(&all).unwrap();
    in_two.apply(&guessed(&[0, 1])).unwrap();
    in_two.apply(&corrected(1, BY, true)).unwrap();
    assert_eq!(minutes(&in_one), minutes(&in_two));
    assert_eq!(minutes(&in_one).len(), 2);
    // A restart tells it once more: what is stored stays as it is.
    let mut again = guessed(&[0, 1]);
    crate::batching::append(&mut again, corrected(1, BY, true));
    again.tail.clear();
    again.leave_stored_stamps();
    in_two.apply(&again).unwrap();
    assert_eq!((minutes(&in_one), waiting(&in_two)), (minutes(&in_two), 0));
}

// Seen to fail without `undated::bound` in `Store::apply`.
#[test]
fn what_waits_is_bounded_and_what_goes_first_is_taken_as_it_is_dated() {
    let folder = folder();
    let mut store = open(&folder);
    let row = minute_row("M", &columns(1), 0);
    let many = (0..20_003).map(|minute| MinuteRow {
        minute: NOW + Span::minutes(minute),
        guessed: true,
        ..row.clone()
    });
    store.apply(&Batch { minutes: many.collect(), ..Batch::default() }).unwrap();
    assert_eq!(waiting(&store), 20_000);
    assert_eq!(minutes(&store).iter().map(|(at, _)| *at).collect::<Vec<_>>(), [0, 1, 2]);
}

/// A run that ended in a guess, and a start at which the clock is trusted without a correction.
// Seen to fail without `settled` in `trust_stamps`.
#[test]
fn what_nobody_will_correct_is_taken_as_it_is() {
    let folder = folder();
    let mut store = open(&folder);
    store.apply(&guessed(&[0, 1])).unwrap();
    store.watch_day("2026-11-25", NOW, NOW + Span::hours(24));
    store.trust_stamps(NOW + Span::hours(30)).unwrap();
    assert_eq!((minutes(&store).len(), waiting(&store)), (2, 0));
    let late = store.late().unwrap();
    assert_eq!(
        late[0].meters,
        [("M".to_owned(), 2)],
        "of a day that is closed it is late, and the day is revised"
    );
}

/// Seen to fail without the table among those that are carried to the disk.
#[test]
fn kept_in_memory_and_on_the_disk_they_come_together() {
    let folder = folder();
    let mut store = open(&folder);
    store.apply(&guessed(&[0, 1])).unwrap();
    store.take_refuge(&Error::ForReading).unwrap();
    store.apply(&guessed(&[2])).unwrap();
    store.back_to_disk().unwrap();
    assert_eq!(waiting(&store), 3);
    store.take_refuge(&Error::ForReading).unwrap();
    store.apply(&guessed(&[3])).unwrap();
    store.apply(&corrected(1, BY, true)).unwrap();
    store.apply(&Batch { minutes: vec![minute_row("M", &columns(3), 300)], ..Batch::default() }).unwrap();
    store.back_to_disk().unwrap();
    assert_eq!(minutes(&store).iter().map(|(at, _)| *at).collect::<Vec<_>>(), [240, 241, 242, 243, 300]);
}
