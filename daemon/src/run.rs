//! The whole daemon: `run` over a world, `run_until_signal` over the real one.

use crate::batching::{Gathered, Told};
use crate::broker::{NoRoute, Route};
use crate::clock::Clock;
use crate::deliver::file::FileCourier;
use crate::deliver::kept::KeptOutbox;
use crate::deliver::log::LogCourier;
use crate::deliver::mqtt::{MqttCourier, MqttSettings, PATIENCE};
use crate::deliver::trial::{Board, Heard, Trials};
use crate::deliver::ways::{NoWay, couriers};
use crate::deliver::writer::Writer;
use crate::deliver::{Outbox, Pump};
use crate::duty::{Duty, Rules};
use crate::engine::{Desk, Engine, SNAPSHOT_EVERY};
use crate::links::{Signer, key_in};
use crate::reload::{self, Meters};
use crate::restore::restore;
use crate::running::{Now, Running, Telling, ends_of, maker, next, ring_at_signal, start_acquiring};
use crate::store::{Error as StoreError, Keeper, Options, Store};
use crate::tasks::{MOST_RESTARTS, Tasks};
use crate::tls::Ends;
use crate::words::{Site, Whereabouts};
use crate::world::{Courier, Dial, Sink, TcpDial};
use kvarden_config::Configuration;
use kvarden_core::input::Part;
use kvarden_core::plan::{Plan, Unfit};
use std::cell::RefCell;
use std::future::Future;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Notify;
use tokio::task::LocalSet;
use tokio::time::{MissedTickBehavior, interval};

/// Old rows are looked for so often.
const SWEEP_EVERY: u64 = 60;
/// At the end, letters that are under way get so long.
const LAST_LETTERS: Duration = Duration::from_millis(500);

/// A store that was begun anew counts as not working for so long: people are told that history is lost.
const BEGUN_ANEW: Duration = Duration::from_mins(1);

/// Everything outside that the daemon touches.
pub struct World {
    /// Time.
    pub clock: Rc<Clock>,
    /// Byte streams.
    pub dial: Rc<dyn Dial>,
    /// Where the store is done: on a thread of its own, or on the spot in a simulation.
    pub keeper: Keeper,
    /// Ways of telling people besides those of the configuration.
    pub couriers: Vec<Box<dyn Courier>>,
    /// Whether the configuration's own channels and control socket are opened; a simulation opens none.
    pub outside: Outside,
    /// Where the configuration is read anew from when that is asked for; `None`: never.
    pub file: Option<PathBuf>,
}

/// Whether doors to the outside are opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outside {
    /// Channels, control socket, digests as files.
    Open,
    /// None of them.
    Closed,
}

/// Why the daemon can't run, or ended.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The plant contradicts itself.
    #[error(transparent)]
    Unfit(#[from] Unfit),
    /// The store's thread has ended.
    #[error(transparent)]
    StoreGone(#[from] crate::store::StoreGone),
    /// A pointer in a map.
    #[error(transparent)]
    Pointer(#[from] crate::acquire::BadPointer),
    /// The way to the broker.
    #[error(transparent)]
    NoRoute(#[from] NoRoute),
    /// The ways to people.
    #[error(transparent)]
    NoWay(#[from] NoWay),
    /// The key of the links.
    #[error(transparent)]
    NoKey(#[from] crate::links::NoKey),
    /// Something of the machine.
    #[error("{what}: {source}")]
    Machine {
        /// What was tried.
        what: &'static str,
        /// Why it failed.
        source: std::io::Error,
    },
    /// The store's file was found damaged while running; it was set aside.
    #[error(
        "the store was damaged and set aside; the program ends so that it can start anew with a whole one"
    )]
    StoreReplaced,
    /// Tasks ended again and again.
    #[error("parts of the program ended {MOST_RESTARTS} times; see the log")]
    TooManyRestarts,
}

pub(crate) fn machine(what: &'static str) -> impl FnOnce(std::io::Error) -> RunError {
    move |source| RunError::Machine { what, source }
}

/// Runs the daemon until `SIGTERM` or Ctrl-C. At `SIGHUP` it reads `file`, from which the configuration came, anew.
///
/// # Errors
/// See [`RunError`].
pub fn run_until_signal(configuration: Configuration, file: &Path) -> Result<(), RunError> {
    run_in_real_world(configuration, Some(file), async {
        let terminate = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate());
        let Ok(mut terminate) = terminate else { return };
        tokio::select! {
            _ = terminate.recv() => {}
            _ = tokio::signal::ctrl_c() => {}
        }
    })
}

/// Runs the daemon over the real world until `stop` is done. `file`: where the configuration is read anew from.
///
/// # Errors
/// See [`RunError`].
pub fn run_in_real_world(
    configuration: Configuration,
    file: Option<&Path>,
    stop: impl Future<Output = ()>,
) -> Result<(), RunError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(machine("the runtime can't be started"))?;
    let local = LocalSet::new();
    let (result, thread) = local.block_on(&runtime, async {
        let clock = Rc::new(Clock::of_machine());
        let options = Options { max_bytes: configuration.store.max_bytes };
        let opened = Store::open(&configuration.store.folder, options, clock.now())?;
        if let Some(salvage) = &opened.salvage {
            tracing::error!("{salvage}");
        }
        let (keeper, thread) =
            Keeper::thread(opened.store).map_err(machine("the store's thread can't be started"))?;
        let (dial, file) = (Rc::new(TcpDial), file.map(Path::to_owned));
        let world = World { clock, dial, keeper, couriers: Vec::new(), outside: Outside::Open, file };
        Ok::<_, RunError>((run(world, configuration, stop).await, thread))
    })?;
    drop(local);
    drop(runtime);
    if thread.join().is_err() {
        tracing::error!("the store's thread ended with a panic");
    }
    result
}

/// Runs the daemon over a world until `stop` is done. To be called within a [`LocalSet`].
///
/// # Errors
/// See [`RunError`].
pub async fn run(
    mut world: World,
    configuration: Configuration,
    stop: impl Future<Output = ()>,
) -> Result<(), RunError> {
    let configuration = Rc::new(configuration);
    let plan = Arc::new(Plan::new(&configuration.plant)?);
    let site = site_of(&world.keeper, &configuration).await?;
    if let Some(newest) = world.keeper.ask(|store| store.newest_time()).await?? {
        world.clock.begin_after(newest);
    }
    let engine = build_engine(&world.keeper, &configuration, &plan, &site).await?;
    let desk = Rc::new(Desk::new(engine, Rc::clone(&world.clock), world.keeper.clone(), site.clone()));
    let maker = maker(&world, &configuration, &plan);
    maker.begin().await?;
    trust_stamps(&world, &desk).await?;
    desk.resume();
    let begun_anew = world.keeper.ask(Store::take_begun_anew).await?;

    let mut settling = tokio::task::spawn_local({
        let desk = Rc::clone(&desk);
        async move { desk.settle_always().await }
    });
    let mut tasks = Tasks::default();
    tasks.once({
        let desk = Rc::clone(&desk);
        async move { desk.hurry_always().await }
    });
    if begun_anew.is_some() {
        let desk = Rc::clone(&desk);
        tasks.brief(async move {
            desk.part(Part::StoreFile, false);
            tokio::time::sleep(BEGUN_ANEW).await;
            desk.part(Part::StoreFile, true);
        });
    }
    let meters = Meters::of(&configuration, &plan);
    let now = RefCell::new((maker, Rc::new(ends_of(&configuration)?)));
    let ends = Rc::clone(&now.borrow().1);
    let mut running = Running {
        reading: start_acquiring(&world, &configuration, &meters, &ends, &desk)?,
        telling: Telling::start(&mut world, &configuration, (&plan, &site, &ends), &desk, None).await?,
        configuration,
        meters,
    };
    if world.outside == Outside::Open {
        let listener = crate::control::listen(&running.configuration.store.folder)
            .map_err(machine("the control socket can't be made in the store's folder"))?;
        tasks.once(crate::control::serve(listener, Rc::clone(&desk), Rc::clone(&running.telling.trials)));
        tasks.once(ring_at_signal(Rc::clone(&desk)));
    }
    tracing::info!(site = %site.name, meters = running.configuration.plant.meters.len(), "watching");
    let keeper = world.keeper.clone();
    let mut stop = std::pin::pin!(stop);
    let mut seconds = std::pin::pin!(every_second(&desk, &keeper, &now));
    let mut asked = desk.bell().asked();
    let result = loop {
        tokio::select! {
            biased;
            () = &mut stop => break Ok(()),
            result = tasks.supervise() => break result,
            result = running.reading.supervise() => break result,
            result = running.telling.tasks.supervise() => break result,
            () = &mut seconds => break Ok(()),
            () = desk.store_replaced() => break Err(RunError::StoreReplaced),
            _ = &mut settling => break Ok(()),
            Some(answer) = next(&mut asked) => {
                match running.reload(&mut world, &desk, &now).await {
                    // Whoever no longer waits needs no answer.
                    Ok(became) => drop(answer.send(became)),
                    Err(error) => break Err(error),
                }
            }
        }
    };
    tracing::info!("ending");
    settling.abort();
    desk.store_all().await;
    if world.outside == Outside::Open {
        tokio::time::sleep(LAST_LETTERS).await;
    }
    for tasks in [tasks, running.reading, running.telling.tasks] {
        tasks.stop().await;
    }
    result
}

pub(crate) async fn site_of(keeper: &Keeper, configuration: &Configuration) -> Result<Site, RunError> {
    let book = keeper.ask(|store| store.book().to_owned()).await?;
    Ok(Site {
        name: configuration.plant.site.clone(),
        zone: jiff::tz::TimeZone::get(&configuration.timezone).unwrap_or(jiff::tz::TimeZone::UTC),
        book,
        topics: configuration.tell.topics.clone(),
        shows: configuration.shows,
        whereabouts: Whereabouts::of(&configuration.plant),
        speech: crate::words::speech::Speech::of(Some(configuration.language.key())),
    })
}

/// What signs links, where there are some.
pub(crate) fn signer(
    configuration: &Configuration,
    site: &Site,
    outside: Outside,
) -> Result<Option<Signer>, RunError> {
    let Some(links) = configuration.links.as_ref().filter(|_| outside == Outside::Open) else {
        return Ok(None);
    };
    let key = key_in(&configuration.store.folder)?;
    Ok(Some(Signer::new(&key, &links.url, links.lasts, &site.book)))
}

async fn build_engine(
    keeper: &Keeper,
    configuration: &Configuration,
    plan: &Arc<Plan>,
    site: &Site,
) -> Result<Engine, RunError> {
    let (plan, site) = (Arc::clone(plan), site.clone());
    let channels = configuration.plant.channels.clone();
    let mark = reload::mark_of(configuration);
    let rules = Rules::of(configuration);
    let engine = keeper.ask(move |store| {
        let mut gathered = Gathered::new(&plan, site, channels, Told::new(store.told_alerts()?));
        let scopes: Vec<&str> = plan.scopes.iter().map(|scope| scope.name.as_str()).collect();
        let since = store.watch_scopes(&scopes)?;
        // Inputs that another configuration judged are not judged again: what came of them is known and told.
        let since = if store.goes_on_under(&mark)? { since } else { vec![store.last_number(); since.len()] };
        let restored = restore(store, &plan, &since, &mut gathered)?;
        if restored.replayed > 0 {
            tracing::info!(inputs = restored.replayed, "went on from the last snapshot");
        }
        let newest = |alert: &str| store.alert(alert).ok().flatten();
        let mut duty = Duty::begin(rules, store.duty()?, newest, store.open_alerts()?);
        // What was told is known from its rows; what the stored inputs did not bring out before is new.
        restored.batch.alerts.iter().for_each(|revision| duty.hear(revision));
        Ok::<_, StoreError>(Engine::new(restored, gathered.with_duty(duty)))
    });
    Ok(engine.await??)
}

/// What the last run left to wait for a correction is taken as it is, if our clock was trusted in the end.
async fn trust_stamps(world: &World, desk: &Desk) -> Result<(), RunError> {
    if desk.doubts_clock() {
        return Ok(());
    }
    let now = world.clock.now();
    if let Err(error) = world.keeper.ask(move |store| store.trust_stamps(now)).await? {
        tracing::warn!(%error, "minutes of a time when the clock was not trusted still wait for their date");
    }
    Ok(())
}

/// Starts the tasks that tell people.
pub(crate) fn start_telling(
    tasks: &mut Tasks,
    world: &mut World,
    configuration: &Configuration,
    (site, ends): (&Site, &Rc<Ends>),
    desk: &Rc<Desk>,
    writer: &Rc<Writer>,
) -> Result<Trials, RunError> {
    let board = Rc::new(Board::default());
    let mut notices = Vec::new();
    let outbox: Rc<dyn Outbox> = Rc::new(KeptOutbox::new(world.keeper.clone(), site.clone()));
    let sink = Rc::clone(desk) as Rc<dyn Sink>;
    let mut pump = |courier: Box<dyn Courier>| {
        let letters = desk.letters();
        notices.push(Rc::clone(&letters));
        let courier = Box::new(Heard::new(courier, &board));
        Pump::new(courier, Rc::clone(&outbox), Rc::clone(&sink), letters)
    };
    for courier in std::mem::take(&mut world.couriers) {
        tasks.once(pump(courier).run());
    }
    if world.outside == Outside::Closed {
        return Ok(trials(world, configuration, site, board, notices));
    }
    tasks.once(pump(Box::new(LogCourier)).run());
    if let Some(path) = &configuration.tell.file {
        tasks.once(pump(Box::new(FileCourier::new(path.clone()))).run());
    }
    if let (true, Some(broker)) = (configuration.tell.mqtt, &configuration.broker) {
        let route = Route::open(
            broker,
            &configuration.store.folder,
            "out.sock",
            Rc::clone(&world.dial),
            Rc::clone(ends),
        )?;
        let settings = MqttSettings {
            route,
            client: broker.client.clone(),
            topics: configuration.tell.topics.clone(),
            zone: site.zone.clone(),
            heartbeat: Duration::from_millis(configuration.tell.heartbeat.0.max(1000).unsigned_abs()),
            patience: PATIENCE,
        };
        let courier = MqttCourier::start(settings, Rc::clone(&outbox), Rc::clone(&sink));
        let link = courier.link();
        tasks.once(pump(Box::new(courier)).with_link(link).run());
    }
    for courier in couriers(configuration, writer, &world.dial, &sink)? {
        tasks.once(pump(courier).run());
    }
    Ok(trials(world, configuration, site, board, notices))
}

fn trials(
    world: &World,
    configuration: &Configuration,
    site: &Site,
    board: Rc<Board>,
    pumps: Vec<Rc<Notify>>,
) -> Trials {
    let reached = (configuration.plant.channels.clone(), configuration.people.clone());
    Trials::new(world.keeper.clone(), site.clone(), reached, board, pumps)
}

/// What each second brings, and now and then a look at old rows and at the digest.
async fn every_second(desk: &Rc<Desk>, keeper: &Keeper, now: &Now) {
    let mut ticks = interval(Duration::from_secs(1));
    ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
    let mut works = true;
    for second in 0u64.. {
        ticks.tick().await;
        desk.second();
        let (maker, ends) = now.borrow().clone();
        if desk.clock_is_trusted() {
            desk.look_at_certificates(&ends);
        }
        let minute = second % SWEEP_EVERY == 0;
        if minute {
            let desk = Rc::clone(desk);
            tokio::task::spawn_local(async move { desk.count_letters().await });
        }
        // A day that a wrong clock ends is no day, and what it calls old may be new.
        let trusted = desk.clock_is_trusted();
        // A full disk is the usual cause why a store fails, so that is looked at without delay, whatever the time is.
        let turned = std::mem::replace(&mut works, desk.store_works()) != desk.store_works();
        if minute || turned {
            look_after_store(keeper.clone(), Rc::clone(desk), minute && trusted);
        }
        if minute && trusted {
            maker.look(desk.now());
        }
    }
}

/// Looks whether the store has room, and before that removes what is old, if it `sweeps`.
fn look_after_store(keeper: Keeper, desk: Rc<Desk>, sweeps: bool) {
    let now = desk.now();
    tokio::task::spawn_local(async move {
        if sweeps && let Ok(Err(error)) = keeper.ask(move |store| store.sweep(now, SNAPSHOT_EVERY)).await {
            tracing::warn!(%error, "old rows could not be removed");
        }
        if let Ok(Ok(trouble)) = keeper.ask(Store::look_after_room).await {
            desk.part(Part::Disk, trouble.is_none());
        }
    });
}
