//! What the daemon needs to read meters from a broker and to tell alerts to it.

use crate::settings::Secret;

/// How a meter tells its values by MQTT.
#[derive(Debug, Clone, PartialEq)]
pub struct MqttSpec {
    /// The topic, or a filter as in MQTT 3.1.1 section 4.7.
    pub topic: String,
    /// What stands in this meter's topics where the filter has its first `+`.
    pub named: Option<String>,
    /// How it is subscribed to; `None`: as the broker's setting says.
    pub qos: Option<Qos>,
    /// Where in a payload the list of readings stands (RFC 6901); `None`: a payload is one reading. The other
    /// pointers count from a reading.
    pub readings: Option<String>,
    /// Whether numbers may be written as texts.
    pub quoted: bool,
    /// Where the time stands; `None`: the time of receipt counts.
    pub time: Option<TimeField>,
    /// In the order of the meter's points. Either all or none have a topic of their own.
    pub points: Vec<JsonPoint>,
}

/// How surely messages are delivered (MQTT 3.1.1 section 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Qos {
    /// At most once: a message may be lost.
    AtMostOnce,
    /// At least once: a message is sent again until it is acknowledged, so it may come twice.
    AtLeastOnce,
}

/// Where the time stands in a payload.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TimeField {
    /// RFC 6901 pointer.
    pub pointer: String,
    /// How it is written.
    pub form: TimeForm,
}

/// How a time is written in a payload.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeForm {
    /// `2026-03-09T14:02:11Z`, with an offset.
    Rfc3339,
    /// Seconds since the Unix epoch, with decimals if need be.
    UnixSeconds,
    /// Milliseconds since the Unix epoch.
    UnixMillis,
    /// Microseconds since the Unix epoch.
    UnixMicros,
}

/// Where one value stands in a payload.
#[derive(Debug, Clone, PartialEq)]
pub struct JsonPoint {
    /// The rest of the topic on which it is told, where the meter's filter has its `#`; `None`: on each topic of the
    /// meter.
    pub topic: Option<String>,
    /// RFC 6901 pointer.
    pub pointer: String,
    /// The number times this …
    pub scale: f64,
    /// … plus this is the value in the measurand's unit.
    pub offset: f64,
    /// It is told as a state: JSON's `true` and `false` are 1 and 0.
    pub flag: bool,
}

/// The MQTT broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BrokerSpec {
    /// `host:port`.
    pub address: String,
    /// Client identifier.
    pub client: String,
    /// User name.
    pub username: Option<String>,
    /// What the password file holds.
    pub password: Option<Secret>,
    /// How meters are subscribed to, unless a meter says otherwise.
    pub qos: Qos,
    /// How the link is encrypted; `None`: not at all, and then the broker is on this machine.
    pub tls: Option<TlsSpec>,
}

/// How a link is encrypted. That the other side is who it should be is always checked.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TlsSpec {
    /// Certificates (PEM) of the authorities to trust; `None`: those that the system trusts.
    pub authority: Option<String>,
    /// What we show the other side.
    pub identity: Option<Identity>,
    /// The name that must stand in the other side's certificate; `None`: the host of its address.
    pub server_name: Option<String>,
}

/// A certificate with its key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    /// The certificate and those between it and its authority (PEM).
    pub certificates: String,
    /// The private key (PEM).
    pub key: Secret,
}
