//! What follows from a supply that is lost: it is suppressed by design while what lies above it tells of the loss.

use super::Scope;
use crate::input::MeterTrouble;
use crate::measurand::{Measurand, Unit};
use crate::output::{Matter, Output, Rule, Subject};
use crate::plan::ScopePlan;
use crate::plant::Bound;
use crate::supply::Fed;
use crate::time::EventTime;

impl Scope {
    /// Looks, after volts went or came back, what follows from that: of each feeder below a dead meter, unless something else is
    /// known to feed it. The dead meter's own alarms speak, and so does heat.
    pub(crate) fn look_for_lost_supply(&mut self, plan: &ScopePlan, at: EventTime, out: &mut Vec<Output>) {
        let dead = plan.meters.iter().zip(&self.meters).filter(|(_, state)| state.returns.are_gone());
        let dead: Vec<Option<String>> = dead.map(|(meter, _)| meter.feeder.clone()).collect();
        let elsewhere: Vec<String> = self
            .alarms
            .elsewhere()
            .iter()
            .filter(|(_, other)| !matches!(other.by, Fed::Nothing))
            .map(|(feeder, _)| feeder.clone())
            .collect();
        let is_lost = |feeder: &String| {
            let above = |dead: &Option<String>| match dead {
                None => true,
                Some(above) => plan.below.iter().any(|(name, below)| name == above && below.contains(feeder)),
            };
            !elsewhere.contains(feeder) && dead.iter().any(above)
        };
        let unfed = |subject: &Subject, rule: Rule| {
            subject.feeder.as_ref().is_some_and(is_lost) && follows(&subject.matter, rule)
        };
        self.alarms.follow_supply(plan, at, unfed, out);
        self.fold(plan, out);
    }
}

/// Whether an alarm is what the loss of the supply brings by itself (common practice, no source): volts and what is made of
/// them, and meters that are fed by it. Never a temperature, and nothing that is too much.
fn follows(matter: &Matter, rule: Rule) -> bool {
    match (matter, rule) {
        (Matter::Meter, Rule::Silent { .. } | Rule::Frozen | Rule::Trouble(MeterTrouble::LinkUnstable)) => {
            true
        }
        (Matter::Quantity(quantity), Rule::Level { bound, .. } | Rule::Recurrence { bound }) => {
            let of_volts = matches!(
                quantity.what,
                Measurand::VoltageUnbalance
                    | Measurand::VoltageNegativeSequence
                    | Measurand::VoltageZeroSequence
                    | Measurand::CurrentUnbalance
            );
            let too_little = bound == Bound::Low
                && (matches!(quantity.what.facts().unit, Unit::Volt | Unit::Hertz)
                    || quantity.what == Measurand::PowerFactor);
            of_volts || too_little
        }
        (Matter::Quantity(quantity), Rule::Absent) => {
            !matches!(quantity.what.facts().unit, Unit::Celsius | Unit::Kelvin)
        }
        _ => false,
    }
}
