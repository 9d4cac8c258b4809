//! What is told of alerts that are held back: one alert of a flood with its likely root, and what stands when planned work ends.

use super::AlertBook;
use super::about::{AboutFlood, News};
use super::case::Home;
use crate::alarm::book::{AlarmBook, Stirred};
use crate::output::{Output, Revised, Risen};
use crate::plan::{ScopePlan, SubjectIx};
use crate::plant::Priority;
use crate::time::EventTime;

impl AlertBook {
    /// What the alert of a flood says besides the alarms: the likely root is the fault that stands, the most urgent and of these
    /// the oldest.
    pub(super) fn around_flood(&self, flood: SubjectIx) -> AboutFlood {
        let named = self.cases.iter().filter(|case| case.stands()).map(super::case::Case::named);
        let root = named.min_by_key(|named| (std::cmp::Reverse(named.facts.priority), named.facts.since));
        let others =
            self.entries.iter().enumerate().filter(|(subject, entry)| *subject != flood && entry.open);
        let own = self.cases.iter().filter(|case| matches!(&case.home, Home::Own(_, entry) if entry.open));
        let open = u32::try_from(others.count() + own.count()).unwrap_or(u32::MAX);
        AboutFlood { root, open }
    }

    /// A cause was found while a flood stands whose root was not known: its alert names it.
    pub(super) fn name_root(
        &mut self,
        plan: &ScopePlan,
        book: &AlarmBook,
        (at, step): (EventTime, &Stirred),
        out: &mut Vec<Output>,
    ) {
        let Some(subject) = plan.flood.map(|alarm| plan.alarms[alarm].subject) else { return };
        let last = self.entries[subject].latest().filter(|last| last.open && last.cause.is_none());
        if book.flood().stands() && last.is_some() {
            let news = News { at, what: Some(step), alarm: None, end: &Revised::Closed };
            self.look(plan, book, subject, news, out);
        }
    }

    /// Planned work has ended: tells what stands and was not told. Each counts as an alarm that rises now, so what would be a
    /// flood of them is told as one.
    pub(crate) fn tell_owed(
        &mut self,
        plan: &ScopePlan,
        book: &mut AlarmBook,
        at: EventTime,
        out: &mut Vec<Output>,
    ) {
        let news = News { at, what: Some(&Stirred::NotHeld), alarm: None, end: &Revised::Closed };
        for subject in 0..self.entries.len() {
            if self.entries[subject].is_owed()
                && self.case_of(subject).is_none()
                && !book.is_at_work(plan, &plan.subjects[subject].subject)
            {
                self.count(plan, book, (subject, at), out);
                self.look(plan, book, subject, news, out);
            }
        }
        for case in (0..self.cases.len()).rev() {
            let owed = match &self.cases[case].home {
                Home::Own(_, entry) => entry.is_owed(),
                Home::Subject(subject) => self.entries[*subject].is_owed(),
            };
            if owed && !book.is_at_work(plan, &self.cases[case].subject()) {
                self.look_at_case(plan, book, case, news, out);
            }
        }
    }

    fn count(
        &self,
        plan: &ScopePlan,
        book: &mut AlarmBook,
        (subject, at): (SubjectIx, EventTime),
        out: &mut Vec<Output>,
    ) {
        let last = self.entries[subject].latest().filter(|last| last.priority > Priority::Journal);
        let Some(last) = last else { return };
        let risen = Risen { alarm: last.alert.clone(), subject: last.subject.clone(), rule: last.rule, at };
        book.count_for_flood(plan, risen, out);
    }
}
