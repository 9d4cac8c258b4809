//! A small piece of the store's work in a process of its own, so that single calls of the system can be made to fail:
//! `store_work FOLDER`. Prints `told N` when alert N and its letter are stored, and `done` at the end.
//!
//! What is refused is given again, as the engine does.

use kvarden::store::{Batch, NewLetter, Options, OwnedInput, Store, TailRecord};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::input::Part;
use kvarden_core::output::{AlertRevision, Matter, Revised, Rule, Subject};
use kvarden_core::plant::Priority;
use kvarden_core::time::{EventTime, Span};
use std::error::Error;
use std::path::Path;
use std::time::Duration;

/// 2026-11-25T00:00:00Z.
const BEGIN: EventTime = EventTime(1_795_564_800_000);
/// Alerts told in one run.
const ALERTS: u64 = 12;
/// A refused batch is given again so often: longer than the store waits before it tries a disk again.
const TRIES: u32 = 14;

fn main() -> Result<(), Box<dyn Error>> {
    let folder = std::env::args().nth(1).ok_or("store_work FOLDER")?;
    let mut store = Store::open(Path::new(&folder), Options::default(), BEGIN)?.store;
    for number in 1..=ALERTS {
        let batch = told(number);
        let mut tries = 0;
        while let Err(error) = store.apply(&batch) {
            println!("refused {number}: {error}");
            tries += 1;
            if tries == TRIES {
                return Err(error.into());
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        if number.is_multiple_of(4) {
            // A snapshot that can't be kept is made again later.
            let _ = store.put_state("site", 1, number, &[7; 5000]);
        }
        println!("told {number}");
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

fn tick(number: u64) -> TailRecord {
    TailRecord { number, now: BEGIN + Span::seconds(number as i64), input: OwnedInput::Tick }
}

fn told(number: u64) -> Batch {
    let at = BEGIN + Span::seconds(number as i64);
    let alert = format!("site/store#{number}");
    let revision = AlertRevision {
        alert: alert.clone(),
        revision: 1,
        at,
        why: Revised::Opened,
        open: true,
        state: AlarmState::Unacknowledged,
        priority: Priority::High,
        subject: Subject { transformer: None, feeder: None, meter: None, matter: Matter::Part(Part::Store) },
        rule: Rule::Broken,
        value: None,
        peak: None,
        setpoint: None,
        over: None,
        since: at,
        recurred: None,
    };
    let letter = NewLetter {
        id: format!("{alert}:1:log"),
        channel: "log".to_owned(),
        alert,
        revision: 1,
        created: at,
        message: "{}".to_owned(),
    };
    Batch { tail: vec![tick(number)], alerts: vec![revision], letters: vec![letter], ..Batch::default() }
}
