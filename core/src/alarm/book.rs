//! The book of one scope's alarms: their states and every step of them.
//!
//! Only this room changes an alarm's state. Whether the condition holds is decided by the watches.

use super::state::AlarmState;
use crate::output::{Change, ChangeKind, Denial, Output, Recurred};
use crate::plan::{AlarmIx, ScopePlan, SubjectIx};
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// The longest shelving (common practice, no source).
pub const LONGEST_SHELVING: Span = Span::hours(7 * 24);

/// One alarm. The state is derived from these facts, so no two of them can disagree.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// The how-manieth time it rose.
    pub raised: u32,
    step: u32,
    /// The condition holds.
    pub active: bool,
    acknowledged: bool,
    latched: bool,
    /// Muted by a person until then.
    pub shelved: Option<EventTime>,
    suppressed: bool,
    out_of_service: bool,
    /// Since when the condition holds or held.
    pub since: EventTime,
    /// The value now.
    pub value: Option<f64>,
    /// The worst value since it rose.
    pub peak: Option<f64>,
    /// The limit in force.
    pub setpoint: Option<f64>,
    /// How often, for a recurrence.
    pub recurred: Option<Recurred>,
}

impl Entry {
    const NEW: Self = Self {
        raised: 0,
        step: 0,
        active: false,
        acknowledged: true,
        latched: false,
        shelved: None,
        suppressed: false,
        out_of_service: false,
        since: EventTime(0),
        value: None,
        peak: None,
        setpoint: None,
        recurred: None,
    };

    /// The state that these facts make.
    pub fn state(&self) -> AlarmState {
        if self.out_of_service {
            AlarmState::OutOfService
        } else if self.shelved.is_some() {
            AlarmState::Shelved
        } else if self.active && self.suppressed {
            AlarmState::SuppressedByDesign
        } else if self.active {
            if self.acknowledged { AlarmState::Acknowledged } else { AlarmState::Unacknowledged }
        } else if self.latched {
            if self.acknowledged {
                AlarmState::LatchedAcknowledged
            } else {
                AlarmState::LatchedUnacknowledged
            }
        } else if self.acknowledged {
            AlarmState::Normal
        } else {
            AlarmState::ReturnedUnacknowledged
        }
    }

    /// Whether the condition holds or a person still has something to do.
    pub fn is_live(&self) -> bool {
        self.active || self.latched || !self.acknowledged
    }

    /// Whether it keeps quiet by a person's order.
    pub fn is_muted(&self) -> bool {
        self.shelved.is_some() || self.out_of_service
    }

    /// Whether it keeps quiet because a higher level speaks.
    pub fn is_suppressed(&self) -> bool {
        self.suppressed
    }

    /// Whether a person has seen it, or none needs to.
    pub fn is_acknowledged(&self) -> bool {
        self.acknowledged
    }
}

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

/// The alarms of one scope.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmBook {
    entries: Box<[Entry]>,
    /// Subjects whose alert must be looked at, with what happened.
    dirty: Vec<(SubjectIx, EventTime, ChangeKind)>,
}

impl AlarmBook {
    /// A book in which nothing ever rose.
    pub fn new(alarms: usize) -> Self {
        Self { entries: vec![Entry::NEW; alarms].into_boxed_slice(), dirty: Vec::with_capacity(16) }
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
    pub fn take_dirty(&mut self) -> std::vec::Drain<'_, (SubjectIx, EventTime, ChangeKind)> {
        self.dirty.drain(..)
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

    /// The condition is gone.
    pub fn clear(&mut self, plan: &ScopePlan, alarm: AlarmIx, at: EventTime, out: &mut Vec<Output>) {
        let from = self.entries[alarm].state();
        let entry = &mut self.entries[alarm];
        if !entry.active {
            return;
        }
        entry.active = false;
        let facts = &plan.alarms[alarm];
        entry.latched = facts.latch;
        if !facts.priority.wants_acknowledgement() && !facts.latch {
            entry.acknowledged = true;
        }
        self.tell(plan, alarm, at, from, ChangeKind::Cleared, out);
    }

    /// Follows the value of an alarm whose condition holds.
    pub fn follow(&mut self, plan: &ScopePlan, alarm: AlarmIx, value: f64) {
        let entry = &mut self.entries[alarm];
        if entry.active {
            entry.value = Some(value);
            let bound = match plan.alarms[alarm].rule {
                crate::output::Rule::Level { bound, .. } | crate::output::Rule::Recurrence { bound } => bound,
                _ => crate::plant::Bound::High,
            };
            entry.peak = Some(entry.peak.map_or(value, |peak| bound.worse(peak, value)));
        }
    }

    /// A standing recurrence came again. A step is told at each doubling of the count.
    pub fn came_again(
        &mut self,
        plan: &ScopePlan,
        alarm: AlarmIx,
        at: EventTime,
        recurred: Recurred,
        peak: f64,
    ) {
        self.follow(plan, alarm, peak);
        let entry = &mut self.entries[alarm];
        entry.recurred = Some(recurred);
        if recurred.times.is_power_of_two() {
            self.dirty.push((plan.alarms[alarm].subject, at, ChangeKind::Raised));
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

    /// A person has seen the subject's alarms.
    ///
    /// # Errors
    /// [`Denial::AlreadyAcknowledged`] when there is none left to see.
    pub fn acknowledge(
        &mut self,
        plan: &ScopePlan,
        subject: SubjectIx,
        at: EventTime,
        by: &str,
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        let mut any = false;
        for &alarm in &plan.subjects[subject].alarms {
            let from = self.entries[alarm].state();
            let entry = &mut self.entries[alarm];
            if entry.is_live() && !entry.acknowledged {
                entry.acknowledged = true;
                any = true;
                self.tell(plan, alarm, at, from, ChangeKind::Acknowledged { by: by.to_owned() }, out);
            }
        }
        if any { Ok(()) } else { Err(Denial::AlreadyAcknowledged) }
    }

    /// A person ends the subject's latched alarms.
    ///
    /// # Errors
    /// [`Denial::StillHolds`] while a condition holds, [`Denial::NotLatched`] when nothing is latched.
    pub fn release(
        &mut self,
        plan: &ScopePlan,
        subject: SubjectIx,
        at: EventTime,
        by: &str,
        note: &str,
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        let alarms = &plan.subjects[subject].alarms;
        if alarms.iter().any(|alarm| self.entries[*alarm].active) {
            return Err(Denial::StillHolds);
        }
        let mut any = false;
        for &alarm in alarms {
            let from = self.entries[alarm].state();
            let entry = &mut self.entries[alarm];
            if entry.latched {
                (entry.latched, entry.acknowledged, any) = (false, true, true);
                let what = ChangeKind::Released { by: by.to_owned(), note: note.to_owned() };
                self.tell(plan, alarm, at, from, what, out);
            }
        }
        if any { Ok(()) } else { Err(Denial::NotLatched) }
    }

    /// A person mutes the subject's alarms until a time.
    ///
    /// # Errors
    /// [`Denial::BadTime`] when the time is over or further away than [`LONGEST_SHELVING`].
    pub fn shelve(
        &mut self,
        plan: &ScopePlan,
        subject: SubjectIx,
        at: EventTime,
        by: &str,
        until: EventTime,
        reason: &str,
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        if until <= at || until - at > LONGEST_SHELVING {
            return Err(Denial::BadTime);
        }
        for &alarm in &plan.subjects[subject].alarms {
            let from = self.entries[alarm].state();
            self.entries[alarm].shelved = Some(until);
            let what = ChangeKind::Shelved { by: by.to_owned(), until, reason: reason.to_owned() };
            self.tell(plan, alarm, at, from, what, out);
        }
        Ok(())
    }

    /// Ends the subject's shelving: by a person, or because its time is over.
    ///
    /// # Errors
    /// [`Denial::NothingToEnd`] when it is not shelved.
    pub fn unshelve(
        &mut self,
        plan: &ScopePlan,
        subject: SubjectIx,
        at: EventTime,
        by: Option<&str>,
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        let mut any = false;
        for &alarm in &plan.subjects[subject].alarms {
            let from = self.entries[alarm].state();
            if self.entries[alarm].shelved.take().is_some() {
                any = true;
                self.tell(plan, alarm, at, from, ChangeKind::Unshelved { by: by.map(str::to_owned) }, out);
            }
        }
        if any { Ok(()) } else { Err(Denial::NothingToEnd) }
    }

    /// Takes the subject's alarms out of service, or puts them back.
    ///
    /// # Errors
    /// [`Denial::NothingToEnd`] when they are in that state already.
    pub fn service(
        &mut self,
        plan: &ScopePlan,
        subject: SubjectIx,
        at: EventTime,
        by: &str,
        on: bool,
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        let mut any = false;
        for &alarm in &plan.subjects[subject].alarms {
            let from = self.entries[alarm].state();
            if std::mem::replace(&mut self.entries[alarm].out_of_service, !on) == on {
                any = true;
                self.tell(plan, alarm, at, from, ChangeKind::Service { by: by.to_owned(), on }, out);
            }
        }
        if any { Ok(()) } else { Err(Denial::NothingToEnd) }
    }

    /// The soonest end of a shelving.
    pub fn next_deadline(&self) -> Option<EventTime> {
        self.entries.iter().filter_map(|entry| entry.shelved).min()
    }

    /// Moves the memory by a correction of the clock.
    pub fn shift(&mut self, by: Span) {
        for entry in self.entries.iter_mut().filter(|entry| entry.active) {
            entry.since += by;
        }
    }

    fn tell(
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
        self.dirty.push((facts.subject, at, what.clone()));
        out.push(Output::Alarm(Change {
            alarm: alarm_id(&plan.name, &facts.key, entry.raised),
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
            recurred: entry.recurred,
        }));
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
            recurred: entry.recurred,
        })
    }
}

/// An alarm as it is saved: keyed by names, never by slots.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SavedAlarm {
    /// Its key within the scope.
    pub key: String,
    /// About what.
    pub subject: crate::output::Subject,
    /// By which rule.
    pub rule: crate::output::Rule,
    /// How soon a person must act.
    pub priority: crate::plant::Priority,
    /// Where it stands.
    pub entry: Entry,
}

/// The id of an alarm: the scope, its key, and the how-manieth time it rose.
fn alarm_id(scope: &str, key: &str, raised: u32) -> String {
    format!("{scope}/{key}#{raised}")
}
