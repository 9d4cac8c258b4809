//! What came too late to be judged, added to a minute that is stored.

use super::*;

/// The first half or the second half of the samples of a minute, as `minute_row` has them.
fn half(series: &Arc<[Quantity]>, minute: i64, seconds: std::ops::Range<i32>, late: bool) -> MinuteRow {
    let panes = (0..series.len()).map(|column| {
        let mut pane = Pane::EMPTY;
        for second in seconds.clone() {
            let wave = f64::from(second * 7 + minute as i32 % 977).sin();
            pane.push(230.0 + column as f64 + wave, Span::seconds(1));
        }
        pane
    });
    MinuteRow { panes: panes.collect(), late, ..minute_row("M", series, minute) }
}

fn rows(store: &Store) -> Vec<PaneRow> {
    let runs = store.minutes("M", NOW, EventTime(i64::MAX)).unwrap();
    runs.into_iter().flat_map(|run| run.rows).flat_map(|(_, row)| row).collect()
}

fn put(store: &mut Store, rows: Vec<MinuteRow>) -> Applied {
    store.apply(&Batch { minutes: rows, ..Batch::default() }).unwrap()
}

/// Seen to fail without `with_late` in `minutes::append`.
#[test]
fn what_came_late_and_what_was_known_are_together_the_whole_minute() {
    let series: Arc<[Quantity]> = Arc::from([Quantity::whole(Measurand::NeutralCurrent)]);
    let (whole_folder, folder) = (folder(), folder());
    let (mut whole, mut store) = (open(&whole_folder), open(&folder));
    put(&mut whole, vec![half(&series, 0, 0..60, false)]);
    put(&mut store, vec![half(&series, 0, 0..40, false)]);
    put(&mut store, vec![half(&series, 0, 40..60, true)]);
    let (expected, got) = (rows(&whole), rows(&store));
    assert_eq!((got.len(), got[0].count, got[0].covered_ms), (1, 60, 60_000));
    // What is stored are 32-bit numbers, the spread of 16 bits.
    let near = |one: Option<f64>, other: Option<f64>, within: f64| {
        assert!((one.unwrap() - other.unwrap()).abs() < within, "{got:?} {expected:?}");
    };
    near(got[0].mean, expected[0].mean, 1e-4);
    near(got[0].rms, expected[0].rms, 1e-2);
    assert_eq!((got[0].min, got[0].max), (expected[0].min, expected[0].max));
    // A minute is no longer than that, whatever comes.
    put(&mut store, vec![half(&series, 0, 0..30, true)]);
    assert_eq!((rows(&store)[0].count, rows(&store)[0].covered_ms), (90, 60_000));
}

#[test]
fn a_late_minute_of_which_nothing_was_known_is_a_row_and_one_with_other_columns_is_refused() {
    let (one, three) = (columns(1), columns(3));
    let folder = folder();
    let mut store = open(&folder);
    put(&mut store, vec![half(&one, 1, 0..10, true)]);
    assert_eq!(rows(&store)[0].count, 10);
    let applied = put(&mut store, vec![half(&three, 1, 10..20, true)]);
    assert_eq!((applied.refused_minutes, rows(&store)[0].count), (1, 10));
}

/// A counter's row has its first and its latest reading; where the late ones stand is not known.
#[test]
fn a_counter_stays_as_it_was_known() {
    let series: Arc<[Quantity]> = Arc::from([Quantity::whole(Measurand::EnergyImport)]);
    let folder = folder();
    let mut store = open(&folder);
    put(&mut store, vec![half(&series, 0, 0..40, false)]);
    let known = rows(&store);
    put(&mut store, vec![half(&series, 0, 40..60, true)]);
    assert_eq!(rows(&store), known);
}

/// The ten of a late minute is made anew, and the minute counts as late for its frozen day.
#[test]
fn tens_and_frozen_days_hear_of_it() {
    let series: Arc<[Quantity]> = Arc::from([Quantity::whole(Measurand::NeutralCurrent)]);
    let folder = folder();
    let mut store = open(&folder);
    put(&mut store, (0..11).map(|minute| half(&series, minute, 0..40, false)).collect());
    let samples = |store: &Store| store.tens("M", NOW, EventTime(i64::MAX)).unwrap()[0].rows[0].1[0].count;
    assert_eq!(samples(&store), 400);
    store.watch_day("2026-11-25", NOW, NOW + Span::hours(24));
    put(&mut store, vec![half(&series, 3, 40..60, true)]);
    assert_eq!(samples(&store), 420);
    assert_eq!(store.late().unwrap()[0].meters, [("M".to_owned(), 1)]);
}
