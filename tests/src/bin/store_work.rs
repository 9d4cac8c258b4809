//! A small piece of the store's work in a process of its own, so that single calls of the system can be made to fail or
//! be written down: `store_work FOLDER`. Prints `told N` when alert N and its letter are stored, and `done` at the end.
//! What is refused is given again, as the engine does.
//!
//! `store_work FOLDER long` does more of it on a disk that works: letters are sent (`sent ID PLACE`), days frozen (`day
//! DATE`), snapshots stored until the log was cut back more than once, and the store is closed and opened again.

use kvarden::store::{Batch, Error as StoreError, Options, Store};
use kvarden_core::time::Span;
use kvarden_tests::wait::Chance;
use kvarden_tests::work::{BEGIN, CHANNEL, SCOPE, tick, told};
use std::error::Error;
use std::path::Path;
use std::time::Duration;

/// Alerts told in one run.
const ALERTS: u64 = 12;
/// A refused batch is given again so often: longer than the store waits before it tries a disk again.
const TRIES: u32 = 14;
/// Alerts told in the long run.
const LONG: u64 = 24;
/// Bytes of a snapshot of the long run: a hundred pages. SQLite looks after its log every thousand.
const SNAPSHOT: usize = 400 << 10;

/// Does something until it works, as the daemon does.
fn again<T>(mut work: impl FnMut() -> Result<T, StoreError>) -> Result<T, StoreError> {
    let mut tries = 1;
    loop {
        match work() {
            Err(error) if tries < TRIES => println!("refused: {error}"),
            other => return other,
        }
        tries += 1;
        std::thread::sleep(Duration::from_millis(100));
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let folder = std::env::args().nth(1).ok_or("store_work FOLDER [long]")?;
    match std::env::args().nth(2) {
        Some(_) => long(Path::new(&folder)),
        None => short(Path::new(&folder)),
    }
}

fn short(folder: &Path) -> Result<(), Box<dyn Error>> {
    let mut store = Store::open(folder, Options::default(), BEGIN)?.store;
    for number in 1..=ALERTS {
        let batch = told(number, number);
        again(|| store.apply(&batch))?;
        if number.is_multiple_of(4) {
            // A snapshot that can't be kept is made again later.
            let _ = store.put_state(SCOPE, 1, number, &[7; 5000]);
        }
        let place = if store.in_memory().is_some() { " in memory" } else { "" };
        println!("told {number}{place}");
    }
    // What is only in memory must find its way to the disk.
    for number in (ALERTS + 1..).take(TRIES as usize) {
        if store.in_memory().is_none() {
            println!("done");
            return Ok(());
        }
        std::thread::sleep(Duration::from_secs(1));
        let _ = store.apply(&Batch { tail: vec![tick(number)], ..Batch::default() });
    }
    Err("the store never came back to the disk".into())
}

fn long(folder: &Path) -> Result<(), Box<dyn Error>> {
    // The reserve is small then.
    let open = || Store::open(folder, Options { max_bytes: 16 << 20 }, BEGIN);
    let mut store = open()?.store;
    println!("book {}", store.book());
    let (mut input, mut chance) = (0, Chance(1));
    let mut next = || {
        input += 1;
        input
    };
    for number in 1..=LONG {
        let batch = told(number, next());
        again(|| store.apply(&batch))?;
        while store.in_memory().is_some() {
            std::thread::sleep(Duration::from_millis(500));
            let batch = Batch { tail: vec![tick(next())], ..Batch::default() };
            again(|| store.apply(&batch))?;
        }
        println!("told {number}");
        let now = BEGIN + Span::hours(1);
        if !number.is_multiple_of(3)
            && let Some(letter) = store.next_letter(CHANNEL, now)?
        {
            println!("sent {} {}", letter.id, letter.place);
            again(|| store.delivered(letter.number, now))?;
        }
        for _ in 0..3 {
            let batch = Batch { tail: vec![tick(next())], ..Batch::default() };
            again(|| store.apply(&batch))?;
        }
        if number.is_multiple_of(2) {
            let body: Vec<u8> = std::iter::repeat_with(|| chance.number() as u8).take(SNAPSHOT).collect();
            again(|| store.put_state(SCOPE, 1, store.last_number(), &body))?;
        }
        if number.is_multiple_of(5) {
            let (date, body) = (format!("2026-11-{number:02}"), format!("{{\"alerts\":{number}}}"));
            again(|| store.put_day(SCOPE, &date, 1, &body))?;
            println!("day {date}");
        }
        if number.is_multiple_of(9) {
            drop(store);
            store = again(open)?.store;
        }
    }
    println!("done");
    Ok(())
}
