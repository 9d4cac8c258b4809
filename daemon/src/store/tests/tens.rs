//! Ten-minute rows: made of minutes, the same however these came.

use super::*;

fn put(store: &mut Store, minutes: &[i64]) {
    let series = columns(3);
    let rows = minutes.iter().map(|minute| minute_row("M", &series, *minute)).collect();
    store.apply(&Batch { minutes: rows, ..Batch::default() }).unwrap();
}

fn all(store: &Store) -> Vec<(i64, Vec<PaneRow>)> {
    let runs = store.tens("M", EventTime(0), EventTime(i64::MAX)).unwrap();
    runs.into_iter().flat_map(|run| run.rows).map(|(at, row)| ((at - NOW).0 / 60_000, row)).collect()
}

#[test]
fn a_ten_says_what_its_minutes_say_together() {
    let folder = folder();
    let mut store = open(&folder);
    put(&mut store, &(0..9).collect::<Vec<_>>());
    assert_eq!(all(&store), [], "the ten is not over");
    put(&mut store, &[9]);
    let tens = all(&store);
    assert_eq!((tens.len(), tens[0].0), (1, 0));
    // Recomputed here from the samples, as in `minute_row`.
    let samples: Vec<f64> = (0..10)
        .flat_map(|minute| (0..60).map(move |second| 230.0 + f64::from(second * 7 + minute).sin()))
        .collect();
    let count = samples.len() as f64;
    let mean = samples.iter().sum::<f64>() / count;
    let rms = (samples.iter().map(|value| value * value).sum::<f64>() / count).sqrt();
    let row = tens[0].1[0];
    assert_eq!((row.count, row.covered_ms), (600, 600_000));
    assert!((row.mean.unwrap() - mean).abs() < 1e-4, "{row:?}, {mean}");
    assert!((row.rms.unwrap() - rms).abs() < 1e-4, "{row:?}, {rms}");
    let least = samples.iter().copied().fold(f64::INFINITY, f64::min);
    let largest = samples.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    assert!((row.min.unwrap() - least).abs() < 1e-4 && (row.max.unwrap() - largest).abs() < 1e-4);
}

/// The guards: the look at what a late minute refreshes, and that at the ten before.
#[test]
fn tens_depend_on_the_minutes_and_not_on_how_these_came() {
    let orders: [&[&[i64]]; 4] = [
        &[&[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 13, 31, 32, 47, 60]],
        &[&[60], &[47, 0, 9], &[8, 7], &[13, 10], &[6, 5, 4], &[31], &[32], &[3, 2, 1]],
        &[&[0, 1, 2, 3, 4, 5, 6, 7, 8], &[10], &[9], &[13], &[32, 31], &[60], &[47]],
        &[
            &[0],
            &[1],
            &[2],
            &[3],
            &[4],
            &[5],
            &[6],
            &[7],
            &[8],
            &[9],
            &[10],
            &[13],
            &[31],
            &[32],
            &[47],
            &[60],
        ],
    ];
    let mut seen = Vec::new();
    for order in orders {
        let folder = folder();
        let mut store = open(&folder);
        for minutes in order {
            put(&mut store, minutes);
            put(&mut store, minutes);
        }
        seen.push(all(&store));
    }
    assert_eq!(seen[0].iter().map(|(at, _)| *at).collect::<Vec<_>>(), [0, 10, 30, 40]);
    for other in &seen[1..] {
        assert_eq!(other, &seen[0]);
    }
}

#[test]
fn a_change_of_columns_within_a_ten_keeps_all_of_them() {
    let folder = folder();
    let mut store = open(&folder);
    let (few, many) = (columns(2), columns(4));
    let mut rows: Vec<MinuteRow> = (0..4).map(|minute| minute_row("M", &few, minute)).collect();
    rows.extend((4..10).map(|minute| minute_row("M", &many, minute)));
    store.apply(&Batch { minutes: rows, ..Batch::default() }).unwrap();
    let runs = store.tens("M", EventTime(0), EventTime(i64::MAX)).unwrap();
    let counts: Vec<u32> = runs[0].rows[0].1.iter().map(|pane| pane.count).collect();
    assert_eq!((runs[0].series.len(), counts), (4, vec![600, 600, 360, 360]));
    // The minutes go on with the meaning that they had.
    put(&mut store, &[]);
    let row = minute_row("M", &many, 10);
    store.apply(&Batch { minutes: vec![row], ..Batch::default() }).unwrap();
    assert_eq!(store.minutes("M", EventTime(0), EventTime(i64::MAX)).unwrap().len(), 2);
}

#[test]
fn a_ten_of_which_minutes_are_gone_stays_as_it_was_made() {
    let folder = folder();
    let mut store = open(&folder);
    put(&mut store, &[0, 1, 2, 3, 4, 5, 6, 7, 9]);
    let before = all(&store);
    store.db.execute("DELETE FROM minute WHERE (key & 0xFFFFFFFF) % 10 < 5", ()).unwrap();
    put(&mut store, &[8]);
    assert_eq!(all(&store), before);
}

#[test]
fn a_reader_gets_minutes_where_they_are_and_tens_where_they_are_not_or_too_many() {
    let folder = folder();
    let mut store = open(&folder);
    put(&mut store, &(0..100).collect::<Vec<_>>());
    let (from, to) = (NOW, NOW + Span::minutes(100));
    let (long, runs) = store.history("M", from, to, 200).unwrap();
    assert_eq!((long, runs[0].rows.len()), (Span::minutes(1), 100));
    let (long, runs) = store.history("M", from, to, 50).unwrap();
    assert_eq!((long, runs[0].rows.len()), (Span::minutes(10), 10));
    let oldest = NOW.0 / 60_000 + 30;
    store.db.execute("DELETE FROM minute WHERE (key & 0xFFFFFFFF) < ?1", [oldest]).unwrap();
    assert_eq!(store.history("M", from, to, 200).unwrap().0, Span::minutes(10));
    assert_eq!(store.history("M", NOW + Span::minutes(30), to, 200).unwrap().0, Span::minutes(1));
    assert_eq!(store.history("nobody", from, to, 200).unwrap().1, []);
}
