//! Overload in short peaks that come again: each well above the rating, none so long that the ladder tells of it.

use super::overload::{ONE_HOUR, most_of_rating, times_by_fans_of};
use crate::diagnosis::cause::Cause;
use crate::diagnosis::docket::{Claim, Docket};
use crate::diagnosis::finding::Share;
use crate::diagnosis::look::{Look, of_sign};
use crate::diagnosis::recurring::Recurring;
use crate::diagnosis::sign::Sign;
use crate::diagnosis::trace::{Fade, Mean};
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// A peak begins above this, in per cent of the rating, and is over below that: the ladder's middle step with its way back.
const BEGINS: f64 = 110.0;
const OVER: f64 = 107.0;
/// It counts if it came so high: machines that happen to run together for some minutes come a little above the rating now and
/// then (common practice, no source).
const PEAK: f64 = 120.0;
/// Shorter ones are motors that start (common practice, no source).
const SHORTEST: Span = Span::seconds(60);
/// So many within so long: the recurrence rule of the limits (common practice, no source).
const TIMES: usize = 3;
const WITHIN: Span = Span::hours(6);
/// A load that comes and goes lifts the whole by more than this, in per cent of the rating, and so high, both as means of the latest: less is also
/// what the machines of a unit that is nearly full do, a few times a day, where they happen to run together (common practice, no source).
const LIFTS: f64 = 55.0;
const HIGH: f64 = 135.0;
/// Of so many the means are taken.
const LATEST: usize = 5;
/// So many of the lesser ones within [`WITHIN`] are too many for that (common practice, no source).
const MANY: usize = 8;
/// Within so long of an overload that lasts they are its ups and downs: it is one until so long without it
/// (the same as [`Cause::gone_after`] of it).
const LASTS: Span = Span::minutes(120);
/// Between peaks the load rests: where it stands above this per cent of the rating in between, as a mean of the latest hour, it is a load
/// that is too large and goes up and down (common practice, no source).
const RESTS: f64 = 85.0;
/// Where the load of the latest half hour, its peaks among it, is above the rating as a mean, it is an overload that goes up and down, of which
/// the ladder will tell.
const HALF_AN_HOUR: Span = Span::minutes(30);
const FULL: f64 = 100.0;
/// After so long without one the count begins anew.
const MEMORY: Span = Span::hours(48);

/// What is remembered by circuit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Peaks {
    circuits: Vec<Memory>,
    /// By feeder: its share in what the transformer's peaks gained, summed over their steps, and how many steps.
    gained: Vec<f64>,
    steps: f64,
    /// The feeder to which they were traced when they were found.
    at: Option<usize>,
    /// The same, also after they have ended: what stands there ends there.
    last: Option<usize>,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
struct Memory {
    /// Since when it is above, and how high it was.
    since: Option<EventTime>,
    highest: f64,
    recurring: Recurring,
    /// How high the highest of those that are counted was.
    ever: f64,
    /// By how much they lifted what rests, as a mean of the latest.
    lift: f64,
    /// And how high they came, likewise.
    height: f64,
    /// When an overload that lasts was claimed of it.
    lasting: Option<EventTime>,
    /// The latest hour, without the time in peaks.
    rest: Mean,
    /// The latest half hour, all of it.
    all: Mean,
}

impl Peaks {
    pub(crate) fn new(circuits: usize) -> Self {
        Self { circuits: vec![Memory::default(); circuits], gained: vec![0.0; circuits], ..Self::default() }
    }

    pub(crate) fn shift(&mut self, by: Span) {
        for memory in &mut self.circuits {
            memory.since = memory.since.map(|since| since + by);
            memory.lasting = memory.lasting.map(|at| at + by);
            memory.recurring.shift(by);
        }
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        let load = look.plan.load;
        let fade = Fade::of(look.fade.passed, ONE_HOUR);
        let fade_of_all = Fade::of(look.fade.passed, HALF_AN_HOUR);
        for circuit in 0..self.circuits.len() {
            // The amperes before the unit are those behind it.
            let Some(most) = most_of_rating(look, circuit).filter(|_| look.plan.source != Some(circuit))
            else {
                continue;
            };
            let most = most / times_by_fans_of(look, circuit);
            let (own, interval) = (circuit == load, look.plan.circuits[circuit].every);
            let memory = &mut self.circuits[circuit];
            // The transformer's own may be traced to a feeder.
            let at = Some(circuit).filter(|_| !own);
            if [Cause::OverloadUnit, Cause::OverloadPhase].iter().any(|cause| docket.claims(*cause, at)) {
                memory.lasting = Some(look.end);
            }
            memory.all.take(Some(most), fade_of_all);
            let is_new = memory.follow(most, look.end, interval);
            memory.rest.take(Some(most).filter(|_| memory.since.is_none()), fade);
            let times = memory.recurring.within(look.end, WITHIN);
            if own && memory.since.is_some() {
                self.steps += 1.0;
                for feeder in look.sharing() {
                    self.gained[feeder] += look.share_of_gain(None, feeder).unwrap_or_default();
                }
            }
            let lifts = memory.lift > LIFTS && memory.height > HIGH;
            // A load that grows passes the rating in peaks first.
            let grows = docket.claims(Cause::OverloadGrowth, None);
            let enough = if lifts { times >= TIMES } else { times >= MANY && !grows };
            if !enough {
                docket.none(Cause::OverloadPeaks, circuit, None);
                if let Some(at) = self.last.filter(|at| own && *at != circuit) {
                    docket.none(Cause::OverloadPeaks, at, None);
                }
                if own && times == 0 {
                    (self.at, self.steps) = (None, 0.0);
                    self.gained.fill(0.0);
                }
                continue;
            }
            let traced = self.at.filter(|_| own).or_else(|| self.gained_most(look).filter(|_| own));
            let at = traced.unwrap_or(circuit);
            if own {
                (self.at, self.last) = (Some(at), Some(at));
            }
            // The transformer's own, traced to this feeder, have told of it.
            if docket.claims(Cause::OverloadPeaks, Some(at)) {
                continue;
            }
            // It stands while they come; it is told anew with each.
            let memory = &self.circuits[circuit];
            let proof = of_sign(Sign::PeakOfRating, Place::Whole, circuit, memory.ever).against(PEAK);
            // Held against the scored trials.
            let weight = if lifts { 0.6 + 0.04 * times as f64 } else { 0.05 * times as f64 }.min(0.95);
            let mut claim = Claim::new(Cause::OverloadPeaks, at, None, Priority::Low, proof)
                .weighs(weight)
                .lacking(look.to_trace().filter(|_| own));
            if is_new {
                claim.pattern = memory.recurring.pattern(look.end).map(Box::new);
                claim = claim.shared(if own { self.shares(look) } else { None });
            }
            docket.claim(claim);
        }
    }

    /// The share of a feeder in what the peaks gained.
    fn share(&self, feeder: usize) -> Option<f64> {
        (self.steps > 0.0).then(|| self.gained[feeder] / self.steps)
    }

    fn gained_most(&self, look: &Look<'_>) -> Option<usize> {
        look.most(|feeder| self.share(feeder))
    }

    fn shares(&self, look: &Look<'_>) -> Option<Box<[Share]>> {
        look.told(|feeder| self.share(feeder), false)
    }
}

impl Memory {
    /// Takes a step; says whether a peak has ended with it that counts.
    fn follow(&mut self, most: f64, end: EventTime, interval: Span) -> bool {
        match self.since {
            None if most > BEGINS => {
                (self.since, self.highest) = (Some(end), most);
                false
            }
            Some(since) if most < OVER => {
                self.since = None;
                let length = end - since;
                // A slow meter's single value stands for one and a half of its intervals.
                let long = length >= SHORTEST.max(Span(interval.0 * 2)) && length < ONE_HOUR;
                let lasts = self.lasting.is_some_and(|at| end - at < LASTS);
                let rest = self.rest.by(0.0).unwrap_or(0.0);
                let is_full = self.all.by(0.0).is_some_and(|mean| mean > FULL);
                let counts = long && self.highest > PEAK && !lasts && !is_full && rest < RESTS;
                if counts {
                    self.recurring.take(since, length, MEMORY);
                    let known = self.recurring.within(end, MEMORY).min(LATEST);
                    self.ever = if known == 1 { self.highest } else { self.ever.max(self.highest) };
                    self.lift += (self.highest - rest - self.lift) / known as f64;
                    self.height += (self.highest - self.height) / known as f64;
                }
                counts
            }
            Some(_) => {
                self.highest = self.highest.max(most);
                false
            }
            None => false,
        }
    }
}
