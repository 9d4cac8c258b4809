//! What is said of a day: in short, what needs a person, each alarm, what came and went, states, the watching itself.

use super::{FULLY_MEASURED, Item, Page, differs, is_about_us, percent, subject};
use crate::digest::RecordingDay;
use crate::words::asked;
use crate::words::quantity as named;
use crate::words::speech::Speech;
use crate::words::supply;
use crate::words::time::{duration, durations};
use kvarden_core::digest::{
    AlarmDay, CHATTERING, FLOOD, MeterDay, RecurrenceDay, SeenDay, StateDay, WaitingDay,
};
use kvarden_core::measurand::Quantity;
use kvarden_core::output::Rule;
use kvarden_core::plant::{Bound, Priority};
use kvarden_core::time::EventTime;

impl Page<'_> {
    /// Why there is another revision than the first.
    pub(super) fn revised(&self) -> Option<String> {
        let revised = self.day.revised.as_ref()?;
        let late = revised.late.iter().map(|(meter, minutes)| {
            let parts = [("minutes", &*minutes.to_string()), ("meter", &self.meter_named(meter))];
            self.with("digest-late", &parts)
        });
        let late = late.collect::<Vec<String>>().join(", ");
        let (revision, at) = (self.day.revision.to_string(), self.clock(revised.at));
        Some(self.with("digest-revised", &[("revision", &revision), ("at", &at), ("late", &late)]))
    }

    /// At the end of the day, or where the log ends, if that was just named.
    fn end(&self) -> String {
        let ends_early = self.figures.until < self.figures.to;
        if ends_early { self.say("digest-end-log") } else { self.say("digest-end") }
    }

    /// The day in a few lines.
    pub(super) fn in_short(&self) -> Vec<String> {
        let figures = self.figures;
        let mut lines = vec![self.with("digest-held", &[("alarms", &self.alarms_by_rank())])];
        if figures.until < figures.to {
            lines.push(self.with("digest-log-ends", &[("at", &self.clock(figures.until))]));
        }
        let end = self.end();
        let named = self.day.findings.iter().filter(|finding| finding.ended.is_none()).count();
        if !self.day.findings.is_empty() {
            let (all, named) = (self.day.findings.len().to_string(), named.to_string());
            lines.push(self.with("digest-named", &[("all", &all), ("named", &named), ("end", &end)]));
        }
        let standing = figures.alarms.iter().filter(|alarm| alarm.standing).count().to_string();
        lines.push(self.with("digest-standing", &[("end", &end), ("count", &standing)]));
        let count = |waits: fn(&WaitingDay) -> bool| {
            figures.waiting.iter().filter(|day| waits(day)).count().to_string()
        };
        let (seen, released) = (count(|day| day.to_acknowledge), count(|day| day.to_release));
        lines.push(self.with("digest-waits", &[("end", &end), ("seen", &seen), ("released", &released)]));
        let times = figures.recurrences.iter().map(|one| one.times).sum::<u32>().to_string();
        lines.push(self.with("digest-came-and-went", &[("count", &times)]));
        let most = figures.most_in_ten_minutes;
        if most > FLOOD.0 {
            lines.push(self.with("digest-flood", &[("count", &most.to_string())]));
        }
        lines.extend(self.least_measured());
        lines
    }

    /// How many alarms of each priority held: `2 urgent, 1 low`.
    fn alarms_by_rank(&self) -> String {
        let count = |priority| self.figures.alarms.iter().filter(|alarm| alarm.priority == priority).count();
        let said: Vec<String> = Priority::ALL
            .into_iter()
            .rev()
            .filter(|priority| count(*priority) > 0)
            .map(|priority| format!("{} {}", count(priority), self.rank(priority)))
            .collect();
        if said.is_empty() { self.say("digest-no-alarms") } else { said.join(", ") }
    }

    fn least_measured(&self) -> Option<String> {
        let least =
            |meter: &MeterDay| meter.least.map_or(meter.measured, |(_, share)| share.min(meter.measured));
        let worst = self.figures.meters.iter().min_by(|one, other| least(one).total_cmp(&least(other)))?;
        if least(worst) >= FULLY_MEASURED {
            return None;
        }
        let point = worst.least.filter(|(_, share)| differs(*share, worst.measured));
        let point = point.map(|(quantity, _)| format!(", {}", named(quantity, self.speech)));
        let what = self.meter_named(&worst.meter) + &point.unwrap_or_default();
        let share = percent(least(worst));
        Some(self.with("digest-least-measured", &[("what", &what), ("share", &share)]))
    }

    /// What needs a person: what waits to be acknowledged or released, and what still stands though it was seen. The
    /// most pressing first, then what has waited longest.
    pub(super) fn needs(&self) -> Vec<Item> {
        let mut needs: Vec<(Priority, EventTime, Item)> =
            self.figures.waiting.iter().map(|day| (day.priority, day.since, self.waiting(day))).collect();
        for alarm in self.figures.alarms.iter().filter(|alarm| alarm.standing) {
            let waits = self.figures.waiting.iter().any(|day| day.subject == alarm.subject);
            // What comes and goes only stands to be watched for; what is for the digest alone needs nobody.
            let watched = matches!(alarm.rule, Rule::Recurrence { .. });
            let what = subject::alarm_in(&alarm.subject, alarm.rule, self.speech);
            let told = needs.iter().any(|(_, _, item)| item.what == what);
            if waits || watched || told || alarm.priority == Priority::Journal {
                continue;
            }
            let since = self.clock(alarm.first);
            let parts = [("since", since.as_str())];
            let said = if alarm.priority.wants_acknowledgement() {
                self.with("digest-seen-standing", &parts)
            } else {
                self.with("digest-only-standing", &parts)
            };
            let said = said + &self.worst_behind(Some(alarm));
            needs.push((alarm.priority, alarm.first, Item { priority: alarm.priority, what, said }));
        }
        needs.sort_by_key(|(priority, since, _)| (std::cmp::Reverse(*priority), *since));
        needs.into_iter().map(|(_, _, item)| item).collect()
    }

    /// What waits to be acknowledged or released.
    fn waiting(&self, day: &WaitingDay) -> Item {
        let deed = match (day.to_acknowledge, day.to_release) {
            (true, true) => self.say("digest-to-both"),
            (false, true) => self.say("digest-to-release"),
            _ => self.say("digest-to-acknowledge"),
        };
        let alarm = self.figures.alarms.iter().find(|alarm| {
            (&alarm.subject, alarm.rule, alarm.priority) == (&day.subject, day.rule, day.priority)
        });
        // What comes and goes is watched for long after it was seen: that does not make it stand.
        let stands = self.figures.alarms.iter().any(|alarm| {
            alarm.standing && alarm.subject == day.subject && !matches!(alarm.rule, Rule::Recurrence { .. })
        });
        let since = self.clock(day.since);
        let parts = [("deed", deed.as_str()), ("since", &since)];
        let said = match day.rule {
            _ if stands => self.with("digest-need-standing", &parts),
            Rule::Recurrence { .. } => self.with("digest-need", &parts),
            _ => self.with("digest-need-over", &parts),
        };
        Item {
            priority: day.priority,
            what: subject::alarm_in(&day.subject, day.rule, self.speech),
            said: said + &self.worst_behind(alarm),
        }
    }

    /// One alarm of the day.
    pub(super) fn alarm(&self, alarm: &AlarmDay) -> Item {
        let first = self.clock(alarm.first);
        let mut said = vec![match (alarm.rule, alarm.times) {
            (Rule::Recurrence { .. }, _) => self.seen(alarm.seen),
            (_, 0) => self.with("line-since-when", &[("when", &first)]),
            (_, 1) => self.with("digest-once-at", &[("at", &first)]),
            (_, times) => self.with("digest-times-first", &[("times", &times.to_string()), ("at", &first)]),
        }];
        // What is left of the time of what comes and goes is the watch for its return.
        if !matches!(alarm.rule, Rule::Recurrence { .. }) {
            said.push(self.with("digest-held-for", &[("long", &duration(alarm.held))]));
        }
        said.extend(self.worst(alarm));
        if alarm.standing {
            said.push(self.say("digest-still-standing"));
        }
        if alarm.chattering {
            said.push(self.with("digest-chattering", &[("count", &CHATTERING.0.to_string())]));
        }
        let fed = alarm.fed.as_ref().map(|other| supply::behind(&alarm.subject, other, self.speech));
        let subject = supply::charged(&alarm.subject, alarm.fed.as_ref());
        Item {
            priority: alarm.priority,
            what: subject::alarm_in(&subject, alarm.rule, self.speech),
            said: said.join(", ") + &fed.unwrap_or_default(),
        }
    }

    /// How often and when something that comes and goes was seen.
    fn seen(&self, seen: Option<SeenDay>) -> String {
        match seen {
            None => self.say("digest-not-seen"),
            Some(SeenDay { times: 1, first, .. }) => {
                self.with("digest-seen-once", &[("at", &self.clock(first))])
            }
            Some(SeenDay { times, first, last }) => {
                let when = self.between(first, last);
                self.with("digest-seen-times", &[("times", &times.to_string()), ("when", &when)])
            }
        }
    }

    /// What came and went: where and how often, then when and how far. `None` where it is about no quantity.
    pub(super) fn recurrence(&self, one: &RecurrenceDay) -> Option<(String, String)> {
        let quantity = subject::quantity(&one.subject)?;
        let lengths = durations(one.shortest, one.longest, self.speech);
        let how_often = match one.times {
            1 => self.with("digest-once-for", &[("lengths", &lengths)]),
            times => self.with("line-times", &[("times", &times.to_string()), ("lengths", &lengths)]),
        };
        let when = self.between(one.first, one.last);
        let peak = self.furthest(Rule::Recurrence { bound: one.bound }, quantity, one.peak);
        let limit = self.with("line-limit", &[("limit", &self.value(quantity, one.setpoint))]);
        Some((
            format!("{}: {how_often}", subject::words_in(&one.subject, self.speech)),
            format!("{when}, {peak} ({limit})"),
        ))
    }

    /// The worst value, by which way the limit is passed: `peak 4.1 %`.
    fn furthest(&self, rule: Rule, quantity: Quantity, value: f64) -> String {
        let value = self.value(quantity, value);
        let parts = [("value", value.as_str())];
        if rule.bound() == Some(Bound::Low) {
            self.with("digest-least", &parts)
        } else {
            self.with("digest-peak", &parts)
        }
    }

    /// The worst value and its limit: `peak 4.1 % (mean of 10 min, limit 2.0 %)`.
    fn worst(&self, alarm: &AlarmDay) -> Option<String> {
        let quantity = subject::quantity(&alarm.subject)?;
        let peak = alarm.peak.map(|peak| self.furthest(alarm.rule, quantity, peak));
        let limit = alarm.setpoint.map(|setpoint| {
            let limit = self.with("line-limit", &[("limit", &self.value(quantity, setpoint))]);
            match alarm.over.map(duration) {
                Some(over) => {
                    format!("({})", self.with("line-mean-of", &[("over", &over), ("limit", &limit)]))
                }
                None => format!("({limit})"),
            }
        });
        let said: Vec<String> = [peak, limit].into_iter().flatten().collect();
        (!said.is_empty()).then(|| said.join(" "))
    }

    /// [`Self::worst`] behind what was said before; empty where nothing is known.
    fn worst_behind(&self, alarm: Option<&AlarmDay>) -> String {
        let worst = alarm.and_then(|alarm| self.worst(alarm));
        worst.map(|worst| format!("; {worst}")).unwrap_or_default()
    }

    /// What a state did: `fan running 2: on for 3 h 12 min, changed in 4 minutes, between 10:02 and 14:40`.
    pub(super) fn state(&self, state: &StateDay) -> String {
        let (what, long) = (named(state.quantity, self.speech), duration(state.on));
        let mut said = vec![self.with("digest-state", &[("what", &what), ("long", &long)])];
        said.push(match (state.first_change, state.last_change) {
            (Some(first), Some(last)) => {
                let (count, when) = (state.changes.to_string(), self.between(first, last));
                match state.changes {
                    1 => self.with("digest-changed-once", &[("when", &when)]),
                    _ => self.with("digest-changed", &[("count", &count), ("when", &when)]),
                }
            }
            _ => self.say("digest-unchanged"),
        });
        said.push(if state.on_at_end { self.say("digest-on") } else { self.say("digest-off") });
        let measured =
            (state.measured < FULLY_MEASURED).then(|| format!(" ({})", self.measured_share(state.measured)));
        said.join(", ") + &measured.unwrap_or_default()
    }

    /// The lines of the states of the whole site: meter and what is said.
    pub(super) fn states(&self) -> Vec<String> {
        let states =
            self.figures.meters.iter().flat_map(|meter| meter.states.iter().map(move |state| (meter, state)));
        states.map(|(meter, state)| format!("{}, {}", self.meter(meter), self.state(state))).collect()
    }

    /// What the counters of the whole site counted.
    pub(super) fn counters(&self) -> Vec<String> {
        let counters =
            self.figures.meters.iter().flat_map(|meter| meter.counters.iter().map(move |one| (meter, one)));
        let day = (self.figures.to - self.figures.from).0.max(1) as f64;
        counters
            .map(|(meter, one)| {
                let (name, what) = (self.meter(meter), named(one.quantity, self.speech));
                let share = one.known.0 as f64 / day;
                let known = (share < FULLY_MEASURED).then(|| format!(" ({})", self.known(share)));
                let counted = counted(one.quantity, one.amount, self.speech);
                format!("{name}, {what}: {counted}{}", known.unwrap_or_default())
            })
            .collect()
    }

    /// Readings kept around alarms.
    pub(super) fn recordings(&self) -> Vec<String> {
        let line = |one: &RecordingDay| {
            let (from, to) = (self.clock(one.from), self.clock(one.to));
            let times = self.with("from-to", &[("from", &from), ("to", &to)]);
            let part = (!one.whole).then(|| format!(", {}", self.say("digest-part-missing")));
            let RecordingDay { scope, alarm, id, .. } = one;
            format!(
                "{times}, {scope}, {}: {alarm} ({id}){}",
                self.rank(one.priority),
                part.unwrap_or_default()
            )
        };
        self.day.recordings.iter().map(line).collect()
    }

    /// What the alarms asked of people.
    pub(super) fn asked(&self) -> Vec<String> {
        let times = (self.figures.from, self.figures.until.min(self.figures.to));
        let asked = self.figures.asked.as_ref();
        asked.map(|asked| asked::lines(asked, times, &self.zone, self.speech)).unwrap_or_default()
    }

    /// Planned work of the day.
    pub(super) fn works(&self) -> Vec<String> {
        let works = self.figures.asked.iter().flat_map(|asked| &asked.works);
        works.map(|work| asked::work_of_day(work, self.figures.to, &self.zone, self.speech)).collect()
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
            let (used, most) = (bytes(room.used_bytes, self.speech), bytes(room.max_bytes, self.speech));
            lines.push(self.with("digest-room", &[("used", &used), ("most", &most), ("share", &share)]));
        }
        lines
    }

    /// The parts that are plain lists, each with its head; those of which there is nothing are left out.
    pub(super) fn lists(&self) -> Vec<(String, Vec<String>)> {
        let lists = [
            (self.say("digest-works"), self.works()),
            (self.say("digest-asked"), self.asked()),
            (self.say("digest-events"), self.events()),
            (self.say("digest-counters"), self.counters()),
            (self.say("digest-ageing"), self.ageing()),
            (self.say("digest-sharing"), self.sharing()),
            (self.say("digest-quality"), self.quality()),
            (self.say("digest-states"), self.states()),
            (self.say("digest-recordings"), self.recordings()),
            (self.say("digest-watching"), self.watching()),
            (self.say("digest-not-judged"), self.day.not_judged.clone()),
        ];
        lists.into_iter().filter(|(_, lines)| !lines.is_empty()).collect()
    }

    /// An hour of the clock on the wall: `13 h`.
    pub(super) fn hour(&self, hour: u8) -> String {
        self.with("digest-hour", &[("hour", &format!("{hour:02}"))])
    }
}

/// What a counter counted, in thousands of its unit: `812.4 kWh`.
fn counted(quantity: Quantity, amount: f64, speech: Speech) -> String {
    let digits = speech.digits(&format!("{:.1}", amount / 1000.0));
    format!("{digits} k{}", quantity.what.facts().unit.symbol())
}

/// A number of bytes in its largest unit: `812 kB`, `1.4 GB`.
fn bytes(count: u64, speech: Speech) -> String {
    let count = count as f64;
    match count {
        _ if count >= 1e9 => format!("{} GB", speech.digits(&format!("{:.1}", count / 1e9))),
        _ if count >= 1e6 => format!("{:.0} MB", count / 1e6),
        _ => format!("{:.0} kB", count / 1e3),
    }
}
