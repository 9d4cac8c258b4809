//! What the daemon needs besides the plant: where values come from, whom to tell, where to keep things.

use crate::mqtt_settings::{BrokerSpec, MqttSpec};
use kvarden_core::measurand::Quantity;
use kvarden_core::plant::Plant;
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
    /// Where to keep things.
    pub store: StoreSpec,
    /// When the day is summed up.
    pub digest: DigestSpec,
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

/// How a meter is polled.
#[derive(Debug, Clone, PartialEq)]
pub struct ModbusSpec {
    /// `host:port`.
    pub address: String,
    /// Unit identifier.
    pub unit: u8,
    /// From poll to poll.
    pub every: Span,
    /// In the order of the meter's points.
    pub points: Vec<RegisterPoint>,
}

/// Where one value lies in a meter's registers.
#[derive(Debug, Clone, PartialEq)]
pub struct RegisterPoint {
    /// Which table.
    pub registers: Registers,
    /// Protocol address of its first register, counted from 0.
    pub address: u16,
    /// How the number is written.
    pub kind: NumberKind,
    /// Which of two registers comes first.
    pub word_order: WordOrder,
    /// The raw number times this …
    pub scale: f64,
    /// … plus this is the value in the measurand's unit.
    pub offset: f64,
    /// Raw numbers that mean "no value". For `f32` these are the 32 bits, read as a whole number.
    pub absent: Vec<i64>,
}

/// Which table of registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Registers {
    /// Holding registers (function 3).
    Holding,
    /// Input registers (function 4).
    Input,
}

/// How a number is written in registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NumberKind {
    /// One register, not negative.
    U16,
    /// One register, two's complement.
    I16,
    /// Two registers, not negative.
    U32,
    /// Two registers, two's complement.
    I32,
    /// Two registers, IEEE 754 single.
    F32,
}

impl NumberKind {
    /// How many registers it takes.
    pub fn registers(self) -> u16 {
        match self {
            Self::U16 | Self::I16 => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
        }
    }

    /// The least and the greatest raw number.
    pub fn raw_range(self) -> (i64, i64) {
        match self {
            Self::U16 => (0, i64::from(u16::MAX)),
            Self::I16 => (i64::from(i16::MIN), i64::from(i16::MAX)),
            Self::U32 | Self::F32 => (0, i64::from(u32::MAX)),
            Self::I32 => (i64::from(i32::MIN), i64::from(i32::MAX)),
        }
    }
}

/// Which of the two registers of a 32-bit number comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WordOrder {
    /// The high half at the lower address.
    HighFirst,
    /// The low half at the lower address.
    LowFirst,
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
    /// How often a sign of life is given.
    pub heartbeat: Span,
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
}
