//! The least that taking an MQTT message can cost: the same client library as the daemon's, and one typed parse of
//! all the fields that the daemon's map names.

use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use serde::Deserialize;
use std::hint::black_box;
use std::time::Duration;

#[derive(Debug, Deserialize)]
struct Volts {
    l1n: f64,
    l2n: f64,
    l3n: f64,
    l12: f64,
    l23: f64,
    l31: f64,
}

#[derive(Debug, Deserialize)]
struct Amperes {
    l1: f64,
    l2: f64,
    l3: f64,
    n: f64,
}

#[derive(Debug, Deserialize)]
struct Watts {
    l1: f64,
    l2: f64,
    l3: f64,
    tot: f64,
}

#[derive(Debug, Deserialize)]
struct Total {
    tot: f64,
}

#[derive(Debug, Deserialize)]
struct Distortion {
    v1: f64,
    v2: f64,
    v3: f64,
}

#[derive(Debug, Deserialize)]
struct Celsius {
    oil: f64,
    wind: f64,
    amb: f64,
}

#[derive(Debug, Deserialize)]
struct Payload {
    v: Volts,
    i: Amperes,
    p: Watts,
    q: Total,
    pf: f64,
    f: f64,
    thd: Distortion,
    temp: Celsius,
}

impl Payload {
    /// Every field, so that none is left out by the compiler.
    fn sum(&self) -> f64 {
        let Self { v, i, p, q, pf, f, thd, temp } = self;
        let volts = v.l1n + v.l2n + v.l3n + v.l12 + v.l23 + v.l31;
        let rest = i.l1 + i.l2 + i.l3 + i.n + p.l1 + p.l2 + p.l3 + p.tot + q.tot + pf + f;
        volts + rest + thd.v1 + thd.v2 + thd.v3 + temp.oil + temp.wind + temp.amb
    }
}

/// Takes every message of `bench/#` until it is killed.
pub(crate) async fn run(port: u16, qos: QoS) {
    let mut options = MqttOptions::new("floor", "127.0.0.1", port);
    options.set_keep_alive(Duration::from_mins(1)).set_max_packet_size(1 << 20, 1 << 20);
    let (client, mut events) = AsyncClient::new(options, 64);
    events.network_options.set_tcp_nodelay(true);
    client.try_subscribe("bench/#", qos).expect("the queue is empty");
    loop {
        if let Event::Incoming(Packet::Publish(message)) = events.poll().await.expect("the broker is there") {
            let payload: Payload = serde_json::from_slice(&message.payload).expect("the bench's own payload");
            black_box(payload.sum());
        }
    }
}
