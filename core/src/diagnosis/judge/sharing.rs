//! Units side by side that share unequally: what each carries against what kVA and impedance predict.
//!
//! Units on one bus have the same volts at both ends, so their amperes part as their admittances (textbook). What a nameplate says of
//! an impedance may be off by 7.5 % (IEEE C57.12.00 clause 9.2, two windings, from memory), so a unit has more than its part only
//! beyond what impedances off by that much, each to its worse side, would give it.

use super::standing::Standing;
use crate::diagnosis::Diagnosis;
use crate::diagnosis::book::FindingBook;
use crate::diagnosis::cause::Cause;
use crate::diagnosis::docket::{Claim, Docket};
use crate::diagnosis::look::{Three, of_sign};
use crate::diagnosis::plan::{CircuitPlan, DiagnosisPlan};
use crate::diagnosis::sign::Sign;
use crate::diagnosis::trace::{Fade, Mean};
use crate::electrical::parallel::{Unit, share_kva};
use crate::output::Output;
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// So much an impedance may differ from the nameplate. Source: IEEE C57.12.00 clause 9.2 (from memory).
const TOLERANCE: f64 = 0.075;
/// So much meters and current transformers of two units may differ, as a share (class 1 each and its transformer: common practice,
/// no source).
const METERS: f64 = 0.03;
/// Below this share of their ratings together nothing is judged: what goes round without load, and errors of the current
/// transformers, are a large part there (common practice, no source).
const LEAST_LOAD: f64 = 0.20;
/// A unit that carries less than this share of its rating, while they are loaded, is open somewhere: no matter of its impedance.
const IDLE: f64 = 0.02;
/// Units whose shares by impedance differ by so much from those by kVA suit each other badly: impedances of units in parallel shall
/// be within 10 % of each other (IEEE C57.12.00 clause 9.2, from memory).
const UNSUITED: f64 = 0.10;
/// Volts of one bus differ by no more than this share: two meters of class 0.5 and some cable (common practice, no source).
const ONE_BUS: f64 = 0.03;
/// How far back a share is a mean: a motor's start drowns in it (common practice, no source).
const MEMORY: Span = Span::minutes(5);
/// It stands so long before it is told (common practice, no source).
const AFTER: Span = Span::minutes(15);
/// Below this share of the bound it is gone.
const BACK: f64 = 0.97;

/// What one unit carried over a step of its grid.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Carried {
    /// The end of the step.
    pub(crate) end: EventTime,
    /// As a share of its rated amperes; `None`: not measured, or not judged after a transfer or returned volts.
    pub(crate) of_rated: Option<f64>,
    /// Its line volts on the load side in per unit of nominal.
    pub(crate) volts: Option<f64>,
}

impl Diagnosis {
    /// What the transformer carried over the step that was just looked at; `settles`: nothing is judged of it yet.
    pub(crate) fn carried(&self, plan: &DiagnosisPlan, (end, settles): (EventTime, bool)) -> Carried {
        let load = |index: usize| {
            let (circuit, now) = (&plan.circuits[index], &self.circuits[index]);
            let rated = circuit.rated_a.filter(|rated| *rated > 0.0)?;
            Some(known_mean(circuit, now.amperes)? / rated)
        };
        let of_rated = load(plan.load).or_else(|| plan.source.and_then(load)).filter(|_| !settles);
        let nominal = plan.circuits[plan.load].volts;
        let lines = self.circuits[plan.load].ll;
        let volts = lines.into_iter().flatten().reduce(f64::max).map(|volts| volts / nominal);
        Carried { end, of_rated, volts: volts.filter(|volts| volts.is_finite()) }
    }
}

/// The mean of all phases that are measured by this circuit's meters; nothing while one of them is absent.
fn known_mean(circuit: &CircuitPlan, amperes: Three) -> Option<f64> {
    let measured = circuit.amperes.iter().zip(amperes).filter(|(spot, _)| spot.is_some());
    let (sum, count) = measured
        .map(|(_, value)| value)
        .try_fold((0.0, 0.0), |(sum, count), value| Some((sum + value?, count + 1.0)))?;
    (count > 0.0).then(|| sum / count)
}

/// What is remembered of one unit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Sharing {
    /// The end of the step before.
    last: Option<EventTime>,
    kva: Mean,
    over: Standing,
    #[serde(skip)]
    docket: Docket,
}

/// Why shares are not held against what nameplates predict.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotShared {
    /// The impedance of this unit (by its place in the group) is not known.
    NoImpedance(usize),
    /// What this unit carries is not measured.
    NotMeasured(usize),
    /// This unit carries next to nothing while others are loaded: it is open somewhere.
    Idle(usize),
    /// Their volts differ by more than those of one bus do.
    VoltsApart,
    /// Too little load.
    LittleLoad,
}

/// How one unit shares.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// What it carries, in kVA.
    pub kva: f64,
    /// Share of what all on its bus carry.
    pub share: f64,
    /// The same by kVA and impedance.
    pub by_impedance: f64,
    /// The most that impedances and meters within their tolerance explain.
    pub most: f64,
    /// The same by kVA alone.
    pub by_rating: f64,
    /// What all on its bus carry together, as a share of their ratings.
    pub all_of_rated: f64,
}

/// One unit on a bus: its nameplate, what it carries in kVA, its volts in per unit.
type Given = (Option<Unit>, Option<f64>, Option<f64>);

/// How units on one bus share, each given with what it carries in kVA and with its volts in per unit.
///
/// # Errors
/// Why that can't be told.
pub(crate) fn parts(units: &[Given]) -> Result<Vec<Part>, NotShared> {
    let missing = |of: fn(&Given) -> bool| units.iter().position(of);
    if let Some(index) = missing(|(unit, ..)| unit.is_none()) {
        return Err(NotShared::NoImpedance(index));
    }
    if let Some(index) = missing(|(_, kva, _)| kva.is_none()) {
        return Err(NotShared::NotMeasured(index));
    }
    let nameplates: Vec<Unit> = units.iter().filter_map(|(unit, ..)| *unit).collect();
    let carried: Vec<f64> = units.iter().filter_map(|(_, kva, _)| *kva).collect();
    let volts = || units.iter().filter_map(|(.., volts)| *volts);
    let (least, most) = (volts().fold(f64::INFINITY, f64::min), volts().fold(f64::NEG_INFINITY, f64::max));
    if most - least > ONE_BUS {
        return Err(NotShared::VoltsApart);
    }
    let (total, rated): (f64, f64) = (carried.iter().sum(), nameplates.iter().map(|unit| unit.kva).sum());
    if total < LEAST_LOAD * rated {
        return Err(NotShared::LittleLoad);
    }
    if let Some(index) = carried.iter().zip(&nameplates).position(|(kva, unit)| *kva < IDLE * unit.kva) {
        return Err(NotShared::Idle(index));
    }
    let part = |index: usize| {
        let worst: Vec<Unit> = nameplates
            .iter()
            .enumerate()
            .map(|(other, unit)| {
                let off = if other == index { 1.0 - TOLERANCE } else { 1.0 + TOLERANCE };
                Unit { impedance_percent: unit.impedance_percent * off, ..*unit }
            })
            .collect();
        Some(Part {
            kva: carried[index],
            share: carried[index] / total,
            by_impedance: share_kva(1.0, &nameplates, index)?,
            most: share_kva(1.0, &worst, index)? * (1.0 + METERS),
            by_rating: nameplates[index].kva / rated,
            all_of_rated: total / rated,
        })
    };
    let all = (0..units.len()).map(|index| part(index).ok_or(NotShared::NoImpedance(index)));
    all.collect()
}

impl Sharing {
    /// What the unit carries in kVA, as a mean of the latest minutes.
    pub(crate) fn kva(&self) -> Option<f64> {
        self.kva.get()
    }

    /// Takes what it carried over the step that ends at `end`; says how long that was.
    pub(crate) fn take(&mut self, end: EventTime, kva: Option<f64>) -> Span {
        let passed = self.last.map_or(Span::ZERO, |last| end - last);
        self.last = Some(end);
        self.kva.take(kva, Fade::of(passed, MEMORY));
        passed
    }

    /// Judges its part of the step that ends at `end`, so long after the one before; `None`: that can't be told.
    pub(crate) fn judge(
        &mut self,
        plan: &DiagnosisPlan,
        book: &mut FindingBook,
        part: Option<(Part, f64)>,
        (end, passed): (EventTime, Span),
        out: &mut Vec<Output>,
    ) {
        self.docket.begin();
        let holds = part.and_then(|(part, rated)| {
            let by_plate = part.share / (part.by_rating * (1.0 + UNSUITED));
            let by_plate = if overloads(part, rated) { by_plate } else { by_plate.min(1.0) };
            match (part.share / bound(part)).max(by_plate) {
                share if share > 1.0 => Some(true),
                share if share < BACK => Some(false),
                _ => None,
            }
        });
        if holds == Some(false) {
            self.docket.none(Cause::Unequal, plan.load, None);
        }
        if let (true, Some((part, rated))) = (self.over.for_span(holds, end, AFTER), part) {
            self.docket.claim(claim(plan.load, part, rated));
        }
        book.follow(plan, &self.docket, (end, passed), out);
    }

    pub(crate) fn shift(&mut self, by: Span) {
        self.last = self.last.map(|last| last + by);
        self.over.shift(by);
    }
}

/// The share beyond which a unit has more than its part: what tolerances explain, and never less than its kVA would have it. What
/// the supply and the cables have in common evens shares out; a unit that gets nearer to its part by that is none the worse for it.
fn bound(part: Part) -> f64 {
    part.most.max(part.by_rating)
}

/// Whether a unit is above its plate while all together are not. If it has more than its part by kVA then, the impedances do not suit
/// each other, whatever the nameplates say of them; what it has at less load is the same and does not say that it is over.
fn overloads(part: Part, rated: f64) -> bool {
    part.kva > rated && part.all_of_rated <= 1.0
}

fn claim(load: usize, part: Part, rated: f64) -> Claim {
    let percent = |sign, share: f64| of_sign(sign, Place::Whole, load, 100.0 * share);
    let of_rating = part.kva / rated;
    let priority = if of_rating > 1.0 { Priority::High } else { Priority::Low };
    let bound = if part.share > bound(part) { bound(part) } else { part.by_rating };
    let proof = percent(Sign::ShareOfParallel, part.share).against(100.0 * bound);
    // Clear at half as much again as tolerances explain, or as its kVA would have it (common practice, no source).
    let clear = ((part.share / bound - 1.0) / 0.5).clamp(0.0, 1.0);
    Claim::new(Cause::Unequal, load, None, priority, proof)
        .with(Some(percent(Sign::ShareByImpedance, part.by_impedance)))
        .with(Some(percent(Sign::ShareOfRating, of_rating).against(100.0)))
        .weighs(0.75 + 0.2 * clear)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit(kva: f64, impedance_percent: f64) -> Unit {
        Unit { kva, impedance_percent, open_volts: 1.0 }
    }

    fn two(carried: [f64; 2]) -> Result<Vec<Part>, NotShared> {
        let [one, other] = carried;
        parts(&[
            (Some(unit(75.0, 4.0)), Some(one), Some(1.0)),
            (Some(unit(75.0, 5.0)), Some(other), Some(0.99)),
        ])
    }

    /// Worked: 75 kVA of 4 % beside 75 kVA of 5 % takes five ninths, 55.6 %; of 3.7 % beside 5.375 % 59.2 %, and 61.0 % with the
    /// meters' three per cent.
    #[test]
    fn a_part_has_its_prediction_and_the_most_that_tolerances_explain() {
        let all = two([50.0, 40.0]).expect("all is known");
        assert!(
            (all[0].by_impedance - 5.0 / 9.0).abs() < 1e-12
                && (all[1].by_impedance - 4.0 / 9.0).abs() < 1e-12
        );
        assert!((all[0].share - 5.0 / 9.0).abs() < 1e-12);
        let most = 5.375 / (3.7 + 5.375) * 1.03;
        assert!((all[0].most - most).abs() < 1e-12 && (most - 0.610).abs() < 5e-4, "{most}");
    }

    #[test]
    fn what_can_not_be_told_says_why() {
        assert_eq!(two([10.0, 8.0]), Err(NotShared::LittleLoad));
        assert_eq!(two([60.0, 1.0]), Err(NotShared::Idle(1)));
        let known = (Some(unit(75.0, 4.0)), Some(40.0), Some(1.0));
        assert_eq!(parts(&[known, (None, Some(40.0), None)]), Err(NotShared::NoImpedance(1)));
        assert_eq!(parts(&[(known.0, None, None), known]), Err(NotShared::NotMeasured(0)));
        assert_eq!(parts(&[known, (known.0, Some(40.0), Some(0.96))]), Err(NotShared::VoltsApart));
    }
}
