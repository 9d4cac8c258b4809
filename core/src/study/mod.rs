//! What needs memory across meters and time: one step each time that the grid turns, after the formulas. What a model
//! says becomes a series of the grid's meter, so that windows, limits, minutes and history follow by themselves.
//!
//! Each model is a file of its own: a plan that knows its inputs by their columns and its results by their series, a
//! state that is saved, and a step that allocates nothing. Where inputs are absent, so are results.

mod demand_current;
mod heat;
mod hum;
mod terminations;
mod ways;

pub use demand_current::{DemandCurrentPlan, DemandKnown, DemandPhase};
pub use heat::{
    AgeingClass, AgeingPlan, Calibration, FanPlan, HORIZON_H, HeatLearned, HeatPlan, LARGEST_FACTOR,
    LARGEST_REST_K, LARGEST_SPREAD, LEARN_H, LEAST_FACTOR, LOADED_H, Medium, NotHealthy, OilPlan, Pace,
    PlacePlan,
};
pub use hum::{HumPlan, ToneLearned, TonePlan};
pub use terminations::{TerminationPlan, TerminationsPlan};
pub use ways::{MOST_TIMES, StepOfResistance, WayLearned, WayNow, WayPlan, WayStands};

use crate::reading::Sample;
use crate::supply::SourceKind;
use crate::time::{EventTime, Span};
use demand_current::DemandCurrent;
use heat::Heat;
use hum::Hum;
use serde::{Deserialize, Serialize};
use terminations::Terminations;
use ways::Way;

/// The models of one scope, compiled.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StudyPlan {
    /// What a healthy transformer would show.
    pub heat: Option<HeatPlan>,
    /// The demand current of the total demand distortion.
    pub demand_current: Option<DemandCurrentPlan>,
    /// Terminations against their peers, by place.
    pub terminations: Box<[TerminationsPlan]>,
    /// Ways between two meters.
    pub ways: Box<[WayPlan]>,
    /// Tones of its hum.
    pub hum: Option<HumPlan>,
}

/// What a step works on.
pub(crate) struct Turn<'a> {
    /// The end of the step.
    pub(crate) end: EventTime,
    /// The grid's inputs, by column.
    pub(crate) inputs: &'a [Sample],
    /// The rows of the grid's meters, by series one after the other: results go in.
    pub(crate) row: &'a mut [Sample],
}

/// The models of one scope. What is learned is precious and saved apart, see [`Learned`]; the rest can be built again.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Study {
    heat: Option<Heat>,
    demand_current: Option<DemandCurrent>,
    terminations: Vec<Terminations>,
    /// By the meter at the end of each.
    ways: Vec<(String, Way)>,
    #[serde(skip)]
    hum: Option<Hum>,
}

/// What the models of one scope have learned, and must never be lost. Each part may be missing, as in a state that was
/// saved before there was such a part.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Learned {
    /// Of the transformer's heat.
    #[serde(default)]
    pub heat: Option<HeatLearned>,
    /// Of the demand current.
    #[serde(default)]
    pub demand_current: Option<DemandKnown>,
    /// Of its ways.
    #[serde(default)]
    pub ways: Vec<WayLearned>,
    /// Of its hum.
    #[serde(default)]
    pub hum: Vec<ToneLearned>,
}

impl Study {
    pub(crate) fn new(plan: &StudyPlan) -> Self {
        Self {
            heat: plan.heat.as_ref().map(Heat::new),
            demand_current: plan.demand_current.as_ref().map(DemandCurrent::new),
            terminations: vec![Terminations::default(); plan.terminations.len()],
            ways: plan.ways.iter().map(|plan| (plan.name.clone(), Way::default())).collect(),
            hum: plan.hum.as_ref().map(Hum::new),
        }
    }

    /// Lets every model take one step of the grid. `at_home` says of each of the scope's things whether it is certain that its own
    /// transformer feeds it; `source` what feeds the transformer, nothing while that settles after a transfer or returned volts.
    pub(crate) fn step(
        &mut self,
        plan: &StudyPlan,
        (at_home, source): (&[bool], Option<SourceKind>),
        turn: &mut Turn<'_>,
    ) {
        if let (Some(heat), Some(plan)) = (&mut self.heat, &plan.heat) {
            heat.step(plan, turn);
        }
        if let (Some(demand), Some(plan)) = (&mut self.demand_current, &plan.demand_current) {
            demand.step(plan, source == Some(SourceKind::Utility), turn);
        }
        for (terminations, plan) in self.terminations.iter_mut().zip(&plan.terminations) {
            terminations.step(plan, turn);
        }
        for ((_, way), plan) in self.ways.iter_mut().zip(&plan.ways) {
            way.step(plan, at_home.get(plan.thing).copied().unwrap_or(true), turn);
        }
        if let (Some(hum), Some(plan)) = (&mut self.hum, &plan.hum) {
            hum.step(plan, source, turn);
        }
    }

    /// Goes on from what was saved, as far as it fits the plan.
    pub(crate) fn adopt(&mut self, plan: &StudyPlan, saved: Self) {
        if let (Some(plan), Some(saved)) = (&plan.heat, saved.heat)
            && saved.fits(plan)
        {
            self.heat = Some(saved);
        }
        if let (Some(plan), Some(saved)) = (&plan.demand_current, saved.demand_current)
            && saved.fits(plan)
        {
            self.demand_current = Some(saved);
        }
        if saved.terminations.len() == plan.terminations.len() {
            self.terminations = saved.terminations;
        }
        for (name, way) in saved.ways {
            if let Some((_, known)) = self.ways.iter_mut().find(|(known, _)| *known == name) {
                *known = way;
            }
        }
    }

    /// A person takes the calibration of the heat that waits, or drops the one that there is. Says whether there was one.
    pub(crate) fn calibration(&mut self, accept: bool, by: &str, at: EventTime) -> bool {
        self.heat
            .as_mut()
            .is_some_and(|heat| if accept { heat.accept(by, at) } else { heat.drop_calibration() })
    }

    /// A person takes the resistances of the ways that wait, or drops all that were learned. Says whether there were any.
    pub(crate) fn connections(&mut self, accept: bool, by: &str, at: EventTime) -> bool {
        let mut done = false;
        for (_, way) in &mut self.ways {
            done |= if accept { way.accept(by, at) } else { way.drop_learned() };
        }
        done
    }

    /// How far the learning of each way is.
    pub(crate) fn ways(&self) -> impl Iterator<Item = WayNow<'_>> {
        self.ways.iter().map(|(name, way)| way.now(name))
    }

    /// Hours of learning a calibration of the heat; `None` where nothing is being learned.
    pub(crate) fn learning_h(&self) -> Option<f64> {
        self.heat.as_ref().and_then(Heat::learning_h)
    }

    /// What must never be lost.
    pub(crate) fn learned(&self) -> Learned {
        Learned {
            heat: self.heat.as_ref().map(Heat::learned),
            demand_current: self.demand_current.as_ref().map(DemandCurrent::learned),
            ways: self.ways.iter().map(|(name, way)| way.learned(name)).collect(),
            hum: self.hum.as_ref().map(|hum| hum.learned().to_vec()).unwrap_or_default(),
        }
    }

    /// Takes what was learned before.
    pub(crate) fn adopt_learned(&mut self, learned: &Learned) {
        if let (Some(heat), Some(learned)) = (&mut self.heat, &learned.heat) {
            heat.adopt_learned(learned);
        }
        if let (Some(demand), Some(learned)) = (&mut self.demand_current, learned.demand_current) {
            demand.adopt_learned(learned);
        }
        for learned in &learned.ways {
            if let Some((_, way)) = self.ways.iter_mut().find(|(name, _)| *name == learned.way) {
                way.adopt_learned(learned);
            }
        }
        if let Some(hum) = &mut self.hum {
            hum.adopt_learned(&learned.hum);
        }
    }

    /// Our clock was corrected: what it stamped moves with it.
    pub(crate) fn shift(&mut self, by: Span) {
        if let Some(heat) = &mut self.heat {
            heat.shift(by);
        }
        if let Some(demand) = &mut self.demand_current {
            demand.shift(by);
        }
        self.terminations.iter_mut().for_each(|terminations| terminations.shift(by));
        self.ways.iter_mut().for_each(|(_, way)| way.shift(by));
    }

    /// Steps of the resistance of its ways, as they were found: by the meter at the end of each.
    pub(crate) fn steps(&self) -> impl Iterator<Item = (&str, &[StepOfResistance])> {
        self.ways.iter().map(|(name, way)| (name.as_str(), way.steps()))
    }
}
