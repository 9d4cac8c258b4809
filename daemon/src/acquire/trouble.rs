//! What goes wrong at the door: each is counted for its meter, and the log is told of its start and end, not of each.

use crate::world::Sink;
use kvarden_core::reading::MeterId;
use std::time::Duration;
use tokio::time::Instant;

/// One line a meter and minute is enough to follow a fault and can't fill a disk.
const LOG_PAUSE: Duration = Duration::from_mins(1);

/// The troubles of one meter.
#[derive(Debug)]
pub(crate) struct Trouble {
    meter: MeterId,
    name: Box<str>,
    /// Since the last line about it.
    count: u64,
    logged: Option<Instant>,
    told: bool,
}

impl Trouble {
    /// None yet.
    pub(crate) fn new(meter: MeterId, name: &str) -> Self {
        Self { meter, name: name.into(), count: 0, logged: None, told: false }
    }

    /// Counts one. `what` is a short fixed phrase.
    pub(crate) fn add(&mut self, sink: &dyn Sink, what: &'static str) {
        sink.trouble(self.meter, what);
        self.count += 1;
        let now = Instant::now();
        if self.logged.is_none_or(|logged| now - logged >= LOG_PAUSE) {
            tracing::warn!(meter = ?self.name, count = self.count, "{what}");
            (self.count, self.logged, self.told) = (0, Some(now), true);
        }
    }

    /// The meter gave values.
    pub(crate) fn over(&mut self) {
        if std::mem::take(&mut self.told) {
            tracing::info!(meter = ?self.name, count = self.count, "gives values again");
        }
    }
}
