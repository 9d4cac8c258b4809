//! The least that polling can cost: one connection a meter, one read a second, decoded to numbers, a deadline on
//! each. The same client library as the daemon's, and nothing around it.

use std::time::Duration;
use tokio::net::TcpStream;
use tokio::time::{Instant, interval_at, timeout};
use tokio_modbus::client::{Reader, tcp};
use tokio_modbus::slave::Slave;

/// Connections are made within this time; then the first poll begins.
const START: Duration = Duration::from_secs(1);
/// No answer for so long ends the floor: a floor with faults measures nothing.
const DEADLINE: Duration = Duration::from_secs(1);

/// Polls for `seconds`. `slot_ms` 0 spreads the polls evenly over the second, else they begin in groups of so many
/// milliseconds, so that they share wake-ups.
pub(crate) async fn run(ports: &[u16], registers: u16, seconds: u64, slot_ms: u64) {
    let start = Instant::now() + START;
    let mut polls = tokio::task::JoinSet::new();
    for (number, port) in ports.iter().enumerate() {
        let stream = TcpStream::connect(("127.0.0.1", *port)).await.expect("the bench's own server listens");
        stream.set_nodelay(true).expect("the stream is connected");
        let spread_us = 1_000_000 * number as u64 / ports.len() as u64;
        let after_us = if slot_ms > 0 { spread_us - spread_us % (slot_ms * 1000) } else { spread_us };
        polls.spawn(poll(stream, registers, seconds, start + Duration::from_micros(after_us)));
    }
    while let Some(ended) = polls.join_next().await {
        ended.expect("a poller of the floor only ends after its last poll");
    }
}

async fn poll(stream: TcpStream, registers: u16, seconds: u64, first: Instant) {
    let mut client = tcp::attach_slave(stream, Slave(1));
    let mut values = vec![0f32; usize::from(registers / 2)];
    let mut ticks = interval_at(first, Duration::from_secs(1));
    for _ in 0..seconds {
        ticks.tick().await;
        let answer = timeout(DEADLINE, client.read_holding_registers(0, registers)).await;
        let words = answer.expect("in time").expect("an answer").expect("no exception");
        for (value, pair) in values.iter_mut().zip(words.chunks_exact(2)) {
            *value = f32::from_bits(u32::from(pair[0]) << 16 | u32::from(pair[1]));
        }
        std::hint::black_box(&values);
    }
}
