//! What is told of alerts that are held back: one alert of a flood with its likely root, and what stands when planned work ends.

use super::AlertBook;
use super::about::{AboutFlood, News};
use super::case::Home;
use super::entry::AlertEntry;
use crate::alarm::book::{AlarmBook, Stirred};
use crate::digest::FLOOD;
use crate::output::{Held, Output, Revised, Risen};
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
            if self.entry_of(case).is_owed() && !book.is_at_work(plan, &self.cases[case].subject()) {
                self.look_at_case(plan, book, case, news, out);
            }
        }
    }

    /// Planned work has begun: nothing more is told of what is open there and not urgent, until it ends.
    pub(crate) fn hold_back(
        &mut self,
        plan: &ScopePlan,
        book: &AlarmBook,
        at: EventTime,
        out: &mut Vec<Output>,
    ) {
        let news = News { at, what: Some(&Stirred::WorkBegun), alarm: None, end: &Revised::Closed };
        for subject in 0..self.entries.len() {
            if self.entries[subject].can_be_held()
                && self.case_of(subject).is_none()
                && book.is_at_work(plan, &plan.subjects[subject].subject)
            {
                self.look(plan, book, subject, news, out);
            }
        }
        for case in (0..self.cases.len()).rev() {
            if self.entry_of(case).can_be_held() && book.is_at_work(plan, &self.cases[case].subject()) {
                self.look_at_case(plan, book, case, news, out);
            }
        }
    }

    /// A flood is over: of what stands and was held back by it, the oldest of high priority are told, as many as make no flood.
    /// How many more are open is said by the flood's own alert.
    pub(crate) fn tell_after_flood(
        &mut self,
        plan: &ScopePlan,
        book: &AlarmBook,
        at: EventTime,
        out: &mut Vec<Output>,
    ) {
        let is_owed = |entry: &AlertEntry| {
            let high = entry.latest().is_some_and(|last| last.priority >= Priority::High);
            high && entry.held_by() == Some(Held::Flood)
        };
        let subjects = (0..self.entries.len())
            .filter(|subject| is_owed(&self.entries[*subject]) && self.case_of(*subject).is_none())
            .map(|subject| (self.entries[subject].since, Some(subject), String::new()));
        let cases = (0..self.cases.len())
            .filter(|case| is_owed(self.entry_of(*case)))
            .map(|case| (self.entry_of(case).since, None, self.alert_of(plan, case)));
        let mut owed: Vec<(EventTime, Option<SubjectIx>, String)> = subjects.chain(cases).collect();
        owed.sort();
        let news = News { at, what: Some(&Stirred::NotHeld), alarm: None, end: &Revised::Closed };
        for (_, subject, alert) in owed.into_iter().take(FLOOD.0) {
            if let Some(subject) = subject {
                self.look(plan, book, subject, news, out);
            } else if let Some(case) = (0..self.cases.len()).find(|case| self.alert_of(plan, *case) == alert)
            {
                self.look_at_case(plan, book, case, news, out);
            }
        }
    }

    /// The alert that tells of a case.
    fn entry_of(&self, case: usize) -> &AlertEntry {
        match &self.cases[case].home {
            Home::Own(_, entry) => entry,
            Home::Subject(subject) => &self.entries[*subject],
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
