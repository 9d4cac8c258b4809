//! `kvarden replay`: logged files through the monitor, told as lines for a person or for a program.

use super::commands::{failed, load};
use crate::batching::Told;
use crate::digest::files::write_files;
use crate::digest::{DigestContext, Form, FrozenDay, calendar, findings, render};
use crate::replay::line::Lines;
use crate::replay::tens::WeekOfTens;
use crate::replay::{Replayed, replay};
use crate::words::{Site, Whereabouts, message};
use jiff::civil::Date;
use kvarden_config::{Configuration, Language};
use kvarden_core::diagnosis::FindingChange;
use kvarden_core::digest::{MeterRows, MinuteValue};
use kvarden_core::output::{Change, ChangeKind, Closed, Excursion, Output, Refusal};
use kvarden_core::plan::Plan;
use kvarden_core::time::{EventTime, Span};
use std::collections::BTreeMap;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// The mapping's name in the folder of logs.
const COLUMNS: &str = "columns.toml";

/// Replays the files of a folder and prints what would have been told.
/// Where a folder for digests is given, those of each day are written there too.
pub fn replay_files(config: &Path, from: &Path, json: bool, digests: Option<&Path>) -> ExitCode {
    let Some(configuration) = load(config) else { return ExitCode::FAILURE };
    let columns = from.join(COLUMNS);
    let (logs, problems) = kvarden_config::load_columns(&columns, &configuration.plant);
    if !problems.is_empty() {
        eprintln!("{}", kvarden_config::render(&problems));
    }
    let Some(logs) = logs.filter(|_| problems.is_empty()) else {
        return failed(&format!("{} to mend in {}", problems.len(), columns.display()));
    };
    let out = BufWriter::new(std::io::stdout().lock());
    let mut teller = Teller::new(&configuration, json, digests, out);
    let done = replay(&configuration, &logs, |plan, output| teller.take(plan, output));
    match (done, teller.finish()) {
        (Ok(replayed), Ok(())) => {
            if !json {
                closing_words(&replayed, &teller.refused);
            }
            ExitCode::SUCCESS
        }
        (Err(error), _) => failed(&error),
        // A reader that has had enough, such as `head`, is no failure.
        (_, Err(error)) if error.kind() == std::io::ErrorKind::BrokenPipe => ExitCode::SUCCESS,
        (_, Err(error)) => failed(&error),
    }
}

/// How many readings or values could not be used, by reason, with the words for the latest.
type Refused = BTreeMap<Refusal, (u64, String)>;

fn closing_words(replayed: &Replayed, refused: &Refused) {
    eprintln!("{} readings replayed.", replayed.readings);
    if replayed.bad_times > 0 {
        eprintln!("{} rows passed over: their time can't be read.", replayed.bad_times);
    }
    if replayed.bad_cells > 0 {
        eprintln!("{} cells are not numbers; they count as absent.", replayed.bad_cells);
    }
    for (count, latest) in refused.values() {
        eprintln!("{count} refused; the latest: {latest}.");
    }
    eprintln!("{}", crate::words::advice::caution(crate::words::speech::Speech::ENGLISH));
}

/// A minute closes when its meter's next reading comes: a day waits so long for those of slow meters.
const STRAGGLERS: Span = Span::minutes(15);

/// Tells outputs as lines; without `json` also the digest of each day as it ends.
struct Teller<W: Write> {
    out: W,
    json: bool,
    /// Where digests go as files, besides being told.
    folder: Option<PathBuf>,
    site: Site,
    timezone: String,
    language: Language,
    /// The day being collected, and its end.
    day: Option<(Date, EventTime)>,
    meters: Vec<MeterRows>,
    /// The week's 10-minute values of each meter.
    weeks: BTreeMap<String, WeekOfTens>,
    changes: Vec<Change>,
    excursions: Vec<Excursion>,
    findings: Vec<FindingChange>,
    context: Option<DigestContext>,
    digests: Vec<String>,
    told: Told,
    lines: Lines,
    /// Readings or values that could not be used, by reason.
    refused: Refused,
    /// The latest moment that anything is known of.
    latest: Option<EventTime>,
    trouble: Option<std::io::Error>,
}

impl<W: Write> Teller<W> {
    fn new(configuration: &Configuration, json: bool, folder: Option<&Path>, out: W) -> Self {
        let zone = jiff::tz::TimeZone::get(&configuration.timezone).unwrap_or(jiff::tz::TimeZone::UTC);
        let site = Site {
            name: configuration.plant.site.clone(),
            zone,
            book: "replay".to_owned(),
            topics: configuration.tell.topics.clone(),
            shows: configuration.shows,
            whereabouts: Whereabouts::of(&configuration.plant),
            speech: crate::words::speech::Speech::ENGLISH,
        };
        Self {
            out,
            json,
            folder: folder.map(Path::to_owned),
            site,
            timezone: configuration.timezone.clone(),
            language: configuration.language,
            day: None,
            meters: Vec::new(),
            weeks: BTreeMap::new(),
            changes: Vec::new(),
            excursions: Vec::new(),
            findings: Vec::new(),
            context: None,
            digests: Vec::new(),
            told: Told::default(),
            lines: Lines::default(),
            refused: BTreeMap::new(),
            latest: None,
            trouble: None,
        }
    }

    fn take(&mut self, plan: &Plan, output: Output) {
        if self.trouble.is_some() {
            return;
        }
        if let Output::Refused(what) = &output {
            let (count, latest) = self.refused.entry(what.why).or_default();
            *count += u64::from(what.count);
            *latest = crate::words::refusal(what);
        }
        let told = if self.json {
            self.lines.take(&output, &self.site.zone, &mut self.out)
        } else {
            self.tell_person(&output)
        };
        self.trouble = told.err();
        if !self.json {
            self.collect(plan, output);
        }
    }

    fn tell_person(&mut self, output: &Output) -> std::io::Result<()> {
        if let Output::Alert(revision) = output {
            // What is held back is told to nobody here as there; the digest has it.
            if !self.told.knows(revision) || revision.held.is_some() {
                return Ok(());
            }
            let at = crate::words::time::local(revision.at, &self.site.zone).strftime("%a %d %b %H:%M:%S");
            writeln!(self.out, "{at}  {}", message(revision, &self.site).text)?;
        }
        Ok(())
    }

    fn collect(&mut self, plan: &Plan, output: Output) {
        if self.context.is_none() {
            self.context = Some(DigestContext::new(plan, &self.timezone, self.site.shows, self.language));
        }
        match output {
            Output::Minute(closed) => self.collect_minute(plan, &closed),
            Output::Alarm(change) if matches!(change.what, ChangeKind::Raised | ChangeKind::Cleared) => {
                self.latest = self.latest.max(Some(change.at));
                self.changes.push(change);
            }
            Output::Excursion(excursion) => self.excursions.push(excursion),
            Output::Finding(change) => self.findings.push(change),
            _ => {}
        }
    }

    fn collect_minute(&mut self, plan: &Plan, closed: &Closed) {
        self.latest = self.latest.max(Some(closed.minute + Span::minutes(1)));
        while self.day.is_some_and(|(_, to)| closed.minute >= to + STRAGGLERS) {
            self.close_day();
        }
        if self.day.is_none() {
            let date = calendar::date_of(closed.minute, &self.site.zone);
            self.day = calendar::bounds(date, &self.site.zone).map(|(_, to)| (date, to));
        }
        if self.meters.is_empty() {
            self.meters = crate::digest::meters_of(plan);
            let of = |meter: &MeterRows| (meter.meter.clone(), WeekOfTens::new(meter, &plan.quality));
            self.weeks = self.meters.iter().map(of).collect();
        }
        let values = closed.panes.iter().map(|pane| MinuteValue {
            mean: pane.mean().unwrap_or(0.0),
            min: pane.min().unwrap_or(0.0),
            max: pane.max().unwrap_or(0.0),
            covered_ms: pane.covered_ms,
        });
        let name = plan.meter(closed.meter).map(|meter| meter.name.as_str());
        if let Some(week) = name.filter(|_| !closed.late).and_then(|name| self.weeks.get_mut(name)) {
            week.take(closed.minute, &closed.panes);
        }
        if let Some(meter) = self.meters.iter_mut().find(|meter| Some(meter.meter.as_str()) == name) {
            let values: Vec<MinuteValue> = values.collect();
            if closed.late {
                // Those of a day that is told already come too late for it.
                meter.add_late(closed.minute, values);
            } else {
                meter.rows.push((closed.minute, values));
            }
        }
    }

    /// Makes the digest of the day that is over, forgets its rows and goes on with the day of the rows that are left.
    fn close_day(&mut self) {
        let (Some((day, to)), Some(context)) = (self.day.take(), &self.context) else { return };
        let (weeks, latest) = (&mut self.weeks, self.latest);
        let mut week = |meter: &str, to: EventTime| {
            let known = weeks.get_mut(meter);
            known.map(|known| known.week(to, latest.unwrap_or(to))).unwrap_or_default()
        };
        let (meters, changes) = (&self.meters, &self.changes);
        let figures =
            crate::digest::figures(day, context, meters, changes, &self.excursions, latest, &mut week);
        if let Some(figures) = figures {
            let before: Vec<FindingChange> =
                self.findings.iter().filter(|change| change.at < to).cloned().collect();
            let (findings, events) = findings::of_day(&before, figures.from);
            let frozen = FrozenDay { findings, events, ..context.freeze(day, figures) };
            self.digests.push(render(&frozen, Form::Text));
            if let Some(Err(error)) = self.folder.as_deref().map(|folder| write_files(folder, &frozen)) {
                self.trouble.get_or_insert(error);
            }
            self.excursions.retain(|one| one.start >= to);
        }
        for meter in &mut self.meters {
            meter.rows.retain(|(minute, _)| *minute >= to);
        }
        let left = self.meters.iter().filter_map(|meter| meter.rows.first()).map(|(minute, _)| *minute).min();
        if let Some(minute) = left {
            let date = calendar::date_of(minute, &self.site.zone);
            self.day = calendar::bounds(date, &self.site.zone).map(|(_, to)| (date, to));
        }
    }

    fn finish(&mut self) -> std::io::Result<()> {
        if let Some(trouble) = self.trouble.take() {
            return Err(trouble);
        }
        std::mem::take(&mut self.lines).finish(&self.site.zone, &mut self.out)?;
        while self.day.is_some() {
            self.close_day();
        }
        if let Some(trouble) = self.trouble.take() {
            return Err(trouble);
        }
        for digest in &self.digests {
            writeln!(self.out, "\n{}\n{digest}", "-".repeat(78))?;
        }
        self.out.flush()
    }
}
