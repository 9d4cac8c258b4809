//! The digest of a day in words: what an engineer reads with coffee. Pure functions of the frozen day.
//!
//! What is said stands here, once; [`text()`] and [`html()`] only lay it out.

mod ageing;
pub(in crate::words) mod axis;
mod chart;
mod findings;
mod html;
mod html_figures;
mod quality;
mod said;
mod text;

pub use html::html;
pub use text::text;

use super::subject;
use super::time::{duration, moment};
use super::unit::Scale;
use crate::digest::FrozenDay;
use kvarden_config::TemperatureUnit;
use kvarden_core::digest::{AlarmDay, DayFigures, MeterDay, SeriesDay};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::output::{Matter, Rule, Subject};
use kvarden_core::phases::Place;
use kvarden_core::plant::{Bound, Priority};
use kvarden_core::time::EventTime;

/// A day measured to this share is measured: nothing need be said.
const FULLY_MEASURED: f64 = 0.995;

/// So many subjects that need a person are listed: two pages; after that their number says enough.
const MOST_NEEDS: usize = 40;

/// The measurands whose day is told, in this order; the rest stands in the JSON form.
const TOLD: &[Measurand] = &[
    Measurand::LoadingKva,
    Measurand::LoadingPhase,
    Measurand::SpectrumLoading,
    Measurand::Current,
    Measurand::NeutralCurrent,
    Measurand::VoltageUnbalance,
    Measurand::CurrentUnbalance,
    Measurand::VoltageLl,
    Measurand::VoltageLn,
    Measurand::VoltageThd,
    Measurand::CurrentThd,
    Measurand::CurrentTdd,
    Measurand::Winding,
    Measurand::WindingRise,
    Measurand::WindingResidual,
    Measurand::TopOil,
    Measurand::TopOilResidual,
    Measurand::HotSpot,
    Measurand::Termination,
    Measurand::TerminationRise,
    Measurand::Ambient,
];

/// What no meter shows, said wherever nothing may have been found.
const NOT_SEEN: &str = "Insulation resistance, partial discharge, turns ratio, moisture, and a hot lug that has no \
    sensor. A quiet digest does not say that a transformer is sound.";

/// A day with its time zone.
struct Page<'a> {
    day: &'a FrozenDay,
    figures: &'a DayFigures,
    zone: jiff::tz::TimeZone,
}

/// One thing of a list: how pressing, what, and what is said of it.
struct Item {
    priority: Priority,
    what: String,
    said: String,
}

impl<'a> Page<'a> {
    fn of(day: &'a FrozenDay) -> Self {
        let zone = jiff::tz::TimeZone::get(&day.timezone).unwrap_or(jiff::tz::TimeZone::UTC);
        Self { day, figures: &day.figures, zone }
    }

    /// In which unit people of the site read temperatures.
    fn shows(&self) -> TemperatureUnit {
        if self.day.reads_fahrenheit { TemperatureUnit::Fahrenheit } else { TemperatureUnit::Celsius }
    }

    fn date(&self) -> String {
        self.day.date.strftime("%A %d %B %Y").to_string()
    }

    fn clock(&self, at: EventTime) -> String {
        moment(at, self.figures.from, &self.zone)
    }

    /// From the first to the last, or the one minute that both fall into.
    fn between(&self, first: EventTime, last: EventTime) -> String {
        let (first, last) = (self.clock(first), self.clock(last));
        if first == last { format!("at {first}") } else { format!("between {first} and {last}") }
    }

    /// The day was never watched: nothing measured, nothing judged.
    fn is_not_measured(&self) -> bool {
        let nothing = |meter: &MeterDay| meter.series.is_empty() && meter.states.is_empty();
        self.figures.meters.iter().all(nothing) && self.figures.alarms.is_empty()
    }

    /// Alarms about the plant, or about the watching itself.
    fn alarms(&self, about_us: bool) -> impl Iterator<Item = &'a AlarmDay> {
        self.figures.alarms.iter().filter(move |alarm| is_about_us(&alarm.subject) == about_us)
    }
}

/// About a meter that gives nothing, a channel, the store: not about the plant.
fn is_about_us(subject: &Subject) -> bool {
    matches!(subject.matter, Matter::Meter | Matter::Part(_))
}

/// What a meter measured of one measurand: the place that went furthest up, and the one that went furthest down.
struct Extremes<'a> {
    highest: &'a SeriesDay,
    lowest: &'a SeriesDay,
    shows: TemperatureUnit,
    /// More than one place was measured, so each value says its own.
    several: bool,
}

impl<'a> Extremes<'a> {
    fn of(meter: &'a MeterDay, what: Measurand, shows: TemperatureUnit) -> Option<Self> {
        let places: Vec<&SeriesDay> =
            meter.series.iter().filter(|series| series.quantity.what == what).collect();
        let highest = places.iter().max_by(|one, other| one.max.total_cmp(&other.max))?;
        let lowest = places.iter().min_by(|one, other| one.min.total_cmp(&other.min))?;
        Some(Self { highest, lowest, shows, several: places.len() > 1 })
    }

    fn place(&self, quantity: Quantity) -> String {
        let said = self.several && quantity.place != Place::Whole;
        if said { format!(" ({})", quantity.place) } else { String::new() }
    }

    fn most(&self) -> String {
        value(self.highest.quantity, self.highest.max, self.shows) + &self.place(self.highest.quantity)
    }

    fn least(&self) -> String {
        value(self.lowest.quantity, self.lowest.min, self.shows) + &self.place(self.lowest.quantity)
    }
}

/// Whether the least value of a day says something: the sag of a voltage does, an idle hour does not.
fn least_matters(what: Measurand) -> bool {
    matches!(what, Measurand::VoltageLl | Measurand::VoltageLn)
}

/// Whether two shares of the day differ by more than a reader would overlook.
fn differs(one: f64, other: f64) -> bool {
    (one - other).abs() > 0.01
}

/// The word for the worst value, by which way the limit is passed.
fn furthest(rule: Rule) -> &'static str {
    if rule.bound() == Some(Bound::Low) { "least" } else { "peak" }
}

fn value(quantity: Quantity, value: f64, shows: TemperatureUnit) -> String {
    let scale = Scale { what: quantity.what, shows };
    let unit = scale.symbol();
    let space = if unit.is_empty() { "" } else { " " };
    format!("{:.*}{space}{unit}", usize::from(quantity.what.facts().decimals), scale.read(value))
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

/// A meter with the feeder that it measures, where that has another name.
fn meter_words(meter: &str, feeder: Option<&str>) -> String {
    match feeder.filter(|feeder| *feeder != meter) {
        Some(feeder) => format!("{meter} (feeder {feeder})"),
        None => meter.to_owned(),
    }
}

/// What the meter may not have seen, as far as that is known.
fn unseen_words(meter: &MeterDay) -> Option<String> {
    meter.shortest_event.map(|shortest| {
        format!("shows what lasted {} or longer; what was shorter may be missing", duration(shortest))
    })
}

/// `measured 46 % of the day, least winding temperature phase B (12 %)`.
fn measured_words(meter: &MeterDay) -> String {
    let least = meter.least.filter(|(_, share)| differs(*share, meter.measured));
    let least = least.map(|(quantity, share)| {
        format!(", least {} ({})", subject::quantity_words(quantity), percent(share))
    });
    format!("measured {} of the day{}", percent(meter.measured), least.unwrap_or_default())
}

#[cfg(test)]
mod page_tests;
#[cfg(test)]
mod tests;
