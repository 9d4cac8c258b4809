//! One alert in full: its cause with all the evidence, its time line, the recording as a small chart, what to check next.

use super::plot::{Plot, draw};
use super::speech::Speech;
use super::time::{local, moment};
use super::{Site, advice, cause, code, message, pattern};
use kvarden_core::output::{AlertRevision, Held, NamedCause, Revised, Rule};
use kvarden_core::time::EventTime;
use std::fmt::Write;

/// Lines are broken here, so that a terminal and a phone show them whole.
const WIDTH: usize = 78;
/// The longest bar.
const BAR: usize = 40;
/// The most steps of the time line: the first and the latest.
const MOST_STEPS: usize = 30;

/// What is told of one alert.
#[derive(Debug, Clone, PartialEq)]
pub struct Story {
    /// Its revisions that are kept, the first first; never empty.
    pub revisions: Vec<AlertRevision>,
    /// The readings kept around it, or the minutes where there are none.
    pub plot: Option<Plot>,
}

/// The whole for a person.
pub fn page(story: &Story, site: &Site) -> String {
    let mut text = String::new();
    let Some(latest) = story.revisions.last() else { return text };
    let said = message(latest, site);
    let _ = writeln!(text, "{}  {}, {}", code(&latest.alert), said.state, said.alarm_state);
    wrapped(&mut text, "", &said.text);
    if let Some(named) = &latest.cause {
        told(&mut text, named, latest.at, site);
    } else {
        head(&mut text, "Cause");
        wrapped(&mut text, "  ", "None is named.");
        wrapped(&mut text, "  ", cause::unseen(site.speech));
    }
    head(&mut text, "Time line");
    time_line(&mut text, &story.revisions, site);
    let drawn = story.plot.as_ref().map(|plot| draw(plot, &site.zone)).unwrap_or_default();
    if !drawn.is_empty() {
        head(&mut text, "Recording");
        text.push_str(&drawn);
    }
    head(&mut text, "What to check next");
    for (index, check) in checks(latest).iter().enumerate() {
        wrapped(&mut text, &format!("  {}. ", index + 1), check);
    }
    for (what, words) in [("Where", &said.location), ("Whom to call", &said.call), ("Spare", &said.spare)] {
        if let Some(words) = words {
            let _ = writeln!(text, "\n{what}: {words}");
        }
    }
    head(&mut text, "Before anyone acts on this");
    wrapped(&mut text, "  ", advice::caution_in_full(site.speech));
    text
}

/// What to check, also of an alert that is over.
fn checks(revision: &AlertRevision) -> Vec<&'static str> {
    let cause = revision.cause.as_deref().filter(|cause| cause.stands || revision.rule == Rule::Cause);
    let of = |cause: &NamedCause| cause::check(cause.facts.cause, Speech::ENGLISH);
    cause.map_or_else(|| advice::check(&revision.subject, revision.rule, Speech::ENGLISH), of)
}

fn told(text: &mut String, named: &NamedCause, now: EventTime, site: &Site) {
    let facts = &named.facts;
    head(text, "Cause");
    let feeder = facts.feeder.as_ref().map(|feeder| format!(", {feeder}")).unwrap_or_default();
    let shows = if named.stands { "it still shows" } else { "it no longer shows" };
    let said = format!(
        "{} at {}{feeder}, since {}; {shows}. Confidence {:.0} %.",
        cause::sentence(facts, facts.feeder.as_deref(), site.speech),
        facts.transformer,
        moment(facts.since, now, &site.zone),
        100.0 * facts.confidence
    );
    wrapped(text, "  ", &said);
    wrapped(text, "  ", cause::means(facts.cause, site.speech));
    list(text, "What proves it", &cause::proof(facts, site.reads()));
    list(text, "Ruled out", &cause::ruled_out(facts, site.reads()));
    if let Some(pattern) = &facts.pattern {
        head(text, "How it comes and goes");
        wrapped(text, "  ", &pattern::sentence(pattern, now, site.reads()));
        let mut hours = [0usize; 24];
        for start in &pattern.starts {
            hours[usize::try_from(local(*start, &site.zone).hour()).unwrap_or(0) % 24] += 1;
        }
        let known = hours.iter().enumerate().filter(|(_, count)| **count > 0);
        bars(text, known.map(|(hour, count)| (format!("{hour:02} h"), *count as f64, count.to_string())));
    }
    if !facts.shares.is_empty() {
        head(text, "Shares by feeder");
        let shares = facts.shares.iter().map(|share| {
            let name = share.feeder.as_deref().unwrap_or("not metered");
            (name.to_owned(), share.percent.max(0.0), format!("{:.0} %", share.percent))
        });
        bars(text, shares);
    }
    let lacks: Vec<String> = cause::lacks(facts, site.speech);
    list(text, "What would tell more", &lacks);
}

fn time_line(text: &mut String, revisions: &[AlertRevision], site: &Site) {
    let half = MOST_STEPS / 2;
    let left_out = revisions.len().saturating_sub(MOST_STEPS);
    for (index, revision) in revisions.iter().enumerate() {
        if left_out > 0 && index == half {
            let _ = writeln!(text, "  ... {left_out} more ...");
        }
        if left_out == 0 || index < half || index >= half + left_out {
            let at = local(revision.at, &site.zone).strftime("%a %d %b %H:%M:%S");
            wrapped(text, &format!("  {at}  "), &step(revision));
        }
    }
}

/// What a revision says that is new.
fn step(revision: &AlertRevision) -> String {
    let priority = revision.priority.key();
    match &revision.why {
        Revised::Opened => format!("raised, {priority}"),
        Revised::Worse => format!("worse or back, {priority}"),
        Revised::Milder => format!("milder, {priority}"),
        Revised::CameAgain => "came again".to_owned(),
        Revised::Acknowledged { by } => format!("acknowledged by {by}"),
        Revised::Returned => format!("no longer holds, {}", revision.state.words()),
        Revised::Shelved { by, .. } => format!("shelved by {by}"),
        Revised::Unshelved => "told again".to_owned(),
        Revised::OutOfService { by } => format!("taken out of service by {by}"),
        Revised::Closed => "closed".to_owned(),
        Revised::NoLongerWatched => "no longer watched".to_owned(),
        Revised::Instead => format!("another trouble instead, {priority}"),
        Revised::Explained => {
            let named = revision.cause.as_deref();
            let likely =
                named.map(|named| cause::likely(named.facts.cause, named.facts.place, Speech::ENGLISH));
            format!("cause found: {}", likely.unwrap_or_default())
        }
        Revised::CauseOver => "its cause no longer shows".to_owned(),
        Revised::Merged { into } => format!("told with alert {} from here on", code(into)),
        Revised::Released { by, note } => format!("closed by {by}: {note}"),
        Revised::Chattering => "rises again and again within a minute: held down".to_owned(),
        Revised::Calm => "calm again".to_owned(),
        Revised::WorkBegun => "held back: planned work has begun".to_owned(),
        Revised::Stands { after: Held::Work } => "told now: planned work has ended".to_owned(),
        Revised::Stands { after: Held::Flood } => "told now: the alarm flood is over".to_owned(),
        Revised::Stands { after: Held::Chattering } => "told now: calm again".to_owned(),
        Revised::SupplyLost => "follows from the loss of the supply above".to_owned(),
    }
}

fn head(text: &mut String, words: &str) {
    let _ = writeln!(text, "\n{words}");
}

fn list(text: &mut String, words: &str, lines: &[String]) {
    if !lines.is_empty() {
        head(text, words);
        for line in lines {
            wrapped(text, "  ", line);
        }
    }
}

fn bars(text: &mut String, rows: impl Iterator<Item = (String, f64, String)>) {
    let rows: Vec<_> = rows.collect();
    let most = rows.iter().map(|(_, value, _)| *value).fold(f64::MIN_POSITIVE, f64::max);
    for (name, value, said) in rows {
        let bar = "#".repeat((value / most * BAR as f64).ceil() as usize);
        let _ = writeln!(text, "  {name:<16} {said:>6}  {bar}");
    }
}

/// Words broken into lines; what stands before the first is left free before the others.
fn wrapped(text: &mut String, before: &str, words: &str) {
    let mut line = before.to_owned();
    let indent = " ".repeat(before.chars().count());
    let mut fresh = true;
    for word in words.split_whitespace() {
        if !fresh && line.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(text, "{line}");
            line.clone_from(&indent);
            fresh = true;
        }
        if !fresh {
            line.push(' ');
        }
        line.push_str(word);
        fresh = false;
    }
    let _ = writeln!(text, "{}", line.trim_end());
}
