//! Where one alert stands, and what of it is new for a person.

use super::about::{About, News, Voice};
use super::case::Case;
use crate::alarm::book::{AlarmBook, Stirred};
use crate::alarm::state::AlarmState;
use crate::diagnosis::FindingStep;
use crate::output::{AlertRevision, ChangeKind, Held, Matter, Output, Recurred, Revised, Rule};
use crate::plan::AlarmIx;
use crate::plant::{Bound, Priority};
use crate::stamps::Stamped;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Where one alert stands.
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
    pub(super) since: EventTime,
    /// The worst value since it opened, on the side of `bound`.
    peak: Option<f64>,
    bound: Bound,
    /// People were told of it.
    #[serde(default = "yes")]
    told: bool,
    last: Option<AlertRevision>,
}

/// What was saved before anything was held back was told.
const fn yes() -> bool {
    true
}

impl AlertEntry {
    pub(super) const NEW: Self = Self {
        number: 0,
        revision: 0,
        open: false,
        active: false,
        priority: Priority::Journal,
        since: EventTime(0),
        peak: None,
        bound: Bound::High,
        told: false,
        last: None,
    };

    /// What is kept of one of which nothing else may be kept.
    pub(super) fn counted(number: u32) -> Self {
        Self { number, ..Self::NEW }
    }

    /// The latest revision, if there ever was one.
    pub fn latest(&self) -> Option<&AlertRevision> {
        self.last.as_ref()
    }

    /// Tells what is new.
    pub(super) fn look(&mut self, about: &About<'_>, news: News<'_>, out: &mut Vec<Output>) {
        if let Some(changed) = news.alarm {
            self.follow(about, about.voice(changed), Some(changed));
        }
        let speaking = about.speaking();
        if speaking.is_none() && !about.is_muted() && !about.chatters() {
            self.close(about, news, out);
            return;
        }
        let spoke = || self.spoke(about).map(|alarm| about.voice(alarm));
        let Some(voice) = speaking.or_else(spoke) else { return };
        let priority = about.priority().unwrap_or(self.priority);
        // A level that holds while it comes again speaks for a recurrence of its rank.
        let of_rank = |what: &&Stirred| {
            let stirred = news.alarm.map(|alarm| about.plan.alarms[alarm].priority);
            **what != Stirred::CameAgain
                || voice.entry.recurred.is_some()
                || stirred.is_some_and(|stirred| stirred >= voice.priority)
        };
        let what = news.what.filter(of_rank);
        let instead = self.speaks_instead(&voice);
        let Some(why) = self.why(about, &voice, (priority, instead), what) else { return };
        if !self.open {
            let number = self.number.saturating_add(1);
            *self = Self { number, open: true, since: voice.entry.since, ..Self::NEW };
        }
        let told = self.last.as_ref().map(|last| last.subject.clone());
        let subject =
            voice.subject.cloned().or_else(|| told.clone()).or_else(|| about.case.map(Case::subject));
        let Some(subject) = subject else { return };
        let bound = voice.rule.bound().unwrap_or(self.bound);
        if self.bound != bound || told.is_some_and(|told| told != subject) {
            (self.bound, self.peak) = (bound, None);
        }
        self.follow(about, voice, None);
        (self.active, self.priority) = (voice.entry.active, priority);
        self.since = if instead { voice.entry.since } else { self.since.min(voice.entry.since) };
        self.revision = self.revision.saturating_add(1);
        let held = about.held(&subject, priority, &why);
        self.told |= held.is_none();
        let revision = AlertRevision {
            alert: about.id(self.number),
            revision: self.revision,
            at: news.at,
            why,
            open: true,
            state: voice.entry.state(),
            priority,
            fed: about.book.fed(&subject),
            subject,
            rule: voice.rule,
            value: voice.entry.value,
            peak: self.peak,
            setpoint: voice.entry.setpoint,
            over: voice.over,
            since: self.since,
            recurred: recurred(about.book, voice.alarms),
            cause: about.case.map(Case::named).or_else(|| about.flood?.root.clone()),
            held,
            flood: about.flooding(),
        };
        self.last = Some(revision.clone());
        out.push(Output::Alert(revision));
    }

    /// Why a person must be told; `None`: nothing new for one.
    fn why(
        &self,
        about: &About<'_>,
        voice: &Voice<'_>,
        (priority, instead): (Priority, bool),
        what: Option<&Stirred>,
    ) -> Option<Revised> {
        let change = match what {
            Some(Stirred::Changed(change)) => Some(change),
            _ => None,
        };
        let cause = match what {
            Some(Stirred::Cause(step)) => Some(*step),
            _ => None,
        };
        let entry = voice.entry;
        let is_held_down = about.chatters() && priority <= self.priority;
        match change {
            _ if what == Some(&Stirred::Chattering) && about.chatters() && !entry.is_muted() => {
                Some(Revised::Chattering)
            }
            _ if !self.open => (!entry.is_muted()).then_some(Revised::Opened),
            Some(ChangeKind::Acknowledged { by }) => Some(Revised::Acknowledged { by: by.clone() }),
            Some(ChangeKind::Shelved { by, until, .. }) => {
                Some(Revised::Shelved { by: by.clone(), until: *until })
            }
            Some(ChangeKind::Service { by, on: false, .. }) => Some(Revised::OutOfService { by: by.clone() }),
            Some(ChangeKind::Unshelved { .. } | ChangeKind::Service { on: true, .. }) => {
                Some(Revised::Unshelved)
            }
            _ if entry.is_muted() || is_held_down => None,
            _ if what == Some(&Stirred::WorkBegun) => Some(Revised::WorkBegun),
            _ if what == Some(&Stirred::NotHeld) && self.is_owed() => {
                self.held_by().map(|after| Revised::Stands { after })
            }
            _ if entry.active && !self.active => Some(Revised::Worse),
            _ if !entry.active && self.active => Some(Revised::Returned),
            _ if what == Some(&Stirred::Calm) => Some(Revised::Calm),
            _ if cause == Some(FindingStep::Found) => Some(Revised::Explained),
            _ if priority > self.priority => Some(Revised::Worse),
            _ if cause.is_some_and(is_over) => Some(Revised::CauseOver),
            _ if priority < self.priority => Some(Revised::Milder),
            _ if cause == Some(FindingStep::Worse) => Some(Revised::CameAgain),
            _ if entry.active && instead => Some(Revised::Instead),
            Some(ChangeKind::Raised) if entry.active && self.is_further(voice) => Some(Revised::Worse),
            // Another alarm of the same rank rose after the first was seen; of a known fault that is no news.
            _ if self.was_seen()
                && !entry.is_acknowledged()
                && priority.wants_acknowledgement()
                && !about.case.is_some_and(Case::stands) =>
            {
                Some(Revised::Worse)
            }
            // Where the cause has a pattern, that counts.
            _ if what == Some(&Stirred::CameAgain) && !about.case.is_some_and(Case::has_pattern) => {
                Some(Revised::CameAgain)
            }
            _ => None,
        }
    }

    /// Whether a level says more than what was told last of its subject: a lower level, the other side, or that it comes
    /// and goes.
    fn is_further(&self, voice: &Voice<'_>) -> bool {
        let Rule::Level { bound, level } = voice.rule else { return false };
        self.last.as_ref().filter(|last| voice.subject == Some(&last.subject)).is_some_and(|last| match last
            .rule
        {
            Rule::Level { bound: told, level: lower } => told != bound || lower < level,
            Rule::Cause => false,
            _ => true,
        })
    }

    /// Whether a meter's alarm of another kind speaks than was told last: silence is not a wrong map.
    fn speaks_instead(&self, voice: &Voice<'_>) -> bool {
        let Some(last) = self.last.as_ref().filter(|_| self.open) else { return false };
        let same = match (last.rule, voice.rule) {
            (Rule::Silent { .. }, Rule::Silent { .. }) | (Rule::Cause, _) | (_, Rule::Cause) => true,
            (told, now) => told == now,
        };
        voice.subject.is_some_and(|subject| subject.matter == Matter::Meter) && !same
    }

    /// Whether it is open and people were not told of its latest revision.
    pub(super) fn is_owed(&self) -> bool {
        self.held_by().is_some()
    }

    /// Why people were not told of its latest revision, while it is open.
    pub(super) fn held_by(&self) -> Option<Held> {
        self.last.as_ref().filter(|_| self.open)?.held
    }

    /// Whether it is open and told of, and not urgent.
    pub(super) fn can_be_held(&self) -> bool {
        self.open && !self.is_owed() && self.priority < Priority::Urgent
    }

    fn was_seen(&self) -> bool {
        let seen = [AlarmState::Acknowledged, AlarmState::LatchedAcknowledged];
        self.last.as_ref().is_some_and(|last| seen.contains(&last.state))
    }

    /// Takes in the worst values of the live alarms of one subject, and of the one that just changed. While another subject
    /// speaks, they are not of what was told.
    fn follow(&mut self, about: &About<'_>, voice: Voice<'_>, changed: Option<AlarmIx>) {
        let told = self.last.as_ref().filter(|_| self.open && changed.is_some());
        if told.is_some_and(|last| voice.subject != Some(&last.subject)) {
            return;
        }
        for alarm in voice.alarms.iter().copied() {
            let entry = about.book.entry(alarm);
            let bound = about.plan.alarms[alarm].rule.bound().unwrap_or(Bound::High);
            let counts = bound == self.bound && (entry.is_live() || changed == Some(alarm));
            if let Some(peak) = entry.peak.filter(|_| counts) {
                self.peak = Some(self.peak.map_or(peak, |known| self.bound.worse(known, peak)));
            }
        }
    }

    /// The alarm that spoke last.
    fn spoke(&self, about: &About<'_>) -> Option<AlarmIx> {
        let last = self.last.as_ref().filter(|_| self.open)?;
        about.alarms.iter().copied().find(|alarm| {
            let facts = &about.plan.alarms[*alarm];
            facts.rule == last.rule && about.plan.subjects[facts.subject].subject == last.subject
        })
    }

    /// Another alert of the same fault goes on in its place.
    pub(super) fn merge(&mut self, about: &About<'_>, at: EventTime, into: String, out: &mut Vec<Output>) {
        let Some(last) = self.last.clone().filter(|_| self.open) else { return };
        let voice = about.speaking();
        let revision = AlertRevision {
            state: voice.as_ref().map_or(last.state, |voice| voice.entry.state()),
            value: voice.and_then(|voice| voice.entry.value),
            ..last
        };
        self.end(revision, (at, Revised::Merged { into }), out);
    }

    fn close(&mut self, about: &About<'_>, news: News<'_>, out: &mut Vec<Output>) {
        let spoke = self.spoke(about);
        let Some(last) = self.last.clone().filter(|_| self.open) else { return };
        let own = about.plan.subjects.iter().find(|known| known.subject == last.subject);
        let alarms = own.map_or(&[][..], |known| &known.alarms);
        // What a person found is told where a cause had been named.
        let why = match (news.what, about.case) {
            (Some(Stirred::Changed(ChangeKind::Released { by, note })), Some(_)) => {
                Revised::Released { by: by.clone(), note: note.clone() }
            }
            (Some(Stirred::SupplyLost), _) => Revised::SupplyLost,
            _ => news.end.clone(),
        };
        let revision = AlertRevision {
            state: AlarmState::Normal,
            value: spoke.and_then(|alarm| about.book.entry(alarm).value),
            recurred: last.recurred.map(|told| latest_count(about.book, alarms, told)),
            fed: about.book.fed(&last.subject),
            cause: about.case.map(Case::named).or_else(|| about.flood?.root.clone()),
            flood: about.flooding(),
            ..last
        };
        self.end(revision, (news.at, why), out);
    }

    fn end(&mut self, told: AlertRevision, (at, why): (EventTime, Revised), out: &mut Vec<Output>) {
        self.open = false;
        self.active = false;
        self.revision = self.revision.saturating_add(1);
        // Of what nobody was told nobody needs to hear that it is over.
        let held = if self.told { None } else { told.held };
        let revision =
            AlertRevision { revision: self.revision, at, why, open: false, peak: self.peak, held, ..told };
        self.last = Some(revision.clone());
        out.push(Output::Alert(revision));
    }

    /// Moves what is remembered by a correction of our clock, as its alarms are moved. `itself`: the readings that it is about bear
    /// the stamps of their meter.
    pub(super) fn shift(&mut self, by: Span, from: EventTime, itself: bool) {
        let Some(last) = self.last.as_mut().filter(|_| self.open) else { return };
        let stamps = last.doubtful(from, itself, None);
        last.redate(stamps, by);
        self.since = last.since;
    }

    /// Says that the configuration no longer has what it is about.
    pub(super) fn no_longer_watched(&self, at: EventTime) -> Option<AlertRevision> {
        let last = self.last.as_ref().filter(|_| self.open)?;
        Some(AlertRevision {
            revision: self.revision + 1,
            at,
            why: Revised::NoLongerWatched,
            open: false,
            state: AlarmState::Normal,
            ..last.clone()
        })
    }
}

fn is_over(step: FindingStep) -> bool {
    matches!(step, FindingStep::Ended | FindingStep::NoLongerWatched)
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
pub(super) fn alert_id(scope: &str, key: &str, number: u32) -> String {
    format!("{scope}/{key}#{number}")
}
