//! What people order, carried out on all alarms of one subject.

use super::book::AlarmBook;
use crate::measurand::{Measurand, Unit};
use crate::output::{ChangeKind, Denial, Output};
use crate::plan::{AlarmIx, ScopePlan, SubjectIx};
use crate::plant::Priority;
use crate::time::{EventTime, Span};

/// The longest shelving (common practice, no source).
pub const LONGEST_SHELVING: Span = Span::hours(7 * 24);

/// Who gave an order, and when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hand<'a> {
    /// Who.
    pub by: &'a str,
    /// When, in our time.
    pub at: EventTime,
}

impl AlarmBook {
    /// A person has seen the subject's alarms.
    ///
    /// # Errors
    /// [`Denial::AlreadyAcknowledged`] when there is none left to see.
    pub fn acknowledge(
        &mut self,
        plan: &ScopePlan,
        subject: SubjectIx,
        hand: Hand<'_>,
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        let mut any = false;
        for &alarm in &plan.subjects[subject].alarms {
            let from = self.entries[alarm].state();
            let entry = &mut self.entries[alarm];
            if entry.is_live() && !entry.acknowledged {
                entry.acknowledged = true;
                any = true;
                let what = ChangeKind::Acknowledged { by: hand.by.to_owned() };
                self.tell(plan, alarm, hand.at, from, what, out);
            }
        }
        if any { Ok(()) } else { Err(Denial::AlreadyAcknowledged) }
    }

    /// A person says that a condition that holds is as it should be: it ends by that.
    pub(crate) fn accept(
        &mut self,
        plan: &ScopePlan,
        alarm: AlarmIx,
        hand: Hand<'_>,
        note: &str,
        out: &mut Vec<Output>,
    ) {
        let from = self.entries[alarm].state();
        let entry = &mut self.entries[alarm];
        (entry.active, entry.latched, entry.acknowledged) = (false, false, true);
        let what = ChangeKind::Released { by: hand.by.to_owned(), note: note.to_owned() };
        self.tell(plan, alarm, hand.at, from, what, out);
    }

    /// A person ends the subject's latched alarms.
    ///
    /// # Errors
    /// [`Denial::StillHolds`] while a condition holds, [`Denial::NotLatched`] when nothing is latched.
    pub fn release(
        &mut self,
        plan: &ScopePlan,
        subject: SubjectIx,
        hand: Hand<'_>,
        note: &str,
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        let alarms = &plan.subjects[subject].alarms;
        if alarms.iter().any(|alarm| self.entries[*alarm].active) {
            return Err(Denial::StillHolds);
        }
        let mut any = false;
        for &alarm in alarms {
            let from = self.entries[alarm].state();
            let entry = &mut self.entries[alarm];
            if entry.latched {
                (entry.latched, entry.acknowledged, any) = (false, true, true);
                let what = ChangeKind::Released { by: hand.by.to_owned(), note: note.to_owned() };
                self.tell(plan, alarm, hand.at, from, what, out);
            }
        }
        if any { Ok(()) } else { Err(Denial::NotLatched) }
    }

    /// A person mutes the subject's alarms until a time.
    ///
    /// # Errors
    /// [`Denial::BadTime`] when the time is over or further away than [`LONGEST_SHELVING`].
    pub fn shelve(
        &mut self,
        plan: &ScopePlan,
        subject: SubjectIx,
        hand: Hand<'_>,
        (until, reason): (EventTime, &str),
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        if until <= hand.at || until - hand.at > LONGEST_SHELVING {
            return Err(Denial::BadTime);
        }
        for &alarm in &plan.subjects[subject].alarms {
            let from = self.entries[alarm].state();
            self.entries[alarm].shelved = Some(until);
            let what = ChangeKind::Shelved { by: hand.by.to_owned(), until, reason: reason.to_owned() };
            self.tell(plan, alarm, hand.at, from, what, out);
        }
        Ok(())
    }

    /// Whether an urgent alarm of a temperature of the subject stands: it is not shelved in passing.
    pub(crate) fn is_urgent_heat(&self, plan: &ScopePlan, subject: SubjectIx) -> bool {
        let facts = &plan.subjects[subject];
        let is_heat = facts.subject.measurand().is_some_and(is_heat);
        let stands = |alarm: &AlarmIx| {
            let entry = &self.entries[*alarm];
            plan.alarms[*alarm].priority == Priority::Urgent && (entry.active || entry.latched)
        };
        is_heat && facts.alarms.iter().any(stands)
    }

    /// Ends the subject's shelving: by a person, or (without one) because its time is over.
    ///
    /// # Errors
    /// [`Denial::NothingToEnd`] when it is not shelved.
    pub fn unshelve(
        &mut self,
        plan: &ScopePlan,
        subject: SubjectIx,
        at: EventTime,
        by: Option<&str>,
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        let mut any = false;
        for &alarm in &plan.subjects[subject].alarms {
            let from = self.entries[alarm].state();
            if self.entries[alarm].shelved.take().is_some() {
                any = true;
                self.tell(plan, alarm, at, from, ChangeKind::Unshelved { by: by.map(str::to_owned) }, out);
            }
        }
        if any { Ok(()) } else { Err(Denial::NothingToEnd) }
    }

    /// Takes the subject's alarms out of service, or puts them back.
    ///
    /// # Errors
    /// [`Denial::NothingToEnd`] when they are in that state already.
    pub fn service(
        &mut self,
        plan: &ScopePlan,
        subject: SubjectIx,
        hand: Hand<'_>,
        (on, reason): (bool, &str),
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        let mut any = false;
        for &alarm in &plan.subjects[subject].alarms {
            let from = self.entries[alarm].state();
            if std::mem::replace(&mut self.entries[alarm].out_of_service, !on) == on {
                any = true;
                self.tell(
                    plan,
                    alarm,
                    hand.at,
                    from,
                    ChangeKind::Service { by: hand.by.to_owned(), on, reason: reason.to_owned() },
                    out,
                );
            }
        }
        if any { Ok(()) } else { Err(Denial::NothingToEnd) }
    }
}

/// Whether it says how hot something is.
fn is_heat(what: Measurand) -> bool {
    matches!(what.facts().unit, Unit::Celsius | Unit::Kelvin) || what == Measurand::TemperatureSwitch
}
