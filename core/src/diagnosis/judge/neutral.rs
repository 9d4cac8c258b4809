//! A loose or lost neutral: volts to neutral part while those between the lines stay equal, by more than the neutral's amperes do
//! over a sound wire, and by more than the circuit before it shows.
//!
//! The steps are those of the limits: 2 % over the usual for ten minutes, 3 %, 6 % (common practice, no source). What burns loads
//! within seconds is seen reading by reading, in the moments.

use super::standing::Standing;
use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::docket::{Claim, Docket};
use crate::diagnosis::look::{CircuitNow, Look, Three, of_quantity, of_sign};
use crate::diagnosis::plan::CircuitPlan;
use crate::diagnosis::sign::Sign;
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::Span;
use crate::wiring::WiringForm;
use serde::{Deserialize, Serialize};

/// Steps: per cent over what a sound neutral would show, the least spread itself, for how long, how soon a person must act.
const STEPS: [(f64, f64, Span, Priority); 3] = [
    (2.0, 2.0, Span::minutes(10), Priority::Low),
    (2.0, 3.0, Span::minutes(1), Priority::High),
    (4.0, 6.0, Span::seconds(30), Priority::Urgent),
];
/// So far below a step it no longer holds, in per cent.
const BACK: f64 = 0.7;
/// Volts between the lines are equal up to this spread in per cent (handbook of the trade; common practice, no source).
const LINES_EQUAL: f64 = 1.0;
/// A load on one phase alone drops half of its volts on the way there and half on the neutral's way back: its volts to neutral spread by
/// so many times those between the lines, with wires of one size (circuit theory).
const BY_LOAD: f64 = 5.0;
/// Of the spread between the lines that much is the error of a meter, in per cent.
const ERROR: f64 = 0.3;
/// A phase is lifted above the volts that feed it by more than this share: what two good meters differ by, and a half (common
/// practice, no source).
const LIFTED: f64 = 0.015;
/// What the neutral's own wire may do at rated amperes, in per cent: more is never learned as sound (common practice, no source).
const MOST_LEARNED: f64 = 2.0;
/// Nothing is learned below this share of the rating.
const LEAST_LOAD: f64 = 0.05;
/// What is learned follows new steps by this share: a day of them.
const FOLLOWS: f64 = 1.0 / 8640.0;

/// What is remembered of each circuit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Neutral {
    circuits: Vec<Known>,
}

#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Known {
    steps: [Standing; STEPS.len()],
    /// Per cent of spread for each ampere in the neutral, learned while it was small.
    per_ampere: Option<f64>,
}

impl Neutral {
    pub(crate) fn new(circuits: usize) -> Self {
        Self { circuits: vec![Known::default(); circuits] }
    }

    pub(crate) fn shift(&mut self, by: Span) {
        self.circuits.iter_mut().flat_map(|known| &mut known.steps).for_each(|step| step.shift(by));
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        let at_load = spread(&look.plan.circuits[look.plan.load], look.load()).map(|(spread, _)| spread);
        for ((index, plan, now), known) in look.all().zip(&mut self.circuits) {
            let known_spread = spread(plan, now).or_else(|| against_bus(plan, now, look.load()));
            let Some((spread, lines)) = known_spread else { continue };
            let has_high_leg = docket.claims.iter().any(|claim| claim.cause == Cause::HighLeg);
            if lines >= LINES_EQUAL || has_high_leg {
                continue;
            }
            let before = if plan.feeder.is_some() { at_load.unwrap_or(0.0) } else { 0.0 };
            let neutral = now.neutral.or(now.neutral_expected);
            let usual = neutral.zip(known.per_ampere).map_or(0.0, |(amperes, each)| amperes * each);
            // What the wires of its own do comes on top of what the volts before them show.
            let expected = (before + usual).max(BY_LOAD * (lines - ERROR).max(0.0));
            let over = spread - expected;
            let mark = of_sign(Sign::NeutralSpread, Place::N, index, spread).against(expected);
            let mut reached = None;
            for ((excess, least, span, priority), standing) in STEPS.iter().zip(&mut known.steps) {
                let holds = if over >= *excess && spread >= *least {
                    Some(true)
                } else if over < excess - BACK || spread < least - BACK {
                    Some(false)
                } else {
                    None
                };
                if standing.for_span(holds, look.end, *span) {
                    reached = Some(*priority);
                }
            }
            let known_already =
                docket.claims.iter().any(|claim| (claim.cause, claim.circuit) == (Cause::Neutral, index));
            if let (Some(priority), false) = (reached, known_already) {
                let amperes = neutral
                    .map(|amperes| of_quantity(Measurand::NeutralCurrent, Place::Whole, index, amperes));
                let lines = of_sign(Sign::LinesSpread, Place::Whole, index, lines).against(LINES_EQUAL);
                let load = at_load
                    .filter(|_| plan.feeder.is_some())
                    .map(|spread| of_sign(Sign::NeutralSpread, Place::N, look.plan.load, spread));
                let sure =
                    0.7 + 0.03 * (over - 2.0).clamp(0.0, 5.0) + if load.is_some() { 0.05 } else { 0.0 };
                let claim = Claim::new(Cause::Neutral, index, Some(Place::N), priority, mark)
                    .weighs(sure)
                    .with(Some(lines))
                    .with(load)
                    .with(amperes);
                docket.claim(claim);
            } else if over < STEPS[0].0 - BACK {
                docket.none(Cause::Neutral, index, Some(Place::N));
            }
            if docket.known(Family::Unbalance, index).is_none() {
                docket.figure(Family::Unbalance, mark);
            }
            known.learn(plan, neutral, spread - before);
        }
    }
}

impl Known {
    /// What a sound neutral of this circuit does, never more than [`MOST_LEARNED`] at rated amperes.
    fn learn(&mut self, plan: &CircuitPlan, neutral: Option<f64>, own: f64) {
        let Some((amperes, rated)) = neutral.zip(plan.rated_a) else { return };
        if amperes < LEAST_LOAD * rated || own > MOST_LEARNED {
            return;
        }
        let each = (own.max(0.0) / amperes).min(MOST_LEARNED / rated);
        let known = self.per_ampere.get_or_insert(each);
        *known += FOLLOWS * (each - *known);
    }
}

/// Largest less smallest of the volts to neutral and of those between the lines, in per cent of their means.
fn spread(plan: &CircuitPlan, now: &CircuitNow) -> Option<(f64, f64)> {
    match plan.form {
        WiringForm::Wye => Some((of_three(now.ln)?, of_three(now.ll)?)),
        WiringForm::SplitPhase => {
            let (one, other, both) = (now.ln[0]?, now.ln[1]?, now.ll[0]?);
            let nominal =
                plan.form.nominal_volts(plan.volts, Quantity::at(Measurand::VoltageLl, Place::AB))?;
            // Two legs of one winding add up to it, whatever its neutral does.
            let whole = 100.0 * ((one + other) / both - 1.0).abs();
            let there = (both / nominal - 1.0).abs() < 0.1;
            (there && one + other > 0.0).then(|| (200.0 * (one - other).abs() / (one + other), whole))
        }
        _ => None,
    }
}

/// Of a feeder whose volts between the lines are not measured: no load and no poor contact lifts a phase above the volts that feed
/// it, a neutral that moves does.
fn against_bus(plan: &CircuitPlan, now: &CircuitNow, bus: &CircuitNow) -> Option<(f64, f64)> {
    let spread = of_three(now.ln).filter(|_| plan.form == WiringForm::Wye && plan.feeder.is_some())?;
    let lifted = [0, 1, 2]
        .into_iter()
        .any(|phase| now.ln[phase].zip(bus.ln[phase]).is_some_and(|(own, bus)| own > (1.0 + LIFTED) * bus));
    let of_bus = of_three(bus.ln)?;
    Some((if lifted { spread } else { spread.min(of_bus) }, 0.0))
}

fn of_three(three: Three) -> Option<f64> {
    let [one, two, three] = three;
    let all = [one?, two?, three?];
    let sum: f64 = all.iter().sum();
    let (low, high) = (all.into_iter().fold(f64::MAX, f64::min), all.into_iter().fold(0.0, f64::max));
    (sum > 0.0).then(|| 300.0 * (high - low) / sum)
}
