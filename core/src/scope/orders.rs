//! People's orders on the alerts of one scope.

use super::Scope;
use crate::alarm::book::Hand;
use crate::alert::{Meant, in_service};
use crate::fitting::Fitting;
use crate::input::{Deed, Order};
use crate::meter::MeterState;
use crate::output::{Answer, Denial, Output};
use crate::plan::{AlarmIx, ScopePlan, SubjectIx};
use crate::time::EventTime;

impl Scope {
    /// Carries out a person's order on an alert of this scope. `None`: the alert is not of this scope.
    pub(crate) fn order(
        &mut self,
        plan: &ScopePlan,
        now: EventTime,
        order: &Order,
        out: &mut Vec<Output>,
    ) -> Option<()> {
        if let Deed::Calibration { accept } | Deed::Connections { accept } = order.what {
            plan.transformer.as_ref().filter(|name| **name == order.alert)?;
            let done = match order.what {
                Deed::Connections { .. } => self.study.connections(accept, &order.by, now),
                _ => self.study.calibration(accept, &order.by, now),
            };
            let result = if done { Ok(()) } else { Err(Denial::NoCalibration) };
            out.push(Output::Answer(Answer { number: order.number, result }));
            return Some(());
        }
        if matches!(order.what, Deed::BeginWork { .. } | Deed::EndWork) {
            return self.order_work(plan, now, order, out);
        }
        let meant = self.alerts.find(plan, &order.alert)?;
        let hand = Hand { by: order.by.as_str(), at: now };
        let result = match meant {
            Meant::Subject(subject) => self.order_subject(plan, (subject, &order.what), hand, out),
            Meant::Case(case) => self.order_case(plan, (case, &order.what), hand, out),
        };
        self.fold(plan, out);
        self.due = self.exact_deadline(plan);
        out.push(Output::Answer(Answer { number: order.number, result }));
        Some(())
    }

    /// Begins or ends planned work on the transformer or on one of its feeders. `None`: no such thing is of this scope.
    fn order_work(
        &mut self,
        plan: &ScopePlan,
        now: EventTime,
        order: &Order,
        out: &mut Vec<Output>,
    ) -> Option<()> {
        let own = plan.transformer.as_ref()?;
        let on = (*own != order.alert).then_some(order.alert.as_str());
        if on.is_some_and(|feeder| !plan.below.iter().any(|(name, _)| name == feeder)) {
            return None;
        }
        let hand = Hand { by: order.by.as_str(), at: now };
        let result = match &order.what {
            Deed::BeginWork { until, reason } => {
                self.alarms.order_work(plan, on, hand, (*until, reason), out)
            }
            _ => self.alarms.end_work(plan, on, hand, out),
        };
        match &result {
            Ok(()) if matches!(order.what, Deed::EndWork) => {
                self.alerts.tell_owed(plan, &mut self.alarms, now, out);
            }
            Ok(()) => self.alerts.hold_back(plan, &self.alarms, now, out),
            Err(_) => {}
        }
        self.fold(plan, out);
        self.due = self.exact_deadline(plan);
        out.push(Output::Answer(Answer { number: order.number, result }));
        Some(())
    }

    /// Carries out an order on a fault with a named cause.
    fn order_case(
        &mut self,
        plan: &ScopePlan,
        (case, deed): (usize, &Deed),
        hand: Hand<'_>,
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        if let Deed::Release { note } = deed {
            let ended = self.end_waiting(plan, case, (hand, note), out);
            let members = self.alerts.members(case).to_vec();
            let accepted =
                members.into_iter().filter_map(|subject| accepted(plan, &mut self.meters, subject));
            let accepted: Vec<AlarmIx> = accepted.collect();
            for alarm in &accepted {
                self.alarms.accept(plan, *alarm, hand, note, out);
            }
            if ended || !accepted.is_empty() {
                // That alone is what was ordered, whether or not anything else was latched.
                let _ = self.alerts.order_case(plan, &mut self.alarms, (case, deed), hand, out);
                return Ok(());
            }
        }
        self.alerts.order_case(plan, &mut self.alarms, (case, deed), hand, out)
    }

    /// Ends what of a case only waits whether it comes again: a person has found and mended the fault, so its excursions are
    /// counted anew. False: there was nothing, or something of it truly holds.
    fn end_waiting(
        &mut self,
        plan: &ScopePlan,
        case: usize,
        (hand, note): (Hand<'_>, &str),
        out: &mut Vec<Output>,
    ) -> bool {
        let Some(waiting) = self.alerts.waiting(plan, &self.alarms, case) else { return false };
        for alarm in &waiting.recurrences {
            self.alarms.accept(plan, *alarm, hand, note, out);
        }
        let meters = self.meters.iter_mut().zip(&plan.meters);
        for (watch, limit) in meters.flat_map(|(state, meter)| state.watches.iter_mut().zip(&meter.limits)) {
            if limit.recurs.as_ref().is_some_and(|rule| waiting.recurrences.contains(&rule.alarm)) {
                watch.count_anew();
            }
        }
        if let Some(grid) = &plan.grid {
            for finding in &waiting.findings {
                let before = out.len();
                self.findings.mended(&grid.diagnosis, finding, hand.at, out);
                if let Some(Output::Finding(change)) = out.get(before) {
                    self.diagnosis.mended(&grid.diagnosis, &change.facts);
                    self.alerts.take_mended(case, change);
                }
            }
        }
        !waiting.recurrences.is_empty()
    }

    fn order_subject(
        &mut self,
        plan: &ScopePlan,
        (subject, deed): (SubjectIx, &Deed),
        hand: Hand<'_>,
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        let book = &mut self.alarms;
        match deed {
            Deed::Acknowledge => book.acknowledge(plan, subject, hand, out),
            Deed::Release { note } => match accepted(plan, &mut self.meters, subject) {
                Some(alarm) => {
                    book.accept(plan, alarm, hand, note, out);
                    Ok(())
                }
                None => book.release(plan, subject, hand, note, out),
            },
            Deed::Shelve { .. } if book.is_urgent_heat(plan, subject) => Err(Denial::NeedsConfirmation),
            Deed::Shelve { until, reason } | Deed::ShelveConfirmed { until, reason } => {
                book.shelve(plan, subject, hand, (*until, reason), out)
            }
            Deed::Unshelve => book.unshelve(plan, subject, hand.at, Some(hand.by), out),
            Deed::Service { .. } | Deed::TakeOut { .. } => {
                book.service(plan, subject, hand, in_service(deed), out)
            }
            // It was carried out above: it is about no alert.
            Deed::Calibration { .. } | Deed::Connections { .. } | Deed::BeginWork { .. } | Deed::EndWork => {
                Err(Denial::UnknownAlert)
            }
        }
    }
}

/// A person releases the alarm that a meter's values do not fit the nameplate: they are right. Gives that alarm.
fn accepted(plan: &ScopePlan, meters: &mut [MeterState], subject: SubjectIx) -> Option<AlarmIx> {
    let mut fittings = meters.iter_mut().filter_map(|state| state.fitting.as_mut());
    let of_subject = |fitting: &Fitting| {
        fitting.alarm().is_some_and(|alarm| plan.subjects[subject].alarms.contains(&alarm))
    };
    fittings.find(|fitting| of_subject(fitting))?.accept()
}
