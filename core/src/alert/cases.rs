//! Which alarms are of one fault, once its cause has a name.

use super::about::{About, News};
use super::case::{Case, Home, SavedCase, is_told};
use super::entry::AlertEntry;
use super::{AlertBook, about};
use crate::alarm::book::{AlarmBook, Stir, Stirred};
use crate::diagnosis::{FindingBook, FindingChange, FindingStep, closeness};
use crate::output::{AlertRevision, ChangeKind, Output, Revised};
use crate::plan::{AlarmIx, ScopePlan, SubjectIx};
use crate::time::EventTime;

/// The most faults with a named cause that a scope has open. What is beyond opens no alert by its cause: its alarms tell of it,
/// and the digest.
const MOST_CASES: usize = 128;

impl AlertBook {
    /// The case that a subject's alarms are part of.
    pub(super) fn case_of(&self, subject: SubjectIx) -> Option<usize> {
        self.cases.iter().position(|case| case.members.contains(&subject))
    }

    /// An alarm of a subject without an open alert folds into the case that explains it best.
    pub(super) fn join(&mut self, plan: &ScopePlan, book: &AlarmBook, stir: &Stir) -> Option<usize> {
        let rises = matches!(
            stir.what,
            Stirred::Changed(ChangeKind::Raised) | Stirred::CameAgain | Stirred::Chattering
        );
        if !rises || self.entries[stir.subject].open || book.entry(stir.alarm).is_muted() {
            return None;
        }
        let subject = &plan.subjects[stir.subject].subject;
        let cases = self.cases.iter().enumerate();
        let by_closeness = cases.filter_map(|(index, case)| Some((case.closeness(subject)?, index)));
        // Of equals the oldest.
        let (_, index) = by_closeness.max_by_key(|(close, index)| (*close, std::cmp::Reverse(*index)))?;
        self.cases[index].members.push(stir.subject);
        Some(index)
    }

    /// Takes in what is new of a finding.
    pub(crate) fn follow_cause(
        &mut self,
        plan: &ScopePlan,
        book: &AlarmBook,
        change: &FindingChange,
        out: &mut Vec<Output>,
    ) {
        let known = self.cases.iter().position(|case| case.knows(&change.finding));
        let (index, step) = if let Some(index) = known {
            self.cases[index].take(change);
            (index, change.what)
        } else {
            let Some(index) = self.take_up(plan, book, change) else { return };
            (index, FindingStep::Found)
        };
        let gone = change.what == FindingStep::NoLongerWatched;
        let end = if gone { Revised::NoLongerWatched } else { Revised::Closed };
        let what = Stirred::Cause(step);
        let news = News { at: change.at, what: Some(&what), alarm: None, end: &end };
        if step == FindingStep::Found {
            self.gather(plan, book, index, change, out);
        }
        self.look_at_case(plan, book, index, news, out);
        if step == FindingStep::Found {
            self.name_root(plan, book, (change.at, &what), out);
        }
    }

    /// After a state was put back: what stands and has no case gets one, and each case is looked at.
    pub(crate) fn review_causes(
        &mut self,
        plan: &ScopePlan,
        book: &AlarmBook,
        findings: &FindingBook,
        at: EventTime,
        out: &mut Vec<Output>,
    ) {
        let news = News { at, what: None, alarm: None, end: &Revised::NoLongerWatched };
        for index in (0..self.cases.len()).rev() {
            self.look_at_case(plan, book, index, news, out);
        }
        for entry in findings.open() {
            let (Some(facts), finding) = (entry.facts.clone(), FindingBook::id(&plan.name, entry)) else {
                continue;
            };
            if !self.cases.iter().any(|case| case.knows(&finding)) {
                let change = FindingChange { finding, step: entry.step, at, what: FindingStep::Found, facts };
                self.follow_cause(plan, book, &change, out);
            }
        }
    }

    /// The case of a finding that is new to the alerts; `None`: people are not told of it.
    fn take_up(&mut self, plan: &ScopePlan, book: &AlarmBook, change: &FindingChange) -> Option<usize> {
        let over = matches!(change.what, FindingStep::Ended | FindingStep::NoLongerWatched);
        if over || !is_told(&change.facts) {
            return None;
        }
        if let Some(index) = self.cases.iter().position(|case| case.is_of(&change.facts)) {
            self.cases[index].take(change);
            return Some(index);
        }
        let explained =
            |subject: &SubjectIx| closeness(&change.facts, &plan.subjects[*subject].subject).is_some();
        let live = |subject: &SubjectIx| {
            plan.subjects[*subject].alarms.iter().any(|alarm| book.entry(*alarm).active)
        };
        let free = |case: &Case| !case.hand.is_live() && !case.hand.is_muted();
        let takes_over = |case: &Case| {
            free(case) && case.members.iter().any(|subject| explained(subject) && live(subject))
        };
        if let Some(index) = self.cases.iter().position(takes_over) {
            self.cases[index].replace(change);
            return Some(index);
        }
        if self.cases.len() >= MOST_CASES {
            return None;
        }
        let oldest = self.loose(plan, book, change).into_iter().min_by_key(|subject| {
            let entry = &self.entries[*subject];
            (entry.since, *subject)
        });
        let seen = oldest.is_some_and(|subject| {
            let mut live =
                plan.subjects[subject].alarms.iter().map(|alarm| (book.entry(*alarm), &plan.alarms[*alarm]));
            live.all(|(entry, facts)| {
                !entry.is_live() || (entry.is_acknowledged() && facts.priority >= change.facts.priority)
            })
        });
        let own = || Home::Own(change.finding.clone(), Box::new(AlertEntry::NEW));
        let home = oldest.map_or_else(own, Home::Subject);
        self.cases.push(Case::new(home, change, seen));
        Some(self.cases.len() - 1)
    }

    /// Subjects with an open alert of no case that a finding explains. What a person muted stays as he left it.
    fn loose(&self, plan: &ScopePlan, book: &AlarmBook, change: &FindingChange) -> Vec<SubjectIx> {
        let muted =
            |subject: usize| plan.subjects[subject].alarms.iter().any(|alarm| book.entry(*alarm).is_muted());
        let subjects = plan.subjects.iter().enumerate();
        let loose = subjects.filter(|(index, facts)| {
            self.entries[*index].open
                && closeness(&change.facts, &facts.subject).is_some()
                && self.case_of(*index).is_none()
                && !muted(*index)
        });
        loose.map(|(index, _)| index).collect()
    }

    /// Merges the other open alerts that a finding explains into the alert of its case.
    fn gather(
        &mut self,
        plan: &ScopePlan,
        book: &AlarmBook,
        index: usize,
        change: &FindingChange,
        out: &mut Vec<Output>,
    ) {
        let alert = self.alert_of(plan, index);
        for subject in self.loose(plan, book, change) {
            self.entries[subject].merge(&about(plan, book, subject), change.at, alert.clone(), out);
            self.cases[index].members.push(subject);
        }
    }

    /// The id of a case's alert.
    pub(super) fn alert_of(&self, plan: &ScopePlan, index: usize) -> String {
        match &self.cases[index].home {
            Home::Own(id, _) => id.clone(),
            Home::Subject(subject) => {
                super::alert_id(&plan.name, &plan.subjects[*subject].key, self.entries[*subject].number)
            }
        }
    }

    /// Tells what is new of a case; one whose alert has closed is over.
    pub(super) fn look_at_case(
        &mut self,
        plan: &ScopePlan,
        book: &AlarmBook,
        index: usize,
        news: News<'_>,
        out: &mut Vec<Output>,
    ) {
        let case = &self.cases[index];
        let alarms: Vec<AlarmIx> =
            case.members.iter().flat_map(|subject| plan.subjects[*subject].alarms.iter().copied()).collect();
        let (key, mut entry) = match &case.home {
            Home::Subject(subject) => {
                (Some(plan.subjects[*subject].key.as_str()), self.entries[*subject].clone())
            }
            Home::Own(_, entry) => (None, (**entry).clone()),
        };
        entry.look(&About { plan, book, key, alarms: &alarms, case: Some(case), flood: None }, news, out);
        let open = entry.open;
        match &mut self.cases[index].home {
            Home::Subject(subject) => self.entries[*subject] = entry,
            Home::Own(_, own) => **own = entry,
        }
        if !open {
            self.cases.remove(index);
        }
    }

    /// When the soonest shelving of a case ends.
    pub(crate) fn next_deadline(&self) -> Option<EventTime> {
        self.cases.iter().filter_map(|case| case.hand.shelved).min()
    }

    /// The cases, to be saved.
    pub(crate) fn save_cases(&self, plan: &ScopePlan) -> Vec<SavedCase> {
        self.cases.iter().map(|case| case.save(plan)).collect()
    }

    /// Puts back the cases as far as the plan still has what their alerts are about.
    pub(crate) fn restore_cases(&mut self, plan: &ScopePlan, saved: Vec<SavedCase>) {
        let cases = saved.into_iter().take(MOST_CASES).filter_map(|saved| Case::adopt(plan, saved));
        self.cases = cases.collect();
    }

    /// Ends the alerts that causes have of their own, of a scope that the configuration no longer has.
    pub(crate) fn cases_no_longer_watched(
        saved: &[SavedCase],
        at: EventTime,
    ) -> impl Iterator<Item = AlertRevision> {
        saved.iter().filter_map(move |case| case.own.as_ref()?.1.no_longer_watched(at))
    }
}
