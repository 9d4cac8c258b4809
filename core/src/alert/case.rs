//! One fault whose cause has a name: what was found of it, the alarms that it explains, and what people did about it.

use super::entry::AlertEntry;
use crate::alarm::book::Entry;
use crate::diagnosis::{Cause, Family, Finding, FindingChange, FindingStep, closeness, is_one_fault, stays};
use crate::output::{Matter, NamedCause, Subject};
use crate::plan::{ScopePlan, SubjectIx};
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// The most findings that one fault keeps: those that stand, then the latest of those that are over.
const MOST_KNOWN: usize = 4;

/// One fault with a named cause.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Case {
    pub(super) home: Home,
    /// Subjects whose alarms it explains, that of its alert among them.
    pub(super) members: Vec<SubjectIx>,
    /// What was found of it; never empty.
    known: Vec<NamedCause>,
    /// Whether it holds and what people did about it, kept as of an alarm.
    pub(super) hand: Entry,
}

/// Which alert tells of it.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Home {
    /// That of an alarm's subject, which was there before the cause was known.
    Subject(SubjectIx),
    /// One of its own, with its id.
    Own(String, Box<AlertEntry>),
}

/// A case as it is saved, by names.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SavedCase {
    /// The key of the subject whose alert tells of it; `None`: it has one of its own.
    pub home: Option<String>,
    /// Its own alert, with its id.
    pub own: Option<(String, AlertEntry)>,
    /// Keys of the subjects whose alarms it explains.
    pub members: Vec<String>,
    /// What was found of it.
    pub known: Vec<NamedCause>,
    /// Whether it holds and what people did about it.
    pub hand: Entry,
}

/// Whether people are told of a finding by an alert: not of an event without a fault, of what is for the record, nor of a meter
/// that gives nothing, of which its own alarm tells.
pub(super) fn is_told(facts: &Finding) -> bool {
    let by_alarm = facts.cause == Cause::MeterSilent;
    facts.priority > Priority::Journal && facts.cause.family() != Family::Event && !by_alarm
}

impl Case {
    /// A new one. `seen`: its alert was acknowledged before its cause was known.
    pub(super) fn new(home: Home, change: &FindingChange, seen: bool) -> Self {
        let mut hand = Entry::of_cause(change.facts.since);
        if seen {
            hand.acknowledge();
        }
        let members = match &home {
            Home::Subject(subject) => vec![*subject],
            Home::Own(..) => Vec::new(),
        };
        Self { home, members, known: vec![named(change)], hand }
    }

    pub(super) fn hand(&self) -> &Entry {
        &self.hand
    }

    /// The id of an alert of its own.
    pub(super) fn own_id(&self) -> &str {
        match &self.home {
            Home::Own(id, _) => id,
            Home::Subject(_) => "",
        }
    }

    /// Whether anything of it shows now.
    pub(super) fn stands(&self) -> bool {
        self.known.iter().any(|known| known.stands)
    }

    pub(super) fn has_pattern(&self) -> bool {
        self.known.iter().any(|known| known.stands && known.facts.pattern.is_some())
    }

    /// The findings of it that come and go and stand only because they may come again. `None`: another stands.
    pub(super) fn coming_and_going(&self) -> Option<Vec<String>> {
        let standing = self.known.iter().filter(|known| known.stands);
        let waits = |known: &NamedCause| {
            let comes_and_goes = known.facts.cause == Cause::ConnectionIntermittent;
            comes_and_goes.then(|| known.finding.clone())
        };
        standing.map(waits).collect()
    }

    /// What speaks for it: what stands before what is over, then the more urgent, then the later.
    fn speaking(&self) -> Option<&NamedCause> {
        let rank = |(index, known): &(usize, &NamedCause)| (known.stands, known.facts.priority, *index);
        self.known.iter().enumerate().max_by_key(rank).map(|(_, known)| known)
    }

    pub(super) fn named(&self) -> Box<NamedCause> {
        let known = self.speaking().cloned();
        Box::new(known.expect("a case begins with a finding, and its last one is never taken away"))
    }

    pub(super) fn priority(&self) -> Priority {
        self.speaking().map_or(Priority::Journal, |known| known.facts.priority)
    }

    /// What an alert of its own is about.
    pub(super) fn subject(&self) -> Subject {
        let NamedCause { facts, .. } = *self.named();
        Subject {
            transformer: Some(facts.transformer),
            feeder: facts.feeder,
            meter: None,
            matter: Matter::Cause(facts.cause, facts.place),
        }
    }

    pub(super) fn knows(&self, finding: &str) -> bool {
        self.known.iter().any(|known| known.finding == finding)
    }

    /// Whether a finding is of this fault.
    pub(super) fn is_of(&self, facts: &Finding) -> bool {
        self.known.iter().any(|known| {
            let near = match (known.facts.place, facts.place) {
                (Some(one), Some(other)) => one == other,
                _ => known.facts.cause != facts.cause || known.facts.place == facts.place,
            };
            is_one_fault(known.facts.cause, facts.cause) && known.facts.feeder == facts.feeder && near
        })
    }

    /// How well it explains alarms about a subject; `None`: not, or nothing of it shows.
    pub(super) fn closeness(&self, subject: &Subject) -> Option<u8> {
        let standing = self.known.iter().filter(|known| known.stands);
        standing.filter_map(|known| closeness(&known.facts, subject)).max()
    }

    /// Takes in what is new of a finding.
    pub(super) fn take(&mut self, change: &FindingChange) {
        let before = self.priority();
        let is_over = matches!(change.what, FindingStep::Ended | FindingStep::NoLongerWatched);
        match self.known.iter_mut().find(|known| known.finding == change.finding) {
            Some(known) => *known = named(change),
            None => self.add(change),
        }
        if is_over && !self.stands() {
            let latch = change.what == FindingStep::Ended && stays(change.facts.cause);
            self.hand.rest(latch, change.facts.priority.wants_acknowledgement());
            if change.what == FindingStep::NoLongerWatched {
                self.hand.acknowledge();
            }
        } else if !is_over && (!self.hand.active || self.priority() > before) {
            self.hand.since = if self.hand.active { self.hand.since } else { change.facts.since };
            self.hand.hold();
        }
    }

    fn add(&mut self, change: &FindingChange) {
        if self.known.len() >= MOST_KNOWN {
            let over = self.known.iter().position(|known| !known.stands).unwrap_or(0);
            self.known.remove(over);
        }
        self.known.push(named(change));
    }

    /// Another cause takes the place of those that are over.
    pub(super) fn replace(&mut self, change: &FindingChange) {
        self.known = vec![named(change)];
        self.hand.since = change.facts.since;
        self.hand.hold();
    }

    /// Our clock was corrected: what it stamped moves with it.
    pub(super) fn shift(&mut self, by: Span, from: EventTime) {
        if let Home::Own(_, entry) = &mut self.home {
            entry.shift(by, from, false);
        }
        if self.hand.active && self.hand.since >= from {
            self.hand.since += by;
        }
    }

    pub(super) fn save(&self, plan: &ScopePlan) -> SavedCase {
        let key = |subject: &SubjectIx| plan.subjects[*subject].key.clone();
        let (home, own) = match &self.home {
            Home::Subject(subject) => (Some(key(subject)), None),
            Home::Own(id, entry) => (None, Some((id.clone(), (**entry).clone()))),
        };
        SavedCase {
            home,
            own,
            members: self.members.iter().map(key).collect(),
            known: self.known.clone(),
            hand: self.hand.clone(),
        }
    }

    /// `None`: nothing is known of it. Where the plan no longer has what its alert was about, it gets one of its own, so that
    /// what else it explains stays told.
    pub(super) fn adopt(plan: &ScopePlan, saved: SavedCase) -> Option<Self> {
        let find = |key: &String| plan.subjects.iter().position(|subject| subject.key == *key);
        let subject = saved.home.as_ref().and_then(find).map(Home::Subject);
        let own = saved.own.map(|(id, entry)| Home::Own(id, Box::new(entry)));
        let id = || saved.known.last().map_or_else(String::new, |known| known.finding.clone());
        let new = || Home::Own(id(), Box::new(AlertEntry::NEW));
        let home = subject.or(own).unwrap_or_else(new);
        let members = saved.members.iter().filter_map(find).collect();
        (!saved.known.is_empty()).then_some(Self { home, members, known: saved.known, hand: saved.hand })
    }
}

fn named(change: &FindingChange) -> NamedCause {
    let stands = !matches!(change.what, FindingStep::Ended | FindingStep::NoLongerWatched);
    NamedCause { finding: change.finding.clone(), stands, facts: change.facts.clone() }
}
