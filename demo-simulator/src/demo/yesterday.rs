//! First act: yesterday of the cannery from logged files, judged in a moment as the daemon would have.

use super::{DemoError, Plan, heading};
use kvarden_demo::cannery::METERS;
use kvarden_demo::config_text::{Sources, write_configuration};
use kvarden_demo::csvlog::write_logs;
use kvarden_demo::scenario::{Fault, Scenario};
use kvarden_demo::site::Site;
use kvarden_demo::work::{TIMEZONE, Working};
use std::time::Instant;

/// The logs hold a value every two seconds: short faults leave a mark in them.
const INTERVAL_MS: i64 = 2_000;
/// One hour in milliseconds.
const HOUR_MS: i64 = 3_600_000;

/// Writes yesterday's logs and replays them.
pub(super) fn show(plan: &Plan) -> Result<(), DemoError> {
    heading("Yesterday of Larkspur Cannery, from logged files");
    let zone = jiff::tz::TimeZone::get(TIMEZONE).map_err(std::io::Error::other)?;
    let today = jiff::Timestamp::now().to_zoned_datetime(zone.clone()).date();
    let midnight = |date: jiff::civil::Date| {
        date.to_zoned_datetime(zone.clone())
            .map(|at| at.timestamp().as_millisecond())
            .map_err(std::io::Error::other)
    };
    let yesterday = today.yesterday().map_err(std::io::Error::other)?;
    let (from, to) = (midnight(yesterday)?, midnight(today)?);
    let scenarios = vec![
        Scenario::between(from + 13 * HOUR_MS, from + 16 * HOUR_MS, Fault::LoosePhase { every_s: 300 }),
        Scenario::between(from + 9 * HOUR_MS, from + 11 * HOUR_MS, Fault::Overload { factor: 1.75 }),
    ];
    let folder = plan.folder.join("yesterday");
    let logs = folder.join("logs");
    println!("Making the day: two transformers, seven feeders, a value every 2 s ...");
    let began = Instant::now();
    let mut site = Site::new(plan.seed, from, Working::Calendar, scenarios);
    let meters: Vec<&str> = METERS.iter().map(|meter| meter.name).collect();
    let written = write_logs(&logs, &mut site, &meters, to, INTERVAL_MS)?;
    let config = write_configuration(&folder, Sources::Logged, "[store]\nfolder = \"data\"")?;
    println!("{} rows in {} files, {:.1} s.", written.rows, written.files, began.elapsed().as_secs_f64());
    println!("\n$ kvarden replay {} --from {}\n", config.display(), logs.display());
    let began = Instant::now();
    // What is printed is the answer; a failure has been printed as well and the second act goes on.
    let _ = kvarden::cli::replay_files(&config, &logs, false, Some(&folder.join("digests")));
    println!("The whole day was judged in {:.1} s.", began.elapsed().as_secs_f64());
    Ok(())
}
