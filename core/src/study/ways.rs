//! The way from a transformer's meter to a feeder's: the heat that a joint on it makes beyond what it made when it was
//! learned, on one phase only.

use super::Turn;
use crate::electrical::joint::{
    Joint, Learned, Moment, Resistance, beyond_warming, gained_alone_ohm, heat_w, neutral_in_phase_a,
};
use crate::electrical::robust::median;
use crate::electrical::week::WeekClasses;
use crate::plan::GRID_STEP;
use crate::reading::Sample;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Heat is told at the current that the week's exceeds so rarely, in per cent.
const AT_PERCENTILE: f64 = 95.0;
/// Heat that is not known better than this has no verdict: the first step of its limit (common practice, no source).
const MOST_UNCERTAIN_W: f64 = 10.0;
/// The most steps of resistance that are remembered of a way.
const MOST_STEPS: usize = 8;

/// A way, compiled. Of phases A, B and C, and where there are four, of the neutral.
#[derive(Debug, Clone, PartialEq)]
pub struct WayPlan {
    /// The meter at its end.
    pub name: String,
    /// Columns of volts to neutral at its begin.
    pub up: [usize; 3],
    /// And at its end.
    pub down: [usize; 3],
    /// Columns of its currents.
    pub currents: [usize; 3],
    /// Column of its neutral's current, where that is measured.
    pub neutral: Option<usize>,
    /// Rated current in amperes.
    pub rated_a: f64,
    /// Series of the heat.
    pub heat: [usize; 4],
}

/// A step of a way's resistance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StepOfResistance {
    /// On which phase, 0 to 2.
    pub phase: u8,
    /// When.
    pub at: EventTime,
    /// By how much, in ohms.
    pub ohm: f64,
}

/// What must never be lost of a way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WayLearned {
    /// The meter at its end.
    pub way: String,
    /// Its resistances when it was known good.
    pub ohms: [Learned; 4],
}

/// What is remembered of a way.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Way {
    joints: [Joint; 3],
    loads: [WeekClasses; 4],
    heat: [Sample; 4],
    steps: Vec<StepOfResistance>,
    #[serde(skip)]
    learned: [Learned; 4],
}

impl Way {
    pub(super) fn learned(&self, name: &str) -> WayLearned {
        WayLearned { way: name.to_owned(), ohms: self.learned }
    }

    pub(super) fn adopt_learned(&mut self, learned: &WayLearned) {
        self.learned = learned.ohms;
    }

    pub(super) fn shift(&mut self, by: Span) {
        self.joints.iter_mut().for_each(|joint| joint.shift(by));
        self.steps.iter_mut().for_each(|step| step.at += by);
    }

    pub(super) fn step(&mut self, plan: &WayPlan, turn: &mut Turn<'_>) {
        let value = |column: usize| turn.inputs[column].get();
        let amperes = plan.currents.map(value);
        let neutral = plan.neutral.and_then(value);
        for (load, amperes) in self.loads.iter_mut().zip(amperes.into_iter().chain([neutral])) {
            if let Some(amperes) = amperes {
                load.take(turn.end, amperes / plan.rated_a);
            }
        }
        let mut closed = false;
        for (phase, joint) in self.joints.iter_mut().enumerate() {
            let moment = moment(plan, turn.inputs, amperes, phase);
            closed |= joint.observe(turn.end, GRID_STEP, moment, plan.rated_a);
        }
        if closed {
            self.find(plan, turn.end);
        }
        let seen = amperes.map(|amperes| amperes.is_some());
        let all = seen.into_iter().chain([seen == [true; 3]]);
        for ((series, heat), seen) in plan.heat.iter().zip(self.heat).zip(all) {
            turn.row[*series] = if seen { heat } else { Sample::ABSENT };
        }
    }

    /// The heat by the points of the last day.
    fn find(&mut self, plan: &WayPlan, now: EventTime) {
        let found: [Option<Resistance>; 3] =
            std::array::from_fn(|phase| self.joints[phase].resistance(now, plan.rated_a).ok());
        let own = found.map(|found| found.map(|found| (found.own_ohm, found.own_within_ohm)));
        let neutral = middle(found.map(|found| found.and_then(|found| found.neutral_ohm)));
        let ohms = [own[0], own[1], own[2], neutral];
        for (learned, ohm) in self.learned.iter_mut().zip(ohms) {
            if let Some((ohm, _)) = ohm {
                learned.take(now, ohm);
            }
        }
        let learned = self.learned.map(|learned| learned.ohm());
        let gained: [Option<f64>; 4] = std::array::from_fn(|part| Some(ohms[part]?.0 - learned[part]?));
        let [a, b, c, n] = gained;
        let [learned_a, learned_b, learned_c, learned_n] = learned;
        let [a, b, c] = gained_alone_ohm([a, b, c], [learned_a, learned_b, learned_c]);
        let n = n.zip(learned_n).map(|(gained, learned)| beyond_warming(gained, learned));
        for (part, gained) in [a, b, c, n].into_iter().enumerate() {
            let amperes = self.loads[part].percentile(now, AT_PERCENTILE).map(|share| share * plan.rated_a);
            let watts = |ohm: f64| heat_w(ohm, amperes?);
            let known =
                ohms[part].and_then(|(_, within)| watts(within)).is_some_and(|w| w <= MOST_UNCERTAIN_W);
            self.heat[part] = gained.filter(|_| known).and_then(watts).into();
        }
        self.date_steps(plan, now);
    }

    /// Notes a step of the resistance once.
    fn date_steps(&mut self, plan: &WayPlan, now: EventTime) {
        for (phase, joint) in (0u8..).zip(&self.joints) {
            let Some((at, ohm)) = joint.stepped(now, plan.rated_a) else { continue };
            // As points go, its place may move a little from one look to the next.
            let near = |known: &&mut StepOfResistance| {
                known.phase == phase && (known.at - at).0.abs() < Span::hours(2).0
            };
            let step = StepOfResistance { phase, at, ohm };
            if let Some(known) = self.steps.iter_mut().find(near) {
                *known = step;
            } else {
                if self.steps.len() == MOST_STEPS {
                    self.steps.remove(0);
                }
                self.steps.push(step);
            }
        }
    }

    /// Steps of the resistance, as they were found.
    pub(super) fn steps(&self) -> &[StepOfResistance] {
        &self.steps
    }
}

fn moment(plan: &WayPlan, inputs: &[Sample], amperes: [Option<f64>; 3], phase: usize) -> Option<Moment> {
    let own_a = amperes[phase]?;
    let others = [amperes[(phase + 1) % 3]?, amperes[(phase + 2) % 3]?];
    let drop_v = inputs[plan.up[phase]].get()? - inputs[plan.down[phase]].get()?;
    Some(Moment { own_a, neutral_a: neutral_in_phase_a(own_a, others), drop_v })
}

/// The middle of what the three phases say of the neutral, with the widest of their uncertainties.
fn middle(neutrals: [Option<(f64, f64)>; 3]) -> Option<(f64, f64)> {
    let (mut ohms, mut count, mut widest) = ([0.0; 3], 0, 0f64);
    for (ohm, within) in neutrals.into_iter().flatten() {
        ohms[count] = ohm;
        count += 1;
        widest = widest.max(within);
    }
    (count > 0).then(|| (median(&mut ohms[..count]), widest))
}
