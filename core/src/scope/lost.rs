//! What follows from a supply that is lost: it is suppressed by design while what lies above it tells of the loss.

use super::Scope;
use crate::input::MeterTrouble;
use crate::measurand::{Measurand, Unit};
use crate::meter::MeterState;
use crate::output::{Matter, Output, Rule, Subject};
use crate::plan::{MeterPlan, ScopePlan};
use crate::plant::Bound;
use crate::time::EventTime;

impl Scope {
    /// When it is next to be looked what follows from a lost supply.
    pub(super) fn next_look(&self, plan: &ScopePlan) -> Option<EventTime> {
        [self.put_back, self.next_turn(plan)].into_iter().flatten().min()
    }

    /// When volts or a supply have turned, and nothing of that moment is still to come.
    fn next_turn(&self, plan: &ScopePlan) -> Option<EventTime> {
        let meters = self.meters.iter().zip(&plan.meters);
        let volts = meters.filter_map(|(state, meter)| state.returns.next_turn(self.looked, meter.slack()));
        volts.chain(self.supplies.iter().filter_map(|supplies| supplies.next_turn(self.looked))).min()
    }

    /// Sees to it that it is looked in time.
    pub(crate) fn await_look(&mut self, plan: &ScopePlan) {
        if let Some(due) = self.next_look(plan) {
            self.soonest(due);
        }
    }

    /// Looks what follows from a lost supply, if that is due by `at`.
    pub(super) fn look_if_due(&mut self, plan: &ScopePlan, at: EventTime, out: &mut Vec<Output>) {
        let turned = self.next_turn(plan).filter(|due| *due <= at);
        let put_back = self.put_back.take();
        if turned.or(put_back).is_some() {
            self.looked = self.looked.max(turned.unwrap_or(self.looked));
            self.follow_lost_supply(plan, at, out);
        }
    }

    /// Looks what follows from volts that are gone: of each feeder below a dead meter, unless something else is known to feed it. The
    /// dead meter's own alarms speak, and so does heat. A meter that fell silent tells of no loss, and a feeder whose own meter shows
    /// volts has not lost them: above it a fuse of the meter is open.
    pub(crate) fn follow_lost_supply(&mut self, plan: &ScopePlan, at: EventTime, out: &mut Vec<Output>) {
        let at = at.max(self.looked);
        let gone = |(meter, state): &(&MeterPlan, &MeterState)| state.returns.gone_before(at, meter.slack());
        let silent = |(meter, _): &(&MeterPlan, &MeterState)| {
            meter.silent.first().is_some_and(|(_, alarm)| self.alarms.entry(*alarm).active)
        };
        let telling: Vec<(&MeterPlan, &MeterState)> = plan
            .meters
            .iter()
            .zip(&self.meters)
            .filter(|one| !one.0.volts.is_empty() && !silent(one))
            .collect();
        let (dead, live): (Vec<_>, Vec<_>) = telling.into_iter().partition(gone);
        if dead.is_empty() && !self.alarms.has_unfed() {
            return;
        }
        let dead: Vec<Option<String>> = dead.into_iter().map(|(meter, _)| meter.feeder.clone()).collect();
        let live: Vec<String> = live.into_iter().filter_map(|(meter, _)| meter.feeder.clone()).collect();
        let is_lost = |feeder: &String| {
            let above = |dead: &Option<String>| match dead {
                None => true,
                Some(above) => plan.below.iter().any(|(name, below)| name == above && below.contains(feeder)),
            };
            !live.contains(feeder) && self.hangs_here(plan, feeder, at) && dead.iter().any(above)
        };
        let unfed = |subject: &Subject, rule: Rule| {
            subject.feeder.as_ref().is_some_and(is_lost) && follows(&subject.matter, rule)
        };
        let unfed: Vec<bool> = plan
            .alarms
            .iter()
            .map(|facts| unfed(&plan.subjects[facts.subject].subject, facts.rule))
            .collect();
        self.alarms.follow_supply(plan, at, &unfed, out);
        self.fold(plan, out);
    }

    /// Whether a feeder with a meter is known to be fed by this transformer.
    fn hangs_here(&self, plan: &ScopePlan, feeder: &str, at: EventTime) -> bool {
        let meter = plan.meters.iter().find(|meter| meter.feeder.as_deref() == Some(feeder));
        let supplies = meter.and_then(|meter| self.supplies.get(meter.thing));
        supplies.is_none_or(|supplies| supplies.before(at).at_home)
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
