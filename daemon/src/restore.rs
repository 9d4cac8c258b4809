//! From the store back to a monitor: the newest snapshot that fits, then the stored inputs after it.
//!
//! What the replayed inputs bring out again has the ids it had before, so storing it again changes nothing.

use crate::batching::Gathered;
use crate::store::{Batch, Error, OwnedInput, Store};
use kvarden_core::input::Input;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::Output;
use kvarden_core::plan::Plan;
use kvarden_core::reading::Reading;
use kvarden_core::saved::{Precious, Rebuildable, ScopeState};
use kvarden_core::time::EventTime;
use std::sync::Arc;

/// The written form of snapshots; to be raised with any change of the types within [`ScopeState`].
const STATE_FORMAT: u32 = 1;

/// The snapshots of all scopes, by name.
pub fn encode(monitor: &Monitor) -> Vec<(String, Vec<u8>)> {
    let states = monitor.scopes().map(|scope| monitor.snapshot(scope));
    states.filter_map(|state| Some((state.scope.clone(), postcard::to_stdvec(&state).ok()?))).collect()
}

/// Stores snapshots that stand after input `number`, if that input is stored.
///
/// # Errors
/// When the store can't be written.
pub fn put(store: &mut Store, number: u64, snapshots: &[(String, Vec<u8>)]) -> Result<(), Error> {
    if store.last_number() < number {
        return Ok(());
    }
    for (scope, body) in snapshots {
        store.put_state(scope, STATE_FORMAT, number, body)?;
    }
    Ok(())
}

/// A monitor as it stood at the last stored input.
#[derive(Debug)]
pub struct Restored {
    /// The monitor.
    pub monitor: Monitor,
    /// The last stored input.
    pub number: u64,
    /// What the replayed inputs brought out.
    pub batch: Batch,
    /// How many inputs were replayed.
    pub replayed: usize,
}

/// Builds the monitor of `plan` from what the store holds.
///
/// # Errors
/// When the store can't be read.
pub fn restore(store: &Store, plan: &Arc<Plan>, gathered: &mut Gathered) -> Result<Restored, Error> {
    let mut monitor = Monitor::new(Arc::clone(plan));
    let mut outputs = Vec::new();
    let scopes = store.saved_scopes()?;
    let (states, from) = match snapshots(store, &scopes)? {
        Some((number, states)) => (states, number),
        None => (precious_only(store, &scopes)?, if scopes.is_empty() { 0 } else { store.last_number() }),
    };
    for state in states {
        monitor.adopt(state, &mut outputs);
    }
    let mut batch = Batch::default();
    absorb(from, &mut outputs, gathered, &mut batch);
    let tail = store.tail_after(from)?;
    for record in &tail {
        replay_one(&mut monitor, plan, record.now, &record.input, &mut outputs);
        absorb(record.number, &mut outputs, gathered, &mut batch);
    }
    if !batch.changes.is_empty() {
        gathered.add_precious(store.last_number(), &monitor, &mut batch);
    }
    Ok(Restored { monitor, number: store.last_number(), batch, replayed: tail.len() })
}

/// Feeds one stored input to a monitor. A meter that the plan no longer has is passed over.
pub fn replay_one(
    monitor: &mut Monitor,
    plan: &Plan,
    now: EventTime,
    input: &OwnedInput,
    outputs: &mut Vec<Output>,
) {
    match input {
        OwnedInput::Tick => monitor.advance(now, outputs),
        OwnedInput::Reading { meter, at, values } => {
            if let Some(meter) = plan.meter_by_name(meter) {
                monitor.observe(now, Input::Reading(Reading { meter, at: *at, values }), outputs);
            }
        }
        OwnedInput::Person(order) => monitor.observe(now, Input::Person(order.clone()), outputs),
        OwnedInput::Health(fact) => monitor.observe(now, Input::Health(fact.clone()), outputs),
        OwnedInput::Reclocked { by } => monitor.observe(now, Input::Reclocked { by: *by }, outputs),
    }
}

fn absorb(number: u64, outputs: &mut Vec<Output>, gathered: &mut Gathered, batch: &mut Batch) {
    for output in outputs.drain(..) {
        gathered.add(number, output, batch);
    }
}

/// The newest input after which every scope has a snapshot that can be read, with these snapshots.
fn snapshots(store: &Store, scopes: &[String]) -> Result<Option<(u64, Vec<ScopeState>)>, Error> {
    let mut by_scope = Vec::new();
    for scope in scopes {
        let states = store.states(scope)?.into_iter().filter(|saved| saved.format == STATE_FORMAT);
        let read: Vec<(u64, ScopeState)> = states
            .filter_map(|saved| Some((saved.number, postcard::from_bytes(&saved.body).ok()?)))
            .collect();
        by_scope.push(read);
    }
    let Some(first) = by_scope.first() else { return Ok(None) };
    let mut numbers: Vec<u64> = first.iter().map(|(number, _)| *number).collect();
    numbers.sort_unstable_by(|one, other| other.cmp(one));
    let common = numbers
        .into_iter()
        .find(|number| by_scope.iter().all(|states| states.iter().any(|(other, _)| other == number)));
    let Some(common) = common else { return Ok(None) };
    let of_number = by_scope.into_iter().flatten().filter(|(number, _)| *number == common);
    Ok(Some((common, of_number.map(|(_, state)| state).collect())))
}

/// Alarms and alerts alone; windows and delays begin anew.
fn precious_only(store: &Store, scopes: &[String]) -> Result<Vec<ScopeState>, Error> {
    let mut states = Vec::new();
    let last = store.tail_after(store.last_number().saturating_sub(1))?;
    let at = last.last().map_or(EventTime(0), |record| record.now);
    for scope in scopes {
        let Some((_, body)) = store.precious(scope)? else { continue };
        match serde_json::from_str::<Precious>(&body) {
            Ok(precious) => states.push(ScopeState {
                scope: scope.clone(),
                at,
                precious,
                rebuildable: Rebuildable::default(),
            }),
            Err(error) => tracing::error!(%scope, %error, "the saved alarms can't be read; they begin anew"),
        }
    }
    Ok(states)
}
