//! What is told of one polled meter besides its values: troubles, facts of health, and what was learned of it.

use super::modbus::Fault;
use super::polled::Brought;
use super::special::FactorForm;
use super::trouble::Trouble;
use crate::world::Sink;
use kvarden_core::reading::MeterId;
use std::rc::Rc;

/// Tells of one meter.
pub(super) struct Teller {
    sink: Rc<dyn Sink>,
    meter: MeterId,
    name: Box<str>,
    trouble: Trouble,
}

impl Teller {
    pub(super) fn new(sink: &Rc<dyn Sink>, meter: MeterId, name: &str) -> Self {
        let trouble = Trouble::new(meter, name);
        Self { sink: Rc::clone(sink), meter, name: name.into(), trouble }
    }

    /// Polls have gone by while others had the connection, or while it was slow.
    pub(super) fn left_out(&self) {
        self.sink.trouble(self.meter, "polls left out");
    }

    /// A poll gave values.
    pub(super) fn brought(&mut self, brought: &Brought) {
        self.trouble.over();
        if brought.apart {
            self.sink.trouble(self.meter, "values that belong together came too far apart");
        }
        if let Some(form) = brought.factors {
            let form = match form {
                FactorForm::Ratio => "a ratio",
                FactorForm::Percent => "percent",
            };
            tracing::info!(meter = ?self.name, "its power factors are given as {form}");
        }
        if let Some(shortest) = brought.shortest_event {
            let milliseconds = shortest.as_millis() as u64;
            tracing::info!(meter = ?self.name, milliseconds, "shortest event that it can show");
        }
    }

    /// A poll gave no values.
    pub(super) fn fault(&mut self, fault: Fault) {
        if fault != Fault::Looking {
            self.trouble.add(&*self.sink, fault.phrase());
        }
    }

    /// The connection to it is made again and again, or holds.
    pub(super) fn link_unstable(&self, unstable: bool) {
        if unstable {
            self.sink.trouble(self.meter, "link unstable");
        }
    }
}
