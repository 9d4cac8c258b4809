//! Folds alarms and findings into alerts: one fault, one alert, with revisions.
//!
//! The alarms of one subject (a quantity at a meter, a meter, a part) are one alert. The alarm that speaks is the
//! highest that holds; the alert closes when none holds, no person has anything left to do and none of its alarms
//! is muted: what a person muted stays open until it is heard again, so that it can be found and put back.
//!
//! A finding makes a case of the alarms that it explains (`cases`): the oldest of their alerts lives on with its number and tells
//! of all of them, the others end as merged into it, and what else it explains folds into it while it stands.

mod about;
mod case;
mod cases;
mod entry;
mod holds;
mod orders;
#[cfg(test)]
mod tests;

pub use case::SavedCase;
pub use entry::AlertEntry;
pub(crate) use orders::{Meant, in_service};

use crate::alarm::book::{AlarmBook, Stir};
use crate::output::{AlertRevision, Output, Revised};
use crate::plan::{ScopePlan, SubjectIx};
use crate::time::{EventTime, Span};
use about::{About, News};
use case::{Case, Home};
use entry::alert_id;
use serde::{Deserialize, Serialize};

/// The alerts of one scope.
#[derive(Debug, Clone, PartialEq)]
pub struct AlertBook {
    entries: Box<[AlertEntry]>,
    cases: Vec<Case>,
}

/// An alert as it is saved.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SavedAlert {
    /// The subject's key within the scope.
    pub key: String,
    /// Where it stands.
    pub entry: AlertEntry,
}

impl SavedAlert {
    /// What is kept of an alert whose subject the configuration no longer has: its counts, so that its ids never
    /// come twice.
    #[must_use]
    pub(crate) fn retired(self) -> Self {
        Self { entry: AlertEntry::counted(self.entry.number), ..self }
    }
}

impl AlertBook {
    /// A book in which nothing was ever told.
    pub fn new(subjects: usize) -> Self {
        Self { entries: vec![AlertEntry::NEW; subjects].into_boxed_slice(), cases: Vec::new() }
    }

    /// One subject's alert.
    pub fn entry(&self, subject: SubjectIx) -> &AlertEntry {
        &self.entries[subject]
    }

    /// The latest revision of each open alert: those of subjects in the order of the plan, then those that a cause has of its
    /// own.
    pub fn open(&self) -> impl Iterator<Item = &AlertRevision> {
        let own = self.cases.iter().filter_map(|case| match &case.home {
            Home::Own(_, entry) => Some(&**entry),
            Home::Subject(_) => None,
        });
        self.entries.iter().chain(own).filter(|entry| entry.open).filter_map(AlertEntry::latest)
    }

    /// Puts back an alert as it was saved.
    pub fn restore(&mut self, subject: SubjectIx, entry: AlertEntry) {
        self.entries[subject] = entry;
    }

    /// Moves what is remembered of the open alerts by a correction of our clock, as their alarms are moved: see
    /// [`AlarmBook::shift`]. `itself`: whether the readings that a subject is about bear the stamps of their meter.
    pub(crate) fn shift(&mut self, by: Span, from: EventTime, itself: impl Fn(SubjectIx) -> bool) {
        for (subject, entry) in self.entries.iter_mut().enumerate() {
            entry.shift(by, from, itself(subject));
        }
        self.cases.iter_mut().for_each(|case| case.shift(by, from));
    }

    /// Looks at one subject after one of its alarms changed, and tells what is new for a person.
    pub fn fold(&mut self, plan: &ScopePlan, book: &AlarmBook, stir: &Stir, out: &mut Vec<Output>) {
        let news =
            News { at: stir.at, what: Some(&stir.what), alarm: Some(stir.alarm), end: &Revised::Closed };
        match self.case_of(stir.subject).or_else(|| self.join(plan, book, stir)) {
            Some(case) => self.look_at_case(plan, book, case, news, out),
            None => self.look(plan, book, stir.subject, news, out),
        }
    }

    fn look(
        &mut self,
        plan: &ScopePlan,
        book: &AlarmBook,
        subject: SubjectIx,
        news: News<'_>,
        out: &mut Vec<Output>,
    ) {
        let flood = (plan.flood.map(|alarm| plan.alarms[alarm].subject) == Some(subject))
            .then(|| self.around_flood(subject));
        self.entries[subject].look(&About { flood: flood.as_ref(), ..about(plan, book, subject) }, news, out);
    }

    /// Looks at an open alert after its state was put back under a plan that may have fewer or other alarms.
    pub fn review(
        &mut self,
        plan: &ScopePlan,
        book: &AlarmBook,
        subject: SubjectIx,
        at: EventTime,
        out: &mut Vec<Output>,
    ) {
        if self.entries[subject].open && self.case_of(subject).is_none() {
            let news = News { at, what: None, alarm: None, end: &Revised::NoLongerWatched };
            self.look(plan, book, subject, news, out);
        }
    }

    /// Ends the alert of a subject that the configuration no longer has.
    pub fn no_longer_watched(scope: &str, saved: &SavedAlert, at: EventTime) -> Option<AlertRevision> {
        let alert = alert_id(scope, &saved.key, saved.entry.number);
        saved.entry.no_longer_watched(at).map(|revision| AlertRevision { alert, ..revision })
    }
}

/// A subject's alert whose cause is not known.
fn about<'a>(plan: &'a ScopePlan, book: &'a AlarmBook, subject: SubjectIx) -> About<'a> {
    let facts = &plan.subjects[subject];
    About { plan, book, key: Some(&facts.key), alarms: &facts.alarms, case: None, flood: None }
}
