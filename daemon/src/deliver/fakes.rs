//! Stand-ins for tests: letters, an outbox in memory and a sink that notes what it is told.

use super::outbox::{Mark, Next, Outbox, OutboxError};
use crate::store::Letter;
use crate::words::{Message, Site, message as worded};
use crate::world::{Here, Sink};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::input::{MeterTrouble, Part};
use kvarden_core::output::{AlertRevision, Matter, Revised, Rule, Subject};
use kvarden_core::plant::Priority;
use kvarden_core::reading::{MeterId, Sample};
use kvarden_core::time::{EventTime, Span};
use std::cell::{Cell, RefCell};
use tokio::sync::watch;
use tokio::time::Instant;

/// The message about one revision of an alert.
pub(crate) fn message(alert: &str, revision: u32) -> Message {
    let subject = Subject {
        transformer: Some("T2".to_owned()),
        feeder: Some("MP-3".to_owned()),
        meter: Some("MP-3".to_owned()),
        matter: Matter::Meter,
    };
    let site = Site {
        name: "Larkspur Cannery".to_owned(),
        zone: jiff::tz::TimeZone::UTC,
        book: "k7".to_owned(),
        topics: "p".to_owned(),
        shows: kvarden_config::TemperatureUnit::Celsius,
        whereabouts: crate::words::Whereabouts::default(),
        speech: crate::words::speech::Speech::ENGLISH,
    };
    let told = AlertRevision {
        alert: alert.to_owned(),
        revision,
        at: EventTime(60_000),
        why: Revised::Opened,
        open: true,
        state: AlarmState::Unacknowledged,
        priority: Priority::High,
        subject,
        rule: Rule::Silent { level: 1 },
        value: None,
        peak: None,
        setpoint: None,
        over: None,
        since: EventTime(0),
        recurred: None,
        fed: None,
        cause: None,
        held: None,
        flood: None,
    };
    worded(&told, &site)
}

/// A letter with that message; its number is the revision.
pub(crate) fn letter(alert: &str, revision: u32) -> Letter {
    Letter {
        number: i64::from(revision),
        place: i64::from(revision),
        id: format!("k7:{alert}:{revision}:test"),
        channel: "test".to_owned(),
        alert: alert.to_owned(),
        revision,
        created: EventTime(0),
        tries: 0,
        message: message(alert, revision).json(),
        to: None,
        due: EventTime(0),
    }
}

/// An outbox in memory with the rules of the real one.
#[derive(Debug, Default)]
pub(crate) struct FakeOutbox {
    waiting: RefCell<Vec<(Letter, EventTime)>>,
    /// What became of letters, in order: id and fate.
    pub(crate) marks: RefCell<Vec<(String, Mark)>>,
    /// The messages of the open alerts.
    pub(crate) open: RefCell<Vec<Message>>,
    /// So many of the next calls of `mark` fail.
    pub(crate) troubles: Cell<u32>,
}

impl FakeOutbox {
    pub(crate) fn post(&self, letter: Letter) {
        self.waiting.borrow_mut().push((letter, EventTime(0)));
    }

    pub(crate) fn delivered(&self) -> Vec<String> {
        let marks = self.marks.borrow();
        marks.iter().filter(|(_, mark)| *mark == Mark::Delivered).map(|(id, _)| id.clone()).collect()
    }

    fn find(&self, channel: &str, by: EventTime) -> Next {
        let waiting = self.waiting.borrow();
        let mut heads: Vec<&(Letter, EventTime)> = Vec::new();
        for entry in waiting.iter().filter(|(letter, _)| letter.channel == channel) {
            let same = |head: &Letter| head.alert == entry.0.alert && head.to == entry.0.to;
            if heads.iter().all(|(head, _)| !same(head)) {
                heads.push(entry);
            }
        }
        match heads.iter().find(|(_, due)| *due <= by) {
            Some((letter, _)) => Next::Letter(Box::new(letter.clone())),
            None => heads.iter().map(|(_, due)| *due).min().map_or(Next::Nothing, Next::Due),
        }
    }

    fn keep(&self, letter: &Letter, mark: &Mark) -> Result<(), OutboxError> {
        if let Some(left) = self.troubles.get().checked_sub(1) {
            self.troubles.set(left);
            return Err(OutboxError::Trouble("disk full".to_owned()));
        }
        let mut waiting = self.waiting.borrow_mut();
        if let Mark::Later { due, .. } = mark {
            for (kept, when) in waiting.iter_mut().filter(|(kept, _)| kept.id == letter.id) {
                (kept.tries, *when) = (kept.tries + 1, *due);
            }
        } else {
            waiting.retain(|(kept, _)| kept.id != letter.id);
        }
        self.marks.borrow_mut().push((letter.id.clone(), mark.clone()));
        Ok(())
    }
}

impl Outbox for FakeOutbox {
    fn next<'a>(&'a self, channel: &'a str, by: EventTime) -> Here<'a, Result<Next, OutboxError>> {
        Box::pin(std::future::ready(Ok(self.find(channel, by))))
    }

    fn mark<'a>(
        &'a self,
        letter: &'a Letter,
        _at: EventTime,
        mark: &'a Mark,
    ) -> Here<'a, Result<(), OutboxError>> {
        Box::pin(std::future::ready(self.keep(letter, mark)))
    }

    fn open_alerts(&self) -> Here<'_, Result<Vec<Message>, OutboxError>> {
        Box::pin(std::future::ready(Ok(self.open.borrow().clone())))
    }
}

/// A sink that notes which parts work; its clock starts at the epoch and runs with the runtime's.
#[derive(Debug)]
pub(crate) struct FakeSink {
    start: Instant,
    committed: watch::Sender<u64>,
    /// Seconds since the start, part, whether it works.
    pub(crate) parts: RefCell<Vec<(u64, Part, bool)>>,
}

impl FakeSink {
    pub(crate) fn new() -> Self {
        Self { start: Instant::now(), committed: watch::channel(0).0, parts: RefCell::default() }
    }
}

impl Sink for FakeSink {
    fn reading(&self, _meter: MeterId, _at: EventTime, _values: &[Sample]) -> u64 {
        0
    }

    fn part(&self, part: Part, works: bool) {
        self.parts.borrow_mut().push((self.start.elapsed().as_secs(), part, works));
    }

    fn meter_trouble(&self, _meter: MeterId, _trouble: MeterTrouble, _holds: bool) {}

    fn now(&self) -> EventTime {
        EventTime(self.start.elapsed().as_millis() as i64)
    }

    fn await_commit(&self) {}

    fn committed(&self) -> watch::Receiver<u64> {
        self.committed.subscribe()
    }

    fn refused_payload(&self, _meter: MeterId, _topic: &str, _bytes: &[u8]) {}

    fn trouble(&self, _meter: MeterId, _what: &'static str) {}

    fn shortest_event(&self, _meter: MeterId, _lasts: Span) {}

    fn stranger(&self, _topic: &str) {}
}
