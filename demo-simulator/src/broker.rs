//! A small MQTT 3.1.1 broker for the demonstration: `QoS` 0 and 1, retained messages, wills, wildcards. It keeps no
//! sessions and repeats nothing to a client that comes back; proof of delivery is not its business.

use std::io;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use futures_util::{SinkExt as _, StreamExt as _};
use rumqttc::mqttbytes::v4::{
    Codec, ConnAck, Connect, ConnectReturnCode, Packet, PubAck, Publish, SubAck, Subscribe,
    SubscribeReasonCode, UnsubAck,
};
use rumqttc::mqttbytes::{Error, QoS};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio::task::{JoinHandle, JoinSet};
use tokio::time::{sleep, timeout};
use tokio_util::codec::Framed;

use crate::exchange::Exchange;
use crate::topics::{is_filter, is_topic};

/// Largest packet either way, bytes: many times the largest message of the demonstration.
const LARGEST_PACKET: usize = 256 * 1024;
/// Connections at once.
const MOST_CONNECTIONS: usize = 64;
/// A new connection says who it is within this time.
const GREETING: Duration = Duration::from_secs(10);
/// A client takes a packet within this time, or is dropped.
const SEND: Duration = Duration::from_secs(5);
/// Pause after a failed accept, so that a lack of file handles does not become a busy loop.
const ACCEPT_PAUSE: Duration = Duration::from_millis(200);
/// A client that keeps no time of its own is given up after this silence.
const LONGEST_SILENCE: Duration = Duration::from_hours(24);

/// A running broker. Dropping it closes the port and every connection.
#[derive(Debug)]
pub struct Broker {
    address: SocketAddr,
    task: JoinHandle<()>,
}

impl Broker {
    /// Listens on this address; port 0 takes a free one.
    ///
    /// # Errors
    /// The port cannot be opened.
    pub async fn start(listen: SocketAddr) -> io::Result<Self> {
        let listener = TcpListener::bind(listen).await?;
        let address = listener.local_addr()?;
        Ok(Self { address, task: tokio::spawn(accept(listener)) })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.task.abort();
    }
}

type Shared = Arc<Mutex<Exchange>>;
type Wire = Framed<TcpStream, Codec>;

fn lock(shared: &Shared) -> MutexGuard<'_, Exchange> {
    // The exchange is whole between any two statements that could panic.
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

async fn accept(listener: TcpListener) {
    let shared = Shared::default();
    let mut connections = JoinSet::new();
    loop {
        while connections.try_join_next().is_some() {}
        match listener.accept().await {
            Ok((stream, _)) if connections.len() < MOST_CONNECTIONS => {
                let shared = Arc::clone(&shared);
                connections.spawn(async move {
                    if let Err(error) = greet(stream, shared).await {
                        tracing::debug!(%error, "a client's connection ended");
                    }
                });
            }
            Ok(_) => tracing::warn!("too many connections; one was turned away"),
            Err(error) => {
                tracing::warn!(%error, "no connection could be accepted");
                sleep(ACCEPT_PAUSE).await;
            }
        }
    }
}

/// From the first packet to the last.
async fn greet(stream: TcpStream, shared: Shared) -> Result<(), Error> {
    stream.set_nodelay(true)?;
    let codec = Codec { max_incoming_size: LARGEST_PACKET, max_outgoing_size: LARGEST_PACKET };
    let mut wire = Framed::new(stream, codec);
    let Ok(Some(first)) = timeout(GREETING, wire.next()).await else { return Ok(()) };
    let Packet::Connect(connect) = first? else { return Err(Error::IncorrectPacketFormat) };
    if connect.client_id.is_empty() && !connect.clean_session {
        return send(&mut wire, Packet::ConnAck(ConnAck::new(ConnectReturnCode::BadClientId, false))).await;
    }
    send(&mut wire, Packet::ConnAck(ConnAck::new(ConnectReturnCode::Success, false))).await?;
    let (ticket, queue) = lock(&shared).join(&connect.client_id);
    let end = serve(&mut wire, &connect, &shared, ticket, queue).await;
    let mut exchange = lock(&shared);
    exchange.leave(ticket);
    if !matches!(end, Ok(End::Farewell))
        && let Some(will) = connect.last_will
    {
        let qos = if will.qos == QoS::AtMostOnce { QoS::AtMostOnce } else { QoS::AtLeastOnce };
        let mut publish = Publish::from_bytes(will.topic, qos, will.message);
        publish.retain = will.retain;
        if is_topic(&publish.topic) {
            exchange.publish(&publish);
        }
    }
    end.map(|_| ())
}

/// How a connection ended without an error.
enum End {
    /// The client said so.
    Farewell,
    /// It broke off, fell silent, was too slow, or another took its name.
    Lost,
}

async fn serve(
    wire: &mut Wire,
    connect: &Connect,
    shared: &Shared,
    ticket: u64,
    mut queue: mpsc::Receiver<Publish>,
) -> Result<End, Error> {
    let silence = match connect.keep_alive {
        0 => LONGEST_SILENCE,
        seconds => Duration::from_secs(u64::from(seconds)).mul_f64(1.5),
    };
    let mut last_id = 0_u16;
    let mut deadline = tokio::time::Instant::now() + silence;
    loop {
        tokio::select! {
            packet = wire.next() => {
                let Some(packet) = packet else { return Ok(End::Lost) };
                deadline = tokio::time::Instant::now() + silence;
                let packet = packet?;
                if packet == Packet::Disconnect {
                    return Ok(End::Farewell);
                }
                for answer in take(packet, shared, ticket)? {
                    send(wire, answer).await?;
                }
            }
            publish = queue.recv() => {
                let Some(mut publish) = publish else { return Ok(End::Lost) };
                if publish.qos != QoS::AtMostOnce {
                    last_id = last_id.checked_add(1).unwrap_or(1);
                    publish.pkid = last_id;
                }
                send(wire, Packet::Publish(publish)).await?;
            }
            () = tokio::time::sleep_until(deadline) => return Ok(End::Lost),
        }
    }
}

/// Acts on a packet; returns what is to be answered.
fn take(packet: Packet, shared: &Shared, ticket: u64) -> Result<Vec<Packet>, Error> {
    match packet {
        Packet::Publish(publish) => {
            if !is_topic(&publish.topic) || publish.qos == QoS::ExactlyOnce {
                return Err(Error::IncorrectPacketFormat);
            }
            lock(shared).publish(&publish);
            let acknowledged = publish.qos == QoS::AtLeastOnce;
            Ok(acknowledged.then(|| Packet::PubAck(PubAck::new(publish.pkid))).into_iter().collect())
        }
        Packet::Subscribe(subscribe) => Ok(vec![subscribed(&subscribe, shared, ticket)]),
        Packet::Unsubscribe(unsubscribe) => {
            lock(shared).unsubscribe(ticket, &unsubscribe.topics);
            Ok(vec![Packet::UnsubAck(UnsubAck::new(unsubscribe.pkid))])
        }
        Packet::PingReq => Ok(vec![Packet::PingResp]),
        Packet::PubAck(_) => Ok(Vec::new()),
        _ => Err(Error::IncorrectPacketFormat),
    }
}

fn subscribed(subscribe: &Subscribe, shared: &Shared, ticket: u64) -> Packet {
    let mut exchange = lock(shared);
    let codes = subscribe.filters.iter().map(|filter| {
        let qos = if filter.qos == QoS::AtMostOnce { QoS::AtMostOnce } else { QoS::AtLeastOnce };
        if is_filter(&filter.path) && exchange.subscribe(ticket, &filter.path, qos) {
            SubscribeReasonCode::Success(qos)
        } else {
            SubscribeReasonCode::Failure
        }
    });
    Packet::SubAck(SubAck::new(subscribe.pkid, codes.collect()))
}

async fn send(wire: &mut Wire, packet: Packet) -> Result<(), Error> {
    timeout(SEND, wire.send(packet)).await.map_err(|_| io::Error::from(io::ErrorKind::TimedOut))?
}
