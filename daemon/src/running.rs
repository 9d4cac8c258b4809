//! What runs by the configuration in force, and how another one takes its place while it runs.

use crate::acquire::{Intake, gateways, run_gateway, run_mqtt};
use crate::broker::{NoRoute, Route};
use crate::deliver::trial::Trials;
use crate::deliver::ways::couriers;
use crate::deliver::writer::{Writer, languages};
use crate::digest::DigestContext;
use crate::digest::maker::Maker;
use crate::duty::Rules;
use crate::engine::Desk;
use crate::links::{Door, Signer};
use crate::reload::{self, Answer, Fresh, Meters};
use crate::restore::precious;
use crate::run::{Outside, RunError, World, machine, signer, site_of, start_telling};
use crate::store::{Error as StoreError, Options};
use crate::tasks::Tasks;
use crate::tls::Ends;
use crate::words::{Site, Whereabouts};
use crate::world::Sink;
use kvarden_config::{Configuration, LinksSpec};
use kvarden_core::plan::Plan;
use kvarden_core::plant::Plant;
use kvarden_core::saved::ScopeState;
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use tokio::net::TcpListener;
use tokio::time::Instant;

/// Those who ask for the configuration to be read anew.
type Asked = tokio::sync::mpsc::Receiver<tokio::sync::oneshot::Sender<Answer>>;

/// The next who asks; `None`: nobody ever will.
pub(crate) async fn next(asked: &mut Option<Asked>) -> Option<tokio::sync::oneshot::Sender<Answer>> {
    match asked {
        Some(asked) => asked.recv().await,
        None => None,
    }
}

/// Asks for the configuration to be read anew at each `SIGHUP`.
pub(crate) async fn ring_at_signal(desk: Rc<Desk>) {
    let signals = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::hangup());
    match signals {
        Ok(mut signals) => {
            while signals.recv().await.is_some() {
                // What became of it is in the log.
                let _ = desk.bell().ring().await;
            }
        }
        Err(error) => tracing::error!(%error, "SIGHUP can't be waited for; use `kvarden reload`"),
    }
    std::future::pending::<()>().await;
}

/// What a second needs that another configuration changes.
pub(crate) type Now = RefCell<(Rc<Maker>, Rc<Ends>)>;

/// What runs by the configuration in force.
pub(crate) struct Running {
    pub(crate) configuration: Rc<Configuration>,
    pub(crate) meters: Meters,
    /// The tasks that read meters.
    pub(crate) reading: Tasks,
    pub(crate) telling: Telling,
}

/// What tells people.
pub(crate) struct Telling {
    pub(crate) tasks: Tasks,
    /// Those of the configuration in force, shared with the control socket.
    pub(crate) trials: Rc<RefCell<Rc<Trials>>>,
}

impl Telling {
    /// Starts it. `listener`: where links are answered, if that was opened already.
    pub(crate) async fn start(
        world: &mut World,
        configuration: &Configuration,
        (plan, site, ends): (&Arc<Plan>, &Site, &Rc<Ends>),
        desk: &Rc<Desk>,
        listener: Option<TcpListener>,
    ) -> Result<Self, RunError> {
        let mut tasks = Tasks::default();
        let signer = signer(configuration, site, world.outside)?;
        let writer = writer(world, configuration, (plan, site), signer.clone());
        let trials = start_telling(&mut tasks, world, configuration, (site, ends), desk, &writer)?;
        if let (Some(signer), Some(links)) = (signer, &configuration.links) {
            let listener = match listener {
                Some(listener) => listener,
                None => answer_links(links).await?,
            };
            let languages = languages(&configuration.people);
            let door = Door::new(Rc::clone(desk), world.keeper.clone(), site.clone(), signer, languages);
            tasks.once(crate::links::serve(listener, links.url.clone(), Rc::new(door)));
        }
        Ok(Self { tasks, trials: Rc::new(RefCell::new(Rc::new(trials))) })
    }
}

fn writer(
    world: &World,
    configuration: &Configuration,
    (plan, site): (&Arc<Plan>, &Site),
    signer: Option<Signer>,
) -> Rc<Writer> {
    let (keeper, plan) = (world.keeper.clone(), Arc::clone(plan));
    Rc::new(Writer::new(keeper, plan, site.clone(), signer, &configuration.people))
}

async fn answer_links(links: &LinksSpec) -> Result<TcpListener, RunError> {
    let listener = TcpListener::bind(&links.listen).await;
    listener.map_err(machine("no link can be answered: [links] listen"))
}

/// What of the ways to people can't be used as configured is known before anything is changed. Gives where links will be
/// answered, if that is another place.
async fn look_ahead(
    world: &World,
    (old, new): (&Configuration, &Configuration),
    (plan, site): (&Arc<Plan>, &Site),
    desk: &Rc<Desk>,
) -> Result<Option<TcpListener>, String> {
    if world.outside == Outside::Closed {
        return Ok(None);
    }
    let (writer, sink) = (writer(world, new, (plan, site), None), Rc::clone(desk) as Rc<dyn Sink>);
    couriers(new, &writer, &world.dial, &sink).map_err(|error| error.to_string())?;
    let place = |all: &Configuration| all.links.as_ref().map(|links| links.listen.clone());
    match &new.links {
        Some(links) if place(old) != place(new) => {
            answer_links(links).await.map(Some).map_err(|error| error.to_string())
        }
        _ => Ok(None),
    }
}

impl Running {
    /// Reads the configuration anew and takes it in, if nothing is wrong with it. What became of it is logged and noted.
    pub(crate) async fn reload(
        &mut self,
        world: &mut World,
        desk: &Rc<Desk>,
        now: &Now,
    ) -> Result<Answer, RunError> {
        let sink = Rc::clone(desk) as Rc<dyn Sink>;
        let fresh = match reload::file_of(world.file.as_deref()) {
            Ok(file) => reload::read(file, &self.configuration, sink).await,
            Err(why) => Err(why),
        };
        let became = match fresh {
            Ok(fresh) if *fresh.configuration == *self.configuration => {
                Ok(reload::words(&self.configuration, &fresh.configuration))
            }
            Ok(fresh) => self.swap(fresh, world, desk, now).await?,
            Err(why) => Err(format!("{why}\nnothing was changed: the former configuration stays in force")),
        };
        match &became {
            Ok(says) => tracing::info!("configuration: {says}"),
            Err(why) => tracing::error!("the changed configuration is not taken in:\n{why}"),
        }
        desk.bell().note(&became);
        Ok(became)
    }

    /// Goes on with another configuration. Tasks whose part of it is the same are not disturbed.
    async fn swap(
        &mut self,
        fresh: Fresh,
        world: &mut World,
        desk: &Rc<Desk>,
        now: &Now,
    ) -> Result<Answer, RunError> {
        let Fresh { configuration, plan, meters } = fresh;
        let (scopes, former) = (Arc::clone(&plan), desk.plan());
        let noted = world.keeper.ask(move |store| {
            let names: Vec<&str> = scopes.scopes.iter().map(|scope| scope.name.as_str()).collect();
            store.watch_scopes(&names)?;
            let is_new = |name: &&&str| former.scopes.iter().all(|scope| scope.name != **name);
            // One that was watched before goes on with its counts, so that no id comes twice.
            let known = names.iter().filter(is_new).map(|name| precious(store, name));
            known.filter_map(Result::transpose).collect::<Result<Vec<ScopeState>, StoreError>>()
        });
        let known = match noted.await? {
            Ok(known) => known,
            Err(error) => {
                let why = format!("the store can't be used: {error}\nnothing was changed; try again later");
                return Ok(Err(why));
            }
        };
        let site = site_of(&world.keeper, &configuration).await?;
        let both = (&*self.configuration, &*configuration);
        let listener = match look_ahead(world, both, (&plan, &site), desk).await {
            Ok(listener) => listener,
            Err(why) => return Ok(Err(format!("{why}\nnothing was changed"))),
        };
        let says = reload::words(&self.configuration, &configuration);
        let reads_anew = meters != self.meters;
        let tells_anew =
            world.outside == Outside::Open && tells_otherwise(&self.configuration, &configuration);

        // They end before the swap: a reading must not come under a place of the former plan.
        if tells_anew {
            std::mem::take(&mut self.telling.tasks).stop().await;
        }
        if reads_anew {
            std::mem::take(&mut self.reading).stop().await;
        }
        desk.follow_people(Rules::of(&configuration));
        desk.reconfigure((&plan, known), &site, configuration.plant.channels.clone(), tells_anew);
        let same_link = configuration.broker == self.configuration.broker;
        let ends = if same_link { Rc::clone(&now.borrow().1) } else { Rc::new(ends_of(&configuration)?) };
        if reads_anew {
            self.reading = start_acquiring(world, &configuration, &meters, &ends, desk)?;
        }
        if tells_anew {
            let of = (&plan, &site, &ends);
            let Telling { tasks, trials } = Telling::start(world, &configuration, of, desk, listener).await?;
            self.telling.tasks = tasks;
            self.telling.trials.swap(&trials);
        }
        let maker = maker(world, &configuration, &plan);
        maker.begin().await?;
        *now.borrow_mut() = (maker, ends);
        let (most, mark) = (configuration.store.max_bytes, reload::mark_of(&configuration));
        (self.configuration, self.meters) = (configuration, meters);
        desk.keep_reconfigured(mark).await;
        let bounded = world.keeper.ask(move |store| store.set_bounds(Options { max_bytes: most })).await?;
        let bounded = bounded
            .err()
            .map(|error| format!("; but the size of the store stays as it is until the next start: {error}"));
        Ok(Ok(says + &bounded.unwrap_or_default()))
    }
}

/// Whether people are told in another way, or other words.
fn tells_otherwise(old: &Configuration, new: &Configuration) -> bool {
    // Letters to people have pictures with the limits drawn in.
    if !new.people.is_empty() && old.plant != new.plant {
        return true;
    }
    // What is no matter of telling is made the same.
    let telling = |all: &Configuration| Configuration {
        plant: Plant { channels: all.plant.channels.clone(), ..new.plant.clone() },
        sources: Vec::new(),
        store: new.store.clone(),
        digest: new.digest.clone(),
        ..all.clone()
    };
    let words = |all: &Configuration| (all.plant.site.clone(), Whereabouts::of(&all.plant));
    telling(old) != telling(new) || words(old) != words(new)
}

/// When the certificates of the link to the broker end.
pub(crate) fn ends_of(configuration: &Configuration) -> Result<Ends, RunError> {
    let encryption = configuration.broker.as_ref().map(crate::broker::encryption).transpose();
    Ok(Ends::of(encryption.map_err(NoRoute::from)?.flatten().as_ref()))
}

/// Starts the tasks that read meters.
pub(crate) fn start_acquiring(
    world: &World,
    configuration: &Configuration,
    meters: &Meters,
    ends: &Rc<Ends>,
    desk: &Rc<Desk>,
) -> Result<Tasks, RunError> {
    let mut tasks = Tasks::default();
    let origin = Instant::now();
    for gateway in gateways(meters.polled.iter().cloned()) {
        let (desk, dial) = (Rc::clone(desk), Rc::clone(&world.dial));
        tasks.always(move || {
            run_gateway(Rc::clone(&gateway), Rc::clone(&desk) as Rc<dyn Sink>, Rc::clone(&dial), origin)
        });
    }
    if let (false, Some(broker)) = (meters.told.is_empty(), &meters.broker) {
        // Compiled once here so that a bad pointer is an error now, not in a task.
        Intake::new(Rc::clone(desk) as Rc<dyn Sink>, &meters.told, broker.qos)?;
        let route = Rc::new(Route::open(
            broker,
            &configuration.store.folder,
            "in.sock",
            Rc::clone(&world.dial),
            Rc::clone(ends),
        )?);
        let (desk, broker, told) = (Rc::clone(desk), broker.clone(), meters.told.clone());
        tasks.always(move || {
            let sink = Rc::clone(&desk) as Rc<dyn Sink>;
            let (client, route) = (broker.client.clone(), Rc::clone(&route));
            let intake = Intake::new(Rc::clone(&sink), &told, broker.qos);
            async move {
                if let Ok(intake) = intake {
                    run_mqtt(sink, route, client, intake).await;
                }
            }
        });
    }
    Ok(tasks)
}

/// Who makes the digests.
pub(crate) fn maker(world: &World, configuration: &Configuration, plan: &Plan) -> Rc<Maker> {
    let folder = (world.outside == Outside::Open).then(|| configuration.digest.folder.clone());
    let Configuration { timezone, shows, language, .. } = configuration;
    let context = DigestContext::new(plan, timezone, *shows, *language);
    Maker::new(world.keeper.clone(), context, configuration.digest.at, folder)
}
