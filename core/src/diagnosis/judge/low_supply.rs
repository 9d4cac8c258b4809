//! Supply volts that stay low: what the transformer's own impedance and load do not explain. Steps of the limits on supply volts
//! (IEEE 1159: below 0.9 for longer than a minute is undervoltage; 0.8 for a minute, urgent: common practice, no source).

use super::standing::Standing;
use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::docket::{Claim, Docket};
use crate::diagnosis::look::{Look, of_sign};
use crate::diagnosis::sign::Sign;
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::Span;
use serde::{Deserialize, Serialize};

/// Per unit of nominal below which it is low, and how soon a person must act.
const STEPS: [(f64, Priority); 2] = [(0.90, Priority::High), (0.80, Priority::Urgent)];
/// So far above a step it no longer holds.
const BACK: f64 = 0.01;
/// How long: longer than any short event.
const AFTER: Span = Span::seconds(60);
/// Below this nothing is there: an outage.
const DEAD: f64 = 0.10;

/// Since when they are below each step.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct LowSupply {
    steps: [Standing; STEPS.len()],
}

impl LowSupply {
    pub(crate) fn shift(&mut self, by: Span) {
        self.steps.iter_mut().for_each(|step| step.shift(by));
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        let index = look.plan.load;
        let circuit = &look.plan.circuits[index];
        let Some(volts) = look.load().volts_of_nominal(circuit) else { return };
        // A lost conductor lowers the mean of three.
        if volts < DEAD || docket.holds(Family::Unbalance, index) || docket.holds(Family::Instrument, index) {
            return;
        }
        // What the load may take at the most: all of it at right angles would take less.
        let drop = look.plan.unit.impedance_percent.zip(look.unit.loading_kva);
        let drop = drop.map_or(0.0, |(impedance, load)| impedance / 100.0 * load / 100.0);
        let supply = volts + drop;
        let mut reached = None;
        for ((step, priority), standing) in STEPS.iter().zip(&mut self.steps) {
            let holds = if supply < *step {
                Some(true)
            } else if supply > step + BACK {
                Some(false)
            } else {
                None
            };
            if standing.for_span(holds, look.end, AFTER) {
                reached = Some(*priority);
            }
        }
        if let Some(priority) = reached {
            let lost = of_sign(Sign::VoltsLost, Place::Whole, index, 100.0 * (1.0 - volts));
            let own = of_sign(Sign::VoltsLostByLoad, Place::Whole, index, 100.0 * drop);
            docket.claim(Claim::new(Cause::Sag, index, None, priority, lost).with(Some(own)).weighs(0.85));
        } else if supply > STEPS[0].0 + BACK {
            docket.none(Cause::Sag, index, None);
        }
    }
}
