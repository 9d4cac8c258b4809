//! The two alarms of a limit with two levels against a small state machine that is written from the state table of ISA-18.2 / IEC 62682 (handbook of the trade,
//! alarms: states A to I; from memory), whatever values, people, the clock and restarts do.

use crate::cannery::{MP1, at, healthy, level, limit, plan_of, plant};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::input::{Deed, Input, Order};
use kvarden_core::measurand::Measurand;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::{Answer, Output};
use kvarden_core::plan::Plan;
use kvarden_core::plant::{AppliesTo, Limit, Priority};
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::{EventTime, Span};
use proptest::prelude::*;
use std::sync::Arc;

/// The states of the table that a process and an operator bring about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum S {
    /// Normal.
    A,
    /// Unacknowledged alarm.
    B,
    /// Acknowledged alarm.
    C,
    /// Returned to normal, unacknowledged.
    D,
    /// Latched, unacknowledged.
    E,
    /// Latched, acknowledged.
    F,
}

/// What happens to it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Event {
    Occurs,
    Clears,
    Acknowledge,
    Reset,
}

/// The table: what follows, or nothing where the event does not apply. `latches`: the alarm is of the latching kind. `asks`: it wants
/// to be acknowledged; one that does not returns by itself.
fn table(state: S, event: Event, latches: bool, asks: bool) -> Option<S> {
    match (state, event) {
        (S::A | S::D | S::E | S::F, Event::Occurs) => Some(S::B),
        (S::B, Event::Clears) if latches => Some(S::E),
        (S::C, Event::Clears) if latches => Some(S::F),
        (S::B, Event::Clears) if asks => Some(S::D),
        (S::B | S::C, Event::Clears) | (S::D, Event::Acknowledge) | (S::E | S::F, Event::Reset) => Some(S::A),
        (S::B, Event::Acknowledge) => Some(S::C),
        (S::E, Event::Acknowledge) => Some(S::F),
        _ => None,
    }
}

/// The table with what lies over it: shelved (G), suppressed by design (H), here by the higher level that speaks for the lower, and
/// out of service (I).
#[derive(Debug, Clone, Copy)]
struct Model {
    /// Of the lower level and the higher one.
    states: [S; 2],
    shelved: Option<EventTime>,
    out_of_service: bool,
    latches: bool,
    asks: bool,
}

impl Model {
    fn take(&mut self, index: usize, event: Event) -> bool {
        let next = table(self.states[index], event, self.latches, self.asks);
        self.states[index] = next.unwrap_or(self.states[index]);
        next.is_some()
    }

    /// A person's order is about both.
    fn order(&mut self, event: Event) -> bool {
        // What holds is not reset.
        let refused = event == Event::Reset && (self.holds(0) || self.holds(1));
        let taken = [0, 1].map(|index| !refused && self.take(index, event));
        taken.contains(&true)
    }

    fn holds(&self, index: usize) -> bool {
        matches!(self.states[index], S::B | S::C)
    }

    fn shown(&self, index: usize) -> AlarmState {
        match self.states[index] {
            _ if self.out_of_service => AlarmState::OutOfService,
            _ if self.shelved.is_some() => AlarmState::Shelved,
            S::B | S::C if index == 0 && self.holds(1) => AlarmState::SuppressedByDesign,
            S::A => AlarmState::Normal,
            S::B => AlarmState::Unacknowledged,
            S::C => AlarmState::Acknowledged,
            S::D => AlarmState::ReturnedUnacknowledged,
            S::E => AlarmState::LatchedUnacknowledged,
            S::F => AlarmState::LatchedAcknowledged,
        }
    }
}

/// What is done in a second.
#[derive(Debug, Clone, Copy)]
enum Act {
    /// Below both levels, above the lower, above both.
    Value(u8),
    Nothing(u8),
    Acknowledge,
    Release,
    Shelve(u8),
    Unshelve,
    Service(bool),
    Jump(i8),
    Restart,
}

fn acts() -> impl Strategy<Value = Vec<Act>> {
    let act = prop_oneof![
        6 => (0u8..3).prop_map(Act::Value),
        2 => (1u8..40).prop_map(Act::Nothing),
        3 => Just(Act::Acknowledge),
        2 => Just(Act::Release),
        1 => (1u8..60).prop_map(Act::Shelve),
        1 => Just(Act::Unshelve),
        1 => any::<bool>().prop_map(Act::Service),
        1 => any::<i8>().prop_map(Act::Jump),
        1 => Just(Act::Restart),
    ];
    prop::collection::vec(act, 1..120)
}

fn plan(latch: bool, priority: Priority) -> Arc<Plan> {
    let mut plant = plant();
    plant.meters.truncate(MP1 + 1);
    for meter in &mut plant.meters {
        (meter.frozen_after, meter.silent_after) = (None, Span::hours(1000));
    }
    let levels = vec![level(80.0, priority, 0), level(95.0, priority, 0)];
    plant.limits =
        vec![Limit { of: AppliesTo::Feeder(0), latch, ..limit(Measurand::Current, levels, 2.0, 0) }];
    plan_of(&plant)
}

const SUBJECT: &str = "T2/MP-1/current_a.A#";
const KEYS: [&str; 2] = ["MP-1/current_a.A/high level 1", "MP-1/current_a.A/high level 2"];

struct Bench {
    plan: Arc<Plan>,
    monitor: Monitor,
    now: EventTime,
    out: Vec<Output>,
}

impl Bench {
    fn state(&self, index: usize) -> AlarmState {
        let precious = self.monitor.scopes().map(|scope| self.monitor.precious(scope));
        let mut alarms = precious.flat_map(|precious| precious.alarms);
        alarms.find(|alarm| alarm.key == KEYS[index]).map_or(AlarmState::Normal, |alarm| alarm.entry.state())
    }

    fn alert(&self) -> Option<String> {
        let mut open = self.monitor.open_alerts().map(|revision| &revision.alert);
        open.find(|alert| alert.starts_with(SUBJECT)).cloned()
    }

    /// Whether an order was carried out; `None`: there is no open alert to give it on.
    fn order(&mut self, what: Deed) -> Option<bool> {
        let order = Order { number: 1, by: "Tomas".to_owned(), alert: self.alert()?, what };
        let before = self.out.len();
        self.monitor.observe(self.now, Input::Person(order), &mut self.out);
        self.out[before..].iter().find_map(|output| match output {
            Output::Answer(Answer { result, .. }) => Some(result.is_ok()),
            _ => None,
        })
    }

    fn read(&mut self, levels: u8) {
        self.now += Span::seconds(1);
        let mut values = healthy(MP1, self.now.0 / 1000);
        if levels > 0 {
            values[0] = if levels == 1 { 90.0 } else { 99.0 };
        }
        let values: Vec<Sample> = values.into_iter().map(Sample::new).collect();
        let reading = Reading { meter: MeterId(MP1 as u32), at: self.now, values: &values };
        self.monitor.observe(self.now, Input::Reading(reading), &mut self.out);
    }

    fn restart(&mut self) {
        let states: Vec<_> = self.monitor.scopes().map(|scope| self.monitor.snapshot(scope)).collect();
        self.monitor = Monitor::new(self.plan.clone());
        for state in states {
            let written = postcard::to_stdvec(&state).expect("a snapshot can be written");
            self.monitor.adopt(postcard::from_bytes(&written).expect("it was written by us"), &mut self.out);
        }
    }
}

/// Does one thing to both.
fn step(bench: &mut Bench, model: &mut Model, act: Act) -> Result<(), TestCaseError> {
    match act {
        Act::Value(levels) => {
            bench.read(levels);
            end_shelving(bench, model);
            for index in [0, 1] {
                let high = usize::from(levels) > index;
                model.take(index, if high { Event::Occurs } else { Event::Clears });
            }
        }
        Act::Nothing(seconds) => {
            bench.now += Span::seconds(i64::from(seconds));
            bench.monitor.advance(bench.now, &mut bench.out);
        }
        Act::Acknowledge => {
            let done = bench.order(Deed::Acknowledge);
            let expected = model.order(Event::Acknowledge);
            prop_assert_eq!(done.unwrap_or(false), expected);
        }
        Act::Release => {
            let done = bench.order(Deed::Release { note: "looked at".to_owned() });
            let expected = model.order(Event::Reset);
            prop_assert_eq!(done.unwrap_or(false), expected);
        }
        Act::Shelve(seconds) => {
            let until = bench.now + Span::seconds(i64::from(seconds));
            if bench.order(Deed::Shelve { until, reason: "known".to_owned() }) == Some(true) {
                model.shelved = Some(until);
            }
        }
        Act::Unshelve => {
            let was = model.shelved.take().is_some();
            prop_assert_eq!(bench.order(Deed::Unshelve).unwrap_or(false), was);
        }
        Act::Service(on) => {
            if bench.order(Deed::Service { on }) == Some(true) {
                model.out_of_service = !on;
            }
        }
        Act::Jump(seconds) => {
            let by = Span::seconds(i64::from(seconds) * 100);
            bench.now += by;
            bench.monitor.observe(bench.now, Input::Reclocked { by }, &mut bench.out);
        }
        Act::Restart => bench.restart(),
    }
    end_shelving(bench, model);
    Ok(())
}

/// A shelving ends by itself when its person said it would.
fn end_shelving(bench: &Bench, model: &mut Model) {
    model.shelved = model.shelved.filter(|until| *until > bench.now);
}

proptest! {
    #[test]
    fn every_state_is_that_of_the_standards_table(acts in acts(), latches in any::<bool>(), asks in any::<bool>()) {
        let priority = if asks { Priority::High } else { Priority::Low };
        let plan = plan(latches, priority);
        let mut bench = Bench { monitor: Monitor::new(plan.clone()), plan, now: at(0), out: Vec::new() };
        let mut model = Model { states: [S::A; 2], shelved: None, out_of_service: false, latches, asks };
        bench.read(0);
        for (number, act) in acts.iter().enumerate() {
            step(&mut bench, &mut model, *act)?;
            for index in [0, 1] {
                let shown = model.shown(index);
                prop_assert_eq!(bench.state(index), shown, "after {} of {:?}: {:?}", number, acts, model);
            }
            let waits = model.states != [S::A; 2] || model.shown(0) != AlarmState::Normal;
            prop_assert!(!waits || bench.alert().is_some() || model.out_of_service, "{:?} without an alert", model);
        }
    }
}
