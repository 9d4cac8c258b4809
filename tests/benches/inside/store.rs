//! The store: minutes and inputs written a second, bytes kept for each, one day of one series read back.

use crate::chunks;
use crate::figures::{Figures, RUNS, heading, line, short_or};
use crate::plant;
use kvarden::store::{Batch, DATABASE, MinuteRow, Options, OwnedInput, Store, TailRecord};
use kvarden_core::measurand::Quantity;
use kvarden_core::reading::Sample;
use kvarden_core::time::{EventTime, Span};
use kvarden_core::window::Pane;
use std::hint::black_box;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

/// A time to begin with, a whole minute.
const BEGIN: EventTime = EventTime(1_789_999_980_000);
const METERS: usize = 20;
const MINUTES_OF_A_DAY: i64 = 1440;
/// Inputs of one batch, as the daemon makes them.
const INPUTS: usize = 256;

/// Runs the section.
pub(crate) fn run() {
    let quantities: Arc<[Quantity]> = plant::quantities().into();
    heading(&format!("store: {METERS} meters of {} values", quantities.len()));
    minutes(&quantities);
    month(&quantities);
    inputs(&quantities);
}

fn open(folder: &Path) -> Store {
    Store::open(folder, Options::default(), BEGIN).expect("the folder is new").store
}

fn size(folder: &Path) -> u64 {
    let length = |name: String| std::fs::metadata(folder.join(name)).map_or(0, |facts| facts.len());
    length(DATABASE.to_owned()) + length(format!("{DATABASE}-wal"))
}

fn names() -> Vec<Arc<str>> {
    (0..METERS).map(|number| Arc::from(format!("M{number}"))).collect()
}

fn minutes(quantities: &Arc<[Quantity]>) {
    let days = short_or(1, RUNS as i64);
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let mut store = open(folder.path());
    let names = names();
    let mut pace = Vec::new();
    for day in 0..days {
        let batches: Vec<Batch> = (0..MINUTES_OF_A_DAY)
            .map(|minute| {
                let at = BEGIN + Span::minutes(day * MINUTES_OF_A_DAY + minute);
                let rows = names.iter().map(|name| row(name, quantities, at));
                Batch { minutes: rows.collect(), ..Batch::default() }
            })
            .collect();
        let begun = Instant::now();
        for batch in &batches {
            black_box(store.apply(batch).expect("the disk has room"));
        }
        pace.push(MINUTES_OF_A_DAY as f64 * METERS as f64 / begun.elapsed().as_secs_f64());
    }
    let rows = days * MINUTES_OF_A_DAY * METERS as i64;
    let bytes = size(folder.path()) as f64 / (rows * quantities.len() as i64) as f64;
    let pace: Figures = pace.into_iter().collect();
    line("minute rows written a second, one commit a minute", format!("{pace:.0}"));
    line(
        "bytes kept for mean, least, largest and rms of one value, log and tens beside",
        format!("{bytes:.1} ({:.1} a number)", bytes / 4.0),
    );
    let read = (0..RUNS).map(|_| {
        let begun = Instant::now();
        let runs =
            store.minutes("M7", BEGIN, BEGIN + Span::minutes(MINUTES_OF_A_DAY)).expect("it was just written");
        let means: Vec<Option<f64>> =
            runs.iter().flat_map(|run| &run.rows).map(|(_, panes)| panes[0].mean).collect();
        assert_eq!(black_box(means).len(), MINUTES_OF_A_DAY as usize, "every minute comes back");
        begun.elapsed().as_secs_f64() * 1e3
    });
    let read: Figures = read.collect();
    let bare = floor(1, MINUTES_OF_A_DAY as usize, METERS * quantities.len());
    line("floor: one day of one series in one blob, ms", format!("{bare:.3}"));
    line("one day of one series, 1440 minutes, ms", &read);
    line("the day against the floor", read.over(&bare));
}

/// A month of ten-minute rows, of which each meter has one for all of its series.
fn month(quantities: &Arc<[Quantity]>) {
    const DAYS: i64 = 31;
    const TENS_OF_A_DAY: usize = 144;
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let mut store = open(folder.path());
    let names = [Arc::from("M7"), Arc::from("M8")];
    // A minute a ten is enough: each ten is made when a minute of the next one comes.
    for day in 0..DAYS {
        let tens =
            (0..TENS_OF_A_DAY as i64).map(|ten| BEGIN + Span::minutes(day * MINUTES_OF_A_DAY + 10 * ten));
        let rows = tens.flat_map(|at| names.iter().map(move |name| row(name, quantities, at)));
        let batch = Batch { minutes: rows.collect(), ..Batch::default() };
        store.apply(&batch).expect("the disk has room");
    }
    let read = (0..RUNS).map(|_| {
        let begun = Instant::now();
        let to = BEGIN + Span::minutes(DAYS * MINUTES_OF_A_DAY);
        let runs = store.tens("M7", BEGIN, to).expect("it was just written");
        let means: Vec<Option<f64>> =
            runs.iter().flat_map(|run| &run.rows).map(|(_, panes)| panes[0].mean).collect();
        // Neither the ten that the month begins in nor the one that is under way.
        assert!(black_box(means).len() + 2 >= DAYS as usize * TENS_OF_A_DAY, "every ten comes back");
        begun.elapsed().as_secs_f64() * 1e3
    });
    let read: Figures = read.collect();
    let bare = floor(DAYS as u32, TENS_OF_A_DAY, names.len() * quantities.len());
    line("floor: one month of one series in a blob a day, ms", format!("{bare:.3}"));
    line("one month of one series, 4464 tens of minutes, ms", &read);
    line("the month against the floor", read.over(&bare));
}

fn floor(days: u32, a_day: usize, series: usize) -> Figures {
    let db = chunks::written(days, a_day, series as u32);
    let read = (0..RUNS).map(|_| {
        let begun = Instant::now();
        assert_eq!(chunks::read(&db), days as usize * a_day, "every number comes back");
        begun.elapsed().as_secs_f64() * 1e3
    });
    read.collect()
}

fn row(meter: &Arc<str>, series: &Arc<[Quantity]>, minute: EventTime) -> MinuteRow {
    let pane = |quantity: &Quantity| {
        let mut pane = Pane::EMPTY;
        let value = plant::ordinary(*quantity);
        for second in 0..60 {
            pane.push(value + 0.01 * f64::from(second), Span::seconds(1));
        }
        pane
    };
    MinuteRow {
        meter: Arc::clone(meter),
        series: Arc::clone(series),
        minute,
        panes: series.iter().map(pane).collect(),
        late: false,
        guessed: false,
    }
}

fn inputs(quantities: &[Quantity]) {
    let batches = short_or(100, 400);
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let mut store = open(folder.path());
    let names = names();
    let values: Box<[Sample]> =
        quantities.iter().map(|quantity| Sample::new(plant::ordinary(*quantity))).collect();
    let mut number = 0u64;
    let us = (0..RUNS).map(|_| {
        let made: Vec<Batch> = (0..batches)
            .map(|_| {
                let record = |_| {
                    number += 1;
                    let now = BEGIN + Span(number as i64);
                    let meter = Arc::clone(&names[number as usize % METERS]);
                    TailRecord {
                        number,
                        now,
                        input: OwnedInput::Reading { meter, at: now, values: values.clone() },
                    }
                };
                Batch { tail: (0..INPUTS).map(record).collect(), ..Batch::default() }
            })
            .collect();
        let begun = Instant::now();
        for batch in &made {
            black_box(store.apply(batch).expect("the disk has room"));
        }
        begun.elapsed().as_secs_f64() * 1e6 / (batches * INPUTS) as f64
    });
    let us: Figures = us.collect();
    line("µs to keep one input of all values, 256 a commit", us);
}
