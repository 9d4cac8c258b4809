//! From the store back to a monitor: the newest snapshot that fits, then the stored inputs after it.
//!
//! What the replayed inputs bring out again has the ids it had before, so storing it again changes nothing.

use crate::batching::Gathered;
use crate::store::{Batch, Error, OwnedInput, Store, TailRecord};
use kvarden_core::input::Input;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::Output;
use kvarden_core::plan::Plan;
use kvarden_core::reading::Reading;
use kvarden_core::saved::{Precious, Rebuildable, ScopeState};
use kvarden_core::time::EventTime;
use std::sync::Arc;

/// The written form of snapshots; to be raised with any change of the types within [`ScopeState`].
const STATE_FORMAT: u32 = 9;

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
    let (states, from, tail) = match with_tail(store, plan, &scopes)? {
        Some(found) => found,
        None => (precious_only(store, &scopes)?, store.last_number(), Vec::new()),
    };
    for state in states {
        monitor.adopt(state, &mut outputs);
    }
    let mut batch = Batch::default();
    absorb(from, &mut outputs, gathered, &mut batch);
    for record in &tail {
        replay_one(&mut monitor, plan, record.now, &record.input, &mut outputs);
        absorb(record.number, &mut outputs, gathered, &mut batch);
    }
    if !batch.changes.is_empty() {
        gathered.add_precious(store.last_number(), &monitor, &mut batch);
    }
    drop_decided(store, &mut batch)?;
    Ok(Restored { monitor, number: store.last_number(), batch, replayed: tail.len() })
}

/// A revision that is stored was told together with it, or was for the digest only: its letters are not written anew.
fn drop_decided(store: &Store, batch: &mut Batch) -> Result<(), Error> {
    for letter in std::mem::take(&mut batch.letters) {
        if store.alert(&letter.alert)?.is_none_or(|newest| newest.revision < letter.revision) {
            batch.letters.push(letter);
        }
    }
    Ok(())
}

/// States to begin with, the input after which they stand, and the inputs after it.
type Begin = (Vec<ScopeState>, u64, Vec<TailRecord>);

/// Snapshots and the tail after them; `None` if there is none that fits, or the tail can't be read.
fn with_tail(store: &Store, plan: &Plan, scopes: &[String]) -> Result<Option<Begin>, Error> {
    let (states, from) = match snapshots(store, plan, scopes)? {
        Some(found) => found,
        None if scopes.is_empty() => (Vec::new(), 0),
        None => return Ok(None),
    };
    match store.tail_after(from) {
        Ok(tail) => Ok(Some((states, from, tail))),
        Err(error @ Error::Row { .. }) => {
            tracing::error!(%error, "the stored readings can't be read; alarms go on as saved, windows begin anew");
            Ok(None)
        }
        Err(error) => Err(error),
    }
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

/// The snapshots of one scope.
struct Saved {
    /// The input after which the newest was made, whether it can be read or not.
    newest: u64,
    /// Those that can be read.
    states: Vec<(u64, ScopeState)>,
}

/// The newest input after which every scope has a snapshot that can be read, with these snapshots. A scope that had
/// none made for that long was not in the plan then: it goes on from its alarms and alerts alone.
fn snapshots(store: &Store, plan: &Plan, scopes: &[String]) -> Result<Option<(Vec<ScopeState>, u64)>, Error> {
    let (watched, gone): (Vec<&String>, Vec<&String>) =
        scopes.iter().partition(|name| plan.scopes.iter().any(|scope| scope.name == **name));
    let saved = watched.iter().map(|scope| saved(store, scope)).collect::<Result<Vec<_>, _>>()?;
    let fits = |number: u64| {
        let has = |one: &Saved| one.states.iter().any(|(known, _)| *known == number);
        saved.iter().any(has) && saved.iter().all(|one| one.newest < number || has(one))
    };
    let numbers = saved.iter().flat_map(|one| &one.states).map(|(number, _)| *number);
    let Some(common) = numbers.filter(|number| fits(*number)).max() else { return Ok(None) };
    let alone = watched.iter().zip(&saved).filter(|(_, one)| one.newest < common).map(|(scope, _)| *scope);
    let alone: Vec<String> = alone.chain(gone).cloned().collect();
    let mut states = precious_only(store, &alone)?;
    let of_common = saved.into_iter().flat_map(|one| one.states).filter(|(number, _)| *number == common);
    states.extend(of_common.map(|(_, state)| state));
    Ok(Some((states, common)))
}

fn saved(store: &Store, scope: &str) -> Result<Saved, Error> {
    let rows = store.states(scope)?;
    let newest = rows.first().map_or(0, |row| row.number);
    let readable = rows.into_iter().filter(|row| row.format == STATE_FORMAT);
    let states = readable.filter_map(|row| Some((row.number, postcard::from_bytes(&row.body).ok()?)));
    Ok(Saved { newest, states: states.collect() })
}

/// Alarms and alerts alone; windows and delays begin anew.
fn precious_only(store: &Store, scopes: &[String]) -> Result<Vec<ScopeState>, Error> {
    let mut states = Vec::new();
    // Not the time of the last input: its row may be the one that can't be read.
    let at = store.newest_alerts()?.last().map_or(EventTime(0), |revision| revision.at);
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
