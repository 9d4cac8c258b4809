//! From the store back to a monitor: of each scope the newest snapshot that fits, then the stored inputs after it. Scopes
//! are saved one by one, so each goes on from an input of its own.
//!
//! What the replayed inputs bring out again has the ids it had before, so storing it again changes nothing.

use crate::batching::{self, Gathered};
use crate::store::{Batch, Error, OwnedInput, Store};
use kvarden_core::input::Input;
use kvarden_core::monitor::{Monitor, ScopeId};
use kvarden_core::output::Output;
use kvarden_core::plan::Plan;
use kvarden_core::reading::Reading;
use kvarden_core::saved::{Precious, Rebuildable, ScopeState};
use kvarden_core::time::EventTime;
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::sync::Arc;

/// The written form of snapshots; to be raised with any change of the types within [`ScopeState`].
const STATE_FORMAT: u32 = 24;

/// The snapshot of a scope, with its name.
pub fn encode(monitor: &Monitor, scope: ScopeId) -> Option<(String, Vec<u8>)> {
    let state = monitor.snapshot(scope);
    Some((state.scope.clone(), postcard::to_stdvec(&state).ok()?))
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
    /// All scopes, those without a snapshot first, then those with the oldest.
    pub to_save: Vec<ScopeId>,
    /// How many have no snapshot.
    pub unsaved: usize,
}

/// Builds the monitor of `plan` from what the store holds. `since`: by scope, the input since which it is watched.
///
/// # Errors
/// When the store can't be read.
pub fn restore(
    store: &Store,
    plan: &Arc<Plan>,
    since: &[u64],
    gathered: &mut Gathered,
) -> Result<Restored, Error> {
    let mut monitor = Monitor::new(Arc::clone(plan));
    let mut outputs = Vec::new();
    let last = store.last_number();
    let mut begins = Vec::with_capacity(plan.scopes.len());
    let together = saved_together(store, plan, since)?;
    for ((scope, since), number) in monitor.scopes().zip(since).zip(together) {
        begins.push(begin(store, &plan.scopes[scope.0].name, scope, (*since, number))?);
        monitor.rest(scope);
    }
    begins.sort_by_key(|begin| begin.number);
    let tail = match begins.first().map(|begin| store.tail_after(begin.number)) {
        Some(Err(error @ Error::Row { .. })) => {
            tracing::error!(%error, "the stored readings can't be read; alarms go on as saved, windows begin anew");
            for begin in &mut begins {
                *begin = as_last_saved(store, &plan.scopes[begin.scope.0].name, begin.scope)?;
            }
            Vec::new()
        }
        tail => tail.transpose()?.unwrap_or_default(),
    };
    let saved_at = |begin: &Begin| (begin.is_snapshot.then_some(begin.number), begin.scope);
    let mut to_save: Vec<(Option<u64>, ScopeId)> = begins.iter().map(saved_at).collect();
    to_save.sort_by_key(|(number, _)| *number);
    let mut batch = Batch::default();
    let mut begins = begins.into_iter().peekable();
    for record in &tail {
        while let Some(begin) = begins.next_if(|begin| begin.number < record.number) {
            wake(&mut monitor, begin, &mut outputs);
        }
        replay_one(&mut monitor, plan, record.now, &record.input, &mut outputs);
        gathered.follow_clock(&monitor, record.input.corrects_clock(), &mut batch);
        absorb(record.number, &mut outputs, gathered, &mut batch);
    }
    for begin in begins {
        wake(&mut monitor, begin, &mut outputs);
    }
    for scope in store.saved_scopes()? {
        if plan.scopes.iter().all(|watched| watched.name != scope)
            && let Some(state) = precious(store, &scope)?
        {
            batch.precious.extend(batching::retired(&scope, last, state.precious.clone()));
            monitor.adopt(state, &mut outputs);
        }
    }
    absorb(last, &mut outputs, gathered, &mut batch);
    // What is stored of an input is stored with it, and this alone does not bear to be stored twice.
    batch.minutes.retain(|row| !row.late);
    batch.leave_stored_stamps();
    if !(batch.changes.is_empty() && batch.findings.is_empty() && batch.alerts.is_empty()) {
        gathered.add_precious(last, &monitor, &mut batch);
    }
    drop_decided(store, &mut batch)?;
    Ok(Restored {
        monitor,
        number: last,
        batch,
        replayed: tail.len(),
        unsaved: to_save.iter().filter(|(number, _)| number.is_none()).count(),
        to_save: to_save.into_iter().map(|(_, scope)| scope).collect(),
    })
}

fn wake(monitor: &mut Monitor, begin: Begin, outputs: &mut Vec<Output>) {
    if let Some(state) = begin.state {
        monitor.adopt(state, outputs);
    }
    monitor.wake(begin.scope);
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

/// How a scope goes on.
struct Begin {
    scope: ScopeId,
    /// After which input.
    number: u64,
    /// `None`: it has seen nothing.
    state: Option<ScopeState>,
    is_snapshot: bool,
}

/// By scope, the input after which it and all that are linked to it were saved, the newest; `None`: there is none, or it is
/// linked to no other.
fn saved_together(store: &Store, plan: &Plan, since: &[u64]) -> Result<Vec<Option<u64>>, Error> {
    let linked = plan.linked();
    let mut common: BTreeMap<usize, Vec<u64>> = BTreeMap::new();
    let is_alone = |group: usize| linked.iter().filter(|one| **one == group).count() < 2;
    let scopes = plan.scopes.iter().zip(&linked).zip(since);
    for ((scope, group), since) in scopes.filter(|((_, group), _)| !is_alone(**group)) {
        let saved: Vec<u64> = snapshots(store, &scope.name, *since)?.map(|(number, _)| number).collect();
        match common.entry(*group) {
            Entry::Vacant(place) => drop(place.insert(saved)),
            Entry::Occupied(mut place) => place.get_mut().retain(|number| saved.contains(number)),
        }
    }
    Ok(linked
        .iter()
        .map(|group| common.get(group).and_then(|numbers| numbers.iter().max().copied()))
        .collect())
}

/// Whether the stored inputs go on from one, for a scope that is watched since another.
fn goes_on(store: &Store, since: u64) -> Result<impl Fn(u64) -> bool + use<>, Error> {
    let (first, last) = (store.first_number()?, store.last_number());
    Ok(move |number: u64| {
        number >= since && (number >= last || first.is_some_and(|first| first <= number + 1))
    })
}

/// The snapshots of a scope that can be read and from which the tail goes on, the newest first.
fn snapshots(
    store: &Store,
    name: &str,
    since: u64,
) -> Result<impl Iterator<Item = (u64, ScopeState)> + use<>, Error> {
    let goes_on = goes_on(store, since)?;
    let rows = store.states(name)?.into_iter();
    let readable = rows.filter(move |row| row.format == STATE_FORMAT && goes_on(row.number));
    Ok(readable.filter_map(|row| Some((row.number, postcard::from_bytes(&row.body).ok()?))))
}

/// The snapshot made after input `together`, else the newest. Without one, its alarms and alerts as they were last saved; a
/// scope of which nothing was ever saved begins where it came into the plan.
fn begin(
    store: &Store,
    name: &str,
    scope: ScopeId,
    (since, together): (u64, Option<u64>),
) -> Result<Begin, Error> {
    let mut states = snapshots(store, name, since)?;
    if let Some((number, state)) = states.find(|(number, _)| together.is_none_or(|one| one == *number)) {
        return Ok(Begin { scope, number, state: Some(state), is_snapshot: true });
    }
    let saved = as_last_saved(store, name, scope)?;
    if saved.state.is_none() && goes_on(store, since)?(since) {
        return Ok(Begin { number: since, ..saved });
    }
    Ok(saved)
}

/// Alarms and alerts alone, which stand for the last input; windows and delays begin anew.
fn as_last_saved(store: &Store, name: &str, scope: ScopeId) -> Result<Begin, Error> {
    Ok(Begin { scope, number: store.last_number(), state: precious(store, name)?, is_snapshot: false })
}

/// The alarms and alerts of a scope as they were last saved; `None`: it has none.
pub(crate) fn precious(store: &Store, scope: &str) -> Result<Option<ScopeState>, Error> {
    let Some((_, body)) = store.precious(scope)? else { return Ok(None) };
    // Not the time of the last input: its row may be the one that can't be read.
    let at = store.newest_alerts()?.last().map_or(EventTime(0), |revision| revision.at);
    match serde_json::from_str::<Precious>(&body) {
        Ok(precious) => Ok(Some(ScopeState {
            scope: scope.to_owned(),
            at,
            precious,
            rebuildable: Rebuildable::default(),
        })),
        Err(error) => {
            tracing::error!(%scope, %error, "the saved alarms can't be read; they begin anew");
            Ok(None)
        }
    }
}
