//! Planned work on a transformer or one of its feeders: while it goes on everything is judged and recorded and nobody is told;
//! what stands when it ends is told then.

use super::book::AlarmBook;
use super::orders::{Hand, LONGEST_SHELVING};
use super::state::AlarmState;
use crate::output::{Change, ChangeKind, Denial, Matter, Output, Rule, Subject};
use crate::plan::ScopePlan;
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// The longest that work may be planned for (common practice, no source): as long as a shelving. A longer one is planned again.
pub const LONGEST_WORK: Span = LONGEST_SHELVING;
/// The most windows of work that a scope knows at a time: one for each day of a month.
const MOST_WORKS: usize = 32;

/// One window of work.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Work {
    /// The feeder; `None`: the transformer with all that it feeds.
    pub on: Option<String>,
    /// Its start.
    pub from: EventTime,
    /// Its end.
    pub until: EventTime,
    /// Who answers for it.
    pub by: String,
    /// What is done.
    pub why: String,
}

/// A window that has begun.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Begun {
    number: u32,
    work: Work,
    /// A person ended it before its time.
    over: bool,
}

/// The windows of one scope.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub(crate) struct Works {
    begun: Vec<Begun>,
    /// How many there ever were.
    count: u32,
    /// Planned ones that end before this are past.
    past: Option<EventTime>,
}

/// What windows did at a moment.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Turned {
    /// At least one began.
    pub(crate) began: bool,
    /// At least one ended.
    pub(crate) ended: bool,
}

impl Works {
    /// The windows that are open.
    pub(crate) fn open(&self) -> impl Iterator<Item = &Work> {
        self.begun.iter().filter(|begun| !begun.over).map(|begun| &begun.work)
    }

    /// Planned windows that have not begun and are not past.
    fn ahead<'a>(&'a self, plan: &'a ScopePlan) -> impl Iterator<Item = &'a Work> {
        let past = self.past.unwrap_or(EventTime(i64::MIN));
        let is_known = |work: &Work| self.begun.iter().any(|begun| begun.work == *work);
        plan.works.iter().filter(move |work| work.until > past && !is_known(work))
    }

    fn next_deadline(&self, plan: &ScopePlan) -> Option<EventTime> {
        let begins = self.ahead(plan).map(|work| work.from);
        begins.chain(self.begun.iter().map(|begun| begun.work.until)).min()
    }
}

impl AlarmBook {
    /// Whether planned work goes on at what a subject is about.
    pub(crate) fn is_at_work(&self, plan: &ScopePlan, subject: &Subject) -> bool {
        self.works.open().any(|work| {
            let Some(on) = &work.on else { return subject.transformer.is_some() };
            let Some(feeder) = &subject.feeder else { return false };
            feeder == on || plan.below.iter().any(|(above, below)| above == on && below.contains(feeder))
        })
    }

    /// The windows of work that are open.
    pub(crate) fn works(&self) -> impl Iterator<Item = &Work> {
        self.works.open()
    }

    /// When the next window begins or ends.
    pub(crate) fn next_work(&self, plan: &ScopePlan) -> Option<EventTime> {
        self.works.next_deadline(plan)
    }

    /// The scope is watched from `now` on: planned windows that have ended by then never were.
    pub(crate) fn begin_watching(&mut self, now: EventTime) {
        self.works.past.get_or_insert(now);
    }

    /// Begins and ends what is due by `at`.
    pub(crate) fn turn_works(&mut self, plan: &ScopePlan, at: EventTime, out: &mut Vec<Output>) -> Turned {
        let mut turned = Turned::default();
        while self.works.begun.len() < MOST_WORKS {
            let Some(work) = self.works.ahead(plan).find(|work| work.from <= at).cloned() else { break };
            self.begin_work(plan, work, at, out);
            turned.began = true;
        }
        while let Some(index) = self.works.begun.iter().position(|begun| begun.work.until <= at) {
            let begun = self.works.begun.remove(index);
            self.works.past = self.works.past.max(Some(begun.work.until));
            if !begun.over {
                turned.ended = true;
                out.push(told(plan, &begun, begun.work.until, ChangeKind::WorkEnded { by: None }));
            }
        }
        // More than there is room for: they begin when others have ended, or are past.
        let late = self.works.ahead(plan).filter(|work| work.from <= at).map(|work| work.until).min();
        if self.works.begun.len() >= MOST_WORKS {
            self.works.past = self.works.past.max(late);
        }
        turned
    }

    fn begin_work(&mut self, plan: &ScopePlan, work: Work, at: EventTime, out: &mut Vec<Output>) {
        self.works.count = self.works.count.saturating_add(1);
        let (by, until, reason) = (work.by.clone(), work.until, work.why.clone());
        let begun = Begun { number: self.works.count, work, over: false };
        out.push(told(plan, &begun, at, ChangeKind::WorkBegun { by, until, reason }));
        self.works.begun.push(begun);
    }

    /// A person begins work on the transformer or a feeder of it, until then.
    ///
    /// # Errors
    /// [`Denial::BadTime`] when the time is over or further away than [`LONGEST_WORK`], or when too many are open.
    pub(crate) fn order_work(
        &mut self,
        plan: &ScopePlan,
        on: Option<&str>,
        hand: Hand<'_>,
        (until, why): (EventTime, &str),
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        let too_long = until <= hand.at || until - hand.at > LONGEST_WORK;
        if too_long || self.works.begun.len() >= MOST_WORKS {
            return Err(Denial::BadTime);
        }
        let (by, why) = (hand.by.to_owned(), why.to_owned());
        let work = Work { on: on.map(str::to_owned), from: hand.at, until, by, why };
        self.begin_work(plan, work, hand.at, out);
        Ok(())
    }

    /// A person ends the work on the transformer or a feeder of it.
    ///
    /// # Errors
    /// [`Denial::NothingToEnd`] when none goes on there.
    pub(crate) fn end_work(
        &mut self,
        plan: &ScopePlan,
        on: Option<&str>,
        hand: Hand<'_>,
        out: &mut Vec<Output>,
    ) -> Result<(), Denial> {
        let mut any = false;
        for begun in self.works.begun.iter_mut().filter(|begun| !begun.over && begun.work.on.as_deref() == on)
        {
            (begun.over, any) = (true, true);
            let what = ChangeKind::WorkEnded { by: Some(hand.by.to_owned()) };
            out.push(told(plan, begun, hand.at, what));
        }
        if any { Ok(()) } else { Err(Denial::NothingToEnd) }
    }
}

/// A step of a window of work, for the journal.
fn told(plan: &ScopePlan, begun: &Begun, at: EventTime, what: ChangeKind) -> Output {
    let on = begun.work.on.as_deref().map(|on| format!("{on}/")).unwrap_or_default();
    let begins = matches!(what, ChangeKind::WorkBegun { .. });
    let (normal, out_of_service) = (AlarmState::Normal, AlarmState::OutOfService);
    Output::Alarm(Change {
        alarm: format!("{}/{on}work#{}", plan.name, begun.number),
        step: if begins { 1 } else { 2 },
        at,
        what,
        from: if begins { normal } else { out_of_service },
        to: if begins { out_of_service } else { normal },
        subject: Subject {
            transformer: plan.transformer.clone(),
            feeder: begun.work.on.clone(),
            meter: None,
            matter: Matter::Work,
        },
        rule: Rule::Work,
        priority: Priority::Journal,
        since: begun.work.from,
        value: None,
        peak: None,
        setpoint: None,
        over: None,
        recurred: None,
        fed: None,
    })
}
