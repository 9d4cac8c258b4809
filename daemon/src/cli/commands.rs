//! All commands but replay.

use super::Alert;
use crate::control::{Request, ask};
use crate::digest::making::of_store;
use crate::digest::{DigestContext, Form, calendar, frozen, render};
use crate::look::Whom;
use crate::store::Store;
use crate::words::{Site, Whereabouts};
use kvarden_config::Configuration;
use kvarden_core::plan::Plan;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

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
    say(&crate::check::page(&configuration, &plan))
}

pub(super) fn on_call(path: &Path, weeks: u32, at: Option<&str>) -> ExitCode {
    let Some(configuration) = load(path) else { return ExitCode::FAILURE };
    let rules = crate::duty::Rules::of(&configuration);
    let from = match at {
        None => kvarden_core::time::EventTime(jiff::Timestamp::now().as_millisecond()),
        Some(text) => match crate::duty::oncall::moment_of(text, rules.rota.zone()) {
            Some(from) => from,
            None => return failed(&format!("\"{text}\" is no date and time such as \"2026-12-21 07:00\"")),
        },
    };
    say(&crate::duty::oncall::page(&rules, &configuration.plant.site, from, weeks))
}

pub(super) fn look(whom: &Whom) -> ExitCode {
    match crate::look::look(whom) {
        Ok(page) => say(&page),
        Err(why) => failed(&why),
    }
}

pub(super) fn run(path: &Path) -> ExitCode {
    crate::start_logging();
    let Some(configuration) = load(path) else { return ExitCode::FAILURE };
    match crate::run::run_until_signal(configuration, path) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => failed(&error),
    }
}

/// The folder of the running daemon's store. The file may be half changed: the daemon runs on with what it was before, and
/// must be reached.
fn folder_of(path: &Path) -> Option<PathBuf> {
    let folder = kvarden_config::store_folder(path);
    if folder.is_none() {
        load(path);
    }
    folder
}

pub(super) fn reload(path: &Path) -> ExitCode {
    let Some(folder) = folder_of(path) else { return ExitCode::FAILURE };
    match ask(&folder, &Request::Reload) {
        Ok(reply) if reply.done => print_line(&reply.says),
        Ok(reply) => failed(&reply.says),
        Err(error) => failed(&error),
    }
}

pub(super) fn status(path: &Path, json: bool) -> ExitCode {
    let Some(folder) = folder_of(path) else { return ExitCode::FAILURE };
    match ask(&folder, &Request::Status) {
        Ok(reply) => {
            let Some(status) = reply.status else { return failed(&reply.says) };
            if json {
                return match serde_json::to_string(&status) {
                    Ok(line) => print_line(&line),
                    Err(error) => failed(&error),
                };
            }
            say(&crate::status::page(&status))
        }
        Err(error) => failed(&error),
    }
}

pub(super) fn explain(path: &Path, alert: &str) -> ExitCode {
    let Some((configuration, plan)) = load_with_plan(path) else { return ExitCode::FAILURE };
    let store = match Store::open_for_reading(&configuration.store.folder) {
        Ok(store) => store,
        Err(error) => return failed(&error),
    };
    let site = Site {
        name: configuration.plant.site.clone(),
        zone: jiff::tz::TimeZone::get(&configuration.timezone).unwrap_or(jiff::tz::TimeZone::UTC),
        book: store.book().to_owned(),
        topics: configuration.tell.topics.clone(),
        shows: configuration.shows,
        whereabouts: Whereabouts::of(&configuration.plant),
        speech: crate::words::speech::Speech::ENGLISH,
    };
    match crate::explain::story(&store, &plan, configuration.shows, alert) {
        Ok(story) => say(&crate::words::story::page(&story, &site)),
        Err(error) => failed(&error),
    }
}

pub(super) fn steer(alert: &Alert, request: impl FnOnce(String, String) -> Request) -> ExitCode {
    let Some(folder) = folder_of(&alert.which.config) else { return ExitCode::FAILURE };
    let variable = |name| std::env::var(name).ok().filter(|value| !value.trim().is_empty());
    let (sudo, user) = (variable("SUDO_USER"), variable("USER"));
    let by = match speaker(alert.by.as_deref(), sudo.as_deref(), user.as_deref()) {
        Ok(by) => by,
        Err(why) => return failed(&why),
    };
    match ask(&folder, &request(alert.which_one.clone(), by)) {
        Ok(reply) if reply.done => print_line(&reply.says),
        Ok(reply) => failed(&reply.says),
        Err(error) => failed(&error),
    }
}

pub(super) fn digest(
    path: &Path,
    date: Option<jiff::civil::Date>,
    form: Form,
    revision: Option<u32>,
) -> ExitCode {
    let Some((configuration, plan)) = load_with_plan(path) else { return ExitCode::FAILURE };
    let Configuration { timezone, shows, language, .. } = &configuration;
    let context = Arc::new(DigestContext::new(&plan, timezone, *shows, *language));
    let yesterday = jiff::Timestamp::now().to_zoned_datetime(context.zone.clone()).date().yesterday();
    let Some(date) = date.or(yesterday.ok()) else { return failed(&"there is no day before today") };
    let store = match Store::open_for_reading(&configuration.store.folder) {
        Ok(store) => store,
        Err(error) => return failed(&error),
    };
    let day = match frozen(&store, date, revision) {
        Ok(Some(day)) => Ok(Some(day)),
        Ok(None) if revision.is_some() => return failed(&format!("{date} has no such revision")),
        Ok(None) => {
            let over = calendar::bounds(date, &context.zone).map(|(_, to)| to.0);
            if over.is_none_or(|to| to > jiff::Timestamp::now().as_millisecond()) {
                return failed(&format!(
                    "{date} is not over yet in {}; its digest is made after it ends",
                    context.timezone
                ));
            }
            of_store(&store, &context, date)
        }
        Err(error) => Err(error),
    };
    match day {
        Ok(Some(day)) => say(&render(&day, form)),
        Ok(None) => failed(&format!("{date} is no day of the calendar of {}", context.timezone)),
        Err(error) => failed(&error),
    }
}

fn print_line(line: &str) -> ExitCode {
    say(&format!("{line}\n"))
}

/// Writes to standard output. A reader that has had enough, such as `head`, is no failure.
pub(super) fn say(text: &str) -> ExitCode {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => failed(&error),
        _ => ExitCode::SUCCESS,
    }
}

/// Who speaks: the name given, else the person behind `sudo`, else the user; never an account that people share.
fn speaker(given: Option<&str>, sudo: Option<&str>, user: Option<&str>) -> Result<String, &'static str> {
    let name = given.or(sudo).or(user).unwrap_or_default().trim();
    if name.is_empty() || name.eq_ignore_ascii_case("root") {
        return Err("say who you are with --by NAME: every change has a named person, and root is none");
    }
    Ok(name.to_owned())
}

pub(super) fn failed(why: &dyn std::fmt::Display) -> ExitCode {
    eprintln!("kvarden: {why}");
    ExitCode::FAILURE
}

#[cfg(test)]
mod tests {
    use super::speaker;

    #[test]
    fn the_person_behind_sudo_speaks_and_root_and_nobody_do_not() {
        assert_eq!(speaker(None, Some("ines"), Some("root")).as_deref(), Ok("ines"));
        assert_eq!(speaker(Some("Tomas"), Some("ines"), None).as_deref(), Ok("Tomas"));
        assert_eq!(speaker(None, None, Some("ines")).as_deref(), Ok("ines"));
        for (given, sudo, user) in
            [(None, None, Some("root")), (Some(" "), Some("ines"), None), (None, None, None)]
        {
            assert!(speaker(given, sudo, user).is_err());
        }
    }
}
