//! The digest of a day: made once from what the store holds, then frozen. Rendering is a pure function of the
//! frozen day, so any past day comes out the same, to the byte, from the same version.

pub mod calendar;
pub mod making;

use crate::store::{Error, MinuteRun, PaneRow, Store};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use kvarden_core::digest::{DayFigures, DayInput, MeterRows, MinuteValue};
use kvarden_core::measurand::Quantity;
use kvarden_core::plan::Plan;
use kvarden_core::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// The frozen form's number.
const FORMAT: u32 = 1;

/// Alarms that rose longer ago than this and still stand are known by their newest state only.
pub const LOOK_BACK: Span = Span::hours(31 * 24);

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
    /// The local day.
    pub date: Date,
    /// The transformers, in the order of the configuration.
    pub transformers: Vec<String>,
    /// The limits in force when the day was frozen, one line each.
    pub limits: Vec<String>,
    /// The figures.
    pub figures: DayFigures,
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
    /// The transformers.
    pub transformers: Vec<String>,
    /// The limits in force.
    pub limits: Vec<String>,
    /// The meters, without rows yet.
    pub meters: Vec<MeterRows>,
}

impl DigestContext {
    /// What a plan and a time zone's name say.
    pub fn new(plan: &Plan, timezone: &str) -> Self {
        Self {
            site: plan.site.clone(),
            timezone: timezone.to_owned(),
            zone: TimeZone::get(timezone).unwrap_or(TimeZone::UTC),
            transformers: plan.scopes.iter().filter_map(|scope| scope.transformer.clone()).collect(),
            limits: crate::check::limit_lines(plan),
            meters: meters_of(plan),
        }
    }

    /// Freezes figures.
    pub fn freeze(&self, date: Date, figures: DayFigures) -> FrozenDay {
        FrozenDay {
            format: FORMAT,
            made_by: env!("CARGO_PKG_VERSION").to_owned(),
            site: self.site.clone(),
            timezone: self.timezone.clone(),
            date,
            transformers: self.transformers.clone(),
            limits: self.limits.clone(),
            figures,
        }
    }
}

/// Works out a day from rows, changes and excursions. `until`: nothing is known after it, as where a log ends.
pub fn figures(
    date: Date,
    zone: &TimeZone,
    meters: &[MeterRows],
    changes: &[kvarden_core::output::Change],
    excursions: &[kvarden_core::output::Excursion],
    until: Option<EventTime>,
) -> Option<DayFigures> {
    let (from, to) = calendar::bounds(date, zone)?;
    let until = until.map_or(to, |until| until.clamp(from, to));
    let hours = calendar::hours(date, zone);
    Some(DayFigures::new(&DayInput { from, to, until, hours: &hours, meters, changes, excursions }))
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
                rows: Vec::new(),
            })
        })
        .collect()
}

/// The key under which days of the whole site are kept.
const SITE: &str = "site";

/// The frozen day, if it was made.
///
/// # Errors
/// When the store can't be read.
pub fn frozen(store: &Store, date: Date) -> Result<Option<FrozenDay>, Error> {
    let day = store.get_day(SITE, &date.to_string())?;
    Ok(day.and_then(|day| serde_json::from_str(&day.body).ok()))
}

/// Works out a day from what the store holds, without freezing it.
///
/// # Errors
/// When the store can't be read.
pub fn of_store(store: &Store, context: &DigestContext, date: Date) -> Result<Option<FrozenDay>, Error> {
    let Some((from, to)) = calendar::bounds(date, &context.zone) else { return Ok(None) };
    let mut meters = context.meters.clone();
    for meter in &mut meters {
        for run in store.minutes(&meter.meter, from, to)? {
            add_run(meter, &run);
        }
    }
    let changes = store.changes(from - LOOK_BACK, to)?;
    let excursions = store.excursions(from, to)?;
    let figures = figures(date, &context.zone, &meters, &changes, &excursions, None);
    Ok(figures.map(|figures| context.freeze(date, figures)))
}

/// Freezes a day unless it is frozen already. Gives it, and whether it is new.
///
/// # Errors
/// When the store can't be read or written.
pub fn freeze(
    store: &mut Store,
    context: &DigestContext,
    date: Date,
) -> Result<Option<(FrozenDay, bool)>, Error> {
    if let Some(day) = frozen(store, date)? {
        return Ok(Some((day, false)));
    }
    let Some(day) = of_store(store, context, date)? else { return Ok(None) };
    let Ok(body) = serde_json::to_string(&day) else { return Ok(None) };
    store.put_day(SITE, &date.to_string(), 1, &body)?;
    Ok(Some((day, true)))
}

/// Puts stored minutes into the meter's columns of today; a column that it no longer has is left out.
fn add_run(meter: &mut MeterRows, run: &MinuteRun) {
    let columns: Vec<Option<usize>> = meter
        .series
        .iter()
        .map(|quantity| run.series.iter().position(|key| Quantity::from_key(key) == Some(*quantity)))
        .collect();
    meter.rows.extend(run.rows.iter().map(|(minute, panes)| {
        let values = columns
            .iter()
            .map(|column| column.and_then(|column| panes.get(column)).map(value).unwrap_or_default());
        (*minute, values.collect())
    }));
}

fn value(pane: &PaneRow) -> MinuteValue {
    let (Some(mean), Some(min), Some(max)) = (pane.mean, pane.min, pane.max) else {
        return MinuteValue::default();
    };
    MinuteValue { mean, min, max, covered_ms: pane.covered_ms }
}

/// The days of which something was measured and whose digests are due but missing, the oldest first, of the last week.
///
/// # Errors
/// When the store can't be read.
pub fn missing(
    store: &Store,
    context: &DigestContext,
    at: (u8, u8),
    now: EventTime,
) -> Result<Vec<Date>, Error> {
    let Some(last) = calendar::last_digest(now, at, &context.zone) else { return Ok(Vec::new()) };
    let frozen = store.days(SITE)?;
    let mut dates = Vec::new();
    for back in (0..MOST_BACK).rev() {
        let Ok(date) = last.checked_sub(jiff::Span::new().days(back)) else { continue };
        if frozen.contains(&date.to_string()) {
            continue;
        }
        let Some((from, to)) = calendar::bounds(date, &context.zone) else { continue };
        let mut any = false;
        for meter in &context.meters {
            any |= !store.minutes(&meter.meter, from, to)?.is_empty();
        }
        if any {
            dates.push(date);
        }
    }
    Ok(dates)
}

/// Digests that were missed, because the program was not running, are made for so many days.
const MOST_BACK: i64 = 7;
