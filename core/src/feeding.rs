//! What feeds whom at this moment: states as their meters say them, and what follows from them.
//!
//! A state is known while its meter is heard, its values move and it gives the flag. Anything else is told as not known:
//! no supply is guessed, and nobody is charged with what may hang elsewhere.

mod lately;

use crate::alarm::book::Raise;
use crate::desk::Desk;
use crate::output::Output;
use crate::plan::{AlarmIx, FedPlan, Plan, ScopePlan, SupplyPlan};
use crate::plant::{StampedBy, SupplyFrom};
use crate::scope::Scope;
use crate::supply::{Fed, FedNow, OtherSupply, StateNow, fed_now, transformer_now};
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// What is known of a state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub(crate) enum Seen {
    /// Nothing was heard of it since the start, or since its meter came back.
    #[default]
    NotYet,
    /// Its meter fell silent, stands still or no longer gives it.
    Lost,
    /// Its flag is on or off.
    Is(bool),
}

impl Seen {
    /// Whether its flag is on, if that is known.
    pub(crate) fn known(self) -> Option<bool> {
        match self {
            Self::Is(on) => Some(on),
            Self::NotYet | Self::Lost => None,
        }
    }
}

pub(crate) use lately::Lately;

/// A change of what is known of a state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Move {
    /// When the monitor learned of it.
    told: EventTime,
    /// When it was, in the time of whoever says so.
    at: EventTime,
    state: usize,
    seen: Seen,
}

/// The states that the meters of one scope read.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Flags {
    /// One per flag of the scope's plan.
    pub(crate) seen: Box<[Seen]>,
    /// How each of them moved lately.
    pub(crate) lately: Box<[Lately]>,
    /// What the monitor has not looked at yet.
    moves: Vec<Move>,
    /// The time that the scope was last told.
    now: EventTime,
}

impl Flags {
    pub(crate) fn new(plan: &ScopePlan) -> Self {
        let seen = vec![Seen::NotYet; plan.flags.len()].into();
        let lately = plan.flags.iter().map(|_| Lately::default()).collect();
        Self { seen, lately, moves: Vec::new(), now: EventTime(0) }
    }

    pub(crate) fn at(&mut self, now: EventTime) {
        self.now = now;
    }

    pub(crate) fn has_moved(&self) -> bool {
        !self.moves.is_empty()
    }

    fn take(&mut self, plan: &ScopePlan, index: usize, at: EventTime, seen: Seen) {
        if self.seen[index] != seen {
            self.seen[index] = seen;
            self.lately[index].note(at + plan.meters[plan.flags[index].meter].slack(), seen);
            self.moves.push(Move { told: self.now, at, state: plan.flags[index].state, seen });
        }
    }

    /// Our clock was corrected: what it stamped moves with it.
    pub(crate) fn reclock(&mut self, plan: &ScopePlan, by: Span) {
        for (lately, flag) in self.lately.iter_mut().zip(&plan.flags) {
            if plan.meters[flag.meter].stamped_by == StampedBy::Receipt {
                lately.shift(by);
            }
        }
    }

    /// The program stood still: what was known of states before says nothing about now.
    pub(crate) fn forget(&mut self, plan: &ScopePlan, at: EventTime) {
        for index in 0..self.seen.len() {
            if self.seen[index] != Seen::Lost {
                self.take(plan, index, at, Seen::NotYet);
            }
        }
    }
}

impl Scope {
    /// Takes the flags that a meter's reading has put into the row.
    pub(crate) fn note_flags(&mut self, plan: &ScopePlan, local: usize, at: EventTime) {
        for (index, flag) in plan.flags.iter().enumerate().filter(|(_, flag)| flag.meter == local) {
            let value = self.row[plan.meters[local].first_slot + flag.point].get();
            if let (Some(value), false) = (value, self.flags.seen[index] == Seen::Lost) {
                self.flags.take(plan, index, at, Seen::Is(value >= 0.5));
            }
        }
    }

    /// Looks, after an alarm changed at `at`, which states are lost with their meters, and which can be heard again.
    pub(crate) fn look_for_lost_flags(&mut self, plan: &ScopePlan, at: EventTime) {
        let stands = |alarm: AlarmIx| self.alarms.entry(alarm).active;
        for (index, flag) in plan.flags.iter().enumerate() {
            let meter = &plan.meters[flag.meter];
            let silent = meter.silent.first().is_some_and(|(_, alarm)| stands(*alarm));
            let frozen = meter.frozen.is_some_and(|(_, alarm)| stands(alarm));
            let absent = meter.absent.iter().any(|(point, alarm)| *point == flag.point && stands(*alarm));
            match (silent || frozen || absent, self.flags.seen[index]) {
                (true, seen) if seen != Seen::Lost => self.flags.take(plan, index, at, Seen::Lost),
                (false, Seen::Lost) => self.flags.take(plan, index, at, Seen::NotYet),
                _ => {}
            }
        }
    }

    /// Raises the alarm, of those of one thing, that holds now, and clears the others.
    fn tell_supply(
        &mut self,
        plan: &ScopePlan,
        fed: &FedPlan,
        holds: Option<AlarmIx>,
        at: EventTime,
        out: &mut Vec<Output>,
    ) {
        let desk = &mut Desk { plan, book: &mut self.alarms, recorder: &mut self.recorder, out };
        for alarm in fed.alarms().filter(|alarm| holds != Some(*alarm)) {
            desk.clear(alarm, at, None);
        }
        if let Some(alarm) = holds {
            desk.raise(alarm, at, Raise::without_value(at));
        }
        self.fold(plan, out);
    }
}

/// What is known of the plant's states.
#[derive(Debug, Clone, Default)]
pub(crate) struct Feeding {
    seen: Box<[Seen]>,
    moves: Vec<Move>,
}

/// What feeds something now, by names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SupplyNow {
    /// What is fed.
    pub name: String,
    /// What feeds it normally.
    pub normally: String,
    /// What feeds it now, where that is another; `None`: it is fed normally.
    pub other: Option<OtherSupply>,
    /// Since when it is not fed normally, as far as that was told.
    pub since: Option<EventTime>,
}

impl Feeding {
    pub(crate) fn new(plan: &Plan) -> Self {
        Self { seen: vec![Seen::NotYet; plan.supply.states.len()].into(), moves: Vec::new() }
    }

    /// Takes what the `complete` scopes were told of states since the last call, in the order in which they were told. The
    /// others are linked to one whose state stands for a later input.
    pub(crate) fn follow(
        &mut self,
        plan: &Plan,
        scopes: &mut [Scope],
        complete: &[bool],
        out: &mut Vec<Output>,
    ) {
        for (scope, _) in scopes.iter_mut().zip(complete).filter(|(_, complete)| **complete) {
            self.moves.append(&mut scope.flags.moves);
        }
        Self::look(plan, scopes);
        self.moves.sort_by_key(|moved| moved.told);
        let moves = std::mem::take(&mut self.moves);
        // States of one reading changed at once: between them nothing was ever so.
        for together in moves.chunk_by(|one, next| (one.told, one.at) == (next.told, next.at)) {
            for moved in together {
                self.seen[moved.state] = moved.seen;
            }
            self.tell(plan, scopes, complete, together[0].at, out);
        }
        self.moves = moves;
        self.moves.clear();
    }

    /// Takes what a scope knew when it was saved. What it tells of supplies stands as it was saved.
    pub(crate) fn adopt(&mut self, plan: &Plan, scopes: &mut [Scope]) {
        for (scope, facts) in scopes.iter_mut().zip(&plan.scopes) {
            scope.flags.moves.clear();
            for (flag, seen) in facts.flags.iter().zip(&scope.flags.seen) {
                self.seen[flag.state] = *seen;
            }
        }
        self.note_elsewhere(plan, scopes);
        Self::look(plan, scopes);
    }

    /// Makes anew what fed each thing lately, which is the context of their meters' readings.
    pub(crate) fn look(plan: &Plan, scopes: &mut [Scope]) {
        lately::look(plan, scopes);
    }

    /// Tells at `at` what follows from all that is known, of the `complete` scopes.
    pub(crate) fn tell(
        &self,
        plan: &Plan,
        scopes: &mut [Scope],
        complete: &[bool],
        at: EventTime,
        out: &mut Vec<Output>,
    ) {
        self.note_elsewhere(plan, scopes);
        let all = scopes.iter_mut().zip(&plan.scopes).zip(complete);
        for ((scope, facts), _) in all.filter(|(_, complete)| **complete) {
            for fed in &facts.fed {
                let holds = match fed_now(&fed.supplies, &|state| self.known(state)) {
                    FedNow::By(0) => None,
                    FedNow::By(way) => Some(fed.others[way - 1]),
                    FedNow::Several(_) => Some(fed.several),
                    FedNow::Nothing => Some(fed.nothing),
                    FedNow::Assumed if self.is_lost(fed) => Some(fed.not_known),
                    // It will be known with the first reading: what was told last stands until then.
                    FedNow::Assumed => continue,
                };
                scope.tell_supply(facts, fed, holds, at, out);
            }
        }
    }

    fn known(&self, state: usize) -> Option<bool> {
        self.seen.get(state).copied().and_then(Seen::known)
    }

    fn is_lost(&self, fed: &FedPlan) -> bool {
        let mut asked = fed.supplies.iter().filter_map(|supply| supply.when);
        asked.any(|when| self.seen.get(when.state) == Some(&Seen::Lost))
    }

    /// Tells each scope which of its feeders hang elsewhere now.
    fn note_elsewhere(&self, plan: &Plan, scopes: &mut [Scope]) {
        let mut elsewhere = vec![Vec::new(); scopes.len()];
        for (index, feeder) in plan.supply.feeders.iter().enumerate() {
            if let Some(other) = self.elsewhere(&plan.supply, index) {
                elsewhere[feeder.fed_by].push((feeder.name.clone(), other));
            }
        }
        for (scope, elsewhere) in scopes.iter_mut().zip(elsewhere) {
            scope.alarms.note_elsewhere(elsewhere);
        }
    }

    /// What feeds a feeder, through others if need be, where that is not the transformer that normally does.
    fn elsewhere(&self, plan: &SupplyPlan, feeder: usize) -> Option<OtherSupply> {
        let now = transformer_now(&plan.feeders, feeder, &|state| self.known(state));
        let by = if now.several {
            Fed::Several
        } else if !now.unknown.is_empty() {
            Fed::NotKnown
        } else {
            match now.transformer {
                Some(index) if index == plan.feeders[feeder].fed_by => return None,
                Some(index) => Fed::By(plan.transformers[index].clone()),
                None => Fed::Nothing,
            }
        };
        Some(OtherSupply { by, states: self.states(plan, now.unknown.iter().chain(&now.because)) })
    }

    fn states<'a>(&self, plan: &SupplyPlan, states: impl Iterator<Item = &'a usize>) -> Vec<StateNow> {
        states.filter_map(|state| plan.state(*state, self.known(*state))).collect()
    }

    /// What feeds everything of which states decide that, now; and every feeder that hangs elsewhere with what feeds it.
    pub(crate) fn now<'a>(
        &'a self,
        plan: &'a Plan,
        scopes: &'a [Scope],
    ) -> impl Iterator<Item = SupplyNow> + 'a {
        let things = scopes
            .iter()
            .zip(&plan.scopes)
            .flat_map(|(scope, facts)| facts.fed.iter().map(move |fed| (scope, fed)));
        let decided = things.map(|(scope, fed)| {
            let standing = fed.alarms().find(|alarm| scope.alarms.entry(*alarm).active);
            SupplyNow {
                name: fed.name.clone(),
                normally: fed.supplies.first().map_or("", |supply| plan.supply.name(supply.from)).to_owned(),
                other: self.other(&plan.supply, fed),
                since: standing.map(|alarm| scope.alarms.entry(alarm).since),
            }
        });
        let feeders = plan.supply.feeders.iter().enumerate();
        let carried =
            feeders.filter(|(_, feeder)| feeder.supplies.iter().all(|supply| supply.when.is_none()));
        let carried = carried.filter_map(|(index, feeder)| {
            Some(SupplyNow {
                name: feeder.name.clone(),
                normally: plan.supply.name(SupplyFrom::Transformer(feeder.fed_by)).to_owned(),
                other: Some(self.elsewhere(&plan.supply, index)?),
                since: None,
            })
        });
        decided.chain(carried)
    }

    /// What feeds a thing itself, where that is not its normal supply.
    fn other(&self, plan: &SupplyPlan, fed: &FedPlan) -> Option<OtherSupply> {
        let asked: Vec<usize> =
            fed.supplies.iter().filter_map(|supply| supply.when).map(|when| when.state).collect();
        let (by, states) = match fed_now(&fed.supplies, &|state| self.known(state)) {
            FedNow::By(0) => return None,
            FedNow::By(way) => {
                let when = fed.supplies[way].when.map(|when| when.state);
                (Fed::By(plan.name(fed.supplies[way].from).to_owned()), when.into_iter().collect())
            }
            FedNow::Several(_) => (Fed::Several, asked),
            FedNow::Nothing => (Fed::Nothing, asked),
            FedNow::Assumed => {
                let unknown = |state: &usize| self.known(*state).is_none();
                (Fed::NotKnown, asked.into_iter().filter(unknown).collect())
            }
        };
        Some(OtherSupply { by, states: self.states(plan, states.iter()) })
    }
}
