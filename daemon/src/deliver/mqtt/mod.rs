//! The courier to an MQTT broker: a retained message with the state of each alert, and a stream of events.
//!
//! The client library confirms nothing and forgets silently when a session is lost, so nothing lives only in it:
//! one publish is in flight at a time, a letter is delivered when the broker acknowledged both of its publishes, and
//! after any error there is a new client. At each connection the status and every open alert are told again, for a
//! broker that forgot.

mod desk;
mod link;

#[cfg(test)]
mod tests;

use super::outbox::Outbox;
use crate::broker::Route;
use crate::store::Letter;
use crate::words::message::MOST_BYTES;
use crate::world::{Courier, Here, Outcome, Sink};
use desk::Job;
use jiff::tz::TimeZone;
use std::rc::Rc;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinHandle;

/// A broker that answers no ping within this time and the next is given up: ten seconds in all.
pub const KEEP_ALIVE: Duration = Duration::from_secs(5);
/// How long one acknowledgement may take, and a connection to come about.
pub const PATIENCE: Duration = Duration::from_secs(10);
/// The longest wait between two attempts to connect.
pub const LONGEST_WAIT: Duration = Duration::from_secs(30);
/// The largest packet, both ways: twice the longest message, for its topic and a later format.
pub const MOST_PACKET: usize = 2 * MOST_BYTES + 2048;

/// Where the broker is and what it is told.
#[derive(Debug)]
pub struct MqttSettings {
    /// The way to it.
    pub route: Route,
    /// The client's name; `-out` is added, since readings come in under the name itself.
    pub client: String,
    /// First part of each topic, without a slash at the end.
    pub topics: String,
    /// The site's time zone.
    pub zone: TimeZone,
    /// How often the status is told again.
    pub heartbeat: Duration,
    /// How long one acknowledgement may take: [`PATIENCE`], but for tests.
    pub patience: Duration,
}

/// Tells alerts to a broker.
#[derive(Debug)]
pub struct MqttCourier {
    jobs: mpsc::Sender<Job>,
    up: watch::Receiver<bool>,
    task: JoinHandle<()>,
}

impl MqttCourier {
    /// Starts the link to the broker on this thread's local set. `outbox` knows the open alerts, `clock` the time.
    /// When the courier is dropped the link ends without a farewell, so that the broker tells the will.
    pub fn start(settings: MqttSettings, outbox: Rc<dyn Outbox>, clock: Rc<dyn Sink>) -> Self {
        // One letter at a time: the pump waits for each.
        let (jobs, incoming) = mpsc::channel(1);
        let (tell_up, up) = watch::channel(false);
        let link = link::Link::new(settings, outbox, clock, incoming, tell_up);
        Self { jobs, up, task: tokio::task::spawn_local(link.run()) }
    }

    /// Whether the link stands. False from the first failed attempt to connect, not from the loss of a
    /// connection that comes back at once.
    pub fn link(&self) -> watch::Receiver<bool> {
        self.up.clone()
    }
}

impl Drop for MqttCourier {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Courier for MqttCourier {
    fn channel(&self) -> &'static str {
        "mqtt"
    }

    fn send<'a>(&'a mut self, letter: &'a Letter) -> Here<'a, Outcome> {
        Box::pin(async move {
            let message = match super::message_in(letter) {
                Ok(message) => message,
                Err(why) => return Outcome::Refused(why),
            };
            let (done, outcome) = oneshot::channel();
            if self.jobs.send(Job { message, done }).await.is_err() {
                return Outcome::TryLater("the link to the broker has ended".to_owned());
            }
            outcome.await.unwrap_or_else(|_| Outcome::TryLater("the link to the broker has ended".to_owned()))
        })
    }
}
