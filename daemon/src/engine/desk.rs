//! The one handle to the engine: it sends batches on their way, one at a time, and settles each as it lands.

mod status;

use super::{BATCH_INPUTS, Engine, WRITE_AGAIN};
use crate::clock::Clock;
use crate::duty::Rules;
use crate::reload::Bell;
use crate::status::Strangers;
use crate::store::{Keeper, NotTaken};
use crate::tls::Ends;
use crate::words::Site;
use crate::world::Sink;
use kvarden_core::input::{Deed, HealthFact, MeterTrouble, Part};
use kvarden_core::output::Denial;
use kvarden_core::plan::Plan;
use kvarden_core::reading::{MeterId, Sample};
use kvarden_core::saved::ScopeState;
use kvarden_core::time::{EventTime, Span};
use std::cell::{Cell, RefCell};
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{Notify, watch};

/// A broker keeps a message until it is acknowledged, and few of them at a time: readings whose senders wait are
/// stored within so long: with the usual twenty open messages that lets some 800 a second in.
const SENDER_PATIENCE: Duration = Duration::from_millis(25);
/// How long an order waits to be stored before the person is told that it is not yet.
const ORDER_PATIENCE: Duration = Duration::from_secs(10);

/// While something is on its way to the store it is looked at so often, besides when it lands.
const LOOK_AGAIN: Duration = Duration::from_millis(100);

/// Each second something is done here: after so long without anything the program itself did not run.
const STOOD_STILL: Span = Span::seconds(10);

/// The handle: everything on the runtime's thread goes through it.
#[derive(Debug)]
pub struct Desk {
    engine: RefCell<Engine>,
    clock: Rc<Clock>,
    keeper: Keeper,
    site: RefCell<Site>,
    bell: Bell,
    since: EventTime,
    /// When it was last awake.
    seen: Cell<EventTime>,
    /// Letters of the channel for which most wait, as last counted.
    letters_wait: Cell<usize>,
    committed: watch::Sender<u64>,
    landed: Arc<Notify>,
    /// One for each channel's pump, so that a pump that is busy just now does not miss it.
    letters: RefCell<Vec<Rc<Notify>>>,
    /// A sender waits for the commit of its message.
    hurry: Notify,
    /// The store's file was found damaged and begun anew.
    replaced: Notify,
    strangers: RefCell<Strangers>,
    /// What must be known of certificates.
    certificates: RefCell<Vec<String>>,
}

impl Desk {
    /// Puts an engine to work.
    pub fn new(engine: Engine, clock: Rc<Clock>, keeper: Keeper, site: Site) -> Self {
        let since = clock.now();
        let (committed, _) = watch::channel(engine.number);
        Self {
            engine: RefCell::new(engine),
            clock,
            keeper,
            site: RefCell::new(site),
            bell: Bell::default(),
            since,
            seen: Cell::new(since),
            letters_wait: Cell::new(0),
            committed,
            landed: Arc::new(Notify::new()),
            letters: RefCell::default(),
            hurry: Notify::new(),
            replaced: Notify::new(),
            strangers: RefCell::default(),
            certificates: RefCell::default(),
        }
    }

    /// Steady time on the scale of event time.
    pub fn now(&self) -> EventTime {
        self.clock.now()
    }

    /// Where one asks for the configuration to be read anew.
    pub fn bell(&self) -> &Bell {
        &self.bell
    }

    /// Goes on with another configuration. `tells_anew`: other pumps will ask for a notice; those that had one are gone.
    /// `known`: states of scopes that come back.
    pub fn reconfigure(
        &self,
        (plan, known): (&Arc<Plan>, Vec<ScopeState>),
        site: &Site,
        channels: Vec<String>,
        tells_anew: bool,
    ) {
        if tells_anew {
            self.letters.borrow_mut().clear();
        }
        self.site.replace(site.clone());
        self.engine.borrow_mut().reconfigure(self.now(), (plan, known), site, channels);
        self.flush(true);
    }

    /// Goes on with other people, or other rules for them.
    pub fn follow_people(&self, rules: Rules) {
        self.engine.borrow_mut().follow_people(rules);
    }

    /// Stores what another configuration has changed, then the state from which a restart goes on under it, which bears its
    /// `mark`. If that can't be done in time, a restart goes on from what was told.
    pub async fn keep_reconfigured(&self, mark: String) {
        if !self.keep_all(Some(mark)).await {
            tracing::warn!(
                "the windows could not be saved yet; if the program ended now, they would begin anew"
            );
        }
    }

    /// Saves the state of every scope, in a bounded time. False: not all was stored.
    async fn keep_all(&self, mark: Option<String>) -> bool {
        let mut committed = self.committed.subscribe();
        self.flush(true);
        let (number, snapshots) = {
            let engine = self.engine.borrow();
            let scopes = engine.monitor.scopes();
            let all = scopes.filter_map(|scope| crate::restore::encode(&engine.monitor, scope));
            (engine.number, all.collect::<Vec<_>>())
        };
        let stored = async {
            while *committed.borrow_and_update() < number {
                self.flush(true);
                self.settle();
                let _ = tokio::time::timeout(LOOK_AGAIN, committed.changed()).await;
            }
        };
        if tokio::time::timeout(ORDER_PATIENCE, stored).await.is_err() {
            return false;
        }
        let kept = self.keeper.ask(move |store| {
            crate::restore::put(store, number, &snapshots)?;
            mark.map_or(Ok(()), |mark| store.note_plan(&mark))
        });
        matches!(kept.await, Ok(Ok(())))
    }

    /// A notice of its own for one pump, given whenever letters were stored.
    pub fn letters(&self) -> Rc<Notify> {
        let notice = Rc::new(Notify::new());
        self.letters.borrow_mut().push(Rc::clone(&notice));
        notice
    }

    /// Says that the program starts, or starts again.
    pub fn resume(&self) {
        let now = self.clock.now();
        self.seen.set(now);
        self.engine.borrow_mut().fact(now, HealthFact::Resumed);
        self.look_at_clock(now);
        self.flush(true);
    }

    /// Steady time. Where the program stood still, or the machine slept, what lies between says nothing about the
    /// meters.
    fn awake(&self) -> EventTime {
        let now = self.clock.now();
        if now - self.seen.replace(now) > STOOD_STILL {
            tracing::warn!("the program or its machine stood still for a while; nothing was read meanwhile");
            self.engine.borrow_mut().fact(now, HealthFact::Resumed);
        }
        now
    }

    /// Whether the store takes what is given to it.
    pub fn store_works(&self) -> bool {
        self.engine.borrow().store_works
    }

    /// The plan in force.
    pub fn plan(&self) -> Arc<Plan> {
        Arc::clone(self.engine.borrow().monitor.plan())
    }

    /// Whether stamps of our own clock wait for its correction, by the inputs that are stored.
    pub fn doubts_clock(&self) -> bool {
        self.engine.borrow().monitor.doubts_clock_since().is_some()
    }

    /// Whether a day may be closed and old rows removed by this clock.
    pub fn clock_is_trusted(&self) -> bool {
        self.clock.is_trusted()
    }

    fn look_at_clock(&self, now: EventTime) {
        let works = self.clock.is_trusted();
        let mut engine = self.engine.borrow_mut();
        engine.part(now, Part::Clock, works);
    }

    /// What each second brings: the clocks are compared, what is due is done, what was gathered is stored.
    pub fn second(&self) {
        if let Some(by) = self.clock.compare() {
            tracing::warn!(seconds = by.as_seconds(), "the wall clock was set; delays are not touched by it");
            self.seen.set(self.clock.now());
            self.engine.borrow_mut().reclocked(self.clock.now(), by);
        }
        self.look_at_clock(self.clock.now());
        let now = self.awake();
        let mut engine = self.engine.borrow_mut();
        engine.tick(now);
        engine.watch_queue(now, self.letters_wait.get());
        drop(engine);
        self.flush(true);
    }

    /// Looks which certificates end soon. By a clock that is not trusted any would.
    pub fn look_at_certificates(&self, ends: &Ends) {
        let now = self.now();
        for (part, holds) in ends.look(now) {
            self.engine.borrow_mut().part(now, part, holds);
        }
        *self.certificates.borrow_mut() = ends.notices(now);
    }

    /// Looks how many letters wait for the channel that has the most; what was found counts from the next second on.
    pub async fn count_letters(&self) {
        let channels = self.engine.borrow().gathered.channels().to_vec();
        let count = move |store: &mut crate::store::Store| {
            channels.iter().filter_map(|channel| store.waiting(channel).ok()).max().unwrap_or(0)
        };
        if let Ok(most) = self.keeper.ask(count).await {
            self.letters_wait.set(most);
        }
    }

    /// Hands what was gathered to the store: at once if it tells of something or `whole` is asked, else when it has
    /// grown large enough.
    fn flush(&self, whole: bool) {
        let now = self.now();
        let mut engine = self.engine.borrow_mut();
        let due = whole
            || !engine.batch.alerts.is_empty()
            || !engine.batch.changes.is_empty()
            || engine.batch.tail.len() >= BATCH_INPUTS;
        if !(due && engine.may_flush(now)) {
            return;
        }
        let number = engine.number;
        let due = engine.snapshots.due(now);
        {
            let engine = &mut *engine;
            engine.gathered.add_learned(&due, number, &engine.monitor, &mut engine.batch);
        }
        let snapshots: Vec<_> =
            due.into_iter().filter_map(|scope| crate::restore::encode(&engine.monitor, scope)).collect();
        let batch = std::mem::take(&mut engine.batch);
        let (landing, landed) = (Arc::clone(&engine.landing), Arc::clone(&self.landed));
        let done = move |result| {
            if let Ok(mut place) = landing.lock() {
                *place = Some(result);
            }
            landed.notify_one();
        };
        engine.in_flight = Some(number);
        drop(engine);
        match self.keeper.submit(batch, done) {
            Ok(()) => self.store_snapshots(number, snapshots),
            Err(NotTaken::Full(batch) | NotTaken::Gone(batch)) => {
                let mut engine = self.engine.borrow_mut();
                engine.in_flight = None;
                engine.write_again = Some(now + WRITE_AGAIN);
                let newer = std::mem::replace(&mut engine.batch, *batch);
                crate::batching::append(&mut engine.batch, newer);
            }
        }
    }

    /// Queues the snapshots behind the batch that they include; without it they are not stored.
    fn store_snapshots(&self, number: u64, snapshots: Vec<(String, Vec<u8>)>) {
        if snapshots.is_empty() {
            return;
        }
        let keeper = self.keeper.clone();
        tokio::task::spawn_local(async move {
            let job = move |store: &mut crate::store::Store| crate::restore::put(store, number, &snapshots);
            match keeper.ask(job).await {
                Ok(Ok(())) => {}
                Ok(Err(error)) => {
                    tracing::warn!(%error, "the windows could not be saved; the tail is kept instead");
                }
                Err(error) => tracing::error!(%error, "the windows could not be saved"),
            }
        });
    }

    /// Takes what became of the batch in flight, tells those who wait for it, and sends the next one.
    pub fn settle(&self) {
        let settled = self.engine.borrow_mut().settle(self.now());
        if let Some((applied, number)) = settled {
            self.committed.send_replace(number);
            if applied.new_letters > 0 {
                self.letters.borrow().iter().for_each(|notice| notice.notify_one());
            }
            if let Some(salvage) = applied.salvage {
                tracing::error!("{salvage}");
                self.replaced.notify_one();
            }
        }
        self.flush(false);
    }

    /// Settles each batch as it lands, until the daemon stops.
    pub async fn settle_always(&self) {
        loop {
            self.landed.notified().await;
            self.settle();
        }
    }

    /// Returns when the store's file was found damaged and begun anew: ids would begin with another book.
    pub async fn store_replaced(&self) {
        self.replaced.notified().await;
    }

    /// Stores what was gathered soon after a sender began to wait for it, until the daemon stops.
    pub async fn hurry_always(&self) {
        loop {
            self.hurry.notified().await;
            tokio::time::sleep(SENDER_PATIENCE).await;
            self.flush(true);
        }
    }

    /// Stores everything that was gathered, within a bounded time; for the end of the program, when nobody else
    /// settles any more. What can't be stored in time is in no worse state than after a power cut.
    pub async fn store_all(&self) {
        let all = async {
            loop {
                self.flush(true);
                self.settle();
                if self.has_stored_all() {
                    return;
                }
                // A short sleep beside the notice: a write that failed is tried again after a while.
                let _ = tokio::time::timeout(LOOK_AGAIN, self.landed.notified()).await;
            }
        };
        // With the windows, so that a start with a changed configuration has them.
        if tokio::time::timeout(ORDER_PATIENCE, all).await.is_err() || !self.keep_all(None).await {
            tracing::error!("not everything could be stored before the end");
        }
    }

    fn has_stored_all(&self) -> bool {
        let engine = self.engine.borrow();
        engine.batch.is_empty() && engine.in_flight.is_none()
    }

    /// Carries out a person's order; returns when it is stored.
    ///
    /// # Errors
    /// Why it was not carried out.
    pub async fn order(&self, by: &str, alert: &str, what: Deed) -> Result<(), Denial> {
        let mut committed = self.committed.subscribe();
        let (result, number) = {
            let mut engine = self.engine.borrow_mut();
            let result = engine.order(self.now(), by, alert, what);
            (result, engine.number)
        };
        self.flush(true);
        self.settle();
        if tokio::time::timeout(ORDER_PATIENCE, committed.wait_for(|stored| *stored >= number)).await.is_err()
        {
            tracing::warn!("an order was carried out but is not stored yet");
        }
        result
    }

    /// The ids of the open alerts.
    pub fn open_alerts(&self) -> Vec<String> {
        self.engine.borrow().monitor.open_alerts().map(|revision| revision.alert.clone()).collect()
    }

    /// The ids of alerts that another open one tells of.
    pub fn merged_alerts(&self) -> Vec<String> {
        self.engine.borrow().monitor.merged_alerts().collect()
    }
}

impl Sink for Desk {
    fn reading(&self, meter: MeterId, at: EventTime, values: &[Sample]) -> u64 {
        let now = self.awake();
        let number = self.engine.borrow_mut().reading(now, meter, at, values);
        self.flush(false);
        number
    }

    fn part(&self, part: Part, works: bool) {
        let now = self.awake();
        self.engine.borrow_mut().part(now, part, works);
        self.flush(false);
    }

    fn meter_trouble(&self, meter: MeterId, trouble: MeterTrouble, holds: bool) {
        let now = self.awake();
        self.engine.borrow_mut().trouble(now, meter, trouble, holds);
        self.flush(false);
    }

    fn now(&self) -> EventTime {
        self.clock.now()
    }

    fn committed(&self) -> watch::Receiver<u64> {
        self.committed.subscribe()
    }

    fn await_commit(&self) {
        self.hurry.notify_one();
    }

    fn refused_payload(&self, meter: MeterId, topic: &str, bytes: &[u8]) {
        if let Some(status) = self.engine.borrow_mut().meters.get_mut(meter.0 as usize) {
            status.keep_payload(topic, bytes);
        }
    }

    fn trouble(&self, meter: MeterId, what: &'static str) {
        let mut engine = self.engine.borrow_mut();
        let Some(status) = engine.meters.get_mut(meter.0 as usize) else { return };
        match status.troubles.iter_mut().find(|(known, _)| known == what) {
            Some((_, count)) => *count += 1,
            None => status.troubles.push((what.to_owned(), 1)),
        }
    }

    fn shortest_event(&self, meter: MeterId, lasts: Span) {
        self.engine.borrow_mut().learned(meter, lasts);
    }

    fn stranger(&self, topic: &str) {
        self.strangers.borrow_mut().add(topic);
    }
}
