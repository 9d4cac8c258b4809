//! Which cause explains what the meters show, where it comes from, and by which numbers: all the time, beside the limits.
//!
//! Each step of the grid is looked at as a whole ([`look`]: the values of every circuit and of the transformer). The judges
//! then say one after the other what they claim, what they could judge and did not find, and their number ([`docket`]); a
//! later judge sees what an earlier one has claimed and judges what remains. The book ([`book`]) keeps since when something is
//! claimed, makes findings of it and ends them.
//!
//! A judge is a file of `judge/`: a state that is saved, and a step that allocates nothing while nothing is wrong. It says
//! "none" only where the sign itself could be looked for and was not there; where values are absent it says nothing, and what
//! was found stands on.

#![allow(dead_code, reason = "the judges that use all of it follow")]

mod book;
mod cause;
mod docket;
mod explains;
mod finding;
mod judge;
mod look;
pub(crate) mod plan;
mod sign;

pub use book::{FindingBook, FindingEntry, FindingKey};
pub use cause::{Cause, Family};
pub(crate) use explains::{closeness, is_one_fault, stays};
pub use finding::{
    Evidence, Finding, FindingChange, FindingStep, Lack, MOST_STARTS, Pattern, RuledOut, Share,
};
pub use plan::DiagnosisPlan;
pub use sign::{Figure, Sign};

use crate::output::Output;
use crate::reading::Sample;
use crate::time::{EventTime, Span};
use docket::Docket;
use judge::connection::Connection;
use judge::cooling::Cooling;
use judge::overload::Overload;
use judge::sensor::Sensors;
use judge::wiring::Wiring;
pub(crate) use look::MeterNow;
use look::{CircuitNow, Look, UnitNow, Values};
use serde::{Deserialize, Serialize};

/// The judges of one scope, with what they remember.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Diagnosis {
    /// Of which circuits, so that it fits.
    names: Vec<String>,
    /// The end of the step before.
    last: Option<EventTime>,
    sensors: Sensors,
    wiring: Wiring,
    overload: Overload,
    connection: Connection,
    cooling: Cooling,
    #[serde(skip)]
    circuits: Vec<CircuitNow>,
    #[serde(skip)]
    docket: Docket,
}

/// One step of the grid.
pub(crate) struct Step<'a> {
    /// Its end.
    pub(crate) end: EventTime,
    /// The grid's inputs, by column.
    pub(crate) inputs: &'a [Sample],
    /// The rows of the meters made across meters.
    pub(crate) made: &'a [Sample],
    /// How each meter (local) is.
    pub(crate) meter: &'a dyn Fn(usize) -> MeterNow,
}

impl Diagnosis {
    pub(crate) fn new(plan: &DiagnosisPlan) -> Self {
        let count = plan.circuits.len();
        Self {
            names: names(plan),
            last: None,
            sensors: Sensors::new(plan),
            wiring: Wiring::new(count),
            overload: Overload::new(count),
            connection: Connection::new(count),
            cooling: Cooling::default(),
            circuits: vec![CircuitNow::default(); count],
            docket: Docket::new(count),
        }
    }

    /// Goes on from what was saved, if it is of the same circuits.
    pub(crate) fn adopt(&mut self, plan: &DiagnosisPlan, saved: Self) {
        if saved.names == names(plan) && saved.sensors.fits(plan) {
            let (circuits, docket) = (std::mem::take(&mut self.circuits), std::mem::take(&mut self.docket));
            *self = Self { circuits, docket, ..saved };
        }
    }

    /// Our clock was corrected: what it stamped moves with it.
    pub(crate) fn shift(&mut self, by: Span) {
        self.last = self.last.map(|last| last + by);
        self.sensors.shift(by);
        self.overload.shift(by);
        self.connection.shift(by);
        self.cooling.shift(by);
    }

    /// Lets every judge look at a step of the grid.
    pub(crate) fn step(
        &mut self,
        plan: &DiagnosisPlan,
        book: &mut FindingBook,
        step: &Step<'_>,
        out: &mut Vec<Output>,
    ) {
        let values = Values { inputs: step.inputs, made: step.made };
        for (now, plan) in self.circuits.iter_mut().zip(&plan.circuits) {
            *now = CircuitNow::of(plan, &values);
        }
        let unit = UnitNow::of(&plan.unit, &values);
        let look = Look { end: step.end, plan, circuits: &self.circuits, unit, values, meter: step.meter };
        let docket = &mut self.docket;
        docket.begin();
        // The order is that in which one explains away the next.
        self.sensors.judge(&look, docket);
        self.wiring.judge(&look, docket);
        self.overload.judge(&look, docket);
        self.connection.judge(&look, docket);
        self.cooling.judge(&look, docket);
        let passed = self.last.map_or(Span::ZERO, |last| step.end - last);
        self.last = Some(step.end);
        book.follow(plan, docket, (step.end, passed), out);
    }
}

fn names(plan: &DiagnosisPlan) -> Vec<String> {
    plan.circuits.iter().map(|circuit| circuit.feeder.clone().unwrap_or_default()).collect()
}
