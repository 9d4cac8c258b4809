//! One connection to the broker after another. One task only polls the client; this one decides, and never
//! holds the other up.

use super::desk::{Desk, Job, Publish};
use super::{KEEP_ALIVE, LONGEST_WAIT, MOST_PACKET, MqttSettings};
use crate::deliver::outbox::Outbox;
use crate::deliver::wait::wait;
use crate::words::time::rfc3339;
use crate::world::{Outcome, Sink};
use kvarden_core::time::Span;
use rumqttc::{AsyncClient, ConnectionError, Event, EventLoop, LastWill, MqttOptions, Outgoing, Packet, QoS};
use serde::Serialize;
use std::rc::Rc;
use std::time::Duration;
use tokio::select;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep_until, timeout};

/// Requests that the client may hold. One is in flight at a time; more would mean that it does not send.
const REQUESTS: usize = 2;
/// News of the client not looked at yet. One publish gives two.
const MOST_NEWS: usize = 16;

/// A connection that lived so long begins its waits anew: longer than the waits, or two boxes with one name would
/// throw each other out each second.
const GOOD_LIFE: Duration = Duration::from_secs(75);

/// What the client says.
#[derive(Debug)]
enum News {
    Connected,
    /// The publish got this packet id.
    Sent(u16),
    Acknowledged(u16),
    Down(ConnectionError),
}

/// How a connection ended.
enum End {
    /// It never came about.
    Never(String),
    /// It was lost.
    Lost(String),
    /// Nobody sends letters any more.
    Over,
}

pub(super) struct Link {
    settings: MqttSettings,
    outbox: Rc<dyn Outbox>,
    clock: Rc<dyn Sink>,
    jobs: mpsc::Receiver<Job>,
    up: watch::Sender<bool>,
}

/// The publish that is not acknowledged yet.
struct Flight {
    packet: Option<u16>,
    until: Instant,
}

impl Link {
    pub(super) fn new(
        settings: MqttSettings,
        outbox: Rc<dyn Outbox>,
        clock: Rc<dyn Sink>,
        jobs: mpsc::Receiver<Job>,
        up: watch::Sender<bool>,
    ) -> Self {
        Self { settings, outbox, clock, jobs, up }
    }

    pub(super) async fn run(mut self) {
        let mut failures = 0;
        loop {
            let begun = Instant::now();
            let why = match self.connect().await {
                End::Over => return,
                End::Lost(why) => {
                    tracing::warn!(
                        client = self.settings.client,
                        why,
                        "lost the broker; a new client follows"
                    );
                    failures = if begun.elapsed() >= GOOD_LIFE { 1 } else { failures + 1 };
                    why
                }
                End::Never(why) => {
                    failures += 1;
                    if self.up.send_replace(false) || failures == 1 {
                        tracing::warn!(client = self.settings.client, why, "the broker can't be reached");
                    }
                    why
                }
            };
            if self.pause(wait(failures, LONGEST_WAIT, &self.settings.client), &why).await.is_none() {
                return;
            }
        }
    }

    /// Waits; letters that come meanwhile are answered at once. `None`: nobody sends letters any more.
    async fn pause(&mut self, pause: Duration, why: &str) -> Option<()> {
        let until = Instant::now() + pause;
        loop {
            select! {
                biased;
                () = sleep_until(until) => return Some(()),
                job = self.jobs.recv() => {
                    let _ = job?.done.send(Outcome::TryLater(why.to_owned()));
                }
            }
        }
    }

    async fn connect(&mut self) -> End {
        let (client, mut news, _poller) = start(&self.settings);
        match timeout(self.settings.patience, news.recv()).await {
            Ok(Some(News::Connected)) => {}
            Ok(Some(News::Down(error))) => return End::Never(self.settings.route.why(&error)),
            Ok(Some(News::Sent(_) | News::Acknowledged(_)) | None) => {
                return End::Never("the broker began with something else than a welcome".to_owned());
            }
            Err(_) => return End::Never("no answer in time".to_owned()),
        }
        if !self.up.send_replace(true) {
            tracing::info!(client = self.settings.client, "connected to the broker");
        }
        let mut desk = Desk::new(&self.settings.topics, self.open_alerts().await);
        let end = self.carry(&client, &mut news, &mut desk).await;
        if let End::Lost(why) | End::Never(why) = &end {
            desk.lost(why);
        }
        end
    }

    async fn open_alerts(&self) -> Vec<crate::words::Message> {
        match timeout(self.settings.patience, self.outbox.open_alerts()).await {
            Ok(Ok(open)) => open,
            Ok(Err(error)) => {
                tracing::warn!(%error, "the open alerts can't be told again");
                Vec::new()
            }
            Err(_) => {
                tracing::warn!("the open alerts can't be told again: the store gave no answer in time");
                Vec::new()
            }
        }
    }

    /// Carries one publish after another until the connection is lost.
    async fn carry(&mut self, client: &AsyncClient, news: &mut mpsc::Receiver<News>, desk: &mut Desk) -> End {
        let mut flight: Option<Flight> = None;
        let mut beat = Instant::now();
        loop {
            if Instant::now() >= beat {
                desk.status(self.birth());
                beat = Instant::now() + self.settings.heartbeat;
            }
            if flight.is_none()
                && let Some(publish) = desk.next()
            {
                let until = Instant::now() + self.settings.patience;
                match give(client, publish) {
                    Ok(()) => flight = Some(Flight { packet: None, until }),
                    Err(why) => return End::Lost(why),
                }
            }
            let until = flight.as_ref().map_or(beat, |flight| flight.until);
            select! {
                biased;
                said = news.recv() => match (said, &mut flight) {
                    (Some(News::Sent(id)), Some(flight)) => flight.packet = Some(id),
                    (Some(News::Acknowledged(id)), Some(Flight { packet: Some(sent), .. })) if *sent == id => {
                        flight = None;
                        desk.acknowledged();
                    }
                    (Some(News::Down(error)), _) => return End::Lost(self.settings.route.why(&error)),
                    (None, _) => return End::Lost("the client ended".to_owned()),
                    (Some(other), _) => return End::Lost(format!("the broker is out of step: {other:?}")),
                },
                () = sleep_until(until), if flight.is_some() => {
                    return End::Lost("no acknowledgement in time".to_owned());
                }
                () = sleep_until(beat) => {}
                job = self.jobs.recv(), if desk.is_free() => match job {
                    Some(job) => desk.take(job),
                    None => return End::Over,
                },
            }
        }
    }

    fn birth(&self) -> String {
        let now = self.clock.now();
        let beat = i64::try_from(self.settings.heartbeat.as_millis()).unwrap_or(i64::MAX);
        let zone = &self.settings.zone;
        let next_by = rfc3339(now + Span(beat).times(2), zone);
        status("watching", Some(rfc3339(now, zone)), Some(next_by))
    }
}

/// The message on the status topic.
#[derive(Serialize)]
struct Status {
    format: u32,
    state: &'static str,
    at: Option<String>,
    /// Without another status by then, something is wrong.
    next_by: Option<String>,
}

fn status(state: &'static str, at: Option<String>, next_by: Option<String>) -> String {
    let status = Status { format: crate::words::message::FORMAT, state, at, next_by };
    serde_json::to_string(&status).expect("a struct of texts always has a JSON form")
}

fn give(client: &AsyncClient, publish: Publish) -> Result<(), String> {
    let Publish { topic, retain, payload } = publish;
    client
        .try_publish(topic, QoS::AtLeastOnce, retain, payload)
        .map_err(|_| "the client takes no more publishes".to_owned())
}

/// Stops the polling task when it goes out of use: the connection ends with it.
struct Poller(JoinHandle<()>);

impl Drop for Poller {
    fn drop(&mut self) {
        self.0.abort();
    }
}

/// A new client, polled by a task of its own.
fn start(settings: &MqttSettings) -> (AsyncClient, mpsc::Receiver<News>, Poller) {
    let (client, mut events) = AsyncClient::new(options(settings), REQUESTS);
    events.network_options.set_tcp_nodelay(true);
    events.network_options.set_connection_timeout(settings.patience.as_secs().max(1));
    let (tell, news) = mpsc::channel(MOST_NEWS);
    (client, news, Poller(tokio::task::spawn_local(poll(events, tell))))
}

fn options(settings: &MqttSettings) -> MqttOptions {
    let mut options = settings.route.options(format!("{}-out", settings.client.trim()));
    // The memory of what is told is the outbox, so no session is asked for.
    options.set_clean_session(true);
    options.set_keep_alive(KEEP_ALIVE);
    options.set_max_packet_size(MOST_PACKET, MOST_PACKET);
    // The will can't know when it is told, so it names no time.
    let gone = status("gone", None, None);
    options.set_last_will(LastWill::new(format!("{}/status", settings.topics), gone, QoS::AtLeastOnce, true));
    options
}

/// Polls without pause and passes on what matters; whoever is not interested any more ends it.
async fn poll(mut events: EventLoop, tell: mpsc::Sender<News>) {
    loop {
        let news = match events.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => News::Connected,
            Ok(Event::Outgoing(Outgoing::Publish(id))) => News::Sent(id),
            Ok(Event::Incoming(Packet::PubAck(ack))) => News::Acknowledged(ack.pkid),
            Ok(_) => continue,
            Err(error) => News::Down(error),
        };
        let down = matches!(news, News::Down(_));
        if tell.try_send(news).is_err() || down {
            return;
        }
    }
}
