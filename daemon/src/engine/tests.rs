//! The engine without a store behind it.

use super::*;
use crate::batching::Told;
use crate::words::Site;
use kvarden_core::plan::Plan;
use kvarden_core::plant::{Around, Plant};

const NOW: EventTime = EventTime(1_795_460_400_000);

/// An engine of a site without meters: it still has its own parts to watch.
fn engine() -> Engine {
    let plant = Plant {
        site: "Larkspur Cannery".to_owned(),
        transformers: Vec::new(),
        feeders: Vec::new(),
        circuits: Vec::new(),
        sources: Vec::new(),
        states: Vec::new(),
        meters: Vec::new(),
        limits: Vec::new(),
        channels: vec!["mqtt".to_owned()],
        recording: Around { before: Span::ZERO, after: Span::ZERO },
    };
    let plan = Arc::new(Plan::new(&plant).unwrap());
    let site = Site {
        name: plant.site.clone(),
        zone: jiff::tz::TimeZone::UTC,
        book: "k7".to_owned(),
        topics: "kvarden".to_owned(),
        whereabouts: crate::words::Whereabouts::default(),
        shows: kvarden_config::TemperatureUnit::Celsius,
    };
    let gathered = Gathered::new(&plan, site, plant.channels.clone(), Told::default());
    let (monitor, batch) = (Monitor::new(plan), Batch::default());
    let restored =
        Restored { to_save: monitor.scopes().collect(), unsaved: 0, monitor, number: 0, batch, replayed: 0 };
    Engine::new(restored, gathered)
}

// The lower border keeps letters that come and go around the upper one from being told each time.
#[test]
fn what_waits_beyond_a_level_is_an_alarm_until_little_waits() {
    let mut engine = engine();
    let mut told = Vec::new();
    for letters in [0, 999, 1000, 1001, 999, 1000, 100, 99, 0] {
        engine.watch_queue(NOW, letters);
        told.push(engine.monitor.is_broken(&Part::Queue));
    }
    assert_eq!(told, [false, false, true, true, true, true, true, false, false]);
    assert_eq!(engine.batch.changes.len(), 2);
    let one = TailRecord { number: 0, now: NOW, input: OwnedInput::Tick };
    engine.batch.tail = vec![one; QUEUE_LONG.0];
    engine.watch_queue(NOW, 0);
    assert!(engine.monitor.is_broken(&Part::Queue));
}
