//! The inbound MQTT client: a persistent session from which messages are acknowledged only when what they said is
//! stored, so that a broker keeps for us what comes while we are away.
//!
//! The client library is made anew after each error: an old one can hold packets that are never sent.

use super::backoff::Backoff;
use super::health::LinkHealth;
use super::intake::{Intake, Message, Taken};
use super::receipts::Receipts;
use super::rivalry::Rivalry;
use super::subscriptions::Subscriptions;
use crate::broker::{Route, is_hung_up, is_turned_away};
use crate::world::Sink;
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
/// A connection that lived so long begins its waits anew: longer than the waits, or two boxes with one name would never
/// have waits that grow.
const GOOD_LIFE: Duration = Duration::from_secs(150);
/// How often readings that are held back are looked at.
const RELEASE_EVERY: Duration = Duration::from_millis(50);
/// How often the link's health is looked at.
const HEALTH_EVERY: Duration = Duration::from_secs(1);

/// Why a connection ended.
#[derive(Debug)]
enum End {
    Connection(Box<ConnectionError>),
    /// The broker leaves more messages open than there are identifiers.
    Receipts,
}

/// What was found out about the link, told when it changes.
struct Findings<'a> {
    sink: &'a dyn Sink,
    health: LinkHealth,
    rivalry: Rivalry,
    access: Option<bool>,
    stands: bool,
}

impl<'a> Findings<'a> {
    fn new(sink: &'a dyn Sink) -> Self {
        let (health, rivalry) = (LinkHealth::new(Instant::now()), Rivalry::default());
        Self { sink, health, rivalry, access: None, stands: false }
    }

    fn tell(&self, part: Part, news: Option<bool>) {
        if let Some(works) = news {
            self.sink.part(part, works);
        }
    }

    /// The broker let us in, and granted us at least some of what we asked for, or nothing.
    fn up(&mut self, granted: bool) {
        self.stands = true;
        let news = self.health.up(Instant::now());
        self.tell(Part::Broker, news);
        self.access(granted);
    }

    fn access(&mut self, granted: bool) {
        let news = (self.access.replace(granted) != Some(granted)).then_some(granted);
        self.tell(Part::BrokerAccess, news);
    }

    fn down(&mut self, end: &End) {
        let now = Instant::now();
        if let End::Connection(error) = end {
            if is_turned_away(error) {
                self.access(false);
            }
            if self.stands && is_hung_up(error) {
                let news = self.rivalry.thrown_out(now);
                self.tell(Part::SecondBox, news);
            }
        }
        self.stands = false;
        let news = self.health.down(now);
        self.tell(Part::Broker, news);
    }

    fn tick(&mut self) {
        let now = Instant::now();
        let news = self.health.tick(now);
        self.tell(Part::Broker, news);
        let news = self.rivalry.tick(now, self.stands);
        self.tell(Part::SecondBox, news);
    }
}

/// Reads messages for ever as `client`. Errors are counted and lived with; it ends only with its task.
pub async fn run_mqtt(sink: Rc<dyn Sink>, route: Rc<Route>, client: String, intake: Intake) {
    let findings = RefCell::new(Findings::new(&*sink));
    let intake = RefCell::new(intake);
    let name = session_name(&client);
    let serve = async {
        let mut backoff = Backoff::new(&name);
        loop {
            let begun = Instant::now();
            let link = Link::new(options(&route, &name), &intake, sink.committed());
            let end = link.serve(|granted| findings.borrow_mut().up(granted)).await;
            findings.borrow_mut().down(&end);
            if begun.elapsed() >= GOOD_LIFE {
                backoff.clear();
            }
            let wait = backoff.failed();
            let why = match &end {
                End::Connection(error) => route.why(error),
                End::Receipts => "the broker leaves more messages open than there are identifiers".to_owned(),
            };
            tracing::warn!(why, wait_s = wait.as_secs_f64(), "link to the broker: lost or not made");
            if findings.borrow().rivalry.is_there() {
                tracing::warn!(
                    client,
                    "the broker keeps ending the link: another program seems to use this client name"
                );
            }
            sleep(wait).await;
        }
    };
    let watch = async {
        loop {
            sleep(HEALTH_EVERY).await;
            findings.borrow_mut().tick();
        }
    };
    tokio::select! { biased; () = serve => {}, () = watch => {} }
}

/// The name of our session at the broker: the same each time, or the broker would keep nothing for us.
fn session_name(client: &str) -> String {
    format!("{}-in", client.trim())
}

fn options(route: &Route, name: &str) -> MqttOptions {
    let mut options = route.options(name);
    options.set_clean_session(false).set_manual_acks(true).set_keep_alive(KEEP_ALIVE);
    options.set_max_packet_size(MOST_BYTES_IN, MOST_BYTES_OUT);
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
    fn new(options: MqttOptions, intake: &'a RefCell<Intake>, committed: watch::Receiver<u64>) -> Self {
        let subscriptions = Subscriptions::new(intake.borrow().subscriptions());
        let (client, mut events) = AsyncClient::new(options, REQUESTS + subscriptions.requests());
        events.network_options.set_tcp_nodelay(true);
        events.network_options.set_connection_timeout(CONNECT_DEADLINE_S);
        let (subscriptions, receipts) = (RefCell::new(subscriptions), RefCell::default());
        Self { client, events, intake, subscriptions, receipts, committed }
    }

    /// Serves the connection until it ends. The library's event loop is polled by one future that never waits for
    /// anything else; acknowledgements and renewed subscriptions are another's.
    async fn serve(self, up: impl Fn(bool)) -> End {
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
                        subscriptions.borrow_mut().answered(&answer, |filter, granted| {
                            intake.borrow_mut().access(filter, granted);
                        });
                        if let Some(any_granted) = subscriptions.borrow().standing() {
                            up(any_granted);
                        }
                    }
                    Event::Incoming(Packet::Publish(message)) => {
                        let (topic, payload) = (message.topic.as_str(), &message.payload[..]);
                        let mut intake = intake.borrow_mut();
                        let (retained, again) = (message.retain, message.dup);
                        let taken = intake.take(Message { topic, payload, retained, again });
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
                let any = {
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
                    any
                };
                // What they wait for may be stored already, and then no later commit speaks for them.
                while any && !receipts.borrow_mut().settle(&client, *committed.borrow()) {
                    sleep(Receipts::RETRY).await;
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
