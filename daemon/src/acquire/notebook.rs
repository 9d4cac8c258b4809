//! For tests: a sink that writes down what it is handed.

use crate::world::Sink;
use kvarden_core::input::{MeterTrouble, Part};
use kvarden_core::reading::{MeterId, Sample};
use kvarden_core::time::{EventTime, Span};
use std::cell::RefCell;
use tokio::sync::watch;
use tokio::time::Instant;

/// One reading as handed over.
#[derive(Debug, Clone)]
pub(super) struct Noted {
    pub(super) meter: u32,
    /// Since the notebook was opened.
    pub(super) at: Span,
    pub(super) told: EventTime,
    pub(super) values: Vec<Option<f64>>,
}

/// The sink.
#[derive(Debug)]
pub(super) struct Notebook {
    opened: Instant,
    starts_at: i64,
    noted: RefCell<Vec<Noted>>,
    troubles: RefCell<Vec<(u32, &'static str)>>,
    strangers: RefCell<Vec<String>>,
    parts: RefCell<Vec<(Part, bool)>>,
    payloads: RefCell<Vec<String>>,
    meter_troubles: RefCell<Vec<(u32, MeterTrouble, bool)>>,
    shortest_events: RefCell<Vec<(u32, Span)>>,
    committed: watch::Sender<u64>,
}

impl Notebook {
    /// Opened now, which is `starts_at` on the scale of event time.
    pub(super) fn at(starts_at: i64) -> Self {
        Self {
            opened: Instant::now(),
            starts_at,
            noted: RefCell::default(),
            troubles: RefCell::default(),
            strangers: RefCell::default(),
            parts: RefCell::default(),
            payloads: RefCell::default(),
            meter_troubles: RefCell::default(),
            shortest_events: RefCell::default(),
            committed: watch::channel(0).0,
        }
    }

    /// All readings.
    pub(super) fn noted(&self) -> Vec<Noted> {
        self.noted.borrow().clone()
    }

    /// All readings as lines such as `0 at 1000: 5 -`.
    pub(super) fn readings(&self) -> Vec<String> {
        let value = |value: &Option<f64>| value.map_or("-".to_owned(), |value| value.to_string());
        let line = |noted: &Noted| {
            let values: Vec<_> = noted.values.iter().map(value).collect();
            format!("{} at {}: {}", noted.meter, noted.told.0, values.join(" "))
        };
        self.noted.borrow().iter().map(line).collect()
    }

    /// All troubles, in order.
    pub(super) fn troubles(&self) -> Vec<String> {
        self.troubles.borrow().iter().map(|(meter, what)| format!("{meter}: {what}")).collect()
    }

    /// What was said of troubles of meters.
    pub(super) fn meter_troubles(&self) -> Vec<(u32, MeterTrouble, bool)> {
        self.meter_troubles.borrow().clone()
    }

    /// Topics without a meter, as often as they came.
    pub(super) fn strangers(&self) -> Vec<String> {
        self.strangers.borrow().clone()
    }

    /// What was said of parts.
    pub(super) fn parts(&self) -> Vec<(Part, bool)> {
        self.parts.borrow().clone()
    }

    /// What was learned of how long an event must last.
    pub(super) fn shortest_events(&self) -> Vec<(u32, Span)> {
        self.shortest_events.borrow().clone()
    }

    /// Everything up to `number` is stored.
    pub(super) fn commit(&self, number: u64) {
        self.committed.send_replace(number);
    }

    fn passed(&self) -> Span {
        Span(self.opened.elapsed().as_millis() as i64)
    }
}

impl Sink for Notebook {
    fn reading(&self, meter: MeterId, at: EventTime, values: &[Sample]) -> u64 {
        let values = values.iter().map(|value| value.get()).collect();
        self.noted.borrow_mut().push(Noted { meter: meter.0, at: self.passed(), told: at, values });
        self.noted.borrow().len() as u64
    }

    fn part(&self, part: Part, works: bool) {
        self.parts.borrow_mut().push((part, works));
    }

    fn meter_trouble(&self, meter: MeterId, trouble: MeterTrouble, holds: bool) {
        let mut known = self.meter_troubles.borrow_mut();
        let last = known.iter().rev().find(|(one, what, _)| (*one, *what) == (meter.0, trouble));
        if last.is_some_and(|(.., told)| *told) != holds {
            known.push((meter.0, trouble, holds));
        }
    }

    fn now(&self) -> EventTime {
        EventTime(self.starts_at) + self.passed()
    }

    fn await_commit(&self) {}

    fn committed(&self) -> watch::Receiver<u64> {
        self.committed.subscribe()
    }

    fn refused_payload(&self, meter: MeterId, topic: &str, bytes: &[u8]) {
        let shown = format!("{}: {topic}: {}", meter.0, bytes.escape_ascii());
        self.payloads.borrow_mut().push(shown);
    }

    fn trouble(&self, meter: MeterId, what: &'static str) {
        self.troubles.borrow_mut().push((meter.0, what));
    }

    fn shortest_event(&self, meter: MeterId, lasts: Span) {
        self.shortest_events.borrow_mut().push((meter.0, lasts));
    }

    fn stranger(&self, topic: &str) {
        self.strangers.borrow_mut().push(topic.to_owned());
    }
}
