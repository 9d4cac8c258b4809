//! The outputs read by clients that others wrote: Modbus by tokio-modbus, the broker by rumqttc.

use std::net::SocketAddr;
use std::time::Duration;

use kvarden_demo::broker::Broker;
use kvarden_demo::live::Live;
use kvarden_demo::modbus::ModbusServer;
use kvarden_demo::mqtt::{Publisher, publish_span};
use kvarden_demo::scenario::{Fault, Scenario};
use kvarden_demo::site::Site;
use kvarden_demo::work::Working;
use rumqttc::{AsyncClient, Event, EventLoop, LastWill, MqttOptions, Packet, Publish, QoS};
use tokio::time::timeout;
use tokio_modbus::prelude::{Reader as _, Slave, tcp};

const START: i64 = 1_772_560_800_000;
const WAIT: Duration = Duration::from_secs(10);

fn anywhere() -> SocketAddr {
    SocketAddr::from(([127, 0, 0, 1], 0))
}

fn client(broker: &Broker, name: &str) -> (AsyncClient, EventLoop) {
    AsyncClient::new(options(broker, name), 100)
}

fn options(broker: &Broker, name: &str) -> MqttOptions {
    let mut options = MqttOptions::new(name, broker.address().ip().to_string(), broker.address().port());
    options.set_keep_alive(Duration::from_secs(5));
    options
}

/// Polls until a packet of interest comes.
async fn until<T>(events: &mut EventLoop, mut wanted: impl FnMut(Packet) -> Option<T>) -> T {
    let search = async {
        loop {
            if let Event::Incoming(packet) = events.poll().await.expect("the broker keeps the connection")
                && let Some(found) = wanted(packet)
            {
                return found;
            }
        }
    };
    timeout(WAIT, search).await.expect("the packet comes in time")
}

async fn message(events: &mut EventLoop) -> Publish {
    until(events, |packet| if let Packet::Publish(publish) = packet { Some(publish) } else { None }).await
}

async fn subscribed(client: &AsyncClient, events: &mut EventLoop, filter: &str, qos: QoS) {
    client.subscribe(filter, qos).await.expect("the client has room");
    until(events, |packet| matches!(packet, Packet::SubAck(_)).then_some(())).await;
}

#[tokio::test]
async fn a_modbus_client_reads_what_the_meters_show() {
    let site = Site::new(1, START, Working::MidShift, vec![]);
    let (main, mp3) = (site.reading("T2 secondary").unwrap(), site.reading("MP-3").unwrap());
    let live = Live::start(site, 1);
    let server = ModbusServer::start(anywhere(), live.watch()).await.unwrap();

    let mut main_meter = tcp::connect_slave(server.address(), Slave(1)).await.unwrap();
    // Line-neutral volts from 104 (u16, a tenth of a volt), amperes from 116 (f32, high word first).
    let words = main_meter.read_holding_registers(104, 20).await.unwrap().unwrap();
    let volts = f64::from(words[0]) / 10.0;
    assert!((volts - main.value("voltage_ln_v", "A").unwrap()).abs() < 0.3, "{volts}");
    let amperes = f32::from_bits(u32::from(words[12]) << 16 | u32::from(words[13]));
    let shown = main.value("current_a", "A").unwrap();
    assert!((f64::from(amperes) - shown).abs() < 0.05 * shown, "{amperes} for {shown}");

    let mut feeder = tcp::connect_slave(server.address(), Slave(13)).await.unwrap();
    let words = feeder.read_input_registers(24, 20).await.unwrap().unwrap();
    let amperes = f32::from_bits(u32::from(words[13]) << 16 | u32::from(words[12]));
    let shown = mp3.value("current_a", "A").unwrap();
    assert!((f64::from(amperes) - shown).abs() < 0.05 * shown, "{amperes} for {shown}");

    let wrong_table = feeder.read_holding_registers(24, 2).await.unwrap();
    assert_eq!(wrong_table, Err(tokio_modbus::ExceptionCode::IllegalDataAddress));
}

#[tokio::test]
async fn a_silent_meter_leaves_the_modbus_client_waiting_and_its_neighbour_answers() {
    let fault = Scenario::from(START, Fault::Silent { meter: "MP-2".to_owned() });
    let live = Live::start(Site::new(1, START, Working::MidShift, vec![fault]), 1);
    let server = ModbusServer::start(anywhere(), live.watch()).await.unwrap();
    let mut silent = tcp::connect_slave(server.address(), Slave(12)).await.unwrap();
    let mut talking = tcp::connect_slave(server.address(), Slave(11)).await.unwrap();
    assert!(timeout(Duration::from_millis(300), silent.read_input_registers(24, 3)).await.is_err());
    assert_eq!(talking.read_input_registers(24, 3).await.unwrap().unwrap().len(), 3);
}

#[tokio::test]
async fn retained_messages_reach_a_later_subscriber_and_say_so() {
    let broker = Broker::start(anywhere()).await.unwrap();
    let (teller, mut events) = client(&broker, "teller");
    teller.publish("hall/t2/state", QoS::AtLeastOnce, true, "first").await.unwrap();
    teller.publish("hall/t2/state", QoS::AtLeastOnce, true, "second").await.unwrap();
    for _ in 0..2 {
        until(&mut events, |packet| matches!(packet, Packet::PubAck(_)).then_some(())).await;
    }
    let (late, mut late_events) = client(&broker, "late");
    subscribed(&late, &mut late_events, "hall/+/state", QoS::AtLeastOnce).await;
    let kept = message(&mut late_events).await;
    assert_eq!((kept.payload.as_ref(), kept.retain, kept.qos), (&b"second"[..], true, QoS::AtLeastOnce));
    teller.publish("hall/t2/state", QoS::AtMostOnce, true, "third").await.unwrap();
    tokio::spawn(async move { while events.poll().await.is_ok() {} });
    let fresh = message(&mut late_events).await;
    assert_eq!((fresh.payload.as_ref(), fresh.retain), (&b"third"[..], false));
}

#[tokio::test]
async fn every_qos_1_message_arrives_once_and_in_order() {
    let broker = Broker::start(anywhere()).await.unwrap();
    let (listener, mut heard) = client(&broker, "listener");
    subscribed(&listener, &mut heard, "hall/#", QoS::AtLeastOnce).await;
    let (teller, mut events) = client(&broker, "teller");
    tokio::spawn(async move { while events.poll().await.is_ok() {} });
    for n in 0..300 {
        teller.publish("hall/count", QoS::AtLeastOnce, false, n.to_string()).await.unwrap();
        let came = message(&mut heard).await;
        assert_eq!(came.payload.as_ref(), n.to_string().as_bytes());
        assert!(came.qos == QoS::AtLeastOnce && came.pkid > 0);
    }
}

#[tokio::test]
async fn a_will_is_told_when_a_client_is_lost_and_not_when_it_says_farewell() {
    let broker = Broker::start(anywhere()).await.unwrap();
    let (listener, mut heard) = client(&broker, "listener");
    subscribed(&listener, &mut heard, "will/#", QoS::AtLeastOnce).await;
    for (name, polite) in [("polite", true), ("lost", false)] {
        let mut options = options(&broker, name);
        options.set_last_will(LastWill::new(format!("will/{name}"), "gone", QoS::AtLeastOnce, true));
        let (client, mut events) = AsyncClient::new(options, 10);
        until(&mut events, |packet| matches!(packet, Packet::ConnAck(_)).then_some(())).await;
        if polite {
            client.disconnect().await.unwrap();
            while events.poll().await.is_ok() {}
        }
    }
    let told = message(&mut heard).await;
    assert_eq!((told.topic.as_str(), told.payload.as_ref()), ("will/lost", &b"gone"[..]));
}

#[tokio::test]
async fn a_broken_packet_ends_only_its_own_connection() {
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
    let broker = Broker::start(anywhere()).await.unwrap();
    let mut raw = tokio::net::TcpStream::connect(broker.address()).await.unwrap();
    raw.write_all(&[0xff; 64]).await.unwrap();
    let mut rest = Vec::new();
    assert!(timeout(WAIT, raw.read_to_end(&mut rest)).await.is_ok(), "the connection is closed");
    let (good, mut events) = client(&broker, "good");
    subscribed(&good, &mut events, "#", QoS::AtMostOnce).await;
}

#[tokio::test]
async fn a_living_site_publishes_its_mqtt_meters_with_their_time() {
    let broker = Broker::start(anywhere()).await.unwrap();
    let (listener, mut heard) = client(&broker, "listener");
    subscribed(&listener, &mut heard, "larkspur/#", QoS::AtMostOnce).await;
    let live = Live::start(Site::new(1, START, Working::MidShift, vec![]), 10);
    let _publisher = Publisher::start(broker.address(), live.watch());
    let mut topics = std::collections::BTreeSet::new();
    while topics.len() < 5 {
        let came = message(&mut heard).await;
        let body: serde_json::Value = serde_json::from_slice(&came.payload).unwrap();
        if came.topic.ends_with("sensors") {
            assert!(body["t"].as_str().unwrap().starts_with("2026-03-03T18:00:"), "{body}");
            assert!(body["TW"]["B"].as_f64().unwrap() > 30.0);
        } else {
            assert!(body["t"].as_i64().unwrap() > START);
            assert!((110.0..125.0).contains(&body["U"]["C"].as_f64().unwrap()), "{body}");
        }
        topics.insert(came.topic);
    }
}

#[tokio::test]
async fn an_hour_of_the_past_is_published_in_seconds_and_wholly_acknowledged() {
    let broker = Broker::start(anywhere()).await.unwrap();
    let mut site = Site::new(1, START, Working::MidShift, vec![]);
    let sent = publish_span(broker.address(), &mut site, START + 3_600_000, 10_000).await.unwrap();
    assert_eq!(sent, 360 * 5);
}
