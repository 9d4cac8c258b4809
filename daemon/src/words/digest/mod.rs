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

use super::cause::Reads;
use super::names;
use super::speech::Speech;
use super::time::{date, duration};
use super::unit::Scale;
use super::{quantity as named, subject};
use crate::digest::FrozenDay;
use kvarden_config::TemperatureUnit;
use kvarden_core::digest::{AlarmDay, DayFigures, MeterDay, SeriesDay};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::output::{Matter, Subject};
use kvarden_core::phases::Place;
use kvarden_core::plant::Priority;
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

/// A day with its time zone and its language.
struct Page<'a> {
    day: &'a FrozenDay,
    figures: &'a DayFigures,
    zone: jiff::tz::TimeZone,
    speech: Speech,
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
        Self { day, figures: &day.figures, zone, speech: Speech::of(Some(&day.language)) }
    }

    /// The words under a key, in the day's language.
    fn say(&self, key: &str) -> String {
        self.speech.say(key)
    }

    /// The words under a key with what belongs in them, in the day's language.
    fn with(&self, key: &str, parts: &[(&str, &str)]) -> String {
        self.speech.with(key, parts)
    }

    /// How people of the site read times and temperatures.
    fn reads(&self) -> Reads<'_> {
        let fahrenheit = self.day.reads_fahrenheit;
        let shows = if fahrenheit { TemperatureUnit::Fahrenheit } else { TemperatureUnit::Celsius };
        Reads { zone: &self.zone, shows, speech: self.speech }
    }

    fn date(&self) -> String {
        date(self.day.date, self.speech)
    }

    fn clock(&self, at: EventTime) -> String {
        self.reads().moment(at, self.figures.from)
    }

    /// At a moment of the day.
    fn at(&self, at: EventTime) -> String {
        self.with("digest-at", &[("at", &self.clock(at))])
    }

    /// From the first to the last, or the one minute that both fall into.
    fn between(&self, first: EventTime, last: EventTime) -> String {
        let (from, to) = (self.clock(first), self.clock(last));
        if from == to {
            self.at(first)
        } else {
            self.with("digest-between", &[("first", &from), ("last", &to)])
        }
    }

    /// What needs a person is told as of this moment: the head of that part.
    fn needs_head(&self) -> String {
        let ends_early = self.figures.until < self.figures.to;
        if ends_early { self.say("digest-needs-log") } else { self.say("digest-needs") }
    }

    /// How many need a person beyond those that are listed.
    fn needs_more(&self, needs: &[Item]) -> Option<String> {
        let more = needs.len().saturating_sub(MOST_NEEDS);
        (more > 0).then(|| self.with("digest-needs-more", &[("count", &more.to_string())]))
    }

    /// How pressing, in a word.
    fn rank(&self, priority: Priority) -> String {
        match priority {
            Priority::Urgent => self.say("rank-urgent"),
            Priority::High => self.say("rank-high"),
            Priority::Low => self.say("rank-low"),
            Priority::Journal => self.say("rank-journal"),
        }
    }

    /// A value with its unit.
    fn value(&self, quantity: Quantity, value: f64) -> String {
        amount(quantity, value, self.reads())
    }

    /// A meter by its name, where its transformer is known by the day's figures.
    fn meter_named(&self, name: &str) -> String {
        let known = self.figures.meters.iter().find(|meter| meter.meter == name);
        names::meter(name, known.map(|meter| meter.transformer.as_str()), self.speech)
    }

    /// A meter with the feeder that it measures, where that has another name.
    fn meter(&self, meter: &MeterDay) -> String {
        let name = names::meter(&meter.meter, Some(&meter.transformer), self.speech);
        match meter.feeder.as_deref().filter(|feeder| *feeder != meter.meter) {
            Some(feeder) => self.with("digest-meter-of", &[("meter", &name), ("feeder", feeder)]),
            None => name,
        }
    }

    /// Which share of the day was measured.
    fn measured_share(&self, share: f64) -> String {
        self.with("digest-measured", &[("share", &percent(share))])
    }

    /// What the meter may not have seen, as far as that is known.
    fn unseen(&self, meter: &MeterDay) -> Option<String> {
        meter.shortest_event.map(|shortest| self.with("digest-shortest", &[("long", &duration(shortest))]))
    }

    /// `measured 46 % of the day, least winding temperature phase B (12 %)`.
    fn measured(&self, meter: &MeterDay) -> String {
        let measured = self.measured_share(meter.measured);
        let Some((quantity, share)) = meter.least.filter(|(_, share)| differs(*share, meter.measured)) else {
            return measured;
        };
        let parts = [("what", &*named(quantity, self.speech)), ("share", &percent(share))];
        format!("{measured}, {}", self.with("digest-least-of", &parts))
    }

    /// `known for 46 % of the day`.
    fn known(&self, share: f64) -> String {
        self.with("digest-known", &[("share", &percent(share))])
    }

    /// What a meter measured of each measurand that is told.
    fn extremes<'b>(&'b self, meter: &'b MeterDay) -> impl Iterator<Item = Extremes<'b>> {
        TOLD.iter().filter_map(move |what| Extremes::of(meter, *what, self))
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
    page: &'a Page<'a>,
    /// More than one place was measured, so each value says its own.
    several: bool,
}

impl<'a> Extremes<'a> {
    fn of(meter: &'a MeterDay, what: Measurand, page: &'a Page<'a>) -> Option<Self> {
        let places: Vec<&SeriesDay> =
            meter.series.iter().filter(|series| series.quantity.what == what).collect();
        let highest = places.iter().max_by(|one, other| one.max.total_cmp(&other.max))?;
        let lowest = places.iter().min_by(|one, other| one.min.total_cmp(&other.min))?;
        Some(Self { highest, lowest, page, several: places.len() > 1 })
    }

    fn place(&self, quantity: Quantity) -> String {
        let said = self.several && quantity.place != Place::Whole;
        if said { format!(" ({})", quantity.place) } else { String::new() }
    }

    fn most(&self) -> String {
        self.page.value(self.highest.quantity, self.highest.max) + &self.place(self.highest.quantity)
    }

    fn least(&self) -> String {
        self.page.value(self.lowest.quantity, self.lowest.min) + &self.place(self.lowest.quantity)
    }

    fn mean(&self) -> String {
        self.page.value(self.highest.quantity, self.highest.mean)
    }

    /// The most and its moment.
    fn peak_at(&self) -> String {
        let at = self.page.clock(self.highest.max_at);
        self.page.with("digest-peak-at", &[("value", &self.most()), ("at", &at)])
    }

    /// The least and its moment, where that says something.
    fn least_at(&self) -> Option<String> {
        let said = || {
            let at = self.page.clock(self.lowest.min_at);
            self.page.with("digest-least-at", &[("value", &self.least()), ("at", &at)])
        };
        least_matters(self.highest.quantity.what).then(said)
    }

    /// What it is called.
    fn name(&self) -> &'static str {
        names::measurand(self.highest.quantity.what, self.page.speech)
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

fn amount(quantity: Quantity, value: f64, reads: Reads<'_>) -> String {
    let scale = Scale { what: quantity.what, shows: reads.shows };
    let unit = scale.symbol();
    let space = if unit.is_empty() { "" } else { " " };
    let digits = format!("{:.*}", usize::from(quantity.what.facts().decimals), scale.read(value));
    format!("{}{space}{unit}", reads.speech.digits(&digits))
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

#[cfg(test)]
mod language_tests;
#[cfg(test)]
mod page_tests;
#[cfg(test)]
mod rich_day;
#[cfg(test)]
mod tests;
