//! The digest of a day: made once from what the store holds, then frozen. Rendering is a pure function of the
//! frozen day, so any past day comes out the same, to the byte, from the same version.

pub mod calendar;
pub mod files;
pub mod findings;
pub mod maker;
pub mod making;
mod revision;

use crate::store::{Error, Store};
use crate::words;
use crate::words::speech::Speech;
use findings::{EventDay, FindingDay};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use kvarden_config::{Language, TemperatureUnit};
use kvarden_core::digest::charts::LimitLine;
use kvarden_core::digest::{DayFigures, DayInput, LimitOn, MeterPart, MeterRows, Tens};
use kvarden_core::measurand::Quantity;
use kvarden_core::output::{Change, Excursion};
use kvarden_core::plan::{MeterPlan, ParallelPlan, Plan, QualityPlan, ScopePlan};
use kvarden_core::plant::Priority;
use kvarden_core::time::EventTime;
use serde::{Deserialize, Serialize};

/// The frozen form's number. 1 had neither lines nor limits to draw, revisions, states nor what is not judged.
const FORMAT: u32 = 2;

/// A digest day as it is kept: everything that rendering needs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrozenDay {
    /// Number of this form.
    pub format: u32,
    /// Of the program that made it.
    pub made_by: String,
    /// The site.
    pub site: String,
    /// Its time zone.
    pub timezone: String,
    /// People of the site read temperatures in °F. The figures are in °C and K all the same.
    #[serde(default)]
    pub reads_fahrenheit: bool,
    /// The language in which the site's digest was written on this day (ISO 639-1).
    #[serde(default = "english")]
    pub language: String,
    /// The local day.
    pub date: Date,
    /// From 1; minutes that came after the day was closed make the next one.
    #[serde(default = "first")]
    pub revision: u32,
    /// Why there is another revision; `None` for the first.
    #[serde(default)]
    pub revised: Option<Revised>,
    /// The transformers, in the order of the configuration.
    pub transformers: Vec<String>,
    /// The limits in force when the day was frozen, one line each, in English: no page shows them.
    pub limits: Vec<String>,
    /// What could not be judged and why, one line each, in the day's language.
    #[serde(default)]
    pub not_judged: Vec<String>,
    /// How full the store was.
    #[serde(default)]
    pub room: Option<Room>,
    /// Readings kept around alarms of the day, the earliest first; so many of them at most: [`MOST_RECORDINGS`].
    #[serde(default)]
    pub recordings: Vec<RecordingDay>,
    /// Named causes that stood on the day, the most pressing first; so many of them at most: [`findings::MOST`].
    #[serde(default)]
    pub findings: Vec<FindingDay>,
    /// Events without a fault, counted.
    #[serde(default)]
    pub events: Vec<EventDay>,
    /// The figures.
    pub figures: DayFigures,
}

/// Recordings that a day lists: a page of them. All are kept in the store.
pub const MOST_RECORDINGS: usize = 60;

/// A recording, as a day lists it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RecordingDay {
    /// Its id.
    pub id: String,
    /// Whose readings.
    pub scope: String,
    /// The id of the alarm by which it began.
    pub alarm: String,
    /// First moment.
    pub from: EventTime,
    /// Last moment.
    pub to: EventTime,
    /// Of the most urgent alarm in it.
    pub priority: Priority,
    /// False: a part of it is missing.
    pub whole: bool,
}

fn first() -> u32 {
    1
}

fn english() -> String {
    Language::English.key().to_owned()
}

/// Why a day was revised.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Revised {
    /// When.
    pub at: EventTime,
    /// Meters whose minutes came late, and how many of each since the revision before.
    pub late: Vec<(String, u32)>,
}

/// How full the store was when the day was frozen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Room {
    /// Bytes in use.
    pub used_bytes: u64,
    /// The byte budget.
    pub max_bytes: u64,
}

impl FrozenDay {
    /// Reads one that was kept.
    ///
    /// # Errors
    /// It is damaged, or a newer program made it.
    pub fn read(body: &str) -> Result<Self, Error> {
        let day: Self = serde_json::from_str(body).map_err(|error| Error::row("day", error))?;
        if day.format > FORMAT {
            let why = format!("it has form {}, this program knows {FORMAT}", day.format);
            return Err(Error::row("day", why));
        }
        Ok(day)
    }
}

/// A form in which a digest is given out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Form {
    /// For a terminal or a mail.
    Text,
    /// For programs: the frozen day as it is kept.
    Json,
    /// A page with charts that needs nothing beside it.
    Html,
}

impl Form {
    /// Every form.
    pub const ALL: [Self; 3] = [Self::Text, Self::Json, Self::Html];

    /// How the names of its files end.
    pub fn ending(self) -> &'static str {
        match self {
            Self::Text => "txt",
            Self::Json => "json",
            Self::Html => "html",
        }
    }
}

/// The day in one form. A pure function: neither the store, nor the configuration, nor the machine's time zone or
/// language has a part in it.
pub fn render(day: &FrozenDay, form: Form) -> String {
    match form {
        Form::Text => words::digest::text(day),
        Form::Html => words::digest::html(day),
        // Numbers and texts always have a JSON form.
        Form::Json => serde_json::to_string(day).map(|line| line + "\n").unwrap_or_default(),
    }
}

/// What the making of a digest needs to know.
#[derive(Debug, Clone)]
pub struct DigestContext {
    /// The site.
    pub site: String,
    /// Its time zone's name.
    pub timezone: String,
    /// Its time zone.
    pub zone: TimeZone,
    /// In which unit people of the site read temperatures.
    pub shows: TemperatureUnit,
    /// In which language the digest is written.
    pub language: Language,
    /// The transformers.
    pub transformers: Vec<String>,
    /// The limits in force.
    pub limits: Vec<String>,
    /// What can't be judged and why.
    pub not_judged: Vec<String>,
    /// The meters, without rows yet.
    pub meters: Vec<MeterRows>,
    /// Which transformers run in parallel.
    pub parallel: Vec<ParallelPlan>,
    /// Which sides of transformers are held against IEEE 519.
    pub quality: Vec<QualityPlan>,
}

impl DigestContext {
    /// What a plan, a time zone's name, the unit of temperatures and the language say.
    pub fn new(plan: &Plan, timezone: &str, shows: TemperatureUnit, language: Language) -> Self {
        let speech = Speech::of(Some(language.key()));
        Self {
            site: plan.site.clone(),
            timezone: timezone.to_owned(),
            zone: TimeZone::get(timezone).unwrap_or(TimeZone::UTC),
            transformers: plan.scopes.iter().filter_map(|scope| scope.transformer.clone()).collect(),
            shows,
            language,
            limits: crate::check::limit_lines(plan, shows),
            not_judged: crate::check::not_judged_lines(plan, speech),
            meters: meters_of(plan),
            parallel: plan.parallel.to_vec(),
            quality: plan.quality.to_vec(),
        }
    }

    /// Freezes figures.
    pub fn freeze(&self, date: Date, figures: DayFigures) -> FrozenDay {
        FrozenDay {
            format: FORMAT,
            made_by: env!("CARGO_PKG_VERSION").to_owned(),
            site: self.site.clone(),
            timezone: self.timezone.clone(),
            reads_fahrenheit: self.shows == TemperatureUnit::Fahrenheit,
            language: self.language.key().to_owned(),
            date,
            revision: first(),
            revised: None,
            transformers: self.transformers.clone(),
            limits: self.limits.clone(),
            not_judged: self.not_judged.clone(),
            room: None,
            recordings: Vec::new(),
            findings: Vec::new(),
            events: Vec::new(),
            figures,
        }
    }
}

/// Gives a meter's 10-minute values of the week up to a moment.
pub type WeekOf<'a> = dyn FnMut(&str, EventTime) -> Vec<(Quantity, Tens)> + 'a;

/// Works out a day from rows, changes and excursions. `until`: nothing is known after it, as where a log ends.
pub fn figures(
    date: Date,
    context: &DigestContext,
    meters: &[MeterRows],
    changes: &[Change],
    excursions: &[Excursion],
    until: Option<EventTime>,
    week: &mut WeekOf<'_>,
) -> Option<DayFigures> {
    let (from, to) = calendar::bounds(date, &context.zone)?;
    let until = until.map_or(to, |until| until.clamp(from, to));
    let hours = calendar::hours(date, &context.zone);
    let (parallel, quality) = (context.parallel.as_slice(), context.quality.as_slice());
    let input = DayInput { from, to, until, hours: &hours, changes, excursions, parallel, quality };
    let part = |rows: &MeterRows| MeterPart::new(&input, rows).with_tens(week(&rows.meter, to));
    Some(DayFigures::of_parts(&input, meters.iter().map(part).collect()))
}

/// The meters of a plan, without rows.
pub fn meters_of(plan: &Plan) -> Vec<MeterRows> {
    let scopes = plan.scopes.iter().filter_map(|scope| Some((scope.transformer.clone()?, scope)));
    scopes
        .flat_map(|(transformer, scope)| {
            scope.meters.iter().map(move |meter| MeterRows {
                transformer: transformer.clone(),
                feeder: meter.feeder.clone(),
                meter: meter.name.clone(),
                series: meter.series.to_vec(),
                limits: limits_of(scope, meter),
                rolls_over_at: meter
                    .rolls_over_at
                    .iter()
                    .map(|(series, end)| (meter.series[*series], *end))
                    .collect(),
                shortest_event: None,
                rows: Vec::new(),
            })
        })
        .collect()
}

/// The limits to draw: on values and means. How fast a value may change is no value of its scale.
fn limits_of(scope: &ScopePlan, meter: &MeterPlan) -> Vec<LimitOn> {
    let limits = meter.limits.iter().filter(|limit| !limit.rate);
    let levels = limits.flat_map(|limit| limit.levels.iter().map(move |level| (limit, level)));
    levels
        .map(|(limit, level)| LimitOn {
            quantity: meter.series[limit.series],
            line: LimitLine {
                bound: limit.bound,
                setpoint: level.setpoint,
                priority: scope.alarms[level.alarm].priority,
                over: level.window.map(|window| meter.windows[window].1),
            },
        })
        .collect()
}

/// The key under which days of the whole site are kept.
const SITE: &str = "site";

/// The frozen day, if it was made: this revision of it, or the newest.
///
/// # Errors
/// When the store or the row can't be read.
pub fn frozen(store: &Store, date: Date, revision: Option<u32>) -> Result<Option<FrozenDay>, Error> {
    let day = match revision {
        None => store.get_day(SITE, &date.to_string())?,
        Some(revision) => store.get_day_revision(SITE, &date.to_string(), revision)?,
    };
    day.map(|day| FrozenDay::read(&day.body)).transpose()
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_config::Configuration;
    use kvarden_core::measurand::Measurand;
    use std::path::Path;

    /// The shipped configuration, changed, and its plan.
    fn shipped(change: impl Fn(String) -> String) -> (Configuration, Plan) {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy");
        let shipped = std::fs::read_to_string(folder.join("kvarden.toml")).unwrap();
        let read = |path: &Path| std::fs::read_to_string(folder.join(path));
        let (configuration, problems) = kvarden_config::parse("kvarden.toml", &change(shipped), &read);
        assert!(problems.is_empty(), "{}", kvarden_config::render(&problems));
        let configuration = configuration.unwrap();
        let plan = Plan::new(&configuration.plant).unwrap();
        (configuration, plan)
    }

    /// The shipped configuration for a site that reads German: what can't be judged is frozen in German, limits for programs
    /// are not.
    #[test]
    fn what_is_frozen_of_a_plan_is_in_the_language_of_the_site() {
        let context = |language: &str| {
            let zone = "timezone = \"America/Denver\"\n";
            let with = format!("{zone}language = \"{language}\"\n");
            let (Configuration { timezone, shows, language, .. }, plan) =
                shipped(|text| text.replacen(zone, &with, 1));
            DigestContext::new(&plan, &timezone, shows, language)
        };
        let (english, german) = (context("en"), context("de"));
        assert_eq!((english.language, german.language), (Language::English, Language::German));
        assert_eq!(english.limits, german.limits);
        assert!(!english.not_judged.is_empty() && english.not_judged.len() == german.not_judged.len());
        for (english, german) in english.not_judged.iter().zip(&german.not_judged) {
            assert_ne!(english, german);
            let words = [" the ", " it ", " is ", " not ", " give ", " across "];
            assert!(words.iter().any(|word| english.contains(word)), "{english}");
            assert!(!words.iter().any(|word| german.contains(word)), "{german}");
        }
    }

    /// The shipped configuration with a limit on how fast a winding warms: 20 K/h is no 20 °C.
    #[test]
    fn a_limit_on_how_fast_a_value_rises_is_not_drawn_on_its_scale() {
        let rate = "\n[[limit]]\non = \"winding_c\"\nrate_over = \"30m\"\n\
            levels = [{ setpoint = 20, priority = \"low\" }]\ndeadband = 2\non_delay = \"0s\"\noff_delay = \"5m\"\n";
        let (_, plan) = shipped(|text| text + rate);
        let is_winding = |limit: &&LimitOn| limit.quantity.what == Measurand::Winding;
        let meters = meters_of(&plan);
        let drawn: Vec<f64> = meters
            .iter()
            .flat_map(|meter| meter.limits.iter().filter(is_winding))
            .map(|limit| limit.line.setpoint)
            .collect();
        let compiled = plan.scopes.iter().flat_map(|scope| &scope.meters).flat_map(|meter| &meter.limits);
        assert_eq!(compiled.filter(|limit| limit.rate).count(), 3, "one for each phase");
        // The maker's points of the nameplate there: 180 and 200 °C.
        assert_eq!(drawn, [180.0, 200.0].repeat(3));
    }
}
