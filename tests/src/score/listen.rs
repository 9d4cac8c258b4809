//! One scenario through the monitor: what it found.

use kvarden_core::diagnosis::{Figure, Finding, FindingChange, FindingStep};
use kvarden_core::input::Input;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::Output;
use kvarden_core::plan::Plan;
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::{EventTime, Span};
use kvarden_demo::trial::files;
use kvarden_demo::trial::meters::Kind;
use kvarden_demo::trial::record::Record;
use kvarden_demo::trial::scenes::{Trial, Truth};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::Arc;

/// A finding as it was told.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// Family of the cause.
    pub cause: String,
    /// Which of the family.
    pub variant: String,
    /// The transformer.
    pub transformer: String,
    /// The feeder.
    pub feeder: Option<String>,
    /// The phase.
    pub phase: Option<String>,
    /// When it was found, unix milliseconds.
    pub raised: i64,
    /// When it ended; `None`: it stood at the end.
    pub ended: Option<i64>,
    /// How sure.
    pub confidence: f64,
    /// By which numbers, as it was told last.
    pub proof: String,
}

/// A scenario with its truth and all that was found.
#[derive(Debug, Clone)]
pub struct Heard {
    /// Its name.
    pub name: &'static str,
    /// The seed that was asked for names this plant.
    pub seed: u64,
    /// What its meters are able to.
    pub kind: Kind,
    /// Its truths.
    pub truths: Vec<Truth>,
    /// The transformer at which they are.
    pub struck: String,
    /// Transformers times days.
    pub transformer_days: f64,
    /// What was found.
    pub told: Vec<Told>,
}

/// Tells a scenario to the monitor.
///
/// # Errors
/// Its configuration has a problem.
pub fn listen(trial: Trial) -> Result<Heard, String> {
    let mut record = Record::new(&trial);
    let mut monitor = Monitor::new(Arc::new(plan(&trial, &record)?));
    let mut told: BTreeMap<String, Told> = BTreeMap::new();
    let (mut outputs, mut row) = (Vec::new(), Vec::new());
    loop {
        let more = record.round(|meter, at, values| {
            row.clear();
            row.extend(values.iter().map(|value| Sample::from(*value)));
            let reading = Reading { meter: MeterId(meter as u32), at: EventTime(at), values: &row };
            monitor.observe(EventTime(at), Input::Reading(reading), &mut outputs);
        });
        for output in outputs.drain(..) {
            if let Output::Finding(change) = output {
                follow(&mut told, change);
            }
        }
        if !more {
            break;
        }
    }
    let days = (trial.to - trial.from) as f64 / 86_400_000.0;
    Ok(Heard {
        name: trial.name,
        seed: trial.seed,
        kind: trial.kind,
        transformer_days: days * trial.plant.units.len() as f64,
        struck: trial.plant.units[0].name.clone(),
        truths: trial.truths,
        told: told.into_values().collect(),
    })
}

/// What a user's configuration and columns make of the plant.
fn plan(trial: &Trial, record: &Record) -> Result<Plan, String> {
    let problem = |problems: &[kvarden_config::Problem]| {
        format!("{} {}: {}", trial.name, trial.seed, kvarden_config::render(problems))
    };
    let nothing = |_: &std::path::Path| Err(std::io::ErrorKind::NotFound.into());
    let text = files::configuration(trial, &record.meters);
    let (configuration, problems) = kvarden_config::parse("kvarden.toml", &text, &nothing);
    let configuration = configuration.filter(|_| problems.is_empty()).ok_or_else(|| problem(&problems))?;
    let text = files::columns(trial, &record.meters);
    let (logs, problems) =
        kvarden_config::parse_columns("columns.toml", &text, &configuration.plant, &|_| true);
    let logs = logs.filter(|_| problems.is_empty()).ok_or_else(|| problem(&problems))?;
    let every = vec![Span(trial.cadence_ms); logs.len()];
    let plant = kvarden::replay::plant_of_logs(&configuration, &logs, &every)
        .map_err(|error| format!("{}: {error}", trial.name))?;
    Plan::new(&plant).map_err(|error| format!("{}: {error}", trial.name))
}

fn follow(told: &mut BTreeMap<String, Told>, change: FindingChange) {
    let facts = change.facts;
    let proof = proof(&facts);
    match change.what {
        FindingStep::Found => {
            let phase = facts.place.map(|place| place.key().to_owned());
            let one = Told {
                cause: facts.cause.family().key().to_owned(),
                variant: facts.cause.key().to_owned(),
                transformer: facts.transformer,
                feeder: facts.feeder,
                phase,
                raised: change.at.0,
                ended: None,
                confidence: facts.confidence,
                proof,
            };
            told.insert(change.finding, one);
        }
        FindingStep::Ended | FindingStep::NoLongerWatched => {
            if let Some(one) = told.get_mut(&change.finding) {
                one.ended = Some(change.at.0);
                (one.confidence, one.proof) = (facts.confidence, proof);
            }
        }
        FindingStep::Worse | FindingStep::Milder => {
            if let Some(one) = told.get_mut(&change.finding) {
                (one.confidence, one.proof) = (facts.confidence, proof);
                // Where it is traced to may become known later.
                one.feeder = facts.feeder;
            }
        }
    }
}

/// The numbers of a finding in a line.
fn proof(facts: &Finding) -> String {
    let mut line = String::new();
    for evidence in &facts.evidence {
        let figure = match evidence.figure {
            Figure::Quantity(quantity) => format!("{quantity:?}"),
            Figure::Sign(sign, place) => format!("{} {}", sign.key(), place.key()),
        };
        let feeder = evidence.feeder.as_deref().unwrap_or("-");
        let against = evidence.against.map_or_else(String::new, |against| format!(" against {against:.2}"));
        let _ = write!(line, "{figure} at {feeder}: {:.2}{against}; ", evidence.value);
    }
    line
}
