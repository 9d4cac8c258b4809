//! What the daemon needs besides the plant: where values come from, whom to tell, where to keep things.

use crate::mqtt_settings::{BrokerSpec, MqttSpec};
use crate::people_settings::{
    CommandSpec, Language, LinksSpec, MailSpec, PersonSpec, RotaSpec, TellingSpec, WebhookSpec,
};
use crate::registers::ModbusSpec;
use kvarden_core::measurand::Quantity;
use kvarden_core::plant::{Meter, Plant};
use kvarden_core::time::Span;
use std::fmt;
use std::path::PathBuf;

/// A configuration without problems.
#[derive(Debug, Clone, PartialEq)]
pub struct Configuration {
    /// The site.
    pub plant: Plant,
    /// IANA name of the site's time zone, known to the built-in database.
    pub timezone: String,
    /// Where each meter's values come from: one per `plant.meters`, in the same order.
    pub sources: Vec<SourceSpec>,
    /// The MQTT broker, if there is one.
    pub broker: Option<BrokerSpec>,
    /// Whom to tell, and how.
    pub tell: TellSpec,
    /// How mail leaves, if it does.
    pub mail: Option<MailSpec>,
    /// The web address that is told, if there is one.
    pub webhook: Option<WebhookSpec>,
    /// The program that is told, if there is one.
    pub command: Option<CommandSpec>,
    /// The links by which a person acknowledges, if there are some.
    pub links: Option<LinksSpec>,
    /// The people, in the order of the file.
    pub people: Vec<PersonSpec>,
    /// Who is on duty when; `None`: the first person always, with the others next in line.
    pub rota: Option<RotaSpec>,
    /// How people are told, by priority.
    pub telling: TellingSpec,
    /// Where to keep things.
    pub store: StoreSpec,
    /// When the day is summed up.
    pub digest: DigestSpec,
    /// In which unit people read temperatures.
    pub shows: TemperatureUnit,
    /// In which language the digest is written, and what no one person is told: the broker's, the file's and the log's messages.
    pub language: Language,
}

/// In which unit people read temperatures. Inside and in files for programs they are always °C and K.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TemperatureUnit {
    /// °C, and differences in K.
    #[default]
    Celsius,
    /// °F, and differences in °F.
    Fahrenheit,
}

/// Where a meter's values come from.
#[derive(Debug, Clone, PartialEq)]
pub enum SourceSpec {
    /// Polled over Modbus TCP.
    Modbus(ModbusSpec),
    /// Told by MQTT.
    Mqtt(MqttSpec),
    /// Only in logged files: seen in a replay, not live.
    Logged,
}

/// A text that is never shown: its `Debug` says only that there is one.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    pub(crate) fn new(text: String) -> Self {
        Self(text)
    }

    /// The text, for the one place that needs it.
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(not shown)")
    }
}

/// By which channels people are told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TellSpec {
    /// Whether alerts go to the broker.
    pub mqtt: bool,
    /// What every topic of ours begins with, without a slash at its end.
    pub topics: String,
    /// JSON Lines file that alerts are written to.
    pub file: Option<PathBuf>,
    /// How often a sign of life is given on MQTT.
    pub heartbeat: Span,
    /// Hour and minute of each local day at which the person on duty gets one, if at all.
    pub daily: Option<(u8, u8)>,
}

/// Where things are kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoreSpec {
    /// Folder of the database, the control socket and the lock.
    pub folder: PathBuf,
    /// How large the database may grow.
    pub max_bytes: u64,
}

/// When and where the day is summed up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DigestSpec {
    /// Hour and minute of the site's local time.
    pub at: (u8, u8),
    /// Folder of the digests.
    pub folder: PathBuf,
}

/// One logged file as read for one meter.
#[derive(Debug, Clone, PartialEq)]
pub struct LogSpec {
    /// The file.
    pub file: PathBuf,
    /// Index in `plant.meters`.
    pub meter: usize,
    /// Head of the column with the time.
    pub time_column: String,
    /// How the time is written.
    pub time_form: LogTime,
    /// What parts two cells: one ASCII character.
    pub delimiter: u8,
    /// From row to row; `None`: found from the file.
    pub every: Option<Span>,
    /// The columns with values.
    pub columns: Vec<LogColumn>,
}

/// How a time is written in a logged file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LogTime {
    /// `2026-03-09T14:02:11Z`, with an offset.
    Rfc3339,
    /// Seconds since the Unix epoch, with decimals if need be.
    UnixSeconds,
    /// Milliseconds since the Unix epoch.
    UnixMillis,
    /// Date and time of the site's local clock, without an offset.
    Local,
}

/// What one column means. The column's unit is already in factor and offset.
#[derive(Debug, Clone, PartialEq)]
pub struct LogColumn {
    /// Head of the column.
    pub column: String,
    /// What it gives.
    pub quantity: Quantity,
    /// The number in the cell times this …
    pub factor: f64,
    /// … plus this is the value in the measurand's unit.
    pub offset: f64,
    /// What is said of it besides.
    pub notes: Notes,
}

/// What is said of a value besides where it lies.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Notes {
    /// The first value that a counter can't show, in the measurand's unit.
    pub rolls_over_at: Option<f64>,
    /// A distortion that is given on the base of the total, not of the fundamental.
    pub of_total: bool,
}

impl Notes {
    /// Puts the notes on a meter's values, in their order, into the plant.
    pub fn put<'a>(meter: &mut Meter, notes: impl Iterator<Item = &'a Self>) {
        (meter.rolls_over_at, meter.of_total) = (Vec::new(), Vec::new());
        for (point, note) in notes.enumerate() {
            meter.rolls_over_at.extend(note.rolls_over_at.map(|end| (point, end)));
            meter.of_total.extend(note.of_total.then_some(point));
        }
    }
}
