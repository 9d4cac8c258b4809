//! What the scope is told of meters and of the program's parts.

use super::Scope;
use crate::alarm::book::Raise;
use crate::desk::Desk;
use crate::input::{HealthFact, MeterTrouble, Part};
use crate::output::Output;
use crate::plan::ScopePlan;
use crate::time::EventTime;

impl Scope {
    /// Takes a fact about a part that this scope watches.
    pub(crate) fn health(
        &mut self,
        plan: &ScopePlan,
        now: EventTime,
        fact: &HealthFact,
        out: &mut Vec<Output>,
    ) {
        self.flags.at(now);
        match fact {
            HealthFact::Resumed => self.resume(plan, now),
            HealthFact::Part { part, works } => self.part(plan, now, (part, *works), out),
            HealthFact::Meter { meter, trouble, holds } => {
                self.trouble(plan, now, (meter, *trouble, *holds), out);
            }
        }
    }

    /// Whether a fact would change one of this scope's alarms.
    pub(crate) fn is_news(&self, plan: &ScopePlan, fact: &HealthFact) -> bool {
        let (alarm, holds) = match fact {
            HealthFact::Resumed => return true,
            HealthFact::Part { part: Part::Clock, works } if self.doubts_clock.is_some() == *works => {
                return true;
            }
            HealthFact::Part { part, works } => (plan.part(part), !works),
            HealthFact::Meter { meter, trouble, holds } => {
                let meter = plan.meters.iter().find(|known| known.name == *meter);
                (meter.and_then(|meter| meter.trouble(*trouble)), *holds)
            }
        };
        alarm.is_some_and(|alarm| self.alarms.entry(alarm).active != holds)
    }

    fn trouble(
        &mut self,
        plan: &ScopePlan,
        now: EventTime,
        (meter, trouble, holds): (&str, MeterTrouble, bool),
        out: &mut Vec<Output>,
    ) {
        let Some(meter) = plan.meters.iter().find(|known| known.name == meter) else { return };
        let desk = &mut Desk { plan, book: &mut self.alarms, recorder: &mut self.recorder, out };
        desk.trouble(meter, trouble, now, holds.then_some(now));
        self.fold(plan, out);
    }

    fn part(
        &mut self,
        plan: &ScopePlan,
        now: EventTime,
        (part, works): (&Part, bool),
        out: &mut Vec<Output>,
    ) {
        if *part == Part::Clock {
            let from = self.resumed.filter(|at| *at == now).unwrap_or(EventTime(i64::MIN));
            self.doubts_clock = (!works).then(|| self.doubts_clock.unwrap_or(from));
        }
        let Some(alarm) = plan.part(part) else { return };
        let desk = &mut Desk { plan, book: &mut self.alarms, recorder: &mut self.recorder, out };
        if works {
            desk.clear(alarm, now, None);
        } else {
            desk.raise(alarm, now, Raise::without_value(now));
        }
        self.fold(plan, out);
    }
}
