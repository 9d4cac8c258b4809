//! A changed configuration, taken in while everything runs: read and checked as a whole, then swapped between two inputs.
//! What is wrong with it is told to whoever asked, to the log and in the status, and changes nothing.

use crate::acquire::{Intake, PolledMeter, ToldMeter};
use crate::world::Sink;
use kvarden_config::{BrokerSpec, Configuration, SourceSpec};
use kvarden_core::plan::Plan;
use kvarden_core::reading::MeterId;
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot};

/// So many may wait for the configuration to be read: each waits for the one before.
const MOST_ASKS: usize = 8;

/// What became of it, in words for a person. An error changed nothing.
pub type Answer = Result<String, String>;

/// Where one asks that the configuration be read anew.
#[derive(Debug)]
pub struct Bell {
    asks: mpsc::Sender<oneshot::Sender<Answer>>,
    asked: RefCell<Option<mpsc::Receiver<oneshot::Sender<Answer>>>>,
    /// Why the file was refused when it was read last.
    refused: RefCell<Option<String>>,
}

impl Default for Bell {
    fn default() -> Self {
        let (asks, asked) = mpsc::channel(MOST_ASKS);
        Self { asks, asked: RefCell::new(Some(asked)), refused: RefCell::default() }
    }
}

impl Bell {
    /// Asks, and waits for what became of it.
    ///
    /// # Errors
    /// Why nothing was changed.
    pub async fn ring(&self) -> Answer {
        let (answer, answered) = oneshot::channel();
        let gone = || "the program ends; nothing was changed".to_owned();
        self.asks.send(answer).await.map_err(|_| gone())?;
        answered.await.map_err(|_| gone())?
    }

    /// The one who answers takes this, once.
    pub fn asked(&self) -> Option<mpsc::Receiver<oneshot::Sender<Answer>>> {
        self.asked.borrow_mut().take()
    }

    /// Notes what became of it, so that it stands in the status.
    pub fn note(&self, answer: &Answer) {
        *self.refused.borrow_mut() = answer.as_ref().err().cloned();
    }

    /// Why the file was refused when it was read last; `None`: it was taken in.
    pub fn refused(&self) -> Option<String> {
        self.refused.borrow().clone()
    }
}

/// A configuration that was read and checked as a whole, with all that is compiled of it.
#[derive(Debug)]
pub struct Fresh {
    /// The configuration.
    pub configuration: Rc<Configuration>,
    /// Its plan.
    pub plan: Arc<Plan>,
    /// The meters that are read.
    pub meters: Meters,
}

/// The meters that are read, as their tasks need them.
#[derive(Debug, Clone, PartialEq)]
pub struct Meters {
    /// Those that are polled.
    pub polled: Vec<PolledMeter>,
    /// Those that tell by MQTT.
    pub told: Vec<ToldMeter>,
    /// The broker that these tell by.
    pub broker: Option<BrokerSpec>,
}

impl Meters {
    /// Of a configuration with this plan.
    pub fn of(configuration: &Configuration, plan: &Plan) -> Self {
        let mut all = Self { polled: Vec::new(), told: Vec::new(), broker: configuration.broker.clone() };
        let meters = configuration.sources.iter().zip(&configuration.plant.meters);
        for (index, (source, meter)) in meters.enumerate() {
            let id = MeterId(index as u32);
            let Some(planned) = plan.meter(id) else { continue };
            debug_assert_eq!(planned.name, meter.name);
            match source {
                SourceSpec::Modbus(spec) => all.polled.push(PolledMeter::new(planned, spec)),
                SourceSpec::Mqtt(spec) => {
                    let (name, spec) = (meter.name.clone(), spec.clone());
                    all.told.push(ToldMeter { meter: id, name, every: meter.every, spec });
                }
                SourceSpec::Logged => {}
            }
        }
        all
    }
}

/// Reads and checks a file. `now` is what runs.
///
/// # Errors
/// All that is wrong with it, as `kvarden check` says it, or what can't be changed while the program runs.
pub async fn read(file: PathBuf, now: &Configuration, sink: Rc<dyn Sink>) -> Result<Fresh, String> {
    let shown = file.display().to_string();
    // Disks may take their time: not on the thread that polls the meters.
    let loaded = tokio::task::spawn_blocking(move || kvarden_config::load(&file)).await;
    let (configuration, problems) = loaded.map_err(|error| format!("{shown} could not be read: {error}"))?;
    let Some(configuration) = configuration.filter(|_| problems.is_empty()) else {
        return Err(format!("{}\n{} to mend in {shown}", kvarden_config::render(&problems), problems.len()));
    };
    let plan = Plan::new(&configuration.plant).map_err(|unfit| format!("{shown}: {unfit}"))?;
    if configuration.store.folder != now.store.folder {
        return Err(format!(
            "{shown}: the folder of the store can't be changed while the program runs (it is {}); restart it for that",
            now.store.folder.display()
        ));
    }
    let meters = Meters::of(&configuration, &plan);
    if let Some(broker) = &configuration.broker {
        crate::broker::encryption(broker).map_err(|error| format!("{shown}: [broker] tls: {error}"))?;
        Intake::new(sink, &meters.told, broker.qos).map_err(|error| format!("{shown}: {error}"))?;
    }
    Ok(Fresh { configuration: Rc::new(configuration), plan: Arc::new(plan), meters })
}

/// What a change of the configuration brings, in words.
pub fn words(old: &Configuration, new: &Configuration) -> String {
    if old == new {
        return "read anew; nothing has changed in it".to_owned();
    }
    let names = |all: &Configuration| -> BTreeSet<String> {
        let plant = &all.plant;
        let transformers = plant.transformers.iter().map(|one| format!("transformer {}", one.name));
        let feeders = plant.feeders.iter().map(|one| format!("feeder {}", one.name));
        transformers
            .chain(feeders)
            .chain(plant.meters.iter().map(|one| format!("meter {}", one.name)))
            .collect()
    };
    let (before, after) = (names(old), names(new));
    let list = |word: &str, of: &[&String]| {
        let names: Vec<&str> = of.iter().take(10).map(|name| name.as_str()).collect();
        let more = if of.len() > names.len() {
            format!(" and {} more", of.len() - names.len())
        } else {
            String::new()
        };
        (!names.is_empty()).then(|| format!("; {word}: {}{more}", names.join(", ")))
    };
    let gone = list("no longer watched", &before.difference(&after).collect::<Vec<_>>()).unwrap_or_default();
    let come = list("new", &after.difference(&before).collect::<Vec<_>>()).unwrap_or_default();
    format!("the changed configuration is in force{gone}{come}")
}

/// A number that stands for everything by which inputs are judged: inputs that were stored under another plan are not judged
/// again under this one.
pub fn mark_of(configuration: &Configuration) -> String {
    use std::hash::{DefaultHasher, Hasher};
    let mut hasher = DefaultHasher::new();
    hasher.write(format!("{:?}", configuration.plant).as_bytes());
    format!("{:016x}", hasher.finish())
}

/// Whether a path is given: without one the configuration is never read anew.
pub(crate) fn file_of(file: Option<&Path>) -> Result<PathBuf, String> {
    file.map(Path::to_owned).ok_or_else(|| "this program was started without a file to read anew".to_owned())
}
