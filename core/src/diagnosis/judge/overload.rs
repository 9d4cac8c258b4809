//! Overload: by kVA and by amperes against the nameplate, nothing else. Whatever else is hot or unequal explains it not away,
//! and it explains the heat that its amperes make.
//!
//! Setpoints and times are those of the loading limits (common practice, no source): 100 % for two hours, 110 % for one,
//! 125 % of the worst phase for ten minutes.

use super::standing::Standing;
use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::docket::{Claim, Docket, Mark};
use crate::diagnosis::look::{CircuitNow, Look, largest, of_quantity, of_sign};
use crate::diagnosis::plan::CircuitPlan;
use crate::diagnosis::sign::Sign;
use crate::measurand::Measurand;
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::Span;
use serde::{Deserialize, Serialize};

/// Steps of the ladder: per cent of the rating, for how long, how soon a person must act.
const STEPS: [(f64, Span, Priority); 3] = [
    (100.0, Span::minutes(120), Priority::Low),
    (110.0, Span::minutes(60), Priority::High),
    (125.0, Span::minutes(10), Priority::Urgent),
];
/// So far below a step it no longer holds, in per cent of the rating.
const BACK: f64 = 3.0;
/// Where the worst phase has so much more than the mean of all, it is that phase and not the whole.
const ONE_PHASE: f64 = 1.15;

/// What is remembered of each circuit: since when it is above each step.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Overload {
    circuits: Vec<[Standing; STEPS.len()]>,
}

impl Overload {
    pub(crate) fn new(circuits: usize) -> Self {
        Self { circuits: vec![<[Standing; STEPS.len()]>::default(); circuits] }
    }

    pub(crate) fn shift(&mut self, by: Span) {
        self.circuits.iter_mut().flatten().for_each(|standing| standing.shift(by));
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        for ((index, plan, now), standing) in look.all().zip(&mut self.circuits) {
            let Some((phase, worst)) = worst_phase(plan, now) else { continue };
            let whole = (index == look.plan.load).then_some(look.unit.loading_kva).flatten();
            let most = whole.map_or(worst, |whole| whole.max(worst));
            let mark = of_quantity(Measurand::LoadingPhase, Place::Whole, index, most).against(100.0);
            docket.figure(Family::Overload, mark);
            let mut reached = None;
            for ((setpoint, span, priority), standing) in STEPS.iter().zip(standing.iter_mut()) {
                let holds = if most > *setpoint {
                    Some(true)
                } else if most < setpoint - BACK {
                    Some(false)
                } else {
                    None
                };
                if standing.for_span(holds, look.end, *span) {
                    reached = Some(*priority);
                }
            }
            let place = Place::PHASES[phase];
            let one = mean_loading(plan, now).is_some_and(|mean| worst > mean * ONE_PHASE);
            if let Some(priority) = reached {
                let phase = of_sign(Sign::WorstPhaseOfRating, place, index, worst).against(100.0);
                docket.claim(if one {
                    Claim::new(Cause::OverloadPhase, index, Some(place), priority, phase).with(Some(mark))
                } else {
                    Claim::new(Cause::OverloadUnit, index, None, priority, unit(mark, whole))
                        .with(Some(phase))
                });
            }
            if most < 100.0 - BACK {
                docket.none(Cause::OverloadPhase, index, None);
                docket.none(Cause::OverloadUnit, index, None);
            }
        }
    }
}

fn unit(mark: Mark, whole: Option<f64>) -> Mark {
    match whole {
        Some(whole) => of_quantity(Measurand::LoadingKva, Place::Whole, mark.circuit, whole).against(100.0),
        None => of_sign(Sign::ShareOfRating, Place::Whole, mark.circuit, mark.value).against(100.0),
    }
}

/// The phase with the most amperes and what they are of the rating, in per cent.
fn worst_phase(plan: &CircuitPlan, now: &CircuitNow) -> Option<(usize, f64)> {
    let rated = plan.rated_a.filter(|rated| *rated > 0.0)?;
    largest(now.amperes).map(|(phase, amperes)| (phase, 100.0 * amperes / rated))
}

fn mean_loading(plan: &CircuitPlan, now: &CircuitNow) -> Option<f64> {
    let rated = plan.rated_a.filter(|rated| *rated > 0.0)?;
    let known = now.amperes.iter().flatten();
    let count = known.clone().count();
    (count > 1).then(|| 100.0 * known.sum::<f64>() / count as f64 / rated)
}
