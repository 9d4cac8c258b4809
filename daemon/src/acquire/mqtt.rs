//! The inbound MQTT client: a persistent session from which messages are acknowledged only when what they said is
//! stored, so that a broker keeps for us what comes while we are away.
//!
//! The client library is made anew after each error: an old one can hold packets that are never sent.

use super::backoff::Backoff;
use super::health::LinkHealth;
use super::intake::{Intake, Message, Taken};
use super::receipts::Receipts;
use super::subscriptions::Subscriptions;
use crate::world::Sink;
use kvarden_config::BrokerSpec;
use kvarden_core::input::Part;
use rumqttc::{AsyncClient, ConnectionError, Event, EventLoop, MqttOptions, Outgoing, Packet};
use std::cell::RefCell;
use std::rc::Rc;
use std::time::Duration;
use tokio::sync::watch;
use tokio::time::{Instant, sleep};

/// Largest packet that is read: above the largest payload, so that one that is too large is refused and acknowledged
/// and does not end the connection again and again.
const MOST_BYTES_IN: usize = 1024 * 1024;
/// Largest packet that is sent: a list of topics.
const MOST_BYTES_OUT: usize = 256 * 1024;
/// Requests that wait inside the client library, which are acknowledgements; brokers leave some 20 messages open.
const REQUESTS: usize = 256;
/// A frozen broker is found in two of these.
const KEEP_ALIVE: Duration = Duration::from_secs(5);
/// How long a connection may take to be made, in seconds.
const CONNECT_DEADLINE_S: u64 = 5;
/// Messages taken at a stretch before other tasks have their turn.
const STRETCH: u32 = 64;
/// A connection that lived so long begins its waits anew.
const GOOD_LIFE: Duration = Duration::from_secs(30);
/// How often readings that are held back are looked at.
const RELEASE_EVERY: Duration = Duration::from_millis(50);
/// How often the link's health is looked at.
const HEALTH_EVERY: Duration = Duration::from_secs(1);

/// Why a connection ended.
#[derive(Debug, thiserror::Error)]
enum End {
    #[error(transparent)]
    Connection(#[from] Box<ConnectionError>),
    #[error("the broker leaves more messages open than there are identifiers")]
    Receipts,
}

/// Reads messages for ever. Errors are counted and lived with; it ends only with its task.
pub async fn run_mqtt(sink: Rc<dyn Sink>, broker: BrokerSpec, intake: Intake) {
    let health = RefCell::new(LinkHealth::new(Instant::now()));
    let tell = |news: Option<bool>| {
        if let Some(works) = news {
            sink.part(Part::Broker, works);
        }
    };
    let intake = RefCell::new(intake);
    let serve = async {
        let mut backoff = Backoff::new((&broker.client, &broker.address));
        loop {
            let begun = Instant::now();
            let link = Link::new(&broker, &intake, sink.committed());
            let end = link.serve(|| tell(health.borrow_mut().up(Instant::now()))).await;
            tell(health.borrow_mut().down(Instant::now()));
            if begun.elapsed() >= GOOD_LIFE {
                backoff.clear();
            }
            let wait = backoff.failed();
            let unstable = health.borrow().is_unstable();
            tracing::warn!(broker = ?broker.address, unstable, wait_s = wait.as_secs_f64(), "link to the broker: {end}");
            if unstable {
                tracing::warn!(client = ?client_name(&broker), "is there another program with this client name?");
            }
            sleep(wait).await;
        }
    };
    let watch = async {
        loop {
            sleep(HEALTH_EVERY).await;
            tell(health.borrow_mut().tick(Instant::now()));
        }
    };
    tokio::select! { biased; () = serve => {}, () = watch => {} }
}

/// The name of our session at the broker: the same each time, or the broker would keep nothing for us.
fn client_name(broker: &BrokerSpec) -> String {
    format!("{}-in", broker.client)
}

fn options(broker: &BrokerSpec) -> MqttOptions {
    const PORT: u16 = 1883;
    let (host, port) = match broker.address.rsplit_once(':') {
        Some((host, port)) => (host, port.parse().unwrap_or(PORT)),
        None => (broker.address.as_str(), PORT),
    };
    let mut options = MqttOptions::new(client_name(broker), host, port);
    options.set_clean_session(false).set_manual_acks(true).set_keep_alive(KEEP_ALIVE);
    options.set_max_packet_size(MOST_BYTES_IN, MOST_BYTES_OUT);
    if let Some(username) = &broker.username {
        let password = broker.password.as_ref().map_or("", |password| password.expose());
        options.set_credentials(username, password);
    }
    options
}

/// One connection.
struct Link<'a> {
    client: AsyncClient,
    events: EventLoop,
    intake: &'a RefCell<Intake>,
    subscriptions: RefCell<Subscriptions>,
    receipts: RefCell<Receipts>,
    committed: watch::Receiver<u64>,
}

impl<'a> Link<'a> {
    fn new(broker: &BrokerSpec, intake: &'a RefCell<Intake>, committed: watch::Receiver<u64>) -> Self {
        let subscriptions = Subscriptions::new(intake.borrow().subscriptions());
        let (client, mut events) = AsyncClient::new(options(broker), REQUESTS + subscriptions.requests());
        events.network_options.set_tcp_nodelay(true);
        events.network_options.set_connection_timeout(CONNECT_DEADLINE_S);
        let (subscriptions, receipts) = (RefCell::new(subscriptions), RefCell::default());
        Self { client, events, intake, subscriptions, receipts, committed }
    }

    /// Serves the connection until it ends. The library's event loop is polled by one future that never waits for
    /// anything else; acknowledgements and renewed subscriptions are another's.
    async fn serve(self, up: impl Fn()) -> End {
        let Self { client, mut events, intake, subscriptions, receipts, committed } = self;
        let mut changes = committed.clone();
        let read = async {
            let mut stretch = 0;
            loop {
                let event = match events.poll().await {
                    Ok(event) => event,
                    Err(error) => return End::Connection(Box::new(error)),
                };
                match event {
                    Event::Incoming(Packet::ConnAck(_)) => subscriptions.borrow_mut().ask_all(&client),
                    Event::Outgoing(Outgoing::Subscribe(id)) => subscriptions.borrow_mut().sent(id),
                    Event::Incoming(Packet::SubAck(answer)) => {
                        subscriptions.borrow_mut().answered(&answer, |topic| {
                            intake.borrow_mut().trouble(topic, "subscription refused by the broker");
                        });
                        if subscriptions.borrow().all_granted() {
                            up();
                        }
                    }
                    Event::Incoming(Packet::Publish(message)) => {
                        let (topic, payload) = (message.topic.as_str(), &message.payload[..]);
                        let mut intake = intake.borrow_mut();
                        let taken = intake.take(Message { topic, payload, retained: message.retain });
                        let mut receipts = receipts.borrow_mut();
                        for (ticket, number) in intake.handed_over() {
                            receipts.handed_over(ticket, number);
                        }
                        let owed = match taken {
                            Taken::By(number) => receipts.owe(&message, Some(number), &[]),
                            Taken::Held(number) => {
                                receipts.owe(&message, Some(number), intake.open_tickets())
                            }
                            Taken::Foreign => {
                                Subscriptions::leave(&client, topic);
                                receipts.owe(&message, None, &[])
                            }
                        };
                        if owed.is_err() {
                            return End::Receipts;
                        }
                        receipts.settle(&client, *committed.borrow());
                        if message.qos != rumqttc::QoS::AtMostOnce {
                            intake.await_commit();
                        }
                    }
                    _ => {}
                }
                stretch += 1;
                if stretch % STRETCH == 0 {
                    tokio::task::yield_now().await;
                }
            }
        };
        let acknowledge = async {
            while changes.changed().await.is_ok() {
                let number = *changes.borrow_and_update();
                while !receipts.borrow_mut().settle(&client, number) {
                    sleep(Receipts::RETRY).await;
                }
            }
            std::future::pending().await
        };
        let renew = async {
            loop {
                sleep(Subscriptions::RETRY).await;
                subscriptions.borrow_mut().ask_refused(&client);
            }
        };
        let release = async {
            loop {
                sleep(RELEASE_EVERY).await;
                let mut intake = intake.borrow_mut();
                intake.release();
                let mut receipts = receipts.borrow_mut();
                let mut any = false;
                for (ticket, number) in intake.handed_over() {
                    receipts.handed_over(ticket, number);
                    any = true;
                }
                if any {
                    intake.await_commit();
                }
            }
        };
        tokio::select! {
            biased;
            end = read => end,
            end = acknowledge => end,
            end = renew => end,
            end = release => end,
        }
    }
}
