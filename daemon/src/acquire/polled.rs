//! One polled meter: compiled once, with what is remembered of it from poll to poll.

use super::modbus::{Fault, Line};
use super::requests::{ReadPlan, Stamp};
use super::slow::Pace;
use super::special::{FactorForm, Specials};
use super::sunspec::Finder;
use kvarden_config::{ModbusSpec, OneModel};
use kvarden_core::measurand::{Quantity, Source};
use kvarden_core::plan::MeterPlan;
use kvarden_core::reading::{MeterId, Sample};
use std::time::Duration;
use tokio::time::Instant;

/// A meter that is polled.
#[derive(Debug, Clone, PartialEq)]
pub struct PolledMeter {
    /// Its place in the plan.
    pub meter: MeterId,
    /// Its name, for the log.
    pub name: String,
    /// Where and how.
    pub spec: ModbusSpec,
    /// What each point means.
    pub quantities: Vec<Quantity>,
    /// Points, by index, that a formula combines.
    pub together: Vec<Vec<usize>>,
}

impl PolledMeter {
    /// As the plan has it.
    pub fn new(plan: &MeterPlan, spec: &ModbusSpec) -> Self {
        Self {
            meter: plan.id,
            name: plan.name.clone(),
            spec: spec.clone(),
            quantities: plan.series[..plan.points].to_vec(),
            together: plan.combined_points(),
        }
    }
}

/// A polled meter, compiled.
#[derive(Debug)]
pub(super) struct Polled {
    pub(super) meter: MeterId,
    pub(super) name: Box<str>,
    pub(super) unit: u8,
    pub(super) every: Duration,
    pub(super) plan: ReadPlan,
    answers_as: u8,
    sunspec: Option<OneModel>,
    specials: Specials,
    lively: Box<[usize]>,
}

/// From poll to poll of a meter; at least a millisecond.
pub(super) fn every(spec: &ModbusSpec) -> Duration {
    Duration::from_millis(spec.every.0.max(1).unsigned_abs())
}

/// What is remembered of one meter.
#[derive(Debug)]
pub(super) struct Memory {
    finder: Option<Finder>,
    specials: Specials,
    pace: Pace,
}

/// Room for the answers of one poll; the meters of a connection share it.
#[derive(Debug)]
pub(super) struct Scratch {
    words: Box<[u16]>,
    stamps: Vec<Stamp>,
}

/// What a good poll has brought besides its values.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Brought {
    /// Values that a formula combines came too far apart.
    pub(super) apart: bool,
    /// The form of the power factors, when it has just been decided.
    pub(super) factors: Option<FactorForm>,
    /// The shortest event that the meter can show, when that has changed.
    pub(super) shortest_event: Option<Duration>,
}

impl Scratch {
    pub(super) fn for_all(meters: &[Polled]) -> Self {
        let words = meters.iter().map(|polled| polled.plan.words()).max().unwrap_or(0);
        let stamps = meters.iter().map(|polled| polled.plan.requests().len()).max().unwrap_or(0);
        Self { words: vec![0; words].into(), stamps: Vec::with_capacity(stamps) }
    }
}

impl Polled {
    pub(super) fn new(PolledMeter { meter, name, spec, quantities, together }: PolledMeter) -> Self {
        let lively = quantities.iter().enumerate().filter(|(_, of)| of.what.facts().source == Source::Lively);
        Self {
            meter,
            name: name.into(),
            unit: spec.unit,
            every: every(&spec),
            plan: ReadPlan::new(&spec, &together),
            answers_as: spec.answers_as,
            sunspec: spec.sunspec,
            specials: Specials::new(&spec.points, &quantities),
            lively: lively.map(|(at, _)| at).collect(),
        }
    }

    /// Nothing remembered yet.
    pub(super) fn memory(&self) -> Memory {
        Memory {
            finder: self.sunspec.map(Finder::new),
            specials: self.specials.clone(),
            pace: Pace::new(self.every, self.lively.clone()),
        }
    }

    /// Polls it: all requests of its plan, each within `deadline`. Only if all succeed are the values whole.
    pub(super) async fn poll(
        &self,
        line: &mut Line,
        deadline: Duration,
        (memory, scratch): (&mut Memory, &mut Scratch),
        values: &mut [Sample],
    ) -> Result<Brought, Fault> {
        let whom = (self.unit, self.answers_as);
        let base = match &mut memory.finder {
            Some(finder) => finder.address(line, whom, deadline).await?,
            None => 0,
        };
        scratch.stamps.clear();
        let words = &mut scratch.words[..self.plan.words()];
        for request in self.plan.requests() {
            let question = request.question(whom, base).ok_or(Fault::NoModel)?;
            let sent = line.ask(question, deadline, &mut words[request.range()]).await?;
            scratch.stamps.push(Stamp { sent, answered: Instant::now() });
        }
        if let Some(finder) = &mut memory.finder
            && !finder.still(self.plan.header(words))
        {
            return Err(Fault::Looking);
        }
        let apart = self.plan.decode(words, &scratch.stamps, values);
        let factors = memory.specials.settle(values);
        let shortest_event = memory.pace.observe(Instant::now(), values);
        Ok(Brought { apart, factors, shortest_event })
    }
}
