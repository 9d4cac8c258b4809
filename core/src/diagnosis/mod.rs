//! Which cause explains what the meters show, where it comes from, and by which numbers: all the time, beside the limits.
//!
//! Each step of the grid is looked at as a whole (`look`: the values of every circuit and of the transformer). The judges
//! then say one after the other what they claim, what they could judge and did not find, and their number (`docket`); a
//! later judge sees what an earlier one has claimed and judges what remains. The book (`book`) keeps since when something is
//! claimed, makes findings of it and ends them.
//!
//! A judge is a file of `judge/`: a state that is saved, and a step that allocates nothing while nothing is wrong. It says
//! "none" only where the sign itself could be looked for and was not there; where values are absent it says nothing, and what
//! was found stands on.

mod book;
mod cause;
mod confidence;
mod docket;
mod explains;
mod finding;
mod judge;
mod look;
mod moments;
pub(crate) mod plan;
mod recurring;
mod shares;
mod sign;
mod trace;

pub use book::{FindingBook, FindingEntry, FindingKey};
pub use cause::{Cause, Family};
pub(crate) use explains::{closeness, is_one_fault, stays};
pub use finding::{
    Evidence, Finding, FindingChange, FindingStep, Lack, MOST_STARTS, Pattern, RuledOut, Share,
};
pub(crate) use judge::sharing::{Carried, Sharing, parts};
pub use judge::sharing::{NotShared, Part};
pub use plan::DiagnosisPlan;
pub use sign::{Figure, Sign};

use crate::context::Context;
use crate::output::Output;
use crate::reading::Sample;
use crate::supply::{Fed, OtherSupply, SourceKind};
use crate::time::{EventTime, Span};
use docket::Docket;
use judge::connection::Connection;
use judge::cooling::Cooling;
use judge::core::Core;
use judge::drive::DriveFuse;
use judge::growth::Growth;
use judge::harmonics::Harmonics;
use judge::low_supply::LowSupply;
use judge::neutral::Neutral;
use judge::overload::Overload;
use judge::peaks::Peaks;
use judge::sensor::Sensors;
use judge::unbalance::Unbalance;
use judge::wiring::Wiring;
use look::{CircuitNow, Look, UnitNow, Values};
use moments::Moments;
use serde::{Deserialize, Serialize};
use trace::Trace;

/// The judges of one scope, with what they remember.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Diagnosis {
    /// Of which circuits, so that it fits.
    names: Vec<String>,
    /// The end of the step before.
    last: Option<EventTime>,
    sensors: Sensors,
    wiring: Wiring,
    moments: Moments,
    neutral: Neutral,
    low_supply: LowSupply,
    overload: Overload,
    connection: Connection,
    cooling: Cooling,
    trace: Trace,
    peaks: Peaks,
    growth: Growth,
    unbalance: Unbalance,
    harmonics: Harmonics,
    drive: DriveFuse,
    core: Core,
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
    /// Feeders that another transformer feeds now, or of which that is not known.
    pub(crate) elsewhere: &'a [(String, OtherSupply)],
    /// In what context the transformer is.
    pub(crate) context: Context,
}

impl Diagnosis {
    pub(crate) fn new(plan: &DiagnosisPlan) -> Self {
        let count = plan.circuits.len();
        Self {
            names: names(plan),
            last: None,
            sensors: Sensors::new(plan),
            wiring: Wiring::new(count),
            moments: Moments::new(plan),
            neutral: Neutral::new(count),
            low_supply: LowSupply::default(),
            overload: Overload::new(count),
            connection: Connection::new(count),
            cooling: Cooling::default(),
            trace: Trace::new(count),
            peaks: Peaks::new(count),
            growth: Growth::new(count),
            unbalance: Unbalance::new(count),
            harmonics: Harmonics::new(count),
            drive: DriveFuse::new(count),
            core: Core::default(),
            circuits: vec![CircuitNow::default(); count],
            docket: Docket::new(count),
        }
    }

    /// Goes on from what was saved, if it is of the same circuits.
    pub(crate) fn adopt(&mut self, plan: &DiagnosisPlan, saved: Self) {
        if saved.names == names(plan) && saved.sensors.fits(plan) {
            let (circuits, docket) = (std::mem::take(&mut self.circuits), std::mem::take(&mut self.docket));
            let mut moments = std::mem::take(&mut self.moments);
            moments.adopt(plan, saved.moments);
            *self = Self { moments, circuits, docket, ..saved };
        }
    }

    /// A person has mended what a finding was about: what comes and goes of it counts anew.
    pub(crate) fn mended(&mut self, plan: &DiagnosisPlan, found: &Finding) {
        let circuit = plan.circuits.iter().position(|circuit| circuit.feeder == found.feeder);
        if let Some(circuit) = circuit {
            self.moments.forget((found.cause, circuit, found.place));
        }
    }

    /// Our clock was corrected: what it stamped moves with it.
    pub(crate) fn shift(&mut self, by: Span) {
        self.last = self.last.map(|last| last + by);
        self.sensors.shift(by);
        self.wiring.shift(by);
        self.moments.shift(by);
        self.neutral.shift(by);
        self.low_supply.shift(by);
        self.overload.shift(by);
        self.connection.shift(by);
        self.cooling.shift(by);
        self.peaks.shift(by);
        self.unbalance.shift(by);
        self.harmonics.shift(by);
        self.drive.shift(by);
        self.core.shift(by);
    }

    /// One reading of the meter `local`, as it stands in the row, and whether its values fit the nameplate: what happens within
    /// seconds.
    pub(crate) fn hear(
        &mut self,
        plan: &DiagnosisPlan,
        book: &mut FindingBook,
        reading: (usize, EventTime, bool),
        row: &[Sample],
        out: &mut Vec<Output>,
    ) {
        self.moments.hear(plan, book, reading, row, out);
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
            let other = plan
                .feeder
                .as_ref()
                .and_then(|feeder| step.elsewhere.iter().find(|(name, _)| name == feeder));
            now.elsewhere = other.is_some();
            now.not_known = other.is_some_and(|(_, other)| matches!(other.by, Fed::NotKnown | Fed::Several));
        }
        let passed = self.last.map_or(Span::ZERO, |last| step.end - last);
        let unit = UnitNow::of(&plan.unit, &values);
        let is_above = is_above_rating(plan, &self.circuits);
        // What is not judged yet after a transfer, or after volts came back, is in no mean of the latest minutes.
        let settles = step.context.settles(step.end).is_some();
        let fade = self.trace.step(&self.circuits, passed, (is_above, settles));
        let look = Look {
            end: step.end,
            plan,
            circuits: &self.circuits,
            unit,
            values,
            lately: self.trace.all(),
            before: self.trace.before(),
            fade,
            own_source: step.context.source != SourceKind::Utility,
            transferred: step.context.transferred,
        };
        let docket = &mut self.docket;
        docket.begin();
        // The order is that in which one explains away the next.
        self.moments.listen_all(&look);
        self.sensors.judge(&look, &self.moments, docket);
        self.wiring.judge(&look, docket);
        self.moments.judge(&look, docket);
        self.neutral.judge(&look, docket);
        self.low_supply.judge(&look, docket);
        self.drive.judge(&look, docket);
        self.overload.judge(&look, docket);
        self.growth.judge(&look, docket);
        self.peaks.judge(&look, docket);
        self.harmonics.judge(&look, docket);
        self.core.judge(&look, docket);
        self.unbalance.judge(&look, docket);
        self.connection.judge(&look, &self.moments, docket);
        self.cooling.judge(&look, docket);
        let explains = [Cause::LostPrimaryLine, Cause::LostPhase];
        self.trace.explain(|circuit| {
            docket.claims(Cause::MeterFuse, Some(circuit))
                || explains.iter().any(|cause| {
                    docket.claims(*cause, Some(circuit)) || docket.claims(*cause, Some(plan.load))
                })
        });
        self.last = Some(step.end);
        book.follow(plan, docket, (step.end, passed), out);
    }
}

/// Whether a phase of the transformer is above its rated amperes.
fn is_above_rating(plan: &DiagnosisPlan, circuits: &[CircuitNow]) -> bool {
    let amperes = circuits[plan.load].amperes.into_iter().flatten();
    plan.circuits[plan.load].rated_a.is_some_and(|rated| amperes.fold(0.0, f64::max) > rated)
}

fn names(plan: &DiagnosisPlan) -> Vec<String> {
    plan.circuits.iter().map(|circuit| circuit.feeder.clone().unwrap_or_default()).collect()
}
