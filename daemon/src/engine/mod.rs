//! Between the rooms that wait and the monitor that judges: numbers the inputs, judges them, gathers what comes out
//! into batches, and hands these to the store. A state and the letters that tell of it are in one batch.

mod ageing;
mod desk;
mod snapshots;

pub use desk::Desk;
pub use snapshots::SNAPSHOT_EVERY;

use self::snapshots::Snapshots;
use crate::batching::Gathered;
use crate::duty::Rules;
use crate::restore::Restored;
use crate::status::MeterStatus;
use crate::store::{Applied, Batch, Learned, OwnedInput, TailRecord, Unwritten};
use crate::words::Site;
use kvarden_core::input::{Deed, HealthFact, Input, MeterTrouble, Order, Part};
use kvarden_core::monitor::Monitor;
use kvarden_core::output::{Answer, Denial, Output};
use kvarden_core::plan::Plan;
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::saved::ScopeState;
use kvarden_core::time::{EventTime, Span};
use std::sync::{Arc, Mutex};

/// So many stored inputs make a batch even before its second is over.
const BATCH_INPUTS: usize = 256;
/// Inputs held while the store does not follow; more are judged but not kept, and counted.
const MOST_HELD: usize = 50_000;
/// After a failed write the store is left alone for so long.
const WRITE_AGAIN: Span = Span::seconds(1);

/// So many inputs, or letters of one channel, that wait are an alarm: half of the inputs that are held at most, and
/// more letters than a bad night brings (common practice, no source).
const QUEUE_LONG: (usize, usize) = (MOST_HELD / 2, 1000);
/// Below both of these it is over.
const QUEUE_SHORT: (usize, usize) = (MOST_HELD / 10, 100);

/// What became of the batch that is on its way to the store. Filled on the store's thread.
type Landing = Arc<Mutex<Option<Result<Applied, Box<Unwritten>>>>>;

/// The monitor with everything that is on its way to the store.
#[derive(Debug)]
pub struct Engine {
    monitor: Monitor,
    outputs: Vec<Output>,
    gathered: Gathered,
    number: u64,
    batch: Batch,
    /// A batch is on its way; the next one is gathered until it has landed, so that the store's order is ours.
    in_flight: Option<u64>,
    landing: Landing,
    write_again: Option<EventTime>,
    snapshots: Snapshots,
    store_works: bool,
    not_kept: u64,
    readings: u64,
    meters: Vec<MeterStatus>,
    order: u64,
}

/// The meters of a plan, of which nothing is known yet.
fn meters_of(plan: &Plan) -> Vec<MeterStatus> {
    let name = |place: &kvarden_core::plan::MeterRef| {
        let scope = &plan.scopes[place.scope];
        MeterStatus {
            transformer: scope.name.clone(),
            meter: scope.meters[place.local].name.clone(),
            ..MeterStatus::default()
        }
    };
    plan.meters.iter().map(name).collect()
}

impl Engine {
    /// An engine that goes on from what was restored.
    pub fn new(restored: Restored, gathered: Gathered) -> Self {
        let Restored { monitor, number, batch, to_save, unsaved, .. } = restored;
        let plan = Arc::clone(monitor.plan());
        Self {
            meters: meters_of(&plan),
            monitor,
            outputs: Vec::with_capacity(64),
            gathered,
            number,
            batch,
            in_flight: None,
            landing: Landing::default(),
            write_again: None,
            snapshots: Snapshots::new(&to_save, unsaved, &plan.linked()),
            store_works: true,
            not_kept: 0,
            readings: 0,
            order: 0,
        }
    }

    /// Goes on with another plan. It is numbered like an input, so that what comes of it is stored in its place.
    fn reconfigure(
        &mut self,
        now: EventTime,
        (plan, known): (&Arc<Plan>, Vec<ScopeState>),
        site: &Site,
        channels: Vec<String>,
    ) {
        let former = Arc::clone(self.monitor.plan());
        let gone = self
            .monitor
            .scopes()
            .filter(|scope| plan.scopes.iter().all(|watched| watched.name != former.scopes[scope.0].name));
        let retired: Vec<_> =
            gone.map(|scope| self.gathered.retired(scope, self.number + 1, &self.monitor)).collect();
        self.monitor.reconfigure(Arc::clone(plan), &mut self.outputs);
        for state in known {
            self.monitor.adopt(state, &mut self.outputs);
        }
        self.gathered.follow_plan(plan, site.clone(), channels);
        self.keep(now, OwnedInput::Tick);
        self.absorb(now, None);
        self.batch.precious.extend(retired.into_iter().flatten());
        let scopes: Vec<_> = self.monitor.scopes().collect();
        self.gathered.add_learned(&scopes, self.number, &self.monitor, &mut self.batch);
        let known = std::mem::take(&mut self.meters);
        self.meters = meters_of(plan);
        for meter in &mut self.meters {
            if let Some(same) = known.iter().find(|known| known.meter == meter.meter) {
                *meter = MeterStatus { transformer: meter.transformer.clone(), ..same.clone() };
            }
        }
        // Each is saved with it, so none is without a snapshot.
        self.snapshots = Snapshots::new(&scopes, 0, &plan.linked());
    }

    fn keep(&mut self, now: EventTime, input: OwnedInput) {
        self.number += 1;
        self.batch.tail.push(TailRecord { number: self.number, now, input });
    }

    fn reading(&mut self, now: EventTime, meter: MeterId, at: EventTime, values: &[Sample]) -> u64 {
        self.monitor.observe(now, Input::Reading(Reading { meter, at, values }), &mut self.outputs);
        if let Some(name) = self.gathered.meter_name(meter) {
            self.keep(now, OwnedInput::Reading { meter: name, at, values: values.into() });
        }
        self.readings += 1;
        if let Some(status) = self.meters.get_mut(meter.0 as usize) {
            status.readings += 1;
            status.latest = Some(status.latest.map_or(at, |latest| latest.max(at)));
        }
        self.absorb(now, None);
        self.number
    }

    fn fact(&mut self, now: EventTime, fact: HealthFact) {
        self.monitor.observe(now, Input::Health(fact.clone()), &mut self.outputs);
        self.keep(now, OwnedInput::Health(fact));
        self.absorb(now, None);
    }

    /// Tells of a part, unless its alarm says so already.
    fn part(&mut self, now: EventTime, part: Part, works: bool) {
        let fact = HealthFact::Part { part, works };
        if self.monitor.is_news(&fact) {
            self.fact(now, fact);
        }
    }

    /// A meter's trouble; a poller may say at each poll what holds already.
    fn trouble(&mut self, now: EventTime, meter: MeterId, trouble: MeterTrouble, holds: bool) {
        let Some(meter) = self.monitor.meter(meter).map(|meter| meter.name.clone()) else { return };
        let fact = HealthFact::Meter { meter, trouble, holds };
        if self.monitor.is_news(&fact) {
            self.fact(now, fact);
        }
    }

    /// How long an event must last to be seen by this meter.
    fn learned(&mut self, meter: MeterId, shortest_event: Span) {
        if let Some(status) = self.meters.get_mut(meter.0 as usize) {
            status.shortest_event = Some(shortest_event);
        }
        if let Some(meter) = self.gathered.meter_name(meter) {
            self.batch.learned.push(Learned { meter, shortest_event });
        }
    }

    /// Whether too much waits: inputs for the store, or the channel's letters of which most wait.
    fn watch_queue(&mut self, now: EventTime, letters: usize) {
        let inputs = self.batch.tail.len();
        if inputs >= QUEUE_LONG.0 || letters >= QUEUE_LONG.1 {
            self.part(now, Part::Queue, false);
        } else if inputs < QUEUE_SHORT.0 && letters < QUEUE_SHORT.1 {
            self.part(now, Part::Queue, true);
        }
    }

    /// How a meter stands, with what its own alarms say.
    fn status_of(&self, index: usize, known: &MeterStatus) -> MeterStatus {
        let meter = MeterId(index as u32);
        let mut in_trouble: Vec<String> =
            self.monitor.standing(meter).map(crate::words::subject::trouble).collect();
        in_trouble.dedup();
        let every = self.monitor.meter(meter).map_or(Span::ZERO, |meter| meter.every);
        MeterStatus { in_trouble, every, ..known.clone() }
    }

    fn reclocked(&mut self, now: EventTime, by: Span) {
        self.monitor.observe(now, Input::Reclocked { by }, &mut self.outputs);
        self.keep(now, OwnedInput::Reclocked { by });
        self.absorb(now, Some(by));
        // What stands bears another date now, although nothing was told.
        let scopes: Vec<_> = self.monitor.scopes().collect();
        self.gathered.add_learned(&scopes, self.number, &self.monitor, &mut self.batch);
    }

    fn tick(&mut self, now: EventTime) {
        self.monitor.advance(now, &mut self.outputs);
        if !self.outputs.is_empty() {
            self.keep(now, OwnedInput::Tick);
            self.absorb(now, None);
        }
        self.gathered.attend(now, &mut self.batch);
    }

    fn order(&mut self, now: EventTime, by: &str, alert: &str, what: Deed) -> Result<(), Denial> {
        self.order += 1;
        let order = Order { number: self.order, by: by.to_owned(), alert: alert.to_owned(), what };
        self.monitor.observe(now, Input::Person(order.clone()), &mut self.outputs);
        let answer = self.outputs.iter().find_map(|output| match output {
            Output::Answer(Answer { number, result }) if *number == self.order => Some(*result),
            _ => None,
        });
        let learned = matches!(order.what, Deed::Calibration { .. } | Deed::Connections { .. });
        self.keep(now, OwnedInput::Person(order));
        self.absorb(now, None);
        if learned {
            let scopes: Vec<_> = self.monitor.scopes().collect();
            self.gathered.add_learned(&scopes, self.number, &self.monitor, &mut self.batch);
        }
        answer.unwrap_or(Err(Denial::UnknownAlert))
    }

    /// Goes on with other people, or other rules for them.
    fn follow_people(&mut self, rules: Rules) {
        let open = self.monitor.open_alerts().cloned().collect();
        self.gathered.follow_people(rules, open);
    }

    /// Moves what came out into the batch. `corrected`: by so much the input corrected our clock.
    fn absorb(&mut self, now: EventTime, corrected: Option<Span>) {
        self.gathered.follow_clock(&self.monitor, corrected, &mut self.batch);
        let tells =
            |output: &Output| matches!(output, Output::Alarm(_) | Output::Finding(_) | Output::Alert(_));
        let told = self.outputs.iter().any(tells);
        for output in self.outputs.drain(..) {
            if let Output::Refused(refused) = &output
                && let Some(status) = self.meters.get_mut(refused.meter.0 as usize)
            {
                status.refused += u64::from(refused.count);
                status.refusal = Some(crate::words::refusal(refused));
            }
            self.gathered.add(self.number, output, &mut self.batch);
        }
        self.gathered.attend(now, &mut self.batch);
        if told {
            self.gathered.add_precious(self.number, &self.monitor, &mut self.batch);
        }
        self.hold_bound();
    }

    /// While the store does not follow, the newest inputs are held and the oldest given up.
    fn hold_bound(&mut self) {
        let over = self.batch.tail.len().saturating_sub(MOST_HELD);
        if over > 0 {
            self.batch.tail.drain(..over);
            self.not_kept += over as u64;
        }
        let over = self.batch.minutes.len().saturating_sub(MOST_HELD);
        self.batch.minutes.drain(..over);
    }

    /// Takes what became of the batch in flight. Gives the applied part and the last number that is stored.
    fn settle(&mut self, now: EventTime) -> Option<(Applied, u64)> {
        let number = self.in_flight?;
        let landed = self.landing.lock().ok().and_then(|mut landing| landing.take())?;
        self.in_flight = None;
        match landed {
            Ok(applied) => {
                self.write_again = None;
                let works = !applied.in_memory;
                if std::mem::replace(&mut self.store_works, works) != works {
                    self.fact(now, HealthFact::Part { part: Part::Store, works });
                }
                Some((applied, number))
            }
            Err(unwritten) => {
                tracing::error!(error = %unwritten.why, "the store can't be written; judging goes on, writing is tried again");
                let newer = std::mem::replace(&mut self.batch, unwritten.batch);
                crate::batching::append(&mut self.batch, newer);
                self.write_again = Some(now + WRITE_AGAIN);
                if std::mem::replace(&mut self.store_works, false) {
                    self.fact(now, HealthFact::Part { part: Part::Store, works: false });
                }
                None
            }
        }
    }

    fn may_flush(&self, now: EventTime) -> bool {
        self.in_flight.is_none() && !self.batch.is_empty() && self.write_again.is_none_or(|at| now >= at)
    }
}

#[cfg(test)]
mod tests;
#[cfg(test)]
mod told_tests;
