//! Commands about what is kept: export, backup, restore, verify.

use super::commands::{failed, load, load_with_plan, say};
use crate::export::{Every, ExportError, Wanted, export};
use crate::store::{self, Progress, Store};
use clap::Args;
use jiff::tz::TimeZone;
use kvarden_core::time::{EventTime, Span};
use std::io::{BufWriter, IsTerminal, Write};
use std::path::Path;
use std::process::ExitCode;

/// What to export.
#[derive(Debug, Args)]
pub(super) struct ExportArgs {
    /// The meter, by its name in the configuration.
    #[arg(long, value_name = "NAME")]
    meter: String,
    /// First moment: a local day, a local time, or a time with its offset.
    #[arg(long, value_name = "TIME")]
    from: String,
    /// The first moment after.
    #[arg(long, value_name = "TIME")]
    to: String,
    /// How fine: 1m for weeks back, 10m for years back, reading for the recordings around alarms.
    #[arg(long, value_name = "LENGTH", default_value = "1m")]
    every: Every,
    /// Only this quantity, such as `current_a.A`; may be given several times.
    #[arg(long = "quantity", value_name = "KEY")]
    quantities: Vec<String>,
}

/// A length of time as it is written behind `--since`.
pub(super) fn length(text: &str) -> Result<Span, String> {
    let wrong = || format!("{text:?} is no length of time; write 90m, 12h, 30d or 4w");
    let unit = text.chars().last().ok_or_else(wrong)?;
    let count: u32 = text[..text.len() - unit.len_utf8()].trim().parse().map_err(|_| wrong())?;
    let unit = match unit {
        'm' => Span::minutes(1),
        'h' => Span::hours(1),
        'd' => Span::hours(24),
        'w' => Span::hours(7 * 24),
        _ => return Err(wrong()),
    };
    if count == 0 { Err(wrong()) } else { Ok(unit.times(i64::from(count))) }
}

pub(super) fn try_limits(new: &Path, since: Span, config: Option<&Path>) -> ExitCode {
    let Some((configuration, plan)) = load_with_plan(new) else { return ExitCode::FAILURE };
    let folder = match config {
        None => configuration.store.folder.clone(),
        Some(config) => match load(config) {
            Some(running) => running.store.folder,
            None => return ExitCode::FAILURE,
        },
    };
    let zone = TimeZone::get(&configuration.timezone).unwrap_or(TimeZone::UTC);
    let store = match Store::open_for_reading(&folder) {
        Ok(store) => store,
        Err(error) => return mended(&error),
    };
    let to = EventTime(jiff::Timestamp::now().as_millisecond());
    let span = (to - since, to);
    match crate::tried::try_limits(&store, &configuration, &plan, span) {
        Ok(trial) => {
            let what = new.display().to_string();
            say(&crate::words::tried::page(&trial, &what, span, &zone, configuration.shows))
        }
        Err(error) => mended(&error),
    }
}

pub(super) fn export_rows(config: &Path, args: ExportArgs) -> ExitCode {
    let Some(configuration) = load(config) else { return ExitCode::FAILURE };
    let zone = TimeZone::get(&configuration.timezone).unwrap_or(TimeZone::UTC);
    let (from, to) = match (moment(&args.from, &zone), moment(&args.to, &zone)) {
        (Ok(from), Ok(to)) => (from, to),
        (Err(why), _) | (_, Err(why)) => return failed(&why),
    };
    if from >= to {
        return failed(&"--to must be later than --from");
    }
    let wanted = Wanted { meter: args.meter, from, to, every: args.every, quantities: args.quantities };
    let store = match Store::open_for_reading(&configuration.store.folder) {
        Ok(store) => store,
        Err(error) => return mended(&error),
    };
    let out = BufWriter::new(std::io::stdout().lock());
    match export(&store, &wanted, &zone, out) {
        Ok(0) => {
            eprintln!("kvarden: nothing is stored of {:?} in this span at this length", wanted.meter);
            ExitCode::SUCCESS
        }
        Ok(_) => ExitCode::SUCCESS,
        // A reader that has had enough, such as `head`, is no failure.
        Err(ExportError::Csv(error)) if is_closed_pipe(&error) => ExitCode::SUCCESS,
        Err(ExportError::Store(error)) => mended(&error),
        Err(error) => failed(&error),
    }
}

fn is_closed_pipe(error: &csv::Error) -> bool {
    matches!(error.kind(), csv::ErrorKind::Io(error) if error.kind() == std::io::ErrorKind::BrokenPipe)
}

/// A moment as a person writes it. A local time that comes twice is its first, one that is left out the first after.
fn moment(text: &str, zone: &TimeZone) -> Result<EventTime, String> {
    if let Ok(stamp) = text.parse::<jiff::Timestamp>() {
        return Ok(EventTime(stamp.as_millisecond()));
    }
    let local = text.parse::<jiff::civil::DateTime>().or_else(|_| {
        text.parse::<jiff::civil::Date>().map(|date| date.to_datetime(jiff::civil::Time::midnight()))
    });
    let stamp = local.and_then(|local| zone.to_zoned_datetime(local));
    stamp.map(|stamp| EventTime(stamp.timestamp().as_millisecond())).map_err(|_| {
        format!(
            "{text:?} is no time; write 2026-11-24, 2026-11-24T13:00 (local) or 2026-11-24T13:00:00-07:00"
        )
    })
}

pub(super) fn back_up(config: &Path, to: &Path) -> ExitCode {
    let Some(configuration) = load(config) else { return ExitCode::FAILURE };
    let mut shown = Shown::default();
    let done = store::back_up(&configuration.store.folder, to, &mut |progress| shown.show(progress));
    shown.end();
    match done {
        Ok(bytes) => {
            let (mib, to) = (bytes.div_ceil(1 << 20), to.display());
            super::commands::say(&format!(
                "{to}: the whole store, {mib} MiB, checked. Configuration and password files are not in it.\n"
            ))
        }
        Err(error) => mended(&error),
    }
}

pub(super) fn restore(config: &Path, from: &Path) -> ExitCode {
    let Some(configuration) = load(config) else { return ExitCode::FAILURE };
    let mut shown = Shown::default();
    let now = EventTime(jiff::Timestamp::now().as_millisecond());
    let done =
        store::restore_from(&configuration.store.folder, from, now, &mut |progress| shown.show(progress));
    shown.end();
    match done {
        Ok(aside) => {
            let kept = aside.map(|path| format!(" The former store is kept as {}.", path.display()));
            super::commands::say(&format!(
                "{} is restored.{} Start the daemon now.\n",
                from.display(),
                kept.unwrap_or_default()
            ))
        }
        Err(error) => mended(&error),
    }
}

pub(super) fn verify(config: &Path) -> ExitCode {
    let Some(configuration) = load(config) else { return ExitCode::FAILURE };
    match store::verify(&configuration.store.folder) {
        Ok(found) if found.is_empty() => super::commands::say("The store is whole.\n"),
        Ok(found) => {
            for line in &found {
                eprintln!("{line}");
            }
            failed(&format!(
                "the store is damaged ({} findings). At its next start the daemon sets it aside, carries over what can \
                 be read and says what is lost. Copy the store's folder first, and check the disk",
                found.len()
            ))
        }
        Err(error) => mended(&error),
    }
}

/// An error of the store with what to do about it.
fn mended(error: &store::Error) -> ExitCode {
    let help = miette::Diagnostic::help(error).map(|help| format!(" ({help})")).unwrap_or_default();
    failed(&format!("{error}{help}"))
}

/// Progress on standard error: a line that changes for a person, nothing for a script.
#[derive(Debug, Default)]
struct Shown {
    percent: Option<u64>,
}

impl Shown {
    fn show(&mut self, progress: Progress) {
        let percent = (progress.done * 100).checked_div(progress.of).unwrap_or(100);
        if self.percent.replace(percent) != Some(percent) && std::io::stderr().is_terminal() {
            eprint!("\r{percent} %");
            let _ = std::io::stderr().flush();
        }
    }

    fn end(&self) {
        if self.percent.is_some() && std::io::stderr().is_terminal() {
            eprint!("\r      \r");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_is_a_day_a_local_time_or_one_with_its_offset() {
        let zone = TimeZone::get("America/Denver").unwrap();
        let utc = |text: &str| EventTime(text.parse::<jiff::Timestamp>().unwrap().as_millisecond());
        assert_eq!(moment("2026-11-24", &zone), Ok(utc("2026-11-24T07:00:00Z")));
        assert_eq!(moment("2026-11-24T13:00", &zone), Ok(utc("2026-11-24T20:00:00Z")));
        assert_eq!(moment("2026-11-24T13:00:00-07:00", &zone), Ok(utc("2026-11-24T20:00:00Z")));
        // 01:30 comes twice on 1 November 2026 in Denver; the first is in summer time.
        assert_eq!(moment("2026-11-01T01:30", &zone), Ok(utc("2026-11-01T07:30:00Z")));
        assert!(moment("yesterday", &zone).unwrap_err().contains("yesterday"));
    }
}
