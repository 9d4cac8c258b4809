//! The digest of a day as plain text: what an engineer reads with coffee. A pure function of the frozen day.

use super::time::{duration, durations, moment};
use super::{advice, subject};
use crate::digest::FrozenDay;
use kvarden_core::digest::{
    AlarmDay, CHATTERING, DayFigures, FLOOD, MeterDay, RecurrenceDay, SeenDay, SeriesDay, WaitingDay,
};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::output::Rule;
use kvarden_core::phases::Place;
use kvarden_core::plant::{Bound, Priority};
use kvarden_core::time::EventTime;
use std::fmt::Write;

/// Text is broken at this width, so that it reads on a phone and prints on paper.
const WIDTH: usize = 78;

/// A day measured to this share is measured: nothing need be said.
const FULLY_MEASURED: f64 = 0.995;

/// So many subjects that wait for a person are listed: two pages; after that their number says enough.
const MOST_WAITING: usize = 40;

/// The measurands whose day is told, in this order; the rest stands in the JSON form.
const TOLD: &[Measurand] = &[
    Measurand::LoadingKva,
    Measurand::LoadingPhase,
    Measurand::Current,
    Measurand::NeutralCurrent,
    Measurand::VoltageUnbalance,
    Measurand::CurrentUnbalance,
    Measurand::VoltageLl,
    Measurand::VoltageLn,
    Measurand::VoltageThd,
    Measurand::CurrentThd,
    Measurand::Winding,
    Measurand::WindingRise,
    Measurand::Termination,
    Measurand::TerminationRise,
    Measurand::Ambient,
];

/// The whole digest.
pub fn digest(day: &FrozenDay) -> String {
    let mut text = String::new();
    let zone = jiff::tz::TimeZone::get(&day.timezone).unwrap_or(jiff::tz::TimeZone::UTC);
    let page = Page { figures: &day.figures, zone };
    let date = day.date.strftime("%A %d %B %Y");
    let _ = writeln!(text, "{}: digest of {date}", day.site);
    let _ = writeln!(
        text,
        "Times are local ({}). Figures are over what was measured, with the share beside.",
        day.timezone
    );
    if page.is_not_measured() {
        let _ =
            writeln!(text, "\nNot measured: no meter gave a value on this day, so nothing could be judged.");
    } else {
        page.in_short(&mut text);
    }
    page.waiting(&mut text);
    page.alarms(&mut text);
    page.recurrences(&mut text);
    for transformer in &day.transformers {
        page.transformer(transformer, &mut text);
    }
    let _ = writeln!(text, "\nBefore anyone acts on this");
    paragraph(&mut text, advice::caution_in_full());
    let _ = writeln!(text, "\nWhat meters can't see");
    paragraph(&mut text, NOT_SEEN);
    text
}

/// What no meter shows, said wherever nothing may have been found.
const NOT_SEEN: &str = "Insulation resistance, partial discharge, turns ratio, moisture, and a hot lug that has no \
    sensor. A quiet digest does not say that a transformer is sound.";

struct Page<'a> {
    figures: &'a DayFigures,
    zone: jiff::tz::TimeZone,
}

impl Page<'_> {
    fn clock(&self, at: EventTime) -> String {
        moment(at, self.figures.from, &self.zone)
    }

    /// The day was never watched: nothing measured, nothing judged.
    fn is_not_measured(&self) -> bool {
        self.figures.meters.iter().all(|meter| meter.series.is_empty()) && self.figures.alarms.is_empty()
    }

    fn in_short(&self, text: &mut String) {
        let _ = writeln!(text, "\nIn short");
        let count = |priority| self.figures.alarms.iter().filter(|alarm| alarm.priority == priority).count();
        let said: Vec<String> = [Priority::Urgent, Priority::High, Priority::Low, Priority::Journal]
            .into_iter()
            .filter(|priority| count(*priority) > 0)
            .map(|priority| format!("{} {}", count(priority), priority.key()))
            .collect();
        let alarms = if said.is_empty() { "none".to_owned() } else { said.join(", ") };
        let _ = writeln!(text, "  Alarms that held at some time: {alarms}.");
        let standing = self.figures.alarms.iter().filter(|alarm| alarm.standing).count();
        let end = if self.figures.until < self.figures.to {
            let _ = writeln!(text, "  The log ends at {}.", self.clock(self.figures.until));
            "then"
        } else {
            "at the end of the day"
        };
        let _ = writeln!(text, "  Still standing {end}: {standing}.");
        let count =
            |waits: fn(&WaitingDay) -> bool| self.figures.waiting.iter().filter(|day| waits(day)).count();
        let (seen, released) = (count(|day| day.to_acknowledge), count(|day| day.to_release));
        let _ = writeln!(
            text,
            "  Waits for a person {end}: {seen} to be acknowledged, {released} to be released."
        );
        let times: u32 = self.figures.recurrences.iter().map(|one| one.times).sum();
        let _ = writeln!(text, "  Short excursions that came and went: {times}.");
        let most = self.figures.most_in_ten_minutes;
        if most > FLOOD.0 {
            let _ = writeln!(text, "  Alarm flood: {most} alarms rose within ten minutes.");
        }
        let least =
            |meter: &MeterDay| meter.least.map_or(meter.measured, |(_, share)| share.min(meter.measured));
        let worst = self.figures.meters.iter().min_by(|one, other| least(one).total_cmp(&least(other)));
        if let Some(worst) = worst.filter(|worst| least(worst) < FULLY_MEASURED) {
            let point = worst.least.filter(|(_, share)| differs(*share, worst.measured));
            let point = point.map(|(quantity, _)| format!(", {}", subject::quantity_words(quantity)));
            let (share, point) = (percent(least(worst)), point.unwrap_or_default());
            let _ = writeln!(text, "  Least measured: {}{point}, {share} of the day.", worst.meter);
        }
    }

    fn waiting(&self, text: &mut String) {
        if self.figures.waiting.is_empty() {
            return;
        }
        let end =
            if self.figures.until < self.figures.to { "when the log ends" } else { "at the end of the day" };
        let _ = writeln!(text, "\nWaits for a person {end}");
        for day in self.figures.waiting.iter().take(MOST_WAITING) {
            let what = subject::alarm(&day.subject, day.rule);
            let _ = writeln!(text, "  {:8}{what}", day.priority.key().to_uppercase());
            let deed = match (day.to_acknowledge, day.to_release) {
                (true, true) => "to be acknowledged and released",
                (false, true) => "to be released with a note of what was found",
                _ => "to be acknowledged",
            };
            let _ = writeln!(text, "          {deed}; since {}", self.clock(day.since));
        }
        let more = self.figures.waiting.len().saturating_sub(MOST_WAITING);
        if more > 0 {
            let _ = writeln!(text, "  and {more} more, of lower priority or later");
        }
    }

    fn alarms(&self, text: &mut String) {
        if self.figures.alarms.is_empty() {
            return;
        }
        let _ = writeln!(text, "\nAlarms, the most pressing first");
        for alarm in &self.figures.alarms {
            self.alarm(alarm, text);
        }
    }

    fn alarm(&self, alarm: &AlarmDay, text: &mut String) {
        let what = subject::alarm(&alarm.subject, alarm.rule);
        let _ = writeln!(text, "  {:8}{}", alarm.priority.key().to_uppercase(), what);
        let mut said = match alarm.times {
            0 => format!("since {}", self.clock(alarm.first)),
            1 => format!("once, at {}", self.clock(alarm.first)),
            times => format!("{times} times, first at {}", self.clock(alarm.first)),
        };
        match (alarm.rule, alarm.seen) {
            // What is left of its time is the watch for its return.
            (Rule::Recurrence { .. }, seen) => said = self.seen(seen),
            _ => {
                let _ = write!(said, ", held {}", duration(alarm.held));
            }
        }
        let quantity = subject::quantity(&alarm.subject);
        if let (Some(quantity), Some(peak)) = (quantity, alarm.peak) {
            let _ = write!(said, ", {} {}", furthest(alarm.rule), value(quantity, peak));
        }
        if let (Some(quantity), Some(setpoint)) = (quantity, alarm.setpoint) {
            let mean = alarm.over.map(|over| format!("mean of {}, ", duration(over))).unwrap_or_default();
            let _ = write!(said, " ({mean}limit {})", value(quantity, setpoint));
        }
        if alarm.standing {
            said.push_str(", still standing");
        }
        if alarm.chattering {
            let _ = write!(said, ", chattering ({} or more in a minute)", CHATTERING.0);
        }
        let _ = writeln!(text, "          {said}");
    }

    /// How often and when something that comes and goes was seen.
    fn seen(&self, seen: Option<SeenDay>) -> String {
        let Some(SeenDay { times, first, last }) = seen else { return "not seen on this day".to_owned() };
        match times {
            1 => format!("seen once, at {}", self.clock(first)),
            _ => format!("seen {times} times, {}", self.between(first, last)),
        }
    }

    /// From the first to the last, or the one minute that both fall into.
    fn between(&self, first: EventTime, last: EventTime) -> String {
        let (first, last) = (self.clock(first), self.clock(last));
        if first == last { format!("at {first}") } else { format!("between {first} and {last}") }
    }

    fn recurrences(&self, text: &mut String) {
        if self.figures.recurrences.is_empty() {
            return;
        }
        let _ = writeln!(text, "\nCame and went (short excursions past the first limit)");
        for one in &self.figures.recurrences {
            self.recurrence(one, text);
        }
    }

    fn recurrence(&self, one: &RecurrenceDay, text: &mut String) {
        let Some(quantity) = subject::quantity(&one.subject) else { return };
        let lasted = durations(one.shortest, one.longest);
        let how_often = match one.times {
            1 => format!("once, for {lasted}"),
            times => format!("{times} times, {lasted} each"),
        };
        let _ = writeln!(text, "  {}: {how_often}", subject::words(&one.subject));
        let when = self.between(one.first, one.last);
        let _ = writeln!(
            text,
            "          {when}, {} {} (limit {})",
            furthest(Rule::Recurrence { bound: one.bound }),
            value(quantity, one.peak),
            value(quantity, one.setpoint)
        );
        if one.times == 1 {
            return;
        }
        let most = one.by_hour.iter().map(|(_, count)| *count).max().unwrap_or(1).max(1);
        for (hour, count) in &one.by_hour {
            let bar = "#".repeat((*count as usize * 40).div_ceil(most as usize));
            let _ = writeln!(text, "          {hour:02} h {count:>5}  {bar}");
        }
    }

    fn transformer(&self, name: &str, text: &mut String) {
        let _ = writeln!(text, "\n{name}");
        for meter in self.figures.meters.iter().filter(|meter| meter.transformer == name) {
            self.meter(meter, text);
        }
    }

    fn meter(&self, meter: &MeterDay, text: &mut String) {
        let of = meter.feeder.as_ref().filter(|feeder| **feeder != meter.meter);
        let of = of.map(|feeder| format!(" (feeder {feeder})")).unwrap_or_default();
        let least = meter.least.filter(|(_, share)| differs(*share, meter.measured));
        let least = least.map(|(quantity, share)| {
            format!(", least {} ({})", subject::quantity_words(quantity), percent(share))
        });
        let (measured, least) = (percent(meter.measured), least.unwrap_or_default());
        let _ = writeln!(text, "  {}{of}: measured {measured} of the day{least}", meter.meter);
        for measurand in TOLD {
            let places: Vec<&SeriesDay> =
                meter.series.iter().filter(|series| series.quantity.what == *measurand).collect();
            self.measurand(meter, &places, text);
        }
    }

    /// One line for a measurand: of its places the one that went furthest.
    fn measurand(&self, meter: &MeterDay, places: &[&SeriesDay], text: &mut String) {
        let Some(highest) = places.iter().max_by(|one, other| one.max.total_cmp(&other.max)) else { return };
        let Some(lowest) = places.iter().min_by(|one, other| one.min.total_cmp(&other.min)) else { return };
        let quantity = highest.quantity;
        let place = |quantity: Quantity| {
            let several = places.len() > 1 && quantity.place != Place::Whole;
            if several { format!(" ({})", quantity.place) } else { String::new() }
        };
        let peak = format!(
            "peak {}{} at {}",
            value(quantity, highest.max),
            place(quantity),
            self.clock(highest.max_at)
        );
        let rest = if matches!(quantity.what, Measurand::VoltageLl | Measurand::VoltageLn) {
            let low = value(lowest.quantity, lowest.min);
            format!("least {low}{} at {}", place(lowest.quantity), self.clock(lowest.min_at))
        } else {
            format!("mean {}", value(quantity, highest.mean))
        };
        let share = if differs(highest.measured, meter.measured) {
            format!(" (measured {} of the day)", percent(highest.measured))
        } else {
            String::new()
        };
        let name = quantity.what.facts().words;
        let _ = writeln!(text, "    {name:<30} {peak:<30} {rest}{share}");
    }
}

/// Whether two shares of the day differ by more than a reader would overlook.
fn differs(one: f64, other: f64) -> bool {
    (one - other).abs() > 0.01
}

/// The word for the worst value, by which way the limit is passed.
fn furthest(rule: Rule) -> &'static str {
    match rule {
        Rule::Level { bound: Bound::Low, .. } | Rule::Recurrence { bound: Bound::Low } => "least",
        _ => "peak",
    }
}

fn value(quantity: Quantity, value: f64) -> String {
    let facts = quantity.what.facts();
    let unit = facts.unit.symbol();
    let space = if unit.is_empty() { "" } else { " " };
    format!("{value:.*}{space}{unit}", usize::from(facts.decimals))
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

fn paragraph(text: &mut String, words: &str) {
    let mut line = String::from(" ");
    for word in words.split_whitespace() {
        if line.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(text, "{line}");
            line = String::from(" ");
        }
        line.push(' ');
        line.push_str(word);
    }
    let _ = writeln!(text, "{line}");
}

#[cfg(test)]
#[path = "digest_tests.rs"]
mod tests;
