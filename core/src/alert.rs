//! Folds alarms into alerts: one fault, one alert, with revisions.
//!
//! The alarms of one subject (a quantity at a meter, a meter, a part) are one alert. The alarm that speaks is the
//! highest that holds; the alert closes when none holds and no person has anything left to do.

use crate::alarm::book::{AlarmBook, Entry};
use crate::alarm::state::AlarmState;
use crate::output::{AlertRevision, ChangeKind, Output, Revised};
use crate::plan::{AlarmIx, ScopePlan, SubjectIx};
use crate::plant::Priority;
use crate::time::EventTime;
use serde::{Deserialize, Serialize};

/// Where one subject's alert stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlertEntry {
    /// The how-manieth alert of this subject.
    pub number: u32,
    /// The latest revision.
    pub revision: u32,
    /// Whether it is open.
    pub open: bool,
    active: bool,
    priority: Priority,
    since: EventTime,
    peak: Option<f64>,
    /// The speaking alarm's rule, value and setpoint, for the last word after it is gone.
    last: Option<AlertRevision>,
}

impl AlertEntry {
    const NEW: Self = Self {
        number: 0,
        revision: 0,
        open: false,
        active: false,
        priority: Priority::Journal,
        since: EventTime(0),
        peak: None,
        last: None,
    };

    /// The latest revision, if there ever was one.
    pub fn latest(&self) -> Option<&AlertRevision> {
        self.last.as_ref()
    }
}

/// The alerts of one scope.
#[derive(Debug, Clone, PartialEq)]
pub struct AlertBook {
    entries: Box<[AlertEntry]>,
}

/// An alert as it is saved.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SavedAlert {
    /// The subject's key within the scope.
    pub key: String,
    /// Where it stands.
    pub entry: AlertEntry,
}

impl AlertBook {
    /// A book in which nothing was ever told.
    pub fn new(subjects: usize) -> Self {
        Self { entries: vec![AlertEntry::NEW; subjects].into_boxed_slice() }
    }

    /// One subject's alert.
    pub fn entry(&self, subject: SubjectIx) -> &AlertEntry {
        &self.entries[subject]
    }

    /// Puts back an alert as it was saved.
    pub fn restore(&mut self, subject: SubjectIx, entry: AlertEntry) {
        self.entries[subject] = entry;
    }

    /// The subject of the open alert with this id.
    pub fn find(&self, plan: &ScopePlan, id: &str) -> Option<SubjectIx> {
        (0..self.entries.len()).find(|subject| {
            let entry = &self.entries[*subject];
            entry.open && alert_id(&plan.name, &plan.subjects[*subject].key, entry.number) == id
        })
    }

    /// Looks at one subject after its alarms changed, and tells what is new for a person.
    pub fn fold(
        &mut self,
        plan: &ScopePlan,
        book: &AlarmBook,
        subject: SubjectIx,
        at: EventTime,
        what: &ChangeKind,
        out: &mut Vec<Output>,
    ) {
        let facts = &plan.subjects[subject];
        let entry = &mut self.entries[subject];
        let Some(speaking) = speaking(plan, book, &facts.alarms) else {
            entry.close(plan, &facts.key, at, Revised::Closed, out);
            return;
        };
        let alarm = book.entry(speaking);
        let priority = plan.alarms[speaking].priority;
        let Some(why) = entry.why(alarm, priority, what) else {
            entry.follow(plan, speaking, alarm);
            return;
        };
        if !entry.open {
            *entry = AlertEntry { number: entry.number.saturating_add(1), ..AlertEntry::NEW };
            (entry.open, entry.since) = (true, alarm.since);
        }
        (entry.active, entry.priority) = (alarm.active, priority);
        entry.since = entry.since.min(alarm.since);
        entry.follow(plan, speaking, alarm);
        entry.revision += 1;
        let revision = AlertRevision {
            alert: alert_id(&plan.name, &facts.key, entry.number),
            revision: entry.revision,
            at,
            why,
            open: true,
            state: alarm.state(),
            priority,
            subject: facts.subject.clone(),
            rule: plan.alarms[speaking].rule,
            value: alarm.value,
            peak: entry.peak,
            setpoint: alarm.setpoint,
            since: entry.since,
            recurred: recurred(book, &facts.alarms),
        };
        entry.last = Some(revision.clone());
        out.push(Output::Alert(revision));
    }

    /// Ends the alert of a subject that the configuration no longer has.
    pub fn no_longer_watched(scope: &str, saved: &SavedAlert, at: EventTime) -> Option<AlertRevision> {
        let entry = &saved.entry;
        let last = entry.last.as_ref().filter(|_| entry.open)?;
        Some(AlertRevision {
            alert: alert_id(scope, &saved.key, entry.number),
            revision: entry.revision + 1,
            at,
            why: Revised::NoLongerWatched,
            open: false,
            state: AlarmState::Normal,
            ..last.clone()
        })
    }
}

impl AlertEntry {
    /// Why a person must be told; `None`: nothing new for one.
    fn why(&self, alarm: &Entry, priority: Priority, what: &ChangeKind) -> Option<Revised> {
        match what {
            _ if !self.open => (!alarm.is_muted()).then_some(Revised::Opened),
            ChangeKind::Acknowledged { by } => Some(Revised::Acknowledged { by: by.clone() }),
            ChangeKind::Shelved { by, until, .. } => Some(Revised::Shelved { by: by.clone(), until: *until }),
            ChangeKind::Service { by, on: false } => Some(Revised::OutOfService { by: by.clone() }),
            ChangeKind::Unshelved { .. } | ChangeKind::Service { on: true, .. } => Some(Revised::Unshelved),
            _ if alarm.is_muted() => None,
            _ if alarm.active && !self.active => Some(Revised::Worse),
            _ if !alarm.active && self.active => Some(Revised::Returned),
            _ if priority > self.priority => Some(Revised::Worse),
            _ if priority < self.priority => Some(Revised::Milder),
            ChangeKind::Raised if alarm.recurred.is_some() => Some(Revised::CameAgain),
            _ => None,
        }
    }

    fn follow(&mut self, plan: &ScopePlan, speaking: AlarmIx, alarm: &Entry) {
        if let Some(peak) = alarm.peak {
            let bound = match plan.alarms[speaking].rule {
                crate::output::Rule::Level { bound, .. } | crate::output::Rule::Recurrence { bound } => bound,
                _ => crate::plant::Bound::High,
            };
            self.peak = Some(self.peak.map_or(peak, |known| bound.worse(known, peak)));
        }
    }

    fn close(&mut self, plan: &ScopePlan, key: &str, at: EventTime, why: Revised, out: &mut Vec<Output>) {
        let Some(last) = self.last.as_ref().filter(|_| self.open) else { return };
        self.open = false;
        self.active = false;
        self.revision += 1;
        let revision = AlertRevision {
            alert: alert_id(&plan.name, key, self.number),
            revision: self.revision,
            at,
            why,
            open: false,
            state: AlarmState::Normal,
            peak: self.peak,
            ..last.clone()
        };
        self.last = Some(revision.clone());
        out.push(Output::Alert(revision));
    }
}

/// The alarm that speaks for a subject: one that holds before one that waits for a person, then the highest.
fn speaking(plan: &ScopePlan, book: &AlarmBook, alarms: &[AlarmIx]) -> Option<AlarmIx> {
    alarms
        .iter()
        .copied()
        .filter(|alarm| book.entry(*alarm).is_live())
        .filter(|alarm| !(book.entry(*alarm).active && book.entry(*alarm).is_suppressed()))
        .max_by_key(|alarm| (book.entry(*alarm).active, plan.alarms[*alarm].priority, *alarm))
}

/// How often the subject came lately, whichever alarm speaks.
fn recurred(book: &AlarmBook, alarms: &[AlarmIx]) -> Option<crate::output::Recurred> {
    alarms
        .iter()
        .map(|alarm| book.entry(*alarm))
        .filter(|entry| entry.is_live())
        .find_map(|entry| entry.recurred)
}

/// The id of an alert: the scope, the subject's key, and the how-manieth alert of it.
fn alert_id(scope: &str, key: &str, number: u32) -> String {
    format!("{scope}/{key}#{number}")
}
