//! Meters that speak MQTT: JSON payloads with the time of measurement, at real speed or as fast as the broker takes
//! them.

use std::fmt::Write as _;
use std::io;
use std::net::SocketAddr;
use std::time::Duration;

use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Outgoing, Packet, QoS};
use serde_json::{Map, Value, json};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::{sleep, timeout};

use crate::cannery::{METERS, MeterPlan, Place, Wire};
use crate::live::Latest;
use crate::meter::{Reading, face_of, quantities};
use crate::site::Site;

/// Messages that wait for the connection at most; a few seconds of the whole site.
const WAITING_MESSAGES: usize = 64;
/// Pause after a failed connection.
const RETRY: Duration = Duration::from_secs(1);
/// The broker must take the next message within this time when a span is sent.
const PATIENCE: Duration = Duration::from_secs(10);

/// The topic of a meter; `None` if it does not speak MQTT or is not known.
pub fn topic_of(meter: &str) -> Option<&'static str> {
    METERS.iter().find(|plan| plan.name == meter).and_then(|plan| match plan.wire {
        Wire::Mqtt(topic) => Some(topic),
        Wire::Modbus(_) => None,
    })
}

/// Sensor modules stamp in words, meters in milliseconds.
fn readable_time(plan: &MeterPlan) -> bool {
    matches!(plan.place, Place::Sensors(_))
}

/// The payload of a reading: `{"t": time, "U": {"A": 120.1, …}, …}`; "all" stands for the whole, null for no value.
pub fn payload(reading: &Reading) -> Value {
    let plan = METERS.iter().find(|plan| plan.name == reading.meter);
    let stamp = jiff::Timestamp::from_millisecond(reading.unix_ms).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    let time =
        if plan.is_some_and(readable_time) { json!(stamp.to_string()) } else { json!(reading.unix_ms) };
    let mut object = Map::new();
    object.insert("t".to_owned(), time);
    for (key, place, value) in &reading.values {
        let Some(face) = face_of(key) else { continue };
        let group = object.entry(face.short).or_insert_with(|| json!({}));
        if let Some(group) = group.as_object_mut() {
            group.insert(member(place).to_owned(), json!(value));
        }
    }
    Value::Object(object)
}

fn member(place: &str) -> &str {
    if place.is_empty() { "all" } else { place }
}

/// The JSON map of a meter, as the configuration's map file says it.
pub fn map_text(plan: &MeterPlan) -> String {
    let form = if readable_time(plan) { "rfc3339" } else { "unix-ms" };
    let mut text = format!("time = {{ pointer = \"/t\", form = \"{form}\" }}\nwait = \"2s\"\n");
    for (key, place) in quantities(plan) {
        let Some(face) = face_of(key) else { continue };
        let _ = write!(text, "\n[[point]]\nmeasurand = \"{key}\"\n");
        if !place.is_empty() {
            let _ = writeln!(text, "place = \"{place}\"");
        }
        let _ = writeln!(text, "pointer = \"/{}/{}\"", face.short, member(place));
    }
    text
}

fn connect(broker: SocketAddr, name: &str) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(name, broker.ip().to_string(), broker.port());
    options.set_keep_alive(Duration::from_secs(15));
    AsyncClient::new(options, WAITING_MESSAGES)
}

/// Publishes every new moment of a living site. Dropping it ends the connection.
#[derive(Debug)]
pub struct Publisher {
    tasks: [JoinHandle<()>; 2],
}

impl Publisher {
    /// Begins to publish to this broker; a broker that is away is tried again each second, and what was measured
    /// meanwhile is lost, as with a real meter. Must be called inside a tokio runtime.
    pub fn start(broker: SocketAddr, mut latest: watch::Receiver<Latest>) -> Self {
        let (client, mut events) = connect(broker, "larkspur-meters");
        let keep = tokio::spawn(async move {
            loop {
                if let Err(error) = events.poll().await {
                    tracing::debug!(%error, "the meters' broker is away");
                    sleep(RETRY).await;
                }
            }
        });
        let tell = tokio::spawn(async move {
            while latest.changed().await.is_ok() {
                let readings = latest.borrow_and_update().clone();
                for reading in readings.iter() {
                    let Some(topic) = topic_of(reading.meter) else { continue };
                    let text = payload(reading).to_string();
                    if client.try_publish(topic, QoS::AtMostOnce, false, text).is_err() {
                        tracing::trace!(topic, "no room for a message while the broker is away");
                    }
                }
            }
        });
        Self { tasks: [keep, tell] }
    }
}

impl Drop for Publisher {
    fn drop(&mut self) {
        for task in &self.tasks {
            task.abort();
        }
    }
}

/// Sends what the MQTT meters show from the site's moment to `to_unix_ms` (not included), every `interval_ms`, as
/// fast as the broker acknowledges (`QoS` 1), with the times of measurement. Returns the number of messages.
///
/// # Errors
/// The broker refuses, is lost, or takes no message for ten seconds; `interval_ms` is not above 0.
pub async fn publish_span(
    broker: SocketAddr,
    site: &mut Site,
    to_unix_ms: i64,
    interval_ms: i64,
) -> io::Result<u64> {
    if interval_ms <= 0 {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "the interval is above 0 ms"));
    }
    let (client, events) = connect(broker, "larkspur-past");
    let (count, mut counted) = watch::channel(0);
    let driver = tokio::spawn(drive(events, count));
    let mut sent = 0;
    while site.at() < to_unix_ms {
        for reading in site.readings() {
            let Some(topic) = topic_of(reading.meter) else { continue };
            let publish = client.publish(topic, QoS::AtLeastOnce, false, payload(&reading).to_string());
            timeout(PATIENCE, publish).await.map_err(io::Error::other)?.map_err(io::Error::other)?;
            sent += 1;
        }
        site.advance((site.at() + interval_ms).min(to_unix_ms));
    }
    let all = timeout(PATIENCE, counted.wait_for(|count| *count >= sent)).await.map_err(io::Error::other)?;
    if all.is_err() {
        return driver.await.map_err(io::Error::other)?.map(|()| sent);
    }
    client.disconnect().await.map_err(io::Error::other)?;
    timeout(PATIENCE, driver).await.map_err(io::Error::other)?.map_err(io::Error::other)??;
    Ok(sent)
}

/// Runs a connection until it is told to disconnect, or fails; shows the number of acknowledgements.
async fn drive(mut events: EventLoop, count: watch::Sender<u64>) -> io::Result<()> {
    loop {
        match events.poll().await.map_err(io::Error::other)? {
            Event::Incoming(Packet::PubAck(_)) => count.send_modify(|count| *count += 1),
            Event::Outgoing(Outgoing::Disconnect) => return Ok(()),
            _ => {}
        }
    }
}
