//! What only one meter shows.

use crate::measurand::Quantity;
use crate::plan::{LimitPlan, MeterPlan, ScopePlan};
use crate::plant::Priority;
use crate::scope::Scope;

impl Scope {
    /// Whether a standing alarm that somebody must act on in this shift is on what only this meter shows.
    pub(crate) fn is_only_eye(&self, plan: &ScopePlan, meter: &MeterPlan) -> bool {
        let speaks = |local: &&usize| {
            let silent = plan.meters[**local].silent.first();
            silent.is_none_or(|(_, alarm)| !self.alarms.entry(*alarm).active)
        };
        let shown_beside = |quantity: Quantity| {
            meter.beside.iter().filter(speaks).any(|local| plan.meters[*local].series.contains(&quantity))
        };
        let stands = |limit: &LimitPlan| {
            let alarms = limit.levels.iter().map(|level| level.alarm);
            let mut alarms = alarms.chain(limit.recurs.map(|rule| rule.alarm));
            alarms
                .any(|alarm| self.alarms.entry(alarm).active && plan.alarms[alarm].priority >= Priority::High)
        };
        meter.limits.iter().any(|limit| stands(limit) && !shown_beside(meter.series[limit.series]))
    }
}
