//! How things stand: what `kvarden status` shows.

use crate::words::time::{duration, moment};
use jiff::tz::TimeZone;
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
    /// Values or readings that were refused since the start.
    pub refused: u64,
    /// The latest refusal, in words.
    pub refusal: Option<String>,
}

/// One channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelStatus {
    /// Its name.
    pub channel: String,
    /// Letters that wait.
    pub waiting: u64,
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
        let _ = writeln!(text, "  {}", crate::words::advice::caution());
    }
    let _ = writeln!(text, "\nMeters");
    for meter in &status.meters {
        let age = match meter.latest {
            Some(latest) => format!("last value {} ago", duration(Span((status.now - latest).0.max(0)))),
            None => "no value since the start".to_owned(),
        };
        let _ = write!(text, "  {:<16} {:<28} {age}", meter.transformer, meter.meter);
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
        let _ = writeln!(text, "  {:<16} {} waiting", channel.channel, channel.waiting);
    }
    text
}
