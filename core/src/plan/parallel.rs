//! Which transformers run in parallel, compiled: groups of those that ties may join, with what their nameplates say of how they
//! share.

use super::ScopePlan;
use crate::electrical::parallel::Unit;
use crate::measurand::{Measurand, Quantity};
use crate::plant::{Beside, Plant, StateIs, Taps, Transformer};

/// Transformers that may stand side by side on one bus.
#[derive(Debug, Clone, PartialEq)]
pub struct ParallelPlan {
    /// The transformers, in the order of the plant.
    pub units: Box<[ParallelUnit]>,
    /// What joins them.
    pub ties: Box<[TiePlan]>,
}

/// One of them.
#[derive(Debug, Clone, PartialEq)]
pub struct ParallelUnit {
    /// Its scope.
    pub scope: usize,
    /// Its name.
    pub name: String,
    /// The kVA that may pass through it; `None`: its nameplate does not say that.
    pub kva: Option<f64>,
    /// Rating, impedance and tap as they decide how it shares; `None`: its impedance is not known.
    pub unit: Option<Unit>,
}

/// What joins two of a group.
#[derive(Debug, Clone, PartialEq)]
pub struct TiePlan {
    /// Which two, by their place in the group.
    pub units: (usize, usize),
    /// The state by which they are joined; `None`: they always are.
    pub state: Option<TieState>,
}

/// The state of a tie.
#[derive(Debug, Clone, PartialEq)]
pub struct TieState {
    /// Its name.
    pub name: String,
    /// Whether its flag must be on.
    pub on: bool,
    /// Which flag of which scope it is; `None`: no meter reads it.
    pub flag: Option<(usize, usize)>,
    /// The meter that reads it.
    pub meter: String,
    /// Which of the meter's points it is.
    pub point: Quantity,
}

/// The groups of a plant, by its scopes, whose flags are placed.
pub(super) fn groups(plant: &Plant, scopes: &mut [ScopePlan]) -> Box<[ParallelPlan]> {
    let pairs = pairs(plant);
    let mut group_of: Vec<usize> = (0..plant.transformers.len()).collect();
    for ((one, other), _) in &pairs {
        let (from, to) = (group_of[*one].max(group_of[*other]), group_of[*one].min(group_of[*other]));
        group_of.iter_mut().filter(|group| **group == from).for_each(|group| *group = to);
    }
    let mut groups = Vec::new();
    for first in 0..plant.transformers.len() {
        let members: Vec<usize> =
            (0..group_of.len()).filter(|index| group_of[*index] == first && first <= *index).collect();
        if members.len() < 2 {
            continue;
        }
        let place = |index: usize| members.iter().position(|member| *member == index);
        let of_group = pairs.iter().filter_map(|((one, other), when)| {
            Some(TiePlan {
                units: (place(*one)?, place(*other)?),
                state: when.map(|when| state(plant, scopes, when)),
            })
        });
        groups.push(ParallelPlan {
            ties: of_group.collect(),
            units: members.iter().map(|index| unit(*index, &plant.transformers[*index])).collect(),
        });
    }
    for unit in groups.iter().flat_map(|group: &ParallelPlan| &group.units) {
        if let Some(grid) = &mut scopes[unit.scope].grid {
            grid.diagnosis.in_parallel = true;
        }
    }
    groups.into_boxed_slice()
}

/// Every two that are said to run in parallel, each once: what the first of them says stands.
fn pairs(plant: &Plant) -> Vec<((usize, usize), Option<StateIs>)> {
    let mut pairs: Vec<((usize, usize), Option<StateIs>)> = Vec::new();
    for (index, unit) in plant.transformers.iter().enumerate() {
        for Beside { transformer, when } in &unit.beside {
            let two = (index.min(*transformer), index.max(*transformer));
            let known = pairs.iter().any(|(pair, _)| *pair == two);
            if two.0 != two.1 && two.1 < plant.transformers.len() && !known {
                pairs.push((two, *when));
            }
        }
    }
    pairs
}

fn unit(scope: usize, transformer: &Transformer) -> ParallelUnit {
    let kva = transformer.through_kva();
    let shares = kva.zip(transformer.impedance_percent).map(|(kva, impedance_percent)| Unit {
        kva,
        impedance_percent,
        open_volts: open_volts(transformer),
    });
    ParallelUnit { scope, name: transformer.name.clone(), kva, unit: shares }
}

/// Volts without load in per unit of rated: more where a tap of fewer turns than rated is in use on the primary.
fn open_volts(transformer: &Transformer) -> f64 {
    let tap = transformer.taps.as_ref().and_then(Taps::present_volts);
    tap.filter(|tap| *tap > 0.0).map_or(1.0, |tap| transformer.primary.volts / tap)
}

fn state(plant: &Plant, scopes: &[ScopePlan], when: StateIs) -> TieState {
    let flag = scopes.iter().enumerate().find_map(|(scope, plan)| {
        Some((scope, plan.flags.iter().position(|flag| flag.state == when.state)?))
    });
    let facts = plant.states.get(when.state);
    let meter = facts.and_then(|state| plant.meters.get(state.meter)).map(|meter| meter.name.clone());
    TieState {
        name: facts.map_or_else(String::new, |state| state.name.clone()),
        on: when.on,
        flag,
        meter: meter.unwrap_or_default(),
        point: facts.map_or(Quantity::whole(Measurand::BreakerClosed), |state| state.flag),
    }
}
