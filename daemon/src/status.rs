//! How things stand: what `kvarden status` shows.

use crate::words::time::{duration, moment};
use jiff::tz::TimeZone;
use kvarden_core::plant::Priority;
use kvarden_core::time::{EventTime, Span};
use serde::{Deserialize, Serialize};
use std::fmt::Write;

/// The whole.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Status {
    /// The site.
    pub site: String,
    /// Its time zone.
    pub timezone: String,
    /// When this was asked.
    pub now: EventTime,
    /// Since when the daemon runs.
    pub since: EventTime,
    /// The open alerts.
    pub alerts: Vec<AlertStatus>,
    /// Planned work that goes on, a sentence each.
    #[serde(default)]
    pub works: Vec<String>,
    /// What the alarms of the last 24 hours asked of people, a sentence each.
    #[serde(default)]
    pub asked: Vec<String>,
    /// Named causes that stand, a sentence each.
    #[serde(default)]
    pub findings: Vec<String>,
    /// What feeds everything of which states of breakers and switches decide that, a sentence each.
    #[serde(default)]
    pub supplies: Vec<String>,
    /// The meters.
    pub meters: Vec<MeterStatus>,
    /// The channels.
    pub channels: Vec<ChannelStatus>,
    /// Readings taken since the start.
    pub readings: u64,
    /// Readings that could not be kept because the store did not keep up; they were judged all the same.
    pub not_kept: u64,
    /// Whether the store can be written.
    pub store_works: bool,
    /// What must be known of the store, a sentence each.
    #[serde(default)]
    pub store_notices: Vec<String>,
    /// Why the configuration was refused when it was read anew last; `None`: what is on the disk was taken in when it was read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub refused_configuration: Option<String>,
    /// Certificates that end soon, a sentence each.
    #[serde(default)]
    pub certificates: Vec<String>,
    /// How far the transformers' calibrations are, a sentence each.
    #[serde(default)]
    pub calibrations: Vec<String>,
    /// How the transformers' insulation ages, a sentence each.
    #[serde(default)]
    pub ageing: Vec<String>,
    /// Which of three values is farthest from their mean, a sentence each.
    #[serde(default)]
    pub farthest: Vec<String>,
    /// Who draws the harmonics by the spectrum, a sentence each.
    #[serde(default)]
    pub harmonics: Vec<String>,
    /// What is computed and absent now, and why, a sentence each.
    #[serde(default)]
    pub not_told: Vec<String>,
    /// Topics that are subscribed to but belong to no meter.
    #[serde(default)]
    pub strangers: Strangers,
}

/// Topics that are subscribed to but belong to no meter: a meter that nobody has written down, or a slip in a name.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Strangers {
    /// Those that came first, with how many messages they brought since the start.
    pub topics: Vec<(String, u64)>,
    /// Messages of all others.
    pub others: u64,
}

impl Strangers {
    /// Topics that are told by name: enough to see what they have in common.
    const MOST: usize = 16;

    /// Counts one message. A topic is logged when it is first seen.
    pub fn add(&mut self, topic: &str) {
        if let Some((_, count)) = self.topics.iter_mut().find(|(known, _)| known == topic) {
            *count += 1;
        } else if self.topics.len() < Self::MOST {
            tracing::warn!(?topic, "a message on a topic that belongs to no meter");
            self.topics.push((topic.to_owned(), 1));
        } else {
            self.others += 1;
        }
    }
}

/// One open alert.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlertStatus {
    /// Its short code.
    pub code: String,
    /// Its id.
    pub alert: String,
    /// The line that people are told.
    pub text: String,
    /// The state of the alarm that speaks for it.
    pub state: String,
    /// How soon a person must act.
    pub priority: Priority,
    /// Since when it is open.
    pub since: EventTime,
}

/// The most urgent first, and of these the oldest.
pub fn sort(alerts: &mut [AlertStatus]) {
    alerts.sort_by_key(|alert| (std::cmp::Reverse(alert.priority), alert.since));
}

/// One meter.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct MeterStatus {
    /// The transformer.
    pub transformer: String,
    /// The meter.
    pub meter: String,
    /// Stamp of its latest reading.
    pub latest: Option<EventTime>,
    /// How many readings it gave since the start.
    pub readings: u64,
    /// What went wrong at the door, and how often.
    pub troubles: Vec<(String, u64)>,
    /// How long an event must last at least to be seen: from poll to poll, or longer where its registers change more
    /// slowly. `None`: not yet learned, or not polled.
    #[serde(default)]
    pub shortest_event: Option<Span>,
    /// Its own alarms that stand, in words: silent, frozen, other troubles.
    #[serde(default)]
    pub in_trouble: Vec<String>,
    /// How often it should give values; zero: not known.
    #[serde(default)]
    pub every: Span,
    /// Messages that could not be read, the latest last, as they came: cut and escaped.
    #[serde(default)]
    pub refused_payloads: Vec<String>,
    /// Values or readings that were refused since the start.
    pub refused: u64,
    /// The latest refusal, in words.
    pub refusal: Option<String>,
}

/// Refused messages that are kept of each meter.
const MOST_PAYLOADS: usize = 3;
/// Bytes of each of them that are kept: enough to see what form it has.
const MOST_PAYLOAD: usize = 200;

impl MeterStatus {
    /// Keeps a message that could not be read, to be shown.
    pub fn keep_payload(&mut self, topic: &str, bytes: &[u8]) {
        if self.refused_payloads.len() >= MOST_PAYLOADS {
            self.refused_payloads.remove(0);
        }
        let shown = |bytes: &[u8]| bytes[..bytes.len().min(MOST_PAYLOAD)].escape_ascii().to_string();
        let more = if bytes.len() > MOST_PAYLOAD { " ..." } else { "" };
        let length = bytes.len();
        self.refused_payloads.push(format!(
            "{}: {}{more} ({length} bytes)",
            shown(topic.as_bytes()),
            shown(bytes)
        ));
    }

    /// The share of the readings that it should have given in so long, in per cent; `None` before there should have
    /// been ten.
    fn share(&self, ran: Span) -> Option<u64> {
        let due = ran.0.checked_div(self.every.0).and_then(|due| u64::try_from(due).ok())?;
        (due >= 10).then(|| (self.readings.saturating_mul(100) / due).min(100))
    }
}

/// One channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelStatus {
    /// Its name.
    pub channel: String,
    /// Letters that wait.
    pub waiting: u64,
    /// Whether it delivers.
    #[serde(default = "yes")]
    pub works: bool,
}

const fn yes() -> bool {
    true
}

/// The page for a person.
pub fn page(status: &Status) -> String {
    let zone = TimeZone::get(&status.timezone).unwrap_or(TimeZone::UTC);
    let mut text = String::new();
    let _ = writeln!(
        text,
        "{}, {} local time; running for {}, {} readings",
        status.site,
        moment(status.now, status.now, &zone),
        duration(status.now - status.since),
        status.readings
    );
    if !status.store_works {
        let _ = writeln!(text, "The store can't be written: judging and telling go on from memory.");
    }
    if let Some(why) = &status.refused_configuration {
        let _ =
            writeln!(text, "The changed configuration is not taken in; what was in force before stays so:");
        for line in why.lines() {
            let _ = writeln!(text, "  {line}");
        }
    }
    let heat = status.calibrations.iter().chain(&status.ageing);
    for notice in status.store_notices.iter().chain(&status.certificates).chain(heat) {
        let _ = writeln!(text, "{notice}");
    }
    if status.not_kept > 0 {
        let _ = writeln!(
            text,
            "{} readings were judged but not kept: the store did not keep up.",
            status.not_kept
        );
    }
    let _ = writeln!(text, "\nOpen alerts: {}", status.alerts.len());
    for alert in &status.alerts {
        let _ = writeln!(text, "  {}  {} [{}]", alert.code, alert.text, alert.state);
    }
    if !status.alerts.is_empty() {
        let _ = writeln!(text, "  To acknowledge: kvarden acknowledge CODE --by NAME");
        let _ = writeln!(text, "  {}", crate::words::advice::caution(crate::words::speech::Speech::ENGLISH));
    }
    if !status.works.is_empty() {
        let _ = writeln!(text, "\nPlanned work; to end it: kvarden work NAME --end");
        for work in &status.works {
            let _ = writeln!(text, "  {work}");
        }
    }
    if !status.findings.is_empty() {
        let _ = writeln!(text, "\nNamed causes; with all their evidence: kvarden explain CODE");
        for finding in &status.findings {
            let _ = writeln!(text, "  {finding}");
        }
    }
    if !status.supplies.is_empty() {
        let _ = writeln!(text, "\nSupply, by the states of breakers and switches");
        for supply in &status.supplies {
            let _ = writeln!(text, "  {supply}");
        }
    }
    for (head, lines) in [
        ("Alarms of the last 24 hours, beside the figures of the standard", &status.asked),
        ("Unequal phases", &status.farthest),
        ("Harmonics look like those of", &status.harmonics),
        ("Computed, but not told just now, and why", &status.not_told),
    ] {
        if !lines.is_empty() {
            let _ = writeln!(text, "\n{head}");
        }
        for line in lines {
            let _ = writeln!(text, "  {line}");
        }
    }
    let _ = writeln!(text, "\nMeters");
    for meter in &status.meters {
        let age = match meter.latest {
            Some(latest) => format!("last value {} ago", duration(Span((status.now - latest).0.max(0)))),
            None => "no value since the start".to_owned(),
        };
        let _ = write!(text, "  {:<16} {:<28} {age}", meter.transformer, meter.meter);
        if let Some(share) = meter.share(status.now - status.since) {
            let _ = write!(text, "; {share} % measured");
        }
        for trouble in &meter.in_trouble {
            let _ = write!(text, "; {trouble}");
        }
        for (what, count) in &meter.troubles {
            let _ = write!(text, "; {what}: {count}");
        }
        if let Some(shortest) = meter.shortest_event {
            let _ = write!(text, "; shows what lasts {} or longer", duration(shortest));
        }
        if meter.refused > 0 {
            let why = meter.refusal.as_deref().unwrap_or("");
            let _ = write!(text, "; refused: {} ({why})", meter.refused);
        }
        text.push('\n');
        for payload in &meter.refused_payloads {
            let _ = writeln!(text, "  {:<16}   could not be read: {payload}", "");
        }
    }
    if !status.strangers.topics.is_empty() {
        let _ = writeln!(text, "\nTopics without a meter");
        for (topic, count) in &status.strangers.topics {
            let _ = writeln!(text, "  {:<45} {count} messages", topic.escape_debug().to_string());
        }
        if status.strangers.others > 0 {
            let _ = writeln!(text, "  and others: {} messages", status.strangers.others);
        }
    }
    let _ = writeln!(text, "\nChannels");
    for channel in &status.channels {
        let state = match (channel.works, channel.waiting) {
            (false, _) => "not delivering, ",
            (true, 0) => "works, ",
            (true, _) => "",
        };
        let _ = writeln!(text, "  {:<16} {state}{} waiting", channel.channel, channel.waiting);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: EventTime = EventTime(1_795_460_400_000);

    fn alert(code: &str, priority: Priority, minutes_ago: i64) -> AlertStatus {
        AlertStatus {
            code: code.to_owned(),
            alert: format!("T2/{code}#1"),
            text: format!("text of {code}"),
            state: "unacknowledged".to_owned(),
            priority,
            since: NOW - Span::minutes(minutes_ago),
        }
    }

    fn status() -> Status {
        let mut meter = MeterStatus {
            transformer: "T2".to_owned(),
            meter: "MP-3".to_owned(),
            latest: Some(NOW - Span::seconds(40)),
            readings: 540,
            in_trouble: vec!["link keeps breaking".to_owned()],
            every: Span::seconds(1),
            shortest_event: Some(Span::seconds(5)),
            ..MeterStatus::default()
        };
        for number in 0..4u8 {
            meter.keep_payload("kvarden/MP-3/\u{1b}[2J", &[b'{', 0x1b, b'0' + number, 0xff]);
        }
        meter.keep_payload("t", &[b'x'; 5000]);
        let channel = |name: &str, waiting, works| ChannelStatus { channel: name.to_owned(), waiting, works };
        Status {
            site: "Larkspur Cannery".to_owned(),
            timezone: "America/Denver".to_owned(),
            now: NOW,
            since: NOW - Span::minutes(10),
            alerts: vec![
                alert("LOW", Priority::Low, 60),
                alert("HIGH-NEW", Priority::High, 5),
                alert("HIGH-OLD", Priority::High, 50),
                alert("URGENT", Priority::Urgent, 1),
            ],
            works: vec!["T2 until 15:00, Ines: lugs remade".to_owned()],
            asked: vec!["3 alarms rose.".to_owned()],
            findings: vec!["T2, MP-3: loose phase B connection since 13:10".to_owned()],
            supplies: vec!["MP-3: fed by T2, as normally".to_owned()],
            meters: vec![meter],
            channels: vec![channel("file", 0, true), channel("mqtt", 7, false)],
            readings: 540,
            not_kept: 0,
            store_works: true,
            store_notices: Vec::new(),
            certificates: Vec::new(),
            refused_configuration: Some("kvarden.toml: what is wrong\nand what more".to_owned()),
            calibrations: Vec::new(),
            ageing: Vec::new(),
            farthest: vec!["T2 secondary: current phase B is farthest".to_owned()],
            harmonics: vec!["MP-3, phase B, THD 39 %: six-pulse drives 80 %".to_owned()],
            not_told: vec!["T2 secondary: voltage unbalance: too little is there".to_owned()],
            strangers: Strangers::default(),
        }
    }

    #[test]
    fn the_most_urgent_alert_stands_first_and_of_these_the_oldest() {
        let mut status = status();
        sort(&mut status.alerts);
        let codes: Vec<&str> = status.alerts.iter().map(|alert| alert.code.as_str()).collect();
        assert_eq!(codes, ["URGENT", "HIGH-OLD", "HIGH-NEW", "LOW"]);
    }

    #[test]
    fn a_meter_shows_its_troubles_what_was_measured_and_the_last_payloads_escaped_and_cut() {
        let page = page(&status());
        assert!(page.contains("last value 40 s ago; 90 % measured; link keeps breaking"), "{page}");
        assert!(page.contains("; shows what lasts 5 s or longer"), "{page}");
        assert!(
            page.contains("Unequal phases\n  T2 secondary: current phase B")
                && page.contains("and why\n  T2 secondary: voltage")
        );
        assert!(page.contains("Planned work; ") && page.contains("  T2 until 15:00, Ines"), "{page}");
        assert!(page.contains("of the last 24 hours") && page.contains("  3 alarms rose."), "{page}");
        assert!(page.contains("Named causes; ") && page.contains("  T2, MP-3: loose phase B"), "{page}");
        let payloads: Vec<&str> = page.lines().filter(|line| line.contains("could not be read")).collect();
        assert_eq!(payloads.len(), MOST_PAYLOADS);
        assert!(payloads[0].ends_with(r"kvarden/MP-3/\x1b[2J: {\x1b2\xff (4 bytes)"), "{}", payloads[0]);
        assert!(payloads[2].ends_with("x ... (5000 bytes)") && payloads[2].len() < 300, "{}", payloads[2]);
        assert!(page.chars().all(|one| one == '\n' || !one.is_control()));
        let channels: Vec<&str> = page.lines().rev().take(2).collect();
        assert!(channels[0].ends_with("not delivering, 7 waiting"), "{page}");
        assert!(channels[1].ends_with("works, 0 waiting"), "{page}");
    }
}
