//! Logged files through the same monitor that runs live: what was judged then is what the daemon judges tonight.

pub mod line;
pub mod logged;
pub mod tens;

use kvarden_config::{Configuration, LogSpec, Notes};
use kvarden_core::input::Input;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::Output;
use kvarden_core::plan::{Plan, Unfit};
use kvarden_core::plant::{Plant, StampedBy};
use kvarden_core::reading::{MeterId, Reading};
use kvarden_core::time::{EventTime, Span};
use logged::{LogError, LogFile};
use std::sync::Arc;

/// A meter is silent after at least so many of its own intervals, whatever the configuration says: a log of
/// five-minute values is not silent after two minutes.
const LEAST_SILENT_INTERVALS: i64 = 3;
/// Likewise frozen: slow logs repeat values.
const LEAST_FROZEN_INTERVALS: i64 = 20;

/// Why a replay can't be.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// A file can't be read.
    #[error(transparent)]
    Log(#[from] LogError),
    /// Two logs for one meter.
    #[error("meter {meter} is named by two [[log]] sections; give each meter one")]
    Twice {
        /// Which.
        meter: String,
    },
    /// The plant contradicts itself.
    #[error(transparent)]
    Unfit(#[from] Unfit),
}

/// What a replay went through.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Replayed {
    /// Readings.
    pub readings: u64,
    /// Rows whose time could not be read.
    pub bad_times: u64,
    /// Cells that held something that is not a number.
    pub bad_cells: u64,
    /// Time of the first and the last reading.
    pub span: Option<(EventTime, EventTime)>,
}

/// The plant as the logs see it: each meter's points are the columns of its log, its interval the log's own, in `every`.
/// Meters without a log give nothing and are never called silent.
///
/// # Errors
/// When two logs name one meter.
pub fn plant_of_logs(
    configuration: &Configuration,
    logs: &[LogSpec],
    every: &[Span],
) -> Result<Plant, ReplayError> {
    let mut plant = configuration.plant.clone();
    for (index, log) in logs.iter().enumerate() {
        if logs[..index].iter().any(|other| other.meter == log.meter) {
            return Err(ReplayError::Twice { meter: plant.meters[log.meter].name.clone() });
        }
    }
    for (index, meter) in plant.meters.iter_mut().enumerate() {
        meter.wait = Span::ZERO;
        meter.stamped_by = StampedBy::Meter;
        if let Some((log, every)) = logs.iter().zip(every).find(|(log, _)| log.meter == index) {
            meter.points = log.columns.iter().map(|column| column.quantity).collect();
            Notes::put(meter, log.columns.iter().map(|column| &column.notes));
            meter.every = *every;
            meter.silent_after = meter.silent_after.max(meter.every.times(LEAST_SILENT_INTERVALS));
            let least = meter.every.times(LEAST_FROZEN_INTERVALS);
            meter.frozen_after = meter.frozen_after.map(|after| after.max(least));
        } else {
            meter.points.clear();
            Notes::put(meter, std::iter::empty());
            meter.silent_after = Span(i64::MAX / 1000);
        }
    }
    Ok(plant)
}

/// Replays logs through a monitor in order of time. `told` gets each output as it comes, with the plan.
///
/// # Errors
/// When a file can't be opened, lacks a column, or two logs name one meter. Bad cells and times are counted.
pub fn replay(
    configuration: &Configuration,
    logs: &[LogSpec],
    mut told: impl FnMut(&Plan, Output),
) -> Result<Replayed, ReplayError> {
    let zone = jiff::tz::TimeZone::get(&configuration.timezone).unwrap_or(jiff::tz::TimeZone::UTC);
    let mut files = logs.iter().map(|log| LogFile::open(log, &zone)).collect::<Result<Vec<_>, _>>()?;
    let every: Vec<Span> = files.iter().map(LogFile::every).collect();
    let plan = Arc::new(Plan::new(&plant_of_logs(configuration, logs, &every)?)?);
    let mut monitor = Monitor::new(Arc::clone(&plan));
    let mut outputs = Vec::with_capacity(64);
    let mut replayed = Replayed::default();
    let mut now: Option<EventTime> = None;
    while let Some(next) = soonest(&files) {
        let file = &mut files[next];
        let Some(at) = file.at() else { break };
        let receipt = now.map_or(at, |now| now.max(at));
        now = Some(receipt);
        let reading = Reading { meter: MeterId(logs[next].meter as u32), at, values: file.values() };
        monitor.observe(receipt, Input::Reading(reading), &mut outputs);
        outputs.drain(..).for_each(|output| told(&plan, output));
        replayed.readings += 1;
        let first = replayed.span.map_or(at, |(first, _)| first);
        replayed.span = Some((first, receipt));
        file.go_on()?;
    }
    for (index, file) in files.iter().enumerate() {
        // A file of several meters is read once for each, and its rows are counted once.
        if !files[..index].iter().any(|other| other.path() == file.path()) {
            replayed.bad_times += file.bad_times();
        }
        replayed.bad_cells += file.bad_cells();
    }
    Ok(replayed)
}

/// The file whose next row is the earliest; of two at one time the first named.
fn soonest(files: &[LogFile]) -> Option<usize> {
    let waiting = files.iter().enumerate().filter_map(|(index, file)| Some((file.at()?, index)));
    waiting.min().map(|(_, index)| index)
}
