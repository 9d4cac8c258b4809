//! What people order about an alert, carried out on every alarm that it speaks for and on its cause.

use super::about::News;
use super::entry::alert_id;
use super::{AlertBook, Home};
use crate::alarm::book::{AlarmBook, Hand, LONGEST_SHELVING, Stirred};
use crate::diagnosis::FindingChange;
use crate::input::Deed;
use crate::output::{ChangeKind, Denial, Output, Revised, Rule};
use crate::plan::{AlarmIx, ScopePlan, SubjectIx};
use crate::time::EventTime;

/// Which alert a person means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Meant {
    /// That of one subject.
    Subject(SubjectIx),
    /// That of a fault with a named cause.
    Case(usize),
}

/// What of a fault stands only because it may come again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Waiting {
    /// Its findings, by their ids.
    pub(crate) findings: Vec<String>,
    /// Its alarms of excursions that came again and again.
    pub(crate) recurrences: Vec<AlarmIx>,
}

impl AlertBook {
    /// The open alert with this id. The id of one that was merged into another means that other.
    pub(crate) fn find(&self, plan: &ScopePlan, id: &str) -> Option<Meant> {
        let own =
            self.cases.iter().position(|case| matches!(&case.home, Home::Own(own, _) if own.as_str() == id));
        let subject = || {
            (0..self.entries.len()).find(|subject| {
                let (entry, facts) = (&self.entries[*subject], &plan.subjects[*subject]);
                (entry.open || self.is_merged(*subject))
                    && alert_id(&plan.name, &facts.key, entry.number) == id
            })
        };
        own.map(Meant::Case).or_else(|| {
            let subject = subject()?;
            Some(self.case_of(subject).map_or(Meant::Subject(subject), Meant::Case))
        })
    }

    /// The ids of alerts that another one tells of while its fault is open.
    pub(crate) fn merged<'a>(&'a self, plan: &'a ScopePlan) -> impl Iterator<Item = String> + 'a {
        let merged = (0..self.entries.len()).filter(|subject| self.is_merged(*subject));
        merged.map(|subject| alert_id(&plan.name, &plan.subjects[subject].key, self.entries[subject].number))
    }

    fn is_merged(&self, subject: SubjectIx) -> bool {
        let last = self.entries[subject].latest();
        last.is_some_and(|last| matches!(last.why, Revised::Merged { .. })) && self.case_of(subject).is_some()
    }

    /// The subjects whose alarms a case explains.
    pub(crate) fn members(&self, case: usize) -> &[SubjectIx] {
        &self.cases[case].members
    }

    /// What of a case only waits whether it comes again: a person who has mended the fault may say so. `None`: something of it
    /// truly holds now.
    pub(crate) fn waiting(&self, plan: &ScopePlan, book: &AlarmBook, case: usize) -> Option<Waiting> {
        let alarms =
            self.members(case).iter().flat_map(|subject| plan.subjects[*subject].alarms.iter().copied());
        let (recurrences, others): (Vec<AlarmIx>, Vec<AlarmIx>) = alarms
            .filter(|alarm| book.entry(*alarm).active)
            .partition(|alarm| matches!(plan.alarms[*alarm].rule, Rule::Recurrence { .. }));
        let findings = self.cases[case].coming_and_going()?;
        others.is_empty().then_some(Waiting { findings, recurrences })
    }

    /// Takes in that findings of a case have ended by a person's word, of which the order itself tells.
    pub(crate) fn take_mended(&mut self, case: usize, change: &FindingChange) {
        self.cases[case].take(change);
    }

    /// Carries out an order on a case: on the alarms of all its subjects and on its cause, told once.
    pub(crate) fn order_case(
        &mut self,
        plan: &ScopePlan,
        book: &mut AlarmBook,
        (case, deed): (usize, &Deed),
        hand: Hand<'_>,
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        let members = self.cases[case].members.clone();
        let own = &mut self.cases[case].hand;
        let by = || hand.by.to_owned();
        let mut done = false;
        let what = match deed {
            Deed::Acknowledge => {
                done |= own.acknowledge();
                for subject in members {
                    done |= book.acknowledge(plan, subject, hand, out).is_ok();
                }
                done.then(|| ChangeKind::Acknowledged { by: by() }).ok_or(Denial::AlreadyAcknowledged)
            }
            Deed::Release { note } => {
                let holds = |subject: &SubjectIx| {
                    plan.subjects[*subject].alarms.iter().any(|alarm| book.entry(*alarm).active)
                };
                if own.active || members.iter().any(holds) {
                    return Err(Denial::StillHolds);
                }
                done |= own.release();
                for subject in members {
                    done |= book.release(plan, subject, hand, note, out).is_ok();
                }
                done.then(|| ChangeKind::Released { by: by(), note: note.clone() }).ok_or(Denial::NotLatched)
            }
            Deed::Shelve { until, reason } | Deed::ShelveConfirmed { until, reason } => {
                if *until <= hand.at || *until - hand.at > LONGEST_SHELVING {
                    return Err(Denial::BadTime);
                }
                let urgent = members.iter().any(|subject| book.is_urgent_heat(plan, *subject));
                if urgent && matches!(deed, Deed::Shelve { .. }) {
                    return Err(Denial::NeedsConfirmation);
                }
                own.shelved = Some(*until);
                for subject in members {
                    book.shelve(plan, subject, hand, (*until, reason), out)?;
                }
                Ok(ChangeKind::Shelved { by: by(), until: *until, reason: reason.clone() })
            }
            Deed::Unshelve => {
                done |= own.shelved.take().is_some();
                for subject in members {
                    done |= book.unshelve(plan, subject, hand.at, Some(hand.by), out).is_ok();
                }
                done.then(|| ChangeKind::Unshelved { by: Some(by()) }).ok_or(Denial::NothingToEnd)
            }
            Deed::Service { .. } | Deed::TakeOut { .. } => {
                let (on, reason) = in_service(deed);
                done |= own.serve(on);
                for subject in members {
                    done |= book.service(plan, subject, hand, (on, reason), out).is_ok();
                }
                done.then(|| ChangeKind::Service { by: by(), on, reason: reason.to_owned() })
                    .ok_or(Denial::NothingToEnd)
            }
            Deed::Calibration { .. } | Deed::Connections { .. } | Deed::BeginWork { .. } | Deed::EndWork => {
                Err(Denial::UnknownAlert)
            }
        };
        what.map(|change| self.tell_case(plan, book, case, (hand.at, change), out))
    }

    /// Ends the shelvings of cases that are over by `at`.
    pub(crate) fn unshelve_cases(
        &mut self,
        plan: &ScopePlan,
        book: &mut AlarmBook,
        at: EventTime,
        out: &mut Vec<Output>,
    ) {
        for case in (0..self.cases.len()).rev() {
            if self.cases[case].hand.shelved.is_none_or(|until| until > at) {
                continue;
            }
            self.cases[case].hand.shelved = None;
            for subject in self.cases[case].members.clone() {
                // One that a person put back by itself is denied, and that is no news.
                let _ = book.unshelve(plan, subject, at, None, out);
            }
            self.tell_case(plan, book, case, (at, ChangeKind::Unshelved { by: None }), out);
        }
    }

    fn tell_case(
        &mut self,
        plan: &ScopePlan,
        book: &mut AlarmBook,
        case: usize,
        (at, change): (EventTime, ChangeKind),
        out: &mut Vec<Output>,
    ) {
        let members = self.cases[case].members.clone();
        book.forget(&members);
        let what = Stirred::Changed(change);
        let news = News { at, what: Some(&what), alarm: None, end: &Revised::Closed };
        self.look_at_case(plan, book, case, news, out);
    }
}

/// Whether a deed puts alarms back in service, and why it takes them out.
pub(crate) fn in_service(deed: &Deed) -> (bool, &str) {
    match deed {
        Deed::Service { on } => (*on, ""),
        Deed::TakeOut { reason } => (false, reason),
        _ => (true, ""),
    }
}
