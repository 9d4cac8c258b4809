//! Orders the calls of the stages, and nothing else. The same monitor runs live, in replay, in the tests and after
//! a restart.

use crate::alarm::work::Work;
use crate::context::Context;
use crate::diagnosis::Finding;
use crate::feeding::{Feeding, SupplyNow};
use crate::input::{HealthFact, Input, Order, Part};
use crate::output::{AlertRevision, Answer, Denial, Output, Quarantined, Refusal, Rule};
use crate::parallel::{self, ParallelNow};
use crate::plan::{AlarmIx, MeterPlan, Plan, ScopePlan};
use crate::reading::{MeterId, Reading};
use crate::saved::{self, Precious, ScopeState};
use crate::scope::Scope;
use crate::study::{HeatLearned, StepOfResistance, WayNow};
use crate::time::EventTime;
use crate::values_now::{self, FarthestNow, NotTold, SignatureNow};
use std::sync::Arc;

/// A scope by its place in the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ScopeId(pub usize);

/// Watches a whole site. Told the time; never asks for it.
#[derive(Debug, Clone)]
pub struct Monitor {
    plan: Arc<Plan>,
    scopes: Box<[Scope]>,
    /// Scopes that take no part: their state stands for a later input than those that are given now.
    resting: Box<[bool]>,
    /// By scope, what it shares with those whose states decide what feeds its things: see [`Plan::linked`].
    linked: Box<[usize]>,
    /// Scopes of which no linked one rests, so that what feeds their things can be told.
    complete: Box<[bool]>,
    feeding: Feeding,
    now: Option<EventTime>,
    due: Option<EventTime>,
    /// Whether every meter has a time from which its silence counts.
    begun: bool,
}

impl Monitor {
    /// A monitor that has seen nothing.
    pub fn new(plan: Arc<Plan>) -> Self {
        let scopes: Box<[Scope]> = plan.scopes.iter().map(Scope::new).collect();
        let resting = scopes.iter().map(|_| false).collect();
        let complete = scopes.iter().map(|_| true).collect();
        let (linked, feeding) = (plan.linked(), Feeding::new(&plan));
        Self { plan, scopes, resting, linked, complete, feeding, now: None, due: None, begun: false }
    }

    /// The plan that it watches by.
    pub fn plan(&self) -> &Arc<Plan> {
        &self.plan
    }

    /// Advances to `now`, then takes `input`. `out` is the caller's and reused: a quiet second allocates nothing.
    ///
    /// `now` is steady; one that lies before an earlier one is taken as that. A start or a correction of the clock
    /// is taken before the advance, since it changes what `now` means.
    pub fn observe(&mut self, now: EventTime, input: Input<'_>, out: &mut Vec<Output>) {
        match input {
            Input::Reading(reading) => {
                self.advance(now, out);
                self.read(self.at_least(now), &reading, out);
            }
            Input::Person(order) => {
                self.advance(now, out);
                self.order(self.at_least(now), &order, out);
            }
            Input::Health(fact) => {
                if fact != HealthFact::Resumed {
                    self.advance(now, out);
                }
                let now = self.at_least(now);
                for (scope, plan) in self.awake() {
                    scope.health(plan, now, &fact, out);
                }
                self.follow_supply(out);
                self.find_due();
                self.advance(now, out);
            }
            Input::Reclocked { by } => {
                for (scope, plan) in self.awake() {
                    scope.reclock(plan, by, out);
                }
                Feeding::look(&self.plan, &mut self.scopes);
                self.find_due();
                self.now = Some(now);
                self.advance(now, out);
            }
        }
    }

    fn at_least(&self, now: EventTime) -> EventTime {
        self.now.map_or(now, |known| known.max(now))
    }

    fn read(&mut self, now: EventTime, reading: &Reading<'_>, out: &mut Vec<Output>) {
        let Some(place) = self.plan.meters.get(reading.meter.0 as usize) else {
            let (meter, at, why) = (reading.meter, reading.at, Refusal::WrongShape);
            out.push(Output::Refused(Quarantined { meter, quantity: None, at, value: None, why, count: 1 }));
            return;
        };
        if self.resting[place.scope] {
            return;
        }
        let scope = &mut self.scopes[place.scope];
        scope.read(&self.plan.scopes[place.scope], place.local, now, reading, out);
        self.due = [self.due, scope.next_deadline()].into_iter().flatten().min();
        if scope.flags.has_moved() {
            self.follow_supply(out);
            self.find_due();
        }
        self.follow_parallel(out);
    }

    fn order(&mut self, now: EventTime, order: &Order, out: &mut Vec<Output>) {
        if self.awake().find_map(|(scope, plan)| scope.order(plan, now, order, out)).is_none() {
            out.push(Output::Answer(Answer { number: order.number, result: Err(Denial::UnknownAlert) }));
        }
        self.find_due();
    }

    /// Does all that is due by `now`: silence, ends of shelving, readings whose wait is over, steps of the grid.
    /// Any extra calls change nothing.
    pub fn advance(&mut self, now: EventTime, out: &mut Vec<Output>) {
        let now = self.at_least(now);
        self.now = Some(now);
        if !self.begun {
            self.begun = true;
            for (scope, plan) in self.awake() {
                scope.begin(plan, now);
            }
            // Of scopes that are in place: another configuration may have made other ways of them.
            self.feeding.adopt(&self.plan, &mut self.scopes);
            self.feeding.tell(&self.plan, &mut self.scopes, &self.complete, now, out);
            self.find_due();
        }
        if self.due.is_none_or(|due| due > now) {
            return;
        }
        for (scope, plan) in self.awake() {
            scope.advance(plan, now, out);
        }
        self.follow_supply(out);
        self.follow_parallel(out);
        self.find_due();
    }

    /// The scopes that take part, each with its plan.
    fn awake(&mut self) -> impl Iterator<Item = (&mut Scope, &ScopePlan)> {
        let scopes = self.scopes.iter_mut().zip(&self.plan.scopes).zip(&self.resting);
        scopes.filter(|(_, resting)| !**resting).map(|(scope, _)| scope)
    }

    /// Takes in what changed in the states by which things are fed. While a linked scope rests, its states are those of a
    /// later input: what follows from all of them is told when it wakes.
    fn follow_supply(&mut self, out: &mut Vec<Output>) {
        if self.scopes.iter().any(|scope| scope.flags.has_moved()) {
            self.feeding.follow(&self.plan, &mut self.scopes, &self.complete, out);
        }
    }

    /// Takes in what units that run in parallel carried.
    fn follow_parallel(&mut self, out: &mut Vec<Output>) {
        if !self.plan.parallel.is_empty() {
            parallel::follow(&self.plan, &mut self.scopes, &self.complete, out);
        }
    }

    fn find_complete(&mut self) {
        let mut rests = vec![false; self.linked.len()];
        for (group, resting) in self.linked.iter().zip(&self.resting) {
            rests[*group] |= resting;
        }
        for (complete, group) in self.complete.iter_mut().zip(&self.linked) {
            *complete = !rests[*group];
        }
    }

    /// What feeds everything of which states of breakers and switches decide that, and every feeder that hangs on
    /// another transformer with what feeds it.
    pub fn supplies(&self) -> impl Iterator<Item = SupplyNow> + '_ {
        self.feeding.now(&self.plan, &self.scopes)
    }

    /// How the transformers that may run in parallel share what they carry.
    pub fn in_parallel(&self) -> impl Iterator<Item = ParallelNow> + '_ {
        parallel::now(&self.plan, &self.scopes)
    }

    /// Which of three values of each meter is farthest from their mean now.
    pub fn farthest_now(&self) -> impl Iterator<Item = FarthestNow<'_>> {
        values_now::farthest_now(&self.plan, &self.scopes)
    }

    /// What the spectrum of each meter's current says now of who draws its harmonics.
    pub fn signatures_now(&self) -> impl Iterator<Item = SignatureNow<'_>> {
        values_now::signatures_now(&self.plan, &self.scopes)
    }

    /// What is computed of each meter's values and is absent now, and why.
    pub fn not_told(&self) -> impl Iterator<Item = NotTold<'_>> {
        let heat = values_now::heat_not_told(&self.plan, &self.scopes);
        values_now::not_told(&self.plan, &self.scopes).chain(heat)
    }

    /// In what context a reading at `at` of each transformer and feeder is taken, by name, in the order of the plan.
    pub fn contexts(&self, at: EventTime) -> impl Iterator<Item = (&str, Context)> + '_ {
        let scopes = self.scopes.iter().zip(&self.plan.scopes);
        scopes.flat_map(move |(scope, plan)| {
            plan.things.iter().enumerate().filter_map(move |(thing, of)| {
                let local = plan.meters.iter().position(|meter| meter.thing == thing)?;
                Some((self.plan.supply.name(*of), scope.context(plan, local, at)))
            })
        })
    }

    fn find_due(&mut self) {
        self.due = self.awake().filter_map(|(scope, _)| scope.next_deadline()).min();
    }

    /// From now on this scope takes no part, until it is woken. For a start from states that stand for different inputs:
    /// scopes share nothing, so each goes on from its own.
    pub fn rest(&mut self, scope: ScopeId) {
        self.resting[scope.0] = true;
        self.find_complete();
        self.find_due();
    }

    /// This scope takes part again. A state is adopted before.
    pub fn wake(&mut self, scope: ScopeId) {
        self.resting[scope.0] = false;
        self.begun = false;
        self.find_complete();
        self.find_due();
    }

    /// When it next wants to be advanced, at the earliest.
    pub fn next_deadline(&self) -> Option<EventTime> {
        self.due
    }

    /// The plan of the meter with this id.
    pub fn meter(&self, id: MeterId) -> Option<&MeterPlan> {
        self.plan.meter(id)
    }

    /// Whether a fact about a part or a meter says anything that its alarm does not say already.
    pub fn is_news(&self, fact: &HealthFact) -> bool {
        self.scopes.iter().zip(&self.plan.scopes).any(|(scope, plan)| scope.is_news(plan, fact))
    }

    /// The earliest stamp of our own clock that is to be corrected with it, on its own scale; `None`: it is trusted.
    pub fn doubts_clock_since(&self) -> Option<EventTime> {
        self.scopes.iter().filter_map(|scope| scope.doubts_clock).min()
    }

    /// Whether a part's alarm stands.
    pub fn is_broken(&self, part: &Part) -> bool {
        let alarms = self.scopes.iter().zip(&self.plan.scopes);
        alarms
            .into_iter()
            .any(|(scope, plan)| plan.part(part).is_some_and(|alarm| scope.alarms.entry(alarm).active))
    }

    /// The rules of a meter's own alarms that stand: silent, frozen, other troubles.
    pub fn standing(&self, meter: MeterId) -> impl Iterator<Item = Rule> + '_ {
        let place = self.plan.meters.get(meter.0 as usize);
        let found =
            place.map(|place| (&self.scopes[place.scope], &self.plan.scopes[place.scope], place.local));
        found.into_iter().flat_map(|(scope, plan, local)| {
            let stands = |alarm: &AlarmIx| scope.alarms.entry(*alarm).active;
            let alarms = plan.meters[local].own_alarms().filter(stands);
            alarms.map(|alarm| plan.alarms[alarm].rule)
        })
    }

    /// The latest revision of each open alert, in the order of the plan.
    pub fn open_alerts(&self) -> impl Iterator<Item = &AlertRevision> {
        self.scopes.iter().flat_map(|scope| scope.alerts.open())
    }

    /// The ids of alerts that ended as merged into another that is open: who means one of them means that other.
    pub fn merged_alerts(&self) -> impl Iterator<Item = String> + '_ {
        self.scopes.iter().zip(&self.plan.scopes).flat_map(|(scope, plan)| scope.alerts.merged(plan))
    }

    /// The planned work that goes on, each with the name of what it is on, in the order of the plan.
    pub fn open_works(&self) -> impl Iterator<Item = (&str, &Work)> {
        let scopes = self.scopes.iter().zip(&self.plan.scopes);
        scopes.flat_map(|(scope, plan)| {
            let own = plan.transformer.as_deref().unwrap_or(&plan.name);
            scope.alarms.works().map(move |work| (work.on.as_deref().unwrap_or(own), work))
        })
    }

    /// What was found and stands, in the order in which it was claimed, by scope.
    pub fn open_findings(&self) -> impl Iterator<Item = &Finding> {
        self.scopes.iter().flat_map(|scope| scope.findings.open()).filter_map(|entry| entry.facts.as_ref())
    }

    /// What was learned of a transformer's heat, with the hours of learning under way, by the name of the transformer.
    pub fn heat_learned(&self) -> impl Iterator<Item = (&str, HeatLearned, Option<f64>)> {
        let scopes = self.scopes.iter().zip(&self.plan.scopes);
        scopes.filter_map(|(scope, plan)| {
            let learned = scope.study.learned().heat?;
            Some((plan.transformer.as_deref()?, learned, scope.study.learning_h()))
        })
    }

    /// What was learned of the connections between meters, each with its transformer's name.
    pub fn connections_learned(&self) -> impl Iterator<Item = (&str, WayNow<'_>)> {
        let scopes = self.scopes.iter().zip(&self.plan.scopes);
        scopes.flat_map(|(scope, plan)| {
            let transformer = plan.transformer.as_deref();
            scope.study.ways().filter_map(move |way| Some((transformer?, way)))
        })
    }

    /// The scopes, in the order of the plan.
    pub fn scopes(&self) -> impl Iterator<Item = ScopeId> + use<> {
        (0..self.scopes.len()).map(ScopeId)
    }

    /// Steps of the resistance of a scope's ways: the meter at the end of each, and the steps as they were found.
    pub fn steps_of_resistance(&self, scope: ScopeId) -> impl Iterator<Item = (&str, &[StepOfResistance])> {
        self.scopes[scope.0].study.steps()
    }

    /// The state of one scope, keyed by names.
    pub fn snapshot(&self, scope: ScopeId) -> ScopeState {
        saved::save(&self.plan.scopes[scope.0], &self.scopes[scope.0], self.now.unwrap_or(EventTime(0)))
    }

    /// The alarms and alerts of one scope that ever rose: what must never be lost.
    pub fn precious(&self, scope: ScopeId) -> Precious {
        saved::precious(&self.plan.scopes[scope.0], &self.scopes[scope.0])
    }

    /// Puts a saved scope in place. What the plan no longer has is told as "no longer watched".
    pub fn adopt(&mut self, state: ScopeState, out: &mut Vec<Output>) {
        self.now = Some(self.now.map_or(state.at, |known| known.max(state.at)));
        self.begun = false;
        match self.plan.scopes.iter().position(|plan| plan.name == state.scope) {
            Some(index) => saved::adopt(&self.plan.scopes[index], &mut self.scopes[index], state, out),
            None => saved::no_longer_watched(&state, out),
        }
        self.feeding.adopt(&self.plan, &mut self.scopes);
        self.find_due();
    }

    /// Goes on with another plan: snapshot, swap, adopt. A reload is a restart.
    pub fn reconfigure(&mut self, plan: Arc<Plan>, out: &mut Vec<Output>) {
        let states: Vec<ScopeState> = self.scopes().map(|scope| self.snapshot(scope)).collect();
        *self = Self { now: self.now, ..Self::new(plan) };
        for state in states {
            self.adopt(state, out);
        }
        if let Some(now) = self.now {
            self.advance(now, out);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::{Around, Plant};
    use crate::time::Span;

    /// Seen to fail without the mark that a scope rests.
    #[test]
    fn a_scope_that_rests_takes_nothing_in_and_gives_nothing_out_until_it_is_woken() {
        let plant = Plant {
            site: "Larkspur Cannery".to_owned(),
            transformers: Vec::new(),
            feeders: Vec::new(),
            circuits: Vec::new(),
            sources: Vec::new(),
            states: Vec::new(),
            meters: Vec::new(),
            limits: Vec::new(),
            works: Vec::new(),
            channels: vec!["file".to_owned()],
            recording: Around { before: Span::ZERO, after: Span::ZERO },
        };
        let mut monitor = Monitor::new(Arc::new(Plan::new(&plant).unwrap()));
        let scopes: Vec<ScopeId> = monitor.scopes().collect();
        for scope in &scopes {
            monitor.rest(*scope);
        }
        let now = EventTime(1_795_564_800_000);
        let broken = HealthFact::Part { part: Part::Store, works: false };
        let mut out = Vec::new();
        monitor.observe(now, Input::Health(broken.clone()), &mut out);
        monitor.advance(now + Span::hours(1), &mut out);
        assert_eq!((out.len(), monitor.is_broken(&Part::Store)), (0, false));
        for scope in &scopes {
            monitor.wake(*scope);
        }
        monitor.observe(now + Span::hours(2), Input::Health(broken), &mut out);
        assert!(!out.is_empty() && monitor.is_broken(&Part::Store));
    }
}
