//! All commands but replay.

use super::Alert;
use crate::control::{Request, ask};
use crate::digest::{DigestContext, calendar, frozen, of_store};
use crate::store::Store;
use kvarden_config::Configuration;
use kvarden_core::plan::Plan;
use std::path::Path;
use std::process::ExitCode;

/// Reads a configuration; prints every problem and gives nothing where there is one that matters.
pub(super) fn load(path: &Path) -> Option<Configuration> {
    let (configuration, problems) = kvarden_config::load(path);
    if !problems.is_empty() {
        eprintln!("{}", kvarden_config::render(&problems));
    }
    if problems.is_empty() {
        return configuration;
    }
    let (count, mend) = (problems.len(), if problems.len() == 1 { "it" } else { "them" });
    eprintln!("{count} to mend in {}; nothing was changed, mend {mend} and try again.", path.display());
    None
}

/// Reads a configuration and compiles its plan.
pub(super) fn load_with_plan(path: &Path) -> Option<(Configuration, Plan)> {
    let configuration = load(path)?;
    match Plan::new(&configuration.plant) {
        Ok(plan) => Some((configuration, plan)),
        Err(unfit) => {
            eprintln!("{}: {unfit}", path.display());
            None
        }
    }
}

pub(super) fn check(path: &Path) -> ExitCode {
    let Some((configuration, plan)) = load_with_plan(path) else { return ExitCode::FAILURE };
    print!("{}", crate::check::page(&configuration, &plan));
    ExitCode::SUCCESS
}

pub(super) fn run(path: &Path) -> ExitCode {
    crate::start_logging();
    let Some(configuration) = load(path) else { return ExitCode::FAILURE };
    match crate::run::run_until_signal(configuration) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => failed(&error),
    }
}

pub(super) fn status(path: &Path, json: bool) -> ExitCode {
    let Some(configuration) = load(path) else { return ExitCode::FAILURE };
    match ask(&configuration.store.folder, &Request::Status) {
        Ok(reply) => {
            let Some(status) = reply.status else { return failed(&reply.says) };
            if json {
                return match serde_json::to_string(&status) {
                    Ok(line) => print_line(&line),
                    Err(error) => failed(&error),
                };
            }
            print!("{}", crate::status::page(&status));
            ExitCode::SUCCESS
        }
        Err(error) => failed(&error),
    }
}

pub(super) fn steer(alert: &Alert, request: impl FnOnce(String, String) -> Request) -> ExitCode {
    let Some(configuration) = load(&alert.which.config) else { return ExitCode::FAILURE };
    match ask(&configuration.store.folder, &request(alert.which_one.clone(), alert.by.clone())) {
        Ok(reply) if reply.done => print_line(&reply.says),
        Ok(reply) => failed(&reply.says),
        Err(error) => failed(&error),
    }
}

pub(super) fn digest(path: &Path, date: Option<jiff::civil::Date>, json: bool) -> ExitCode {
    let Some((configuration, plan)) = load_with_plan(path) else { return ExitCode::FAILURE };
    let context = DigestContext::new(&plan, &configuration.timezone);
    let yesterday = jiff::Timestamp::now().to_zoned_datetime(context.zone.clone()).date().yesterday();
    let Some(date) = date.or(yesterday.ok()) else { return failed(&"there is no day before today") };
    let over = calendar::bounds(date, &context.zone).map(|(_, to)| to.0);
    if over.is_none_or(|to| to > jiff::Timestamp::now().as_millisecond()) {
        return failed(&format!(
            "{date} is not over yet in {}; its digest is made after it ends",
            context.timezone
        ));
    }
    let day =
        Store::open_for_reading(&configuration.store.folder).and_then(|store| match frozen(&store, date)? {
            Some(day) => Ok(Some(day)),
            None => of_store(&store, &context, date),
        });
    match day {
        Ok(Some(day)) if json => match serde_json::to_string(&day) {
            Ok(line) => print_line(&line),
            Err(error) => failed(&error),
        },
        Ok(Some(day)) => {
            print!("{}", crate::words::digest::digest(&day));
            ExitCode::SUCCESS
        }
        Ok(None) => failed(&format!("the digest of {date} can't be read; was it made by a newer version?")),
        Err(error) => failed(&error),
    }
}

fn print_line(line: &str) -> ExitCode {
    println!("{line}");
    ExitCode::SUCCESS
}

pub(super) fn failed(why: &dyn std::fmt::Display) -> ExitCode {
    eprintln!("kvarden: {why}");
    ExitCode::FAILURE
}
