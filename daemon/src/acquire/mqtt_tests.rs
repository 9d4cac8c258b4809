//! The inbound client against a scripted broker on the loopback, in real time.

use super::intake::{Intake, ToldMeter};
use super::mqtt::run_mqtt;
use super::notebook::Notebook;
use crate::broker::Route;
use bytes::BytesMut;
use kvarden_config::{BrokerSpec, JsonPoint, MqttSpec, Qos};
use kvarden_core::input::{MeterTrouble, Part};
use kvarden_core::reading::MeterId;
use kvarden_core::time::Span;
use rumqttc::mqttbytes::v4::Packet;
use rumqttc::{ConnAck, ConnectReturnCode, Publish, QoS, SubAck, SubscribeReasonCode};
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::LocalSet;
use tokio::time::timeout;

const PATIENCE: Duration = Duration::from_secs(30);
const WHOLE_STORY: Duration = Duration::from_mins(2);
const MOST: usize = 1024 * 1024;

/// The broker's end of one connection.
struct Peer {
    stream: TcpStream,
    buffer: BytesMut,
}

impl Peer {
    /// Accepts a connection and says that no session is kept; gives what the client said.
    async fn accept(listener: &TcpListener) -> (Self, rumqttc::Connect) {
        let (stream, _) = timeout(PATIENCE, listener.accept()).await.unwrap().unwrap();
        let mut peer = Self { stream, buffer: BytesMut::new() };
        let Packet::Connect(connect) = peer.hear().await else { panic!("a connect comes first") };
        peer.say(Packet::ConnAck(ConnAck::new(ConnectReturnCode::Success, false))).await;
        (peer, connect)
    }

    /// Answers the subscription; gives the topics asked for.
    async fn grant(&mut self, code: SubscribeReasonCode) -> Vec<String> {
        let Packet::Subscribe(subscribe) = self.hear().await else { panic!("a subscribe follows") };
        let topics: Vec<_> = subscribe.filters.iter().map(|filter| filter.path.clone()).collect();
        self.say(Packet::SubAck(SubAck::new(subscribe.pkid, vec![code; topics.len()]))).await;
        topics
    }

    async fn say(&mut self, packet: Packet) {
        let mut bytes = BytesMut::new();
        packet.write(&mut bytes, MOST).unwrap();
        self.stream.write_all(&bytes).await.unwrap();
    }

    async fn publish(&mut self, id: u16, topic: &str, payload: impl Into<Vec<u8>>, retain: bool) {
        let mut publish = Publish::new(topic, QoS::AtLeastOnce, payload);
        (publish.pkid, publish.retain) = (id, retain);
        self.say(Packet::Publish(publish)).await;
    }

    /// Publishes what was published before, as a broker does after a link that broke.
    async fn publish_again(&mut self, id: u16, topic: &str, payload: &str) {
        let mut publish = Publish::new(topic, QoS::AtLeastOnce, payload);
        (publish.pkid, publish.dup) = (id, true);
        self.say(Packet::Publish(publish)).await;
    }

    async fn hear(&mut self) -> Packet {
        timeout(PATIENCE, async {
            loop {
                match Packet::read(&mut self.buffer, MOST) {
                    // On a busy machine a story may outlast the client's keep-alive.
                    Ok(Packet::PingReq) => {
                        self.say(Packet::PingResp).await;
                        continue;
                    }
                    Ok(packet) => return packet,
                    Err(_) => {}
                }
                assert!(self.stream.read_buf(&mut self.buffer).await.unwrap() > 0, "the client hung up");
            }
        })
        .await
        .unwrap()
    }

    async fn hear_acknowledged(&mut self) -> u16 {
        match self.hear().await {
            Packet::PubAck(ack) => ack.pkid,
            other => panic!("an acknowledgement is due, not {other:?}"),
        }
    }

    async fn assert_quiet(&mut self) {
        let heard = timeout(Duration::from_millis(150), self.stream.read_buf(&mut self.buffer)).await;
        assert!(heard.is_err(), "nothing is said before the store has it");
    }
}

fn meter(number: u32, topic: &str) -> ToldMeter {
    let points =
        vec![JsonPoint { topic: None, pointer: "/v".to_owned(), scale: 1.0, offset: 0.0, flag: false }];
    let (topic, readings, quoted) = (topic.to_owned(), None, false);
    let spec = MqttSpec { topic, named: None, qos: None, readings, quoted, time: None, points };
    ToldMeter { meter: MeterId(number), name: format!("MP-{number}"), every: Span::seconds(1), spec }
}

/// Runs the client with meters on topics `a` and `b` beside the broker's side of the story.
async fn beside<F: Future<Output = ()>>(story: impl FnOnce(TcpListener, Rc<Notebook>) -> F) {
    told_by(&[meter(0, "a"), meter(1, "b")], story).await;
}

/// Runs the client with these meters beside the broker's side of the story.
async fn told_by<F: Future<Output = ()>>(
    meters: &[ToldMeter],
    story: impl FnOnce(TcpListener, Rc<Notebook>) -> F,
) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let notebook = Rc::new(Notebook::at(0));
    let intake = Intake::new(notebook.clone(), meters, Qos::AtLeastOnce).unwrap();
    let client = "larkspur".to_owned();
    let qos = Qos::AtLeastOnce;
    let broker = BrokerSpec { address, client, username: None, password: None, qos, tls: None };
    let route = Rc::new(Route::plain(&broker));
    let client = Box::pin(run_mqtt(notebook.clone(), route, broker.client, intake));
    let tasks = LocalSet::new();
    let both = tasks.run_until(async {
        tokio::select! { () = client => panic!("the client never ends"), () = story(listener, notebook) => {} }
    });
    timeout(WHOLE_STORY, both).await.expect("what the story waits for never came");
}

#[tokio::test]
async fn the_session_is_persistent_and_every_topic_is_asked_for() {
    beside(|listener, notebook| async move {
        let (mut peer, connect) = Peer::accept(&listener).await;
        assert_eq!((connect.client_id.as_str(), connect.clean_session), ("larkspur-in", false));
        assert!(notebook.parts().is_empty(), "connected is not yet subscribed");
        let code = SubscribeReasonCode::Success(QoS::AtLeastOnce);
        assert_eq!(peer.grant(code).await, ["a", "b"]);
        peer.publish(1, "a", r#"{"v":5}"#, false).await;
        while notebook.readings().is_empty() {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        assert_eq!(notebook.parts()[..2], [(Part::Broker, true), (Part::BrokerAccess, true)]);
    })
    .await;
}

/// A meter that asks for less than the broker's setting, and one that asks for nothing of its own. What comes without an
/// identifier has no receipt.
#[tokio::test]
async fn each_topic_is_asked_for_as_its_meter_wants_it() {
    let mut once = meter(0, "a");
    once.spec.qos = Some(Qos::AtMostOnce);
    told_by(&[once, meter(1, "b")], |listener, notebook| async move {
        let (mut peer, _) = Peer::accept(&listener).await;
        let Packet::Subscribe(asked) = peer.hear().await else { panic!("a subscribe follows") };
        let wanted: Vec<_> = asked.filters.iter().map(|one| (one.path.as_str(), one.qos)).collect();
        assert_eq!(wanted, [("a", QoS::AtMostOnce), ("b", QoS::AtLeastOnce)]);
        let codes = wanted.iter().map(|(_, qos)| SubscribeReasonCode::Success(*qos)).collect();
        peer.say(Packet::SubAck(SubAck::new(asked.pkid, codes))).await;
        peer.say(Packet::Publish(Publish::new("a", QoS::AtMostOnce, r#"{"v":5}"#))).await;
        peer.publish(7, "b", r#"{"v":6}"#, false).await;
        peer.assert_quiet().await;
        notebook.commit(2);
        assert_eq!(peer.hear_acknowledged().await, 7);
        peer.assert_quiet().await;
        assert_eq!(notebook.noted().len(), 2);
    })
    .await;
}

/// Seen to fail with receipts that wait for no commit.
#[tokio::test]
async fn a_message_is_acknowledged_when_it_is_stored_and_not_before() {
    beside(|listener, notebook| async move {
        let (mut peer, _) = Peer::accept(&listener).await;
        peer.grant(SubscribeReasonCode::Success(QoS::AtLeastOnce)).await;
        peer.publish(11, "a", r#"{"v":5}"#, false).await;
        peer.publish(12, "a", "garbage", false).await;
        peer.publish(13, "b", r#"{"v":6}"#, false).await;
        peer.assert_quiet().await;
        notebook.commit(1);
        assert_eq!([peer.hear_acknowledged().await, peer.hear_acknowledged().await], [11, 12]);
        peer.assert_quiet().await;
        notebook.commit(2);
        assert_eq!(peer.hear_acknowledged().await, 13);
        assert_eq!(notebook.noted().len(), 2);
        assert_eq!(notebook.troubles(), ["0: payload refused: not JSON"]);
    })
    .await;
}

/// The broker says at each connection that it knows no session. Seen to fail when the topics were asked for at the first
/// connection only, and with receipts that wait for no commit.
#[tokio::test]
async fn after_a_lost_connection_it_subscribes_again() {
    beside(|listener, notebook| async move {
        let code = SubscribeReasonCode::Success(QoS::AtLeastOnce);
        let (mut peer, _) = Peer::accept(&listener).await;
        peer.grant(code).await;
        peer.publish(1, "a", r#"{"v":5}"#, false).await;
        peer.assert_quiet().await;
        drop(peer);
        let (mut peer, _) = Peer::accept(&listener).await;
        assert_eq!(peer.grant(code).await, ["a", "b"]);
        peer.publish(1, "a", r#"{"v":5}"#, false).await;
        notebook.commit(2);
        assert_eq!(peer.hear_acknowledged().await, 1, "what was not acknowledged comes again");
    })
    .await;
}

/// The link broke between receipt and commit: what comes again is acknowledged and is no second reading of another moment.
/// Seen to fail without the check of `again`.
#[tokio::test]
async fn what_is_sent_again_without_a_time_is_taken_once() {
    beside(|listener, notebook| async move {
        let code = SubscribeReasonCode::Success(QoS::AtLeastOnce);
        let (mut peer, _) = Peer::accept(&listener).await;
        peer.grant(code).await;
        peer.publish(1, "a", r#"{"v":95}"#, false).await;
        peer.assert_quiet().await;
        drop(peer);
        let (mut peer, _) = Peer::accept(&listener).await;
        peer.grant(code).await;
        peer.publish_again(1, "a", r#"{"v":95}"#).await;
        peer.publish(2, "b", r#"{"v":6}"#, false).await;
        peer.assert_quiet().await;
        notebook.commit(2);
        assert_eq!([peer.hear_acknowledged().await, peer.hear_acknowledged().await], [1, 2]);
        let meters: Vec<u32> = notebook.noted().iter().map(|noted| noted.meter).collect();
        assert_eq!(meters, [0, 1]);
        assert_eq!(notebook.troubles(), ["0: sent again, without a time of its own"]);
    })
    .await;
}

/// Row by row of the return codes. Seen to fail with every answer taken as a grant.
#[tokio::test]
async fn a_refused_subscription_is_told_of_its_meters_and_of_the_broker_if_nothing_is_granted() {
    beside(|listener, notebook| async move {
        let (mut peer, _) = Peer::accept(&listener).await;
        peer.grant(SubscribeReasonCode::Failure).await;
        peer.assert_quiet().await;
        let what = "subscription refused by the broker";
        assert_eq!(notebook.troubles(), [format!("0: {what}"), format!("1: {what}")]);
        let refused = |meter| (meter, MeterTrouble::NotAuthorised, true);
        assert_eq!(notebook.meter_troubles(), [refused(0), refused(1)]);
        assert!(notebook.parts().contains(&(Part::BrokerAccess, false)));
        drop(peer);

        // Now one of the two is granted: the other one's alarm is its own.
        let (mut peer, _) = Peer::accept(&listener).await;
        let Packet::Subscribe(asked) = peer.hear().await else { panic!("a subscribe follows") };
        let codes = vec![SubscribeReasonCode::Success(QoS::AtLeastOnce), SubscribeReasonCode::Failure];
        peer.say(Packet::SubAck(SubAck::new(asked.pkid, codes))).await;
        peer.assert_quiet().await;
        assert_eq!(notebook.meter_troubles()[2..], [(0, MeterTrouble::NotAuthorised, false)]);
        assert_eq!(notebook.parts().last(), Some(&(Part::BrokerAccess, true)));
    })
    .await;
}

/// Seen to fail with the code of the welcome taken as any other end.
#[tokio::test]
async fn a_broker_that_does_not_let_us_in_is_told_of() {
    beside(|listener, notebook| async move {
        let (stream, _) = timeout(PATIENCE, listener.accept()).await.unwrap().unwrap();
        let mut peer = Peer { stream, buffer: BytesMut::new() };
        peer.hear().await;
        peer.say(Packet::ConnAck(ConnAck::new(ConnectReturnCode::NotAuthorized, false))).await;
        while notebook.parts().is_empty() {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        assert_eq!(notebook.parts(), [(Part::BrokerAccess, false)]);
    })
    .await;
}

/// A broker ends a connection when another client comes under the same name. Seen to fail without the count.
#[tokio::test]
async fn to_be_thrown_out_again_and_again_is_told_as_a_second_box() {
    beside(|listener, notebook| async move {
        for _ in 0..3 {
            let (mut peer, _) = Peer::accept(&listener).await;
            peer.grant(SubscribeReasonCode::Success(QoS::AtLeastOnce)).await;
            peer.assert_quiet().await;
            assert!(!notebook.parts().contains(&(Part::SecondBox, false)));
        }
        while !notebook.parts().contains(&(Part::SecondBox, false)) {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    })
    .await;
}

/// No broker of ours does that, but one whose number of open messages is not bounded may. Seen to fail with a bound of
/// 1,024 open messages.
#[tokio::test]
async fn thousands_of_unacknowledged_messages_do_not_end_the_link() {
    beside(|listener, notebook| async move {
        let (mut peer, _) = Peer::accept(&listener).await;
        peer.grant(SubscribeReasonCode::Success(QoS::AtLeastOnce)).await;
        for id in 1..=3000 {
            peer.publish(id, "a", r#"{"v":5}"#, false).await;
        }
        peer.publish(3001, "b", r#"{"v":6}"#, false).await;
        // A reading of the flood that was held back may come after it.
        while notebook.noted().iter().all(|noted| noted.meter != 1) {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        notebook.commit(u64::MAX);
        for id in 1..=3001 {
            assert_eq!(peer.hear_acknowledged().await, id);
        }
        let counts = |meter| notebook.noted().iter().filter(|noted| noted.meter == meter).count();
        assert!((1000..2000).contains(&counts(0)), "{}", counts(0));
        assert_eq!(counts(1), 1);
    })
    .await;
}

#[tokio::test]
async fn too_large_old_and_foreign_messages_are_acknowledged_and_do_not_end_the_link() {
    beside(|listener, notebook| async move {
        let (mut peer, _) = Peer::accept(&listener).await;
        peer.grant(SubscribeReasonCode::Success(QoS::AtLeastOnce)).await;
        peer.publish(1, "a", vec![b' '; 300 * 1024], false).await;
        peer.publish(2, "b", r#"{"v":7}"#, true).await;
        assert_eq!([peer.hear_acknowledged().await, peer.hear_acknowledged().await], [1, 2]);
        peer.publish(3, "left/long/ago", "{}", false).await;
        let Packet::Unsubscribe(left) = peer.hear().await else { panic!("it leaves that topic") };
        assert_eq!(left.topics, ["left/long/ago"]);
        assert_eq!(peer.hear_acknowledged().await, 3);
        assert_eq!(notebook.troubles(), ["0: payload refused: too large", "1: old retained value"]);
        assert!(notebook.noted().is_empty());
    })
    .await;
}
