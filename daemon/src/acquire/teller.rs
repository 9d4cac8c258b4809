//! What is told of one polled meter besides its values: troubles, facts of health, and what was learned of it.

use super::modbus::Fault;
use super::polled::Brought;
use super::special::FactorForm;
use super::trouble::Trouble;
use crate::world::Sink;
use kvarden_core::input::MeterTrouble;
use kvarden_core::reading::MeterId;
use kvarden_core::time::Span;
use std::rc::Rc;

/// Tells of one meter.
pub(super) struct Teller {
    sink: Rc<dyn Sink>,
    meter: MeterId,
    name: Box<str>,
    trouble: Trouble,
    /// Whether its map was told to be wrong; nothing since the start of the program, whatever was told before.
    map_wrong: Option<bool>,
}

impl Teller {
    pub(super) fn new(sink: &Rc<dyn Sink>, meter: MeterId, name: &str) -> Self {
        let trouble = Trouble::new(meter, name);
        Self { sink: Rc::clone(sink), meter, name: name.into(), trouble, map_wrong: None }
    }

    /// Polls have gone by while others had the connection, or while it was slow.
    pub(super) fn left_out(&self) {
        self.sink.trouble(self.meter, "polls left out");
    }

    /// A poll gave values.
    pub(super) fn brought(&mut self, brought: &Brought) {
        self.trouble.over();
        self.map_wrong(false);
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
            self.sink.shortest_event(self.meter, Span(milliseconds as i64));
        }
    }

    /// A poll gave no values.
    pub(super) fn fault(&mut self, fault: Fault) {
        if fault != Fault::Looking {
            self.trouble.add(&*self.sink, fault.phrase());
        }
        if fault.is_of_the_map() {
            self.map_wrong(true);
        }
    }

    /// The connection to it is made again and again, or holds.
    pub(super) fn link_unstable(&self, unstable: bool) {
        self.sink.meter_trouble(self.meter, MeterTrouble::LinkUnstable, unstable);
    }

    fn map_wrong(&mut self, wrong: bool) {
        if self.map_wrong.replace(wrong) != Some(wrong) {
            self.sink.meter_trouble(self.meter, MeterTrouble::MapWrong, wrong);
        }
    }
}
