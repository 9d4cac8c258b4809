//! Folds alarms into alerts: one fault, one alert, with revisions.
//!
//! The alarms of one subject (a quantity at a meter, a meter, a part) are one alert. The alarm that speaks is the
//! highest that holds; the alert closes when none holds, no person has anything left to do and none of its alarms
//! is muted: what a person muted stays open until it is heard again, so that it can be found and put back.

use crate::alarm::book::{AlarmBook, Entry, Stir, Stirred};
use crate::alarm::state::AlarmState;
use crate::output::{AlertRevision, ChangeKind, Matter, Output, Recurred, Revised, Rule};
use crate::plan::{AlarmIx, ScopePlan, SubjectIx, SubjectPlan};
use crate::plant::{Bound, Priority};
use crate::stamps::Stamped;
use crate::time::{EventTime, Span};
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
    /// The worst value since it opened, on the side of `bound`.
    peak: Option<f64>,
    bound: Bound,
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
        bound: Bound::High,
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

impl SavedAlert {
    /// What is kept of an alert whose subject the configuration no longer has: its counts, so that its ids never
    /// come twice.
    #[must_use]
    pub(crate) fn retired(self) -> Self {
        let entry = AlertEntry { number: self.entry.number, ..AlertEntry::NEW };
        Self { entry, ..self }
    }
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

    /// The latest revision of each open alert, in the order of the plan.
    pub fn open(&self) -> impl Iterator<Item = &AlertRevision> {
        self.entries.iter().filter(|entry| entry.open).filter_map(AlertEntry::latest)
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

    /// Moves what is remembered of the open alerts by a correction of our clock, as their alarms are moved: see
    /// [`AlarmBook::shift`]. `itself`: whether the readings that a subject is about bear the stamps of their meter.
    pub(crate) fn shift(&mut self, by: Span, from: EventTime, itself: impl Fn(SubjectIx) -> bool) {
        for (subject, entry) in self.entries.iter_mut().enumerate().filter(|(_, entry)| entry.open) {
            let Some(last) = &mut entry.last else { continue };
            let stamps = last.doubtful(from, itself(subject), None);
            last.redate(stamps, by);
            entry.since = last.since;
        }
    }

    /// Looks at one subject after one of its alarms changed, and tells what is new for a person.
    pub fn fold(&mut self, plan: &ScopePlan, book: &AlarmBook, stir: &Stir, out: &mut Vec<Output>) {
        let facts = &plan.subjects[stir.subject];
        let entry = &mut self.entries[stir.subject];
        entry.follow(plan, book, facts, Some(stir.alarm));
        entry.look(plan, book, facts, (stir.at, Some(stir), Revised::Closed), out);
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
        let entry = &mut self.entries[subject];
        if entry.open {
            entry.look(plan, book, &plan.subjects[subject], (at, None, Revised::NoLongerWatched), out);
        }
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
    /// Tells what is new. `stir` happened at `at`; `end` is the reason to give if this is the end of it.
    fn look(
        &mut self,
        plan: &ScopePlan,
        book: &AlarmBook,
        facts: &SubjectPlan,
        (at, stir, end): (EventTime, Option<&Stir>, Revised),
        out: &mut Vec<Output>,
    ) {
        let muted = facts.alarms.iter().any(|alarm| book.entry(*alarm).is_muted());
        let speaking = speaking(plan, book, &facts.alarms);
        if speaking.is_none() && !muted {
            self.close(plan, book, facts, (at, end), out);
            return;
        }
        let Some(voice) = speaking.or_else(|| self.spoke(plan, facts)) else { return };
        let alarm = book.entry(voice);
        let live = facts.alarms.iter().filter(|alarm| book.entry(**alarm).is_live());
        let priority = live.map(|alarm| plan.alarms[*alarm].priority).max().unwrap_or(self.priority);
        let rule = plan.alarms[voice].rule;
        // A level that holds while it comes again speaks for a recurrence of its rank.
        let of_rank = |stir: &&Stir| {
            let stirred = &plan.alarms[stir.alarm];
            stir.what != Stirred::CameAgain
                || alarm.recurred.is_some()
                || stirred.priority >= plan.alarms[voice].priority
        };
        let what = stir.filter(of_rank).map(|stir| &stir.what);
        let instead = self.speaks_instead(facts, rule);
        let Some(why) = self.why((alarm, rule), (priority, instead), what) else { return };
        let bound = rule.bound().unwrap_or(if self.open { self.bound } else { Bound::High });
        if !self.open {
            *self =
                Self { number: self.number.saturating_add(1), open: true, since: alarm.since, ..Self::NEW };
        }
        if self.bound != bound {
            (self.bound, self.peak) = (bound, None);
        }
        self.follow(plan, book, facts, None);
        (self.active, self.priority) = (alarm.active, priority);
        self.since = if instead { alarm.since } else { self.since.min(alarm.since) };
        self.revision = self.revision.saturating_add(1);
        let revision = AlertRevision {
            alert: alert_id(&plan.name, &facts.key, self.number),
            revision: self.revision,
            at,
            why,
            open: true,
            state: alarm.state(),
            priority,
            subject: facts.subject.clone(),
            rule,
            value: alarm.value,
            peak: self.peak,
            setpoint: alarm.setpoint,
            over: plan.alarms[voice].over,
            since: self.since,
            recurred: recurred(book, &facts.alarms),
            fed: book.fed(&facts.subject),
        };
        self.last = Some(revision.clone());
        out.push(Output::Alert(revision));
    }

    /// Why a person must be told; `None`: nothing new for one.
    fn why(
        &self,
        (alarm, rule): (&Entry, Rule),
        (priority, instead): (Priority, bool),
        what: Option<&Stirred>,
    ) -> Option<Revised> {
        let change = match what {
            Some(Stirred::Changed(change)) => Some(change),
            _ => None,
        };
        match change {
            _ if !self.open => (!alarm.is_muted()).then_some(Revised::Opened),
            Some(ChangeKind::Acknowledged { by }) => Some(Revised::Acknowledged { by: by.clone() }),
            Some(ChangeKind::Shelved { by, until, .. }) => {
                Some(Revised::Shelved { by: by.clone(), until: *until })
            }
            Some(ChangeKind::Service { by, on: false }) => Some(Revised::OutOfService { by: by.clone() }),
            Some(ChangeKind::Unshelved { .. } | ChangeKind::Service { on: true, .. }) => {
                Some(Revised::Unshelved)
            }
            _ if alarm.is_muted() => None,
            _ if alarm.active && !self.active => Some(Revised::Worse),
            _ if !alarm.active && self.active => Some(Revised::Returned),
            _ if priority > self.priority => Some(Revised::Worse),
            _ if priority < self.priority => Some(Revised::Milder),
            _ if alarm.active && instead => Some(Revised::Instead),
            Some(ChangeKind::Raised) if alarm.active && self.is_further(rule) => Some(Revised::Worse),
            // Another alarm of the same rank rose after the first was seen.
            _ if self.was_seen() && !alarm.is_acknowledged() && priority.wants_acknowledgement() => {
                Some(Revised::Worse)
            }
            _ if what == Some(&Stirred::CameAgain) => Some(Revised::CameAgain),
            _ => None,
        }
    }

    /// Whether a level says more than what was told last: a lower level, the other side, or that it comes and goes.
    fn is_further(&self, rule: Rule) -> bool {
        let Rule::Level { bound, level } = rule else { return false };
        self.last.as_ref().is_some_and(|last| match last.rule {
            Rule::Level { bound: told, level: lower } => told != bound || lower < level,
            _ => true,
        })
    }

    /// Whether a meter's alarm of another kind speaks than was told last: silence is not a wrong map.
    fn speaks_instead(&self, facts: &SubjectPlan, rule: Rule) -> bool {
        let Some(last) = self.last.as_ref().filter(|_| self.open) else { return false };
        let same = match (last.rule, rule) {
            (Rule::Silent { .. }, Rule::Silent { .. }) => true,
            (told, now) => told == now,
        };
        facts.subject.matter == Matter::Meter && !same
    }

    fn was_seen(&self) -> bool {
        let seen = [AlarmState::Acknowledged, AlarmState::LatchedAcknowledged];
        self.last.as_ref().is_some_and(|last| seen.contains(&last.state))
    }

    /// Takes in the worst values of the subject's live alarms, and of the one that just changed.
    fn follow(&mut self, plan: &ScopePlan, book: &AlarmBook, facts: &SubjectPlan, changed: Option<AlarmIx>) {
        for alarm in facts.alarms.iter().copied() {
            let entry = book.entry(alarm);
            let bound = plan.alarms[alarm].rule.bound().unwrap_or(Bound::High);
            let counts = bound == self.bound && (entry.is_live() || changed == Some(alarm));
            if let Some(peak) = entry.peak.filter(|_| counts) {
                self.peak = Some(self.peak.map_or(peak, |known| self.bound.worse(known, peak)));
            }
        }
    }

    /// The alarm that spoke last.
    fn spoke(&self, plan: &ScopePlan, facts: &SubjectPlan) -> Option<AlarmIx> {
        let last = self.last.as_ref().filter(|_| self.open)?;
        facts.alarms.iter().copied().find(|alarm| plan.alarms[*alarm].rule == last.rule)
    }

    fn close(
        &mut self,
        plan: &ScopePlan,
        book: &AlarmBook,
        facts: &SubjectPlan,
        (at, why): (EventTime, Revised),
        out: &mut Vec<Output>,
    ) {
        let spoke = self.spoke(plan, facts);
        let Some(last) = self.last.clone().filter(|_| self.open) else { return };
        self.open = false;
        self.active = false;
        self.revision = self.revision.saturating_add(1);
        let revision = AlertRevision {
            revision: self.revision,
            at,
            why,
            open: false,
            state: AlarmState::Normal,
            value: spoke.and_then(|alarm| book.entry(alarm).value),
            peak: self.peak,
            recurred: last.recurred.map(|told| latest_count(book, &facts.alarms, told)),
            fed: book.fed(&facts.subject),
            ..last
        };
        self.last = Some(revision.clone());
        out.push(Output::Alert(revision));
    }
}

/// The alarm that speaks for a subject: one that holds before one that waits for a person, then the highest, then
/// one that nobody has seen, then a level that holds before a recurrence: it says how bad it is now.
fn speaking(plan: &ScopePlan, book: &AlarmBook, alarms: &[AlarmIx]) -> Option<AlarmIx> {
    let rank = |alarm: &AlarmIx| {
        let entry = book.entry(*alarm);
        let facts = &plan.alarms[*alarm];
        let recurs = matches!(facts.rule, Rule::Recurrence { .. });
        (entry.active, facts.priority, !entry.is_acknowledged(), entry.active != recurs, *alarm)
    };
    let hidden = |entry: &Entry| entry.active && entry.is_suppressed();
    alarms
        .iter()
        .copied()
        .filter(|alarm| book.entry(*alarm).is_live() && !hidden(book.entry(*alarm)))
        .max_by_key(rank)
}

/// How often the subject came lately, whichever alarm speaks.
fn recurred(book: &AlarmBook, alarms: &[AlarmIx]) -> Option<Recurred> {
    let mut live = alarms.iter().map(|alarm| book.entry(*alarm)).filter(|entry| entry.is_live());
    live.find_map(|entry| entry.recurred)
}

/// The count that was told, as far as it has come since.
fn latest_count(book: &AlarmBook, alarms: &[AlarmIx], told: Recurred) -> Recurred {
    let known = alarms.iter().filter_map(|alarm| book.entry(*alarm).recurred);
    known.filter(|count| count.since == told.since).max_by_key(|count| count.times).unwrap_or(told)
}

/// The id of an alert: the scope, the subject's key, and the how-manieth alert of it.
fn alert_id(scope: &str, key: &str, number: u32) -> String {
    format!("{scope}/{key}#{number}")
}
