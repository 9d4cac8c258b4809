//! The book of one scope's alarms: their states and every step of them.
//!
//! Only this room changes an alarm's state. Whether the condition holds is decided by the watches; what people
//! order is carried out next door, in `orders`.

pub use super::entry::Entry;
pub use super::holds::SavedHolds;
pub use super::orders::{Hand, LONGEST_SHELVING};

use super::flood::Flood;
use super::state::AlarmState;
use super::work::Works;
use crate::diagnosis::FindingStep;
use crate::output::{Change, ChangeKind, Output, Recurred, Risen, Rule, Subject};
use crate::plan::{AlarmIx, ScopePlan, SubjectIx};
use crate::plant::{Bound, Priority};
use crate::supply::OtherSupply;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// What is known when an alarm rises.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Raise {
    /// Since when the condition holds.
    pub since: EventTime,
    /// The value now.
    pub value: Option<f64>,
    /// The worst value since then.
    pub peak: Option<f64>,
    /// The limit.
    pub setpoint: Option<f64>,
    /// How often, for a recurrence.
    pub recurred: Option<Recurred>,
}

impl Raise {
    /// For a condition without a value, such as silence.
    pub const fn without_value(since: EventTime) -> Self {
        Self { since, value: None, peak: None, setpoint: None, recurred: None }
    }
}

/// Something happened to an alarm, so its subject's alert must be looked at.
#[derive(Debug, Clone, PartialEq)]
pub struct Stir {
    /// What the alert is about.
    pub subject: SubjectIx,
    /// Which alarm.
    pub alarm: AlarmIx,
    /// When.
    pub at: EventTime,
    /// What.
    pub what: Stirred,
}

/// What happened to an alarm.
#[derive(Debug, Clone, PartialEq)]
pub enum Stirred {
    /// A step of it was told.
    Changed(ChangeKind),
    /// A recurrence rose, or a standing one came so often again that a person must know.
    CameAgain,
    /// Its cause was found, changed or is over.
    Cause(FindingStep),
    /// It rose for the third time within a minute.
    Chattering,
    /// It has not risen for so long that it is calm.
    Calm,
    /// Planned work has begun there.
    WorkBegun,
    /// What held it back is over.
    NotHeld,
    /// It follows from a supply that is lost.
    SupplyLost,
}

/// The alarms of one scope.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmBook {
    pub(super) entries: Box<[Entry]>,
    /// What the alerts have not looked at yet.
    dirty: Vec<Stir>,
    /// Feeders, by name, that another transformer than this scope's feeds now, or of which that is not known.
    elsewhere: Vec<(String, OtherSupply)>,
    pub(super) works: Works,
    pub(super) flood: Flood,
}

impl AlarmBook {
    /// A book in which nothing ever rose.
    pub fn new(alarms: usize) -> Self {
        let entries = vec![Entry::NEW; alarms].into_boxed_slice();
        let (works, flood) = (Works::default(), Flood::default());
        Self { entries, dirty: Vec::with_capacity(16), elsewhere: Vec::new(), works, flood }
    }

    /// Notes which feeders another transformer than this scope's feeds now, or of which that is not known.
    pub(crate) fn note_elsewhere(&mut self, elsewhere: Vec<(String, OtherSupply)>) {
        self.elsewhere = elsewhere;
    }

    /// Feeders, by name, that another transformer than this scope's feeds now, or of which that is not known.
    pub(crate) fn elsewhere(&self) -> &[(String, OtherSupply)] {
        &self.elsewhere
    }

    /// What feeds the feeder of which a value is judged, where that is not the transformer of the subject.
    pub(crate) fn fed(&self, subject: &Subject) -> Option<OtherSupply> {
        let feeder = subject.feeder.as_ref().filter(|_| subject.measurand().is_some())?;
        self.elsewhere.iter().find(|(name, _)| name == feeder).map(|(_, fed)| fed.clone())
    }

    /// One alarm.
    pub fn entry(&self, alarm: AlarmIx) -> &Entry {
        &self.entries[alarm]
    }

    /// Puts back an alarm as it was saved.
    pub fn restore(&mut self, alarm: AlarmIx, entry: Entry) {
        self.entries[alarm] = entry;
    }

    /// What changed since the last call, for the alerts. The order is that of the changes.
    pub fn take_dirty(&mut self) -> std::vec::Drain<'_, Stir> {
        self.dirty.drain(..)
    }

    /// What changed of these subjects is told together, not one by one.
    pub(crate) fn forget(&mut self, subjects: &[SubjectIx]) {
        self.dirty.retain(|stir| !subjects.contains(&stir.subject));
    }

    /// Whether an alert must be looked at.
    pub fn is_dirty(&self) -> bool {
        !self.dirty.is_empty()
    }

    /// The condition holds.
    pub fn raise(
        &mut self,
        plan: &ScopePlan,
        alarm: AlarmIx,
        at: EventTime,
        raise: Raise,
        out: &mut Vec<Output>,
    ) {
        let from = self.entries[alarm].state();
        let entry = &mut self.entries[alarm];
        if entry.active {
            return;
        }
        entry.raised = entry.raised.saturating_add(1);
        entry.step = 0;
        entry.active = true;
        entry.acknowledged = false;
        entry.latched = false;
        entry.since = raise.since;
        entry.value = raise.value;
        entry.peak = raise.peak;
        entry.setpoint = raise.setpoint;
        entry.recurred = raise.recurred;
        self.tell(plan, alarm, at, from, ChangeKind::Raised, out);
    }

    /// The condition is gone; `value` is the one that shows it, where there is one.
    pub fn clear(
        &mut self,
        plan: &ScopePlan,
        alarm: AlarmIx,
        at: EventTime,
        value: Option<f64>,
        out: &mut Vec<Output>,
    ) {
        let from = self.entries[alarm].state();
        let entry = &mut self.entries[alarm];
        if !entry.active {
            return;
        }
        entry.active = false;
        entry.value = value;
        let facts = &plan.alarms[alarm];
        entry.latched = facts.latch;
        if !facts.priority.wants_acknowledgement() && !facts.latch {
            entry.acknowledged = true;
        }
        self.tell(plan, alarm, at, from, ChangeKind::Cleared, out);
    }

    /// The id of an alarm as it last rose.
    pub(crate) fn id(&self, plan: &ScopePlan, alarm: AlarmIx) -> String {
        alarm_id(&plan.name, &plan.alarms[alarm].key, self.entries[alarm].raised)
    }

    /// Follows the value of an alarm whose condition holds.
    pub fn follow(&mut self, plan: &ScopePlan, alarm: AlarmIx, value: f64) {
        let entry = &mut self.entries[alarm];
        if entry.active {
            entry.value = Some(value);
            let bound = plan.alarms[alarm].rule.bound().unwrap_or(Bound::High);
            entry.peak = Some(entry.peak.map_or(value, |peak| bound.worse(peak, value)));
        }
    }

    /// A standing recurrence came again. A person is told at each doubling of the count: 4, 8, 16 times and so on.
    pub fn came_again(
        &mut self,
        plan: &ScopePlan,
        alarm: AlarmIx,
        at: EventTime,
        recurred: Recurred,
        peak: f64,
    ) {
        self.follow(plan, alarm, peak);
        self.entries[alarm].recurred = Some(recurred);
        if recurred.times.is_power_of_two() {
            self.stir(plan.alarms[alarm].subject, alarm, at, Stirred::CameAgain);
        }
    }

    /// When a standing recurrence was last seen, before it clears.
    pub fn last_seen(&mut self, alarm: AlarmIx, recurred: Recurred) {
        let entry = &mut self.entries[alarm];
        if entry.active {
            entry.recurred = Some(recurred);
        }
    }

    /// Lets the highest level that holds speak for those below it. `levels` are the mildest first.
    pub fn ladder(
        &mut self,
        plan: &ScopePlan,
        levels: impl DoubleEndedIterator<Item = AlarmIx>,
        at: EventTime,
        out: &mut Vec<Output>,
    ) {
        let mut higher_holds = false;
        for alarm in levels.rev() {
            let from = self.entries[alarm].state();
            let entry = &mut self.entries[alarm];
            let was = std::mem::replace(&mut entry.suppressed, higher_holds);
            if entry.active && was != higher_holds {
                let what = if higher_holds { ChangeKind::Suppressed } else { ChangeKind::Unsuppressed };
                self.tell(plan, alarm, at, from, what, out);
            }
            higher_holds |= self.entries[alarm].active;
        }
    }

    /// The soonest end of a shelving, of planned work or of what is not calm, or the start of planned work.
    pub fn next_deadline(&self, plan: &ScopePlan) -> Option<EventTime> {
        let ends = self.entries.iter().flat_map(|entry| [entry.shelved, entry.chatter.ends()]);
        ends.chain([self.next_work(plan), self.flood.ends()]).flatten().min()
    }

    /// Moves one alarm's memory by a correction of the clock that stamped it: what was stamped since `from`, for before that
    /// the clock was right.
    pub fn shift(&mut self, alarm: AlarmIx, by: Span, from: EventTime) {
        let entry = &mut self.entries[alarm];
        let shift = |stamp: &mut EventTime| {
            if *stamp >= from {
                *stamp += by;
            }
        };
        entry.chatter.shift(by);
        if entry.is_live() {
            shift(&mut entry.since);
            if let Some(recurred) = &mut entry.recurred {
                shift(&mut recurred.since);
                shift(&mut recurred.latest);
            }
        }
    }

    pub(super) fn tell(
        &mut self,
        plan: &ScopePlan,
        alarm: AlarmIx,
        at: EventTime,
        from: AlarmState,
        what: ChangeKind,
        out: &mut Vec<Output>,
    ) {
        let facts = &plan.alarms[alarm];
        let entry = &mut self.entries[alarm];
        entry.step = entry.step.saturating_add(1);
        let rises = what == ChangeKind::Raised;
        let state = entry.state();
        let is_told = rises && state == AlarmState::Unacknowledged && facts.priority > Priority::Journal;
        let stirred = if is_told && entry.chatter.rise(at) {
            Stirred::Chattering
        } else if rises && entry.recurred.is_some() {
            Stirred::CameAgain
        } else if what == ChangeKind::Suppressed && entry.unfed {
            Stirred::SupplyLost
        } else {
            Stirred::Changed(what.clone())
        };
        let entry = &self.entries[alarm];
        out.push(Output::Alarm(Change {
            alarm: self.id(plan, alarm),
            step: entry.step,
            at,
            what,
            from,
            to: entry.state(),
            subject: plan.subjects[facts.subject].subject.clone(),
            rule: facts.rule,
            priority: facts.priority,
            since: entry.since,
            value: entry.value,
            peak: entry.peak,
            setpoint: entry.setpoint,
            over: facts.over,
            recurred: entry.recurred,
            fed: self.fed(&plan.subjects[facts.subject].subject),
        }));
        self.stir(facts.subject, alarm, at, stirred);
        let subject = &plan.subjects[facts.subject].subject;
        if is_told && facts.rule != Rule::Flood && !self.is_at_work(plan, subject) {
            let risen = Risen { alarm: self.id(plan, alarm), subject: subject.clone(), rule: facts.rule, at };
            self.count_for_flood(plan, risen, out);
        }
    }

    /// Notes that an alert must be looked at. One order on several alarms of a subject is one thing to tell.
    pub(super) fn stir(&mut self, subject: SubjectIx, alarm: AlarmIx, at: EventTime, what: Stirred) {
        let same = |last: &Stir| last.subject == subject && last.at == at && last.what == what;
        if !self.dirty.last().is_some_and(same) {
            self.dirty.push(Stir { subject, alarm, at, what });
        }
    }

    /// The change that says that the configuration no longer has an alarm that was live.
    pub fn no_longer_watched(scope: &str, saved: &SavedAlarm, at: EventTime) -> Option<Change> {
        let entry = &saved.entry;
        entry.is_live().then(|| Change {
            alarm: alarm_id(scope, &saved.key, entry.raised),
            step: entry.step.saturating_add(1),
            at,
            what: ChangeKind::NoLongerWatched,
            from: entry.state(),
            to: AlarmState::Normal,
            subject: saved.subject.clone(),
            rule: saved.rule,
            priority: saved.priority,
            since: entry.since,
            value: entry.value,
            peak: entry.peak,
            setpoint: entry.setpoint,
            over: saved.over,
            recurred: entry.recurred,
            fed: None,
        })
    }
}

/// An alarm as it is saved: keyed by names, never by slots.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SavedAlarm {
    /// Its key within the scope.
    pub key: String,
    /// About what.
    pub subject: Subject,
    /// By which rule.
    pub rule: Rule,
    /// How soon a person must act.
    pub priority: Priority,
    /// It judges means over so long; `None`: each value.
    pub over: Option<Span>,
    /// Where it stands.
    pub entry: Entry,
}

impl SavedAlarm {
    /// What is kept of an alarm that the configuration no longer has, so that its ids never come twice.
    #[must_use]
    pub(crate) fn retired(self) -> Self {
        Self { entry: self.entry.retired(), ..self }
    }
}

/// The id of an alarm: the scope, its key, and the how-manieth time it rose.
fn alarm_id(scope: &str, key: &str, raised: u32) -> String {
    format!("{scope}/{key}#{raised}")
}
