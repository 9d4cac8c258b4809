//! One alert that people are told of: who was told what and when, and what is to be told next.

use super::Rules;
use kvarden_config::RuleSpec;
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::output::{AlertRevision, Revised};
use kvarden_core::plant::Priority;
use kvarden_core::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Reminders come at least so often, unless the first wait is longer already.
const LONGEST_AGAIN: Span = Span::hours(4);
/// What is new but neither worse by its priority nor its cause is told so long after the last message (common practice, no
/// source).
const NEWS_EVERY: Span = Span::hours(4);

/// Why a person is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Why {
    /// It is over.
    Cleared,
    /// The configuration no longer has it.
    NoLongerWatched,
    /// Its priority rose.
    Worse,
    /// Its cause is known now.
    Cause,
    /// It still holds when shelving, planned work or a flood ended, or it is calm after coming again and again.
    StillHolds,
    /// It came again, or another value is past its limit.
    CameAgain,
    /// It is new.
    New,
    /// This person has come on duty, and nobody has acknowledged.
    HandOver,
    /// Nobody has acknowledged, and this person is the next in line.
    NextInLine,
    /// Nobody has acknowledged.
    Reminder,
}

impl Why {
    /// The written form.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Cleared => "cleared",
            Self::NoLongerWatched => "no longer watched",
            Self::Worse => "worse",
            Self::Cause => "cause",
            Self::StillHolds => "still holds",
            Self::CameAgain => "came again",
            Self::New => "new",
            Self::HandOver => "hand-over",
            Self::NextInLine => "next in line",
            Self::Reminder => "reminder",
        }
    }

    /// Whether a letter that says so is needless once somebody has acknowledged.
    pub const fn is_needless_when_seen(self) -> bool {
        matches!(self, Self::HandOver | Self::NextInLine | Self::Reminder)
    }
}

/// What one person knows of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Told {
    pub(super) person: String,
    /// When last.
    at: EventTime,
    /// Up to which revision.
    revision: u32,
    /// The highest priority that was told.
    priority: Priority,
    /// Whether the cause was told.
    cause: bool,
    /// Reminders since it was new, or worse.
    reminders: u32,
    /// When the next is due.
    next: Option<EventTime>,
}

/// What is kept of an alert besides its newest revision.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Kept {
    /// Since when it is known here.
    heard: EventTime,
    /// When somebody was first told, or it began anew after an acknowledgement.
    begun: Option<EventTime>,
    /// How many of those next in line were told since.
    steps: u32,
    /// The latest news besides priority and cause, and its revision.
    news: Option<(Why, u32)>,
    told: Vec<Told>,
}

/// One alert.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Followed {
    pub(super) revision: AlertRevision,
    pub(super) kept: Kept,
}

/// Notes the soonest of some moments.
pub(super) fn soonest(wake: &mut Option<EventTime>, at: EventTime) {
    *wake = Some(wake.map_or(at, |wake| wake.min(at)));
}

impl Followed {
    pub(super) fn new(revision: AlertRevision, now: EventTime) -> Self {
        let kept = Kept { heard: now, begun: None, steps: 0, news: None, told: Vec::new() };
        Self { revision, kept }
    }

    /// Since when it is known here.
    pub(super) fn since(&self) -> EventTime {
        self.kept.heard
    }

    /// Takes a newer revision. Gives whether letters that remind of it have become needless.
    pub(super) fn take(&mut self, revision: AlertRevision, now: EventTime, rules: &Rules) -> bool {
        let waited = self.waits();
        let news = match &revision.why {
            Revised::Unshelved | Revised::Stands { .. } | Revised::Calm => Some(Why::StillHolds),
            Revised::CameAgain | Revised::Chattering | Revised::Worse | Revised::Instead => {
                Some(Why::CameAgain)
            }
            _ => None,
        };
        if let Some(news) = news {
            self.kept.news = Some((news, revision.revision));
        }
        self.revision = revision;
        let waits = self.waits();
        if waits && !waited && self.kept.begun.is_some() {
            // Seen, and now anew: who is told is reminded again.
            (self.kept.begun, self.kept.steps) = (Some(now), 0);
            let again = rules.telling.rule(self.revision.priority).and_then(|rule| rule.again);
            for told in &mut self.kept.told {
                (told.reminders, told.next) = (0, again.map(|again| now + again));
            }
        }
        waited && !waits
    }

    /// What another alert's people know: this one tells of the same fault from now on.
    pub(super) fn inherit(&mut self, other: Followed) {
        for told in other.kept.told {
            if self.kept.told.iter().all(|known| known.person != told.person) {
                let revision = self.revision.revision;
                self.kept.told.push(Told { revision, ..told });
            }
        }
        self.kept.begun = [self.kept.begun, other.kept.begun].into_iter().flatten().min();
    }

    /// Whether it waits for somebody to say that it was seen.
    pub(super) fn waits(&self) -> bool {
        use AlarmState::{LatchedUnacknowledged, ReturnedUnacknowledged, Unacknowledged};
        let unseen =
            matches!(self.revision.state, Unacknowledged | ReturnedUnacknowledged | LatchedUnacknowledged);
        self.revision.open && unseen
    }

    /// Whether people may be told of what is new: not while it is shelved or out of service, nor while planned work or a flood of
    /// alarms holds it back. What is urgent nothing holds back.
    fn may_tell(&self) -> bool {
        use AlarmState::{OutOfService, Shelved, SuppressedByDesign};
        let is_held = self.revision.held.is_some() && self.revision.priority < Priority::Urgent;
        !is_held && !matches!(self.revision.state, Shelved | OutOfService | SuppressedByDesign)
    }

    /// Whether nothing is left to tell.
    pub(super) fn is_done(&self, rules: &Rules) -> bool {
        !self.revision.open && self.ends(rules).next().is_none()
    }

    /// Those who are still to hear that it is over: who was told that it is high or urgent.
    fn ends<'a>(&'a self, rules: &'a Rules) -> impl Iterator<Item = usize> + 'a {
        let told = self.kept.told.iter();
        let told =
            told.filter(|told| told.revision < self.revision.revision && told.priority >= Priority::High);
        told.filter_map(|told| rules.person(&told.person))
    }

    /// The priority by which people are told: at the end that of what they know.
    pub(super) fn priority(&self) -> Priority {
        let known = self.kept.told.iter().map(|told| told.priority).max();
        if self.revision.open { self.revision.priority } else { known.unwrap_or(self.revision.priority) }
    }

    /// Who is to be told now, and why. `line`: who is on duty and who follows. `wake`: when to look again.
    pub(super) fn wants(
        &self,
        now: EventTime,
        rules: &Rules,
        line: &[usize],
        wake: &mut Option<EventTime>,
    ) -> Vec<(usize, Why)> {
        if !self.revision.open {
            let why = match self.revision.why {
                Revised::NoLongerWatched => Why::NoLongerWatched,
                _ => Why::Cleared,
            };
            return self.ends(rules).map(|person| (person, why)).collect();
        }
        let Some(rule) = rules.telling.rule(self.revision.priority) else { return Vec::new() };
        if !self.may_tell() {
            return Vec::new();
        }
        let mut wants = Vec::new();
        if self.kept.told.is_empty() {
            wants.extend(self.first(now, rule, line, wake));
            return wants;
        }
        for told in &self.kept.told {
            let Some(person) = rules.person(&told.person) else { continue };
            if let Some(why) = self.news(told, now, wake) {
                // Who is told anything needs no reminder beside it.
                wants.push((person, why));
            } else if let Some(next) = told.next.filter(|_| self.waits()) {
                if next <= now { wants.push((person, Why::Reminder)) } else { soonest(wake, next) }
            }
        }
        if self.waits() {
            let knows = |person: &usize| {
                self.kept.told.iter().any(|told| rules.person(&told.person) == Some(*person))
            };
            let on_duty = line.first().filter(|person| !knows(person));
            if self.revision.priority >= Priority::High {
                wants.extend(on_duty.map(|person| (*person, Why::HandOver)));
            }
            let next = line.iter().find(|person| !knows(person));
            if let (Some(wait), Some(begun), Some(next)) = (rule.next_in_line, self.kept.begun, next) {
                let due = begun + wait.times(i64::from(self.kept.steps) + 1);
                if due <= now { wants.push((*next, Why::NextInLine)) } else { soonest(wake, due) }
            }
        }
        wants
    }

    /// The first who is told.
    fn first(
        &self,
        now: EventTime,
        rule: &RuleSpec,
        line: &[usize],
        wake: &mut Option<EventTime>,
    ) -> Option<(usize, Why)> {
        use AlarmState::{LatchedUnacknowledged, Unacknowledged};
        if !matches!(self.revision.state, Unacknowledged | LatchedUnacknowledged) {
            return None;
        }
        let due = match self.revision.cause {
            Some(_) => self.kept.heard,
            None => self.kept.heard + rule.wait_for_cause,
        };
        if due > now {
            soonest(wake, due);
            return None;
        }
        line.first().map(|person| (*person, Why::New))
    }

    /// What is new to somebody who was told.
    fn news(&self, told: &Told, now: EventTime, wake: &mut Option<EventTime>) -> Option<Why> {
        if told.revision >= self.revision.revision {
            return None;
        }
        if self.revision.priority > told.priority {
            return Some(Why::Worse);
        }
        if self.revision.cause.is_some() && !told.cause {
            return Some(Why::Cause);
        }
        let (news, _) = self.kept.news.filter(|(_, revision)| *revision > told.revision)?;
        // That it chatters is the last that is told of it for a while.
        let at_once = news == Why::StillHolds || self.revision.why == Revised::Chattering;
        let due = if at_once { now } else { told.at + NEWS_EVERY };
        if due <= now {
            return Some(news);
        }
        soonest(wake, due);
        None
    }

    /// Notes that a person is told. Gives the number of the reminder, if it is one, and when the next follows.
    pub(super) fn tell(
        &mut self,
        person: &str,
        why: Why,
        now: EventTime,
        rules: &Rules,
    ) -> (Option<u32>, Option<EventTime>) {
        let again = rules.telling.rule(self.revision.priority).and_then(|rule| rule.again);
        let waits = self.waits();
        self.kept.begun.get_or_insert(now);
        if why == Why::NextInLine {
            self.kept.steps += 1;
        }
        let place = self.kept.told.iter().position(|told| told.person == person);
        let place = place.unwrap_or_else(|| {
            let none = Told {
                person: person.to_owned(),
                at: now,
                revision: 0,
                priority: Priority::Journal,
                cause: false,
                reminders: 0,
                next: None,
            };
            self.kept.told.push(none);
            self.kept.told.len() - 1
        });
        let told = &mut self.kept.told[place];
        let number = (why == Why::Reminder).then(|| {
            told.reminders += 1;
            told.reminders
        });
        match why {
            Why::Reminder | Why::StillHolds => {
                told.next = again.map(|again| now + grown(again, told.reminders));
            }
            Why::New | Why::HandOver | Why::NextInLine | Why::Worse => {
                (told.reminders, told.next) = (0, again.map(|again| now + again));
            }
            _ => {}
        }
        told.next = told.next.filter(|_| waits);
        told.at = now;
        told.revision = self.revision.revision;
        told.priority = told.priority.max(self.revision.priority);
        told.cause |= self.revision.cause.is_some();
        (number, told.next)
    }

    /// Our clock was corrected: what it dated moves with it.
    pub(super) fn shift(&mut self, by: Span) {
        self.kept.heard += by;
        self.kept.begun = self.kept.begun.map(|at| at + by);
        for told in &mut self.kept.told {
            told.at += by;
            told.next = told.next.map(|at| at + by);
        }
    }
}

/// The wait after so many reminders.
fn grown(again: Span, reminders: u32) -> Span {
    let longest = again.max(LONGEST_AGAIN);
    again.times(1 << reminders.min(12)).min(longest)
}
