//! What is said of a day: in short, what needs a person, each alarm, what came and went, states, the watching itself.

use super::{
    FULLY_MEASURED, Item, Page, differs, furthest, is_about_us, meter_words, percent, subject, value,
};
use crate::digest::RecordingDay;
use crate::words::asked;
use crate::words::speech::Speech;
use crate::words::supply;
use crate::words::time::{duration, durations};
use kvarden_config::TemperatureUnit;
use kvarden_core::digest::{
    AlarmDay, CHATTERING, FLOOD, MeterDay, RecurrenceDay, SeenDay, StateDay, WaitingDay,
};
use kvarden_core::measurand::Quantity;
use kvarden_core::output::Rule;
use kvarden_core::plant::Priority;
use std::fmt::Write;

impl Page<'_> {
    /// Why there is another revision than the first.
    pub(super) fn revised(&self) -> Option<String> {
        let revised = self.day.revised.as_ref()?;
        let late: Vec<String> =
            revised.late.iter().map(|(meter, minutes)| format!("{minutes} min of {meter}")).collect();
        Some(format!(
            "Revision {}, made {}: revised because {} came after the day was closed.",
            self.day.revision,
            self.clock(revised.at),
            late.join(", ")
        ))
    }

    fn end(&self) -> &'static str {
        if self.figures.until < self.figures.to { "then" } else { "at the end of the day" }
    }

    /// The day in a few lines.
    pub(super) fn in_short(&self) -> Vec<String> {
        let mut lines = Vec::new();
        let count = |priority| self.figures.alarms.iter().filter(|alarm| alarm.priority == priority).count();
        let said: Vec<String> = Priority::ALL
            .into_iter()
            .rev()
            .filter(|priority| count(*priority) > 0)
            .map(|priority| format!("{} {}", count(priority), priority.key()))
            .collect();
        let alarms = if said.is_empty() { "none".to_owned() } else { said.join(", ") };
        lines.push(format!("Alarms that held at some time: {alarms}."));
        if self.figures.until < self.figures.to {
            lines.push(format!("The log ends at {}.", self.clock(self.figures.until)));
        }
        let named = self.day.findings.iter().filter(|finding| finding.ended.is_none()).count();
        if !self.day.findings.is_empty() {
            let all = self.day.findings.len();
            lines.push(format!("Named causes: {all}, of which {named} still show {}.", self.end()));
        }
        let standing = self.figures.alarms.iter().filter(|alarm| alarm.standing).count();
        lines.push(format!("Still standing {}: {standing}.", self.end()));
        let count =
            |waits: fn(&WaitingDay) -> bool| self.figures.waiting.iter().filter(|day| waits(day)).count();
        let (seen, released) = (count(|day| day.to_acknowledge), count(|day| day.to_release));
        lines.push(format!(
            "Waits for a person {}: {seen} to be acknowledged, {released} to be released.",
            self.end()
        ));
        let times: u32 = self.figures.recurrences.iter().map(|one| one.times).sum();
        lines.push(format!("Short excursions that came and went: {times}."));
        let most = self.figures.most_in_ten_minutes;
        if most > FLOOD.0 {
            lines.push(format!("Alarm flood: {most} alarms rose within ten minutes."));
        }
        lines.extend(self.least_measured());
        lines
    }

    fn least_measured(&self) -> Option<String> {
        let least =
            |meter: &MeterDay| meter.least.map_or(meter.measured, |(_, share)| share.min(meter.measured));
        let worst = self.figures.meters.iter().min_by(|one, other| least(one).total_cmp(&least(other)))?;
        if least(worst) >= FULLY_MEASURED {
            return None;
        }
        let point = worst.least.filter(|(_, share)| differs(*share, worst.measured));
        let point = point.map(|(quantity, _)| format!(", {}", subject::quantity_words(quantity)));
        let (share, point) = (percent(least(worst)), point.unwrap_or_default());
        Some(format!("Least measured: {}{point}, {share} of the day.", worst.meter))
    }

    /// What needs a person: what waits to be acknowledged or released, and what still stands though it was seen. The
    /// most pressing first, then what has waited longest.
    pub(super) fn needs(&self) -> Vec<Item> {
        let mut needs: Vec<(Priority, kvarden_core::time::EventTime, Item)> = Vec::new();
        for day in &self.figures.waiting {
            let deed = match (day.to_acknowledge, day.to_release) {
                (true, true) => "to be acknowledged and released",
                (false, true) => "to be released with a note of what was found",
                _ => "to be acknowledged",
            };
            let alarm = self.figures.alarms.iter().find(|alarm| {
                (&alarm.subject, alarm.rule, alarm.priority) == (&day.subject, day.rule, day.priority)
            });
            let worst = alarm
                .and_then(|alarm| worst(alarm, self.shows()))
                .map(|worst| format!("; {worst}"))
                .unwrap_or_default();
            // What comes and goes is watched for long after it was seen: that does not make it stand.
            let stands = self.figures.alarms.iter().any(|alarm| {
                alarm.standing
                    && alarm.subject == day.subject
                    && !matches!(alarm.rule, Rule::Recurrence { .. })
            });
            let now = match day.rule {
                _ if stands => "still standing, ",
                Rule::Recurrence { .. } => "",
                _ => "holds no more, ",
            };
            let item = Item {
                priority: day.priority,
                what: subject::alarm(&day.subject, day.rule),
                said: format!("{deed}; {now}since {}{worst}", self.clock(day.since)),
            };
            needs.push((day.priority, day.since, item));
        }
        for alarm in self.figures.alarms.iter().filter(|alarm| alarm.standing) {
            let waits = self.figures.waiting.iter().any(|day| day.subject == alarm.subject);
            // What comes and goes only stands to be watched for; what is for the digest alone needs nobody.
            let watched = matches!(alarm.rule, Rule::Recurrence { .. });
            let told =
                needs.iter().any(|(_, _, item)| item.what == subject::alarm(&alarm.subject, alarm.rule));
            if waits || watched || told || alarm.priority == Priority::Journal {
                continue;
            }
            let worst = worst(alarm, self.shows()).map(|worst| format!("; {worst}")).unwrap_or_default();
            let seen = if alarm.priority.wants_acknowledgement() {
                "acknowledged, still standing"
            } else {
                "still standing"
            };
            let item = Item {
                priority: alarm.priority,
                what: subject::alarm(&alarm.subject, alarm.rule),
                said: format!("{seen}; since {}{worst}", self.clock(alarm.first)),
            };
            needs.push((alarm.priority, alarm.first, item));
        }
        needs.sort_by_key(|(priority, since, _)| (std::cmp::Reverse(*priority), *since));
        needs.into_iter().map(|(_, _, item)| item).collect()
    }

    /// One alarm of the day.
    pub(super) fn alarm(&self, alarm: &AlarmDay) -> Item {
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
        if let Some(worst) = worst(alarm, self.shows()) {
            let _ = write!(said, ", {worst}");
        }
        if alarm.standing {
            said.push_str(", still standing");
        }
        if alarm.chattering {
            let _ = write!(said, ", chattering ({} or more in a minute)", CHATTERING.0);
        }
        if let Some(other) = &alarm.fed {
            said.push_str(&supply::behind(&alarm.subject, other, Speech::ENGLISH));
        }
        let what = subject::alarm(&supply::charged(&alarm.subject, alarm.fed.as_ref()), alarm.rule);
        Item { priority: alarm.priority, what, said }
    }

    /// How often and when something that comes and goes was seen.
    fn seen(&self, seen: Option<SeenDay>) -> String {
        let Some(SeenDay { times, first, last }) = seen else { return "not seen on this day".to_owned() };
        match times {
            1 => format!("seen once, at {}", self.clock(first)),
            _ => format!("seen {times} times, {}", self.between(first, last)),
        }
    }

    /// What came and went: where and how often, then when and how far. `None` where it is about no quantity.
    pub(super) fn recurrence(&self, one: &RecurrenceDay) -> Option<(String, String)> {
        let quantity = subject::quantity(&one.subject)?;
        let lasted = durations(one.shortest, one.longest, Speech::ENGLISH);
        let how_often = match one.times {
            1 => format!("once, for {lasted}"),
            times => format!("{times} times, {lasted} each"),
        };
        let when = self.between(one.first, one.last);
        let furthest = furthest(Rule::Recurrence { bound: one.bound });
        let shown = |number| value(quantity, number, self.shows());
        let (peak, limit) = (shown(one.peak), shown(one.setpoint));
        Some((
            format!("{}: {how_often}", subject::words(&one.subject)),
            format!("{when}, {furthest} {peak} (limit {limit})"),
        ))
    }

    /// What a state did: `fan running 2: on for 3 h 12 min, changed in 4 minutes, between 10:02 and 14:40`.
    pub(super) fn state(&self, state: &StateDay) -> String {
        let mut said = format!("{}: on for {}", subject::quantity_words(state.quantity), duration(state.on));
        match (state.first_change, state.last_change) {
            (Some(first), Some(last)) => {
                let minutes = if state.changes == 1 {
                    "once".to_owned()
                } else {
                    format!("in {} minutes", state.changes)
                };
                let _ = write!(said, ", changed {minutes}, {}", self.between(first, last));
            }
            _ => said.push_str(", did not change"),
        }
        said.push_str(if state.on_at_end { ", on when last read" } else { ", off when last read" });
        if state.measured < FULLY_MEASURED {
            let _ = write!(said, " (measured {} of the day)", percent(state.measured));
        }
        said
    }

    /// The lines of the states of the whole site: meter and what is said.
    pub(super) fn states(&self) -> Vec<String> {
        let states =
            self.figures.meters.iter().flat_map(|meter| meter.states.iter().map(move |state| (meter, state)));
        states
            .map(|(meter, state)| {
                format!("{}, {}", meter_words(&meter.meter, meter.feeder.as_deref()), self.state(state))
            })
            .collect()
    }

    /// What the counters of the whole site counted.
    pub(super) fn counters(&self) -> Vec<String> {
        let counters =
            self.figures.meters.iter().flat_map(|meter| meter.counters.iter().map(move |one| (meter, one)));
        let day = (self.figures.to - self.figures.from).0.max(1) as f64;
        counters
            .map(|(meter, one)| {
                let name = meter_words(&meter.meter, meter.feeder.as_deref());
                let what = subject::quantity_words(one.quantity);
                let share = one.known.0 as f64 / day;
                let known = if share < FULLY_MEASURED {
                    format!(" (known for {} of the day)", percent(share))
                } else {
                    String::new()
                };
                format!("{name}, {what}: {}{known}", counted(one.quantity, one.amount))
            })
            .collect()
    }

    /// Readings kept around alarms.
    pub(super) fn recordings(&self) -> Vec<String> {
        let line = |one: &RecordingDay| {
            let part = if one.whole { "" } else { ", a part is missing" };
            let (from, to) = (self.clock(one.from), self.clock(one.to));
            format!("{from} to {to}, {}, {}: {} ({}){part}", one.scope, one.priority.key(), one.alarm, one.id)
        };
        self.day.recordings.iter().map(line).collect()
    }

    /// What the alarms asked of people.
    pub(super) fn asked(&self) -> Vec<String> {
        let times = (self.figures.from, self.figures.until.min(self.figures.to));
        self.figures.asked.as_ref().map(|asked| asked::lines(asked, times, &self.zone)).unwrap_or_default()
    }

    /// Planned work of the day.
    pub(super) fn works(&self) -> Vec<String> {
        let works = self.figures.asked.iter().flat_map(|asked| &asked.works);
        works.map(|work| asked::work_of_day(work, self.figures.to, &self.zone)).collect()
    }

    /// How the watching itself went: its alarms, and the room that the store has.
    pub(super) fn watching(&self) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for alarm in self.alarms(true) {
            debug_assert!(is_about_us(&alarm.subject));
            let item = self.alarm(alarm);
            lines.push(format!("{}: {}", item.what, item.said));
        }
        if let Some(room) = self.day.room {
            let share = percent(room.used_bytes as f64 / room.max_bytes.max(1) as f64);
            lines.push(format!(
                "The store holds {} of {} ({share}).",
                bytes(room.used_bytes),
                bytes(room.max_bytes)
            ));
        }
        lines
    }
}

/// The worst value and its limit: `peak 4.1 % (mean of 10 min, limit 2.0 %)`.
fn worst(alarm: &AlarmDay, shows: TemperatureUnit) -> Option<String> {
    let quantity = subject::quantity(&alarm.subject)?;
    let peak = alarm.peak.map(|peak| format!("{} {}", furthest(alarm.rule), value(quantity, peak, shows)));
    let limit = alarm.setpoint.map(|setpoint| {
        let mean = alarm.over.map(|over| format!("mean of {}, ", duration(over))).unwrap_or_default();
        format!("({mean}limit {})", value(quantity, setpoint, shows))
    });
    let said: Vec<String> = [peak, limit].into_iter().flatten().collect();
    (!said.is_empty()).then(|| said.join(" "))
}

/// What a counter counted, in thousands of its unit: `812.4 kWh`.
fn counted(quantity: Quantity, amount: f64) -> String {
    format!("{:.1} k{}", amount / 1000.0, quantity.what.facts().unit.symbol())
}

/// A number of bytes in its largest unit: `812 kB`, `1.4 GB`.
fn bytes(count: u64) -> String {
    let count = count as f64;
    match count {
        _ if count >= 1e9 => format!("{:.1} GB", count / 1e9),
        _ if count >= 1e6 => format!("{:.0} MB", count / 1e6),
        _ => format!("{:.0} kB", count / 1e3),
    }
}
