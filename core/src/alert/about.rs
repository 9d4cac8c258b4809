//! What an alert is about at a moment, who speaks for it, and whether people are told.

use super::alert_id;
use super::case::Case;
use crate::alarm::book::{AlarmBook, Entry, Stirred};
use crate::output::{Flooding, Held, NamedCause, Revised, Rule, Subject};
use crate::plan::{AlarmIx, ScopePlan};
use crate::plant::Priority;
use crate::time::{EventTime, Span};

/// What an alert is about at this moment.
#[derive(Clone, Copy)]
pub(super) struct About<'a> {
    pub(super) plan: &'a ScopePlan,
    pub(super) book: &'a AlarmBook,
    /// Key of its subject; `None`: a cause that no alarm announced.
    pub(super) key: Option<&'a str>,
    pub(super) alarms: &'a [AlarmIx],
    /// The fault, once its cause is known.
    pub(super) case: Option<&'a Case>,
    /// For a flood of alarms: its likely root, and how many other alerts of the scope are open.
    pub(super) flood: Option<&'a AboutFlood>,
}

/// What is known around a flood of alarms.
pub(super) struct AboutFlood {
    pub(super) root: Option<Box<NamedCause>>,
    pub(super) open: u32,
}

/// What has just happened.
#[derive(Clone, Copy)]
pub(super) struct News<'a> {
    pub(super) at: EventTime,
    pub(super) what: Option<&'a Stirred>,
    /// To which alarm.
    pub(super) alarm: Option<AlarmIx>,
    /// The reason to give if this is the end of it.
    pub(super) end: &'a Revised,
}

/// Who speaks for an alert: one of its alarms, or its cause.
#[derive(Clone, Copy)]
pub(super) struct Voice<'a> {
    pub(super) entry: &'a Entry,
    pub(super) rule: Rule,
    pub(super) over: Option<Span>,
    /// The alarms of its subject: what the worst value and the count are of.
    pub(super) alarms: &'a [AlarmIx],
    pub(super) subject: Option<&'a Subject>,
    pub(super) priority: Priority,
}

impl<'a> About<'a> {
    /// The id of the alert.
    pub(super) fn id(&self, number: u32) -> String {
        match (self.key, self.case) {
            (None, Some(case)) => case.own_id().to_owned(),
            (key, _) => alert_id(&self.plan.name, key.unwrap_or_default(), number),
        }
    }

    pub(super) fn voice(&self, alarm: AlarmIx) -> Voice<'a> {
        let facts = &self.plan.alarms[alarm];
        let subject = &self.plan.subjects[facts.subject];
        Voice {
            entry: self.book.entry(alarm),
            rule: facts.rule,
            over: facts.over,
            alarms: &subject.alarms,
            subject: Some(&subject.subject),
            priority: facts.priority,
        }
    }

    /// An alarm that holds speaks before its cause; a cause before what waits for a person only.
    pub(super) fn speaking(&self) -> Option<Voice<'a>> {
        let alarm = speaking(self.plan, self.book, self.alarms).map(|alarm| self.voice(alarm));
        let cause = self.case.filter(|case| case.hand().is_live()).map(|case| Voice {
            entry: case.hand(),
            rule: Rule::Cause,
            over: None,
            alarms: &[],
            subject: None,
            priority: case.priority(),
        });
        let before = |alarm: &Voice<'_>| {
            let cause = cause.as_ref().map(|cause| cause.entry);
            alarm.entry.active || cause.is_none_or(|cause| !cause.active && !cause.is_latched())
        };
        alarm.filter(before).or(cause)
    }

    /// Whether an alarm of it rises again and again within a minute. A fault with a named cause has a pattern instead.
    pub(super) fn chatters(&self) -> bool {
        self.case.is_none() && self.alarms.iter().any(|alarm| self.book.entry(*alarm).chatter.is_on())
    }

    /// Why people are not told of a revision.
    pub(super) fn held(&self, subject: &Subject, priority: Priority, why: &Revised) -> Option<Held> {
        let by_person = matches!(
            why,
            Revised::Acknowledged { .. }
                | Revised::Shelved { .. }
                | Revised::Unshelved
                | Revised::OutOfService { .. }
                | Revised::Released { .. }
        );
        if priority == Priority::Urgent || by_person {
            return None;
        }
        let chatters = || self.chatters() && *why != Revised::Chattering;
        self.book.held(self.plan, subject).or_else(|| chatters().then_some(Held::Chattering))
    }

    pub(super) fn flooding(&self) -> Option<Box<Flooding>> {
        let (about, now) = (self.flood?, self.book.flood().now()?);
        Some(Box::new(Flooding { open: about.open, ..now.clone() }))
    }

    pub(super) fn is_muted(&self) -> bool {
        let alarms = self.alarms.iter().any(|alarm| self.book.entry(*alarm).is_muted());
        alarms || self.case.is_some_and(|case| case.hand().is_muted())
    }

    /// The highest priority of what holds or waits for a person.
    pub(super) fn priority(&self) -> Option<Priority> {
        let live = self.alarms.iter().filter(|alarm| self.book.entry(**alarm).is_live());
        let alarms = live.map(|alarm| self.plan.alarms[*alarm].priority).max();
        let cause = self.case.filter(|case| case.hand().is_live()).map(Case::priority);
        alarms.max(cause)
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
