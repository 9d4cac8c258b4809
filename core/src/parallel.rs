//! Transformers side by side: what each carries is seen together, a step of the grid at a time. Beside what feeds what, this is the
//! one thing that scopes share.
//!
//! A scope's grid turns when its own meters let it, so each keeps the steps that the others have not made yet. A step is judged when
//! every unit of a group has made it or has passed it: the order of arrival changes nothing.

use crate::diagnosis::{Carried, NotShared, Part, Sharing, parts};
use crate::electrical::parallel::Unit;
use crate::output::Output;
use crate::plan::{ParallelPlan, Plan, TieState};
use crate::scope::Scope;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// The most steps that one unit may be ahead of another: as many as a fast meter may be ahead of a slow one of its grid. A unit that
/// is behind by more is not waited for.
const MOST_AHEAD: usize = 64;

/// What is remembered of a unit that runs in parallel with others.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Abreast {
    /// Steps that are not judged yet, in order.
    waits: VecDeque<Carried>,
    pub(crate) sharing: Sharing,
    /// Its volts at the step that was judged last.
    volts: Option<f64>,
}

impl Abreast {
    /// Takes a step of its grid.
    pub(crate) fn take(&mut self, carried: Carried) {
        if self.waits.len() > MOST_AHEAD {
            self.waits.pop_front();
        }
        self.waits.push_back(carried);
    }

    /// Our clock was corrected: the grid begins anew.
    pub(crate) fn shift(&mut self, by: Span) {
        self.waits.clear();
        self.sharing.shift(by);
    }
}

/// How transformers that may run in parallel stand now.
#[derive(Debug, Clone, PartialEq)]
pub struct ParallelNow {
    /// Their names, in the order of the plan.
    pub units: Vec<UnitNow>,
    /// The buses that the ties make of them now, each with its units by their place in `units`; a unit alone on its bus is left out.
    pub buses: Vec<BusNow>,
    /// Ties of which it is not known whether they are closed: then nothing is said.
    pub unknown: Vec<String>,
}

/// One of them.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitNow {
    /// Its name.
    pub name: String,
    /// The kVA that may pass through it.
    pub rated_kva: Option<f64>,
    /// Rating, impedance and tap, where they are known.
    pub unit: Option<Unit>,
    /// What it carries, in kVA, as a mean of the latest minutes.
    pub kva: Option<f64>,
}

/// Units on one bus.
#[derive(Debug, Clone, PartialEq)]
pub struct BusNow {
    /// Which.
    pub units: Vec<usize>,
    /// How each of them shares, or why that is not told; there units are by their place in `units` of this bus.
    pub shares: Result<Vec<Part>, NotShared>,
}

/// Judges what every unit of a group has made or passed, of groups all of whose scopes are `complete`.
pub(crate) fn follow(plan: &Plan, scopes: &mut [Scope], complete: &[bool], out: &mut Vec<Output>) {
    for group in &plan.parallel {
        if group.units.iter().all(|unit| complete.get(unit.scope) == Some(&true)) {
            while let Some(end) = next(group, scopes) {
                judge(plan, group, scopes, end, out);
            }
        }
    }
}

/// The end of the next step that can be judged.
fn next(group: &ParallelPlan, scopes: &[Scope]) -> Option<EventTime> {
    let waits = || group.units.iter().map(|unit| &scopes[unit.scope].abreast.waits);
    let first = waits().filter_map(VecDeque::front).map(|carried| carried.end).min()?;
    let all = waits().all(|waits| !waits.is_empty()) || waits().any(|waits| waits.len() > MOST_AHEAD);
    all.then_some(first)
}

fn judge(plan: &Plan, group: &ParallelPlan, scopes: &mut [Scope], end: EventTime, out: &mut Vec<Output>) {
    let mut passed = Span::ZERO;
    for unit in &group.units {
        let abreast = &mut scopes[unit.scope].abreast;
        let here = abreast.waits.front().is_some_and(|carried| carried.end == end);
        let carried = if here { abreast.waits.pop_front() } else { None };
        let kva = carried.and_then(|carried| carried.of_rated).zip(unit.kva).map(|(share, kva)| share * kva);
        abreast.volts = carried.and_then(|carried| carried.volts);
        passed = abreast.sharing.take(end, kva);
    }
    let mut of_unit: Vec<Option<Part>> = vec![None; group.units.len()];
    if let Ok(buses) = buses(group, |tie| state(scopes, tie.flag?, Some(end))) {
        for bus in buses {
            let shares = shares(group, scopes, &bus);
            for (unit, part) in bus.iter().zip(shares.into_iter().flatten()) {
                of_unit[*unit] = Some(part);
            }
        }
    }
    for (unit, part) in group.units.iter().zip(of_unit) {
        let (Some(scope), Some(facts)) = (scopes.get_mut(unit.scope), plan.scopes.get(unit.scope)) else {
            continue;
        };
        let Some(grid) = &facts.grid else { continue };
        let (before, part) = (out.len(), part.zip(unit.kva));
        scope.abreast.sharing.judge(&grid.diagnosis, &mut scope.findings, part, (end, passed), out);
        scope.follow_causes(facts, before, out);
    }
}

fn shares(group: &ParallelPlan, scopes: &[Scope], bus: &[usize]) -> Result<Vec<Part>, NotShared> {
    let of = |index: &usize| {
        let unit = &group.units[*index];
        let abreast = &scopes[unit.scope].abreast;
        (unit.unit, abreast.sharing.kva(), abreast.volts)
    };
    parts(&bus.iter().map(of).collect::<Vec<_>>())
}

/// What is known of a flag, of a scope: just before `at`, or now.
fn state(scopes: &[Scope], (scope, flag): (usize, usize), at: Option<EventTime>) -> Option<bool> {
    let flags = &scopes.get(scope)?.flags;
    match at {
        Some(at) => flags.lately.get(flag)?.before(at),
        None => flags.seen.get(flag)?.known(),
    }
}

/// The buses that closed ties make, of two units or more each; else the names of the ties that are not known.
pub(crate) fn buses(
    group: &ParallelPlan,
    known: impl Fn(&TieState) -> Option<bool>,
) -> Result<Vec<Vec<usize>>, Vec<String>> {
    let mut bus_of: Vec<usize> = (0..group.units.len()).collect();
    let mut unknown = Vec::new();
    for tie in &group.ties {
        let closed = match &tie.state {
            None => true,
            Some(state) => known(state).map_or_else(
                || {
                    unknown.push(state.name.clone());
                    false
                },
                |on| on == state.on,
            ),
        };
        if closed {
            let (one, other) = (bus_of[tie.units.0], bus_of[tie.units.1]);
            bus_of.iter_mut().filter(|bus| **bus == one.max(other)).for_each(|bus| *bus = one.min(other));
        }
    }
    if !unknown.is_empty() {
        return Err(unknown);
    }
    let of = |first: usize| (0..bus_of.len()).filter(|unit| bus_of[*unit] == first).collect::<Vec<_>>();
    Ok((0..bus_of.len()).map(of).filter(|bus| bus.len() > 1).collect())
}

/// How each group stands now.
pub(crate) fn now<'a>(plan: &'a Plan, scopes: &'a [Scope]) -> impl Iterator<Item = ParallelNow> + 'a {
    plan.parallel.iter().map(|group| {
        let units = group.units.iter().map(|unit| UnitNow {
            name: unit.name.clone(),
            rated_kva: unit.kva,
            unit: unit.unit,
            kva: scopes.get(unit.scope).and_then(|scope| scope.abreast.sharing.kva()),
        });
        let (buses, unknown) = match buses(group, |tie| state(scopes, tie.flag?, None)) {
            Ok(buses) => (buses, Vec::new()),
            Err(unknown) => (Vec::new(), unknown),
        };
        let buses = buses.into_iter().map(|units| BusNow { shares: shares(group, scopes, &units), units });
        ParallelNow { units: units.collect(), buses: buses.collect(), unknown }
    })
}
