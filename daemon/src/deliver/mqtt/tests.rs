//! The courier against a broker that speaks just enough MQTT 3.1.1 to follow a script.

use super::{MqttCourier, MqttSettings};
use crate::broker::Route;
use crate::deliver::fakes::{FakeOutbox, FakeSink, letter, message};
use crate::store::Letter;
use crate::words::{Message, code};
use crate::world::{Courier, Outcome};
use kvarden_config::{BrokerSpec, Qos};
use std::cell::RefCell;
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::LocalSet;
use tokio::time::{sleep, timeout};

/// How the broker treats the n-th publish of the n-th connection (both from 1).
#[derive(Clone, Copy, PartialEq)]
enum Answer {
    Acknowledge,
    AfterAWhile,
    Never,
    WrongId,
    Close,
}

type Heard = Rc<RefCell<Vec<(usize, String)>>>;

const PATIENCE: Duration = Duration::from_secs(1);
const A_WHILE: Duration = Duration::from_millis(200);

async fn packet(stream: &mut TcpStream) -> Option<(u8, Vec<u8>)> {
    let kind = stream.read_u8().await.ok()?;
    let (mut length, mut shift) = (0, 0);
    loop {
        let byte = stream.read_u8().await.ok()?;
        length |= usize::from(byte & 127) << shift;
        shift += 7;
        if byte < 128 {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).await.ok()?;
    Some((kind, body))
}

/// Topic, the last part of it, and what was said.
fn read_publish(kind: u8, body: &[u8]) -> (u16, String) {
    let topic_length = usize::from(u16::from_be_bytes([body[0], body[1]]));
    let topic = std::str::from_utf8(&body[2..2 + topic_length]).unwrap();
    let rest = &body[2 + topic_length..];
    assert_eq!(kind & 0b110, 0b010, "not QoS 1");
    let payload = std::str::from_utf8(&rest[2..]).unwrap();
    let said = match serde_json::from_str::<Message>(payload) {
        Ok(message) => message.id,
        Err(_) => serde_json::from_str::<serde_json::Value>(payload).unwrap()["state"].to_string(),
    };
    let kept = if kind & 1 == 1 { " kept" } else { "" };
    (u16::from_be_bytes([rest[0], rest[1]]), format!("{topic}{kept} {said}"))
}

/// Serves one connection after another as `script` says.
async fn broker(listener: TcpListener, heard: Heard, script: fn(usize, usize) -> Answer) {
    for connection in 1.. {
        let (mut stream, _) = listener.accept().await.unwrap();
        let mut publishes = 0;
        while let Some((kind, body)) = packet(&mut stream).await {
            match kind >> 4 {
                1 => stream.write_all(&[0x20, 2, 0, 0]).await.unwrap(),
                12 => stream.write_all(&[0xD0, 0]).await.unwrap(),
                3 => {
                    publishes += 1;
                    let (id, said) = read_publish(kind, &body);
                    heard.borrow_mut().push((connection, said));
                    let answer = script(connection, publishes);
                    let [high, low] = if answer == Answer::WrongId { [0, 99] } else { id.to_be_bytes() };
                    match answer {
                        Answer::Never => continue,
                        Answer::Close => break,
                        Answer::AfterAWhile => {
                            sleep(A_WHILE).await;
                            // With one in flight nothing else may have come meanwhile.
                            let mut more = [0; 1];
                            let early = timeout(Duration::from_millis(1), stream.peek(&mut more)).await;
                            assert!(early.is_err(), "a second publish before the acknowledgement");
                        }
                        Answer::Acknowledge | Answer::WrongId => {}
                    }
                    stream.write_all(&[0x40, 2, high, low]).await.unwrap();
                }
                other => panic!("packet type {other} was not expected"),
            }
        }
    }
}

struct Bench {
    courier: MqttCourier,
    outbox: Rc<FakeOutbox>,
    heard: Heard,
}

async fn bench(open: Vec<Message>, heartbeat: Duration, script: fn(usize, usize) -> Answer) -> Bench {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let heard = Heard::default();
    tokio::task::spawn_local(broker(listener, Rc::clone(&heard), script));
    let outbox = Rc::new(FakeOutbox::default());
    *outbox.open.borrow_mut() = open;
    let courier =
        MqttCourier::start(settings(address, heartbeat), Rc::clone(&outbox) as _, Rc::new(FakeSink::new()));
    Bench { courier, outbox, heard }
}

fn settings(address: String, heartbeat: Duration) -> MqttSettings {
    let broker = BrokerSpec {
        address,
        client: "box".to_owned(),
        username: Some("ines".to_owned()),
        password: None,
        qos: Qos::AtLeastOnce,
        tls: None,
    };
    MqttSettings {
        route: Route::plain(&broker),
        client: broker.client,
        topics: "p".to_owned(),
        zone: jiff::tz::TimeZone::UTC,
        heartbeat,
        patience: PATIENCE,
    }
}

impl Bench {
    /// Sends until it is delivered, as the pump would; gives the outcomes on the way.
    async fn deliver(&mut self, letter: &Letter) -> Vec<String> {
        let mut reasons = Vec::new();
        loop {
            match self.courier.send(letter).await {
                Outcome::Delivered => return reasons,
                Outcome::TryLater(why) => reasons.push(why),
                Outcome::Refused(why) => panic!("refused: {why}"),
            }
            sleep(Duration::from_millis(100)).await;
        }
    }

    fn heard(&self) -> Vec<String> {
        self.heard.borrow().iter().map(|(connection, said)| format!("{connection}: {said}")).collect()
    }
}

async fn on_local<F: Future>(work: F) -> F::Output {
    LocalSet::new()
        .run_until(timeout(Duration::from_secs(30), work))
        .await
        .expect("the test came to its end in time")
}

const QUIET: Duration = Duration::from_mins(1);

fn state(connection: usize, alert: &str, revision: u32) -> String {
    format!("{connection}: p/alert/{} kept k7:{alert}:{revision}", code(alert))
}

#[tokio::test]
async fn a_letter_is_delivered_only_when_both_its_publishes_are_acknowledged_one_at_a_time() {
    on_local(async {
        let mut bench = bench(Vec::new(), QUIET, |_, _| Answer::AfterAWhile).await;
        let start = std::time::Instant::now();
        assert_eq!(bench.deliver(&letter("T2#1", 1)).await, Vec::<String>::new());
        // Birth, state and event, each acknowledged after a while.
        assert!(start.elapsed() >= A_WHILE * 3);
        assert_eq!(bench.deliver(&letter("T1#1", 1)).await, Vec::<String>::new());
        let expected = [
            "1: p/status kept \"watching\"".to_owned(),
            state(1, "T2#1", 1),
            "1: p/events k7:T2#1:1".to_owned(),
            state(1, "T1#1", 1),
            "1: p/events k7:T1#1:1".to_owned(),
        ];
        assert_eq!(bench.heard(), expected);
    })
    .await;
}

#[tokio::test]
async fn without_an_acknowledgement_a_new_client_carries_the_same_letter_again() {
    on_local(async {
        let script = |connection, publish| match (connection, publish) {
            (1, 3) => Answer::Never,
            (2, 2) => Answer::WrongId,
            (3, 2) => Answer::Close,
            _ => Answer::Acknowledge,
        };
        let mut bench = bench(Vec::new(), QUIET, script).await;
        let reasons = bench.deliver(&letter("T2#1", 1)).await;
        assert_eq!(reasons.first().map(String::as_str), Some("no acknowledgement in time"), "{reasons:?}");
        assert_eq!(bench.deliver(&letter("T2#1", 2)).await, Vec::<String>::new());
        let heard = bench.heard();
        let birth = |n: usize| format!("{n}: p/status kept \"watching\"");
        let event = |n: usize, revision: u32| format!("{n}: p/events k7:T2#1:{revision}");
        let expected = [
            vec![birth(1), state(1, "T2#1", 1), event(1, 1)],
            vec![birth(2), state(2, "T2#1", 1)],
            vec![birth(3), state(3, "T2#1", 1)],
            vec![birth(4), state(4, "T2#1", 1), event(4, 1), state(4, "T2#1", 2), event(4, 2)],
        ];
        assert_eq!(heard, expected.concat());
    })
    .await;
}

#[tokio::test]
async fn a_broker_without_memory_is_told_every_open_alert_again() {
    on_local(async {
        let script = |connection, publish| match (connection, publish) {
            (1, 5) => Answer::Close,
            _ => Answer::Acknowledge,
        };
        let mut bench = bench(vec![message("T1#1", 4)], QUIET, script).await;
        bench.deliver(&letter("T2#1", 1)).await;
        *bench.outbox.open.borrow_mut() = vec![message("T1#1", 4), message("T2#1", 2)];
        let reasons = bench.deliver(&letter("T2#1", 2)).await;
        assert!(!reasons.is_empty());
        let heard = bench.heard();
        assert_eq!(heard[1], state(1, "T1#1", 4));
        let second: Vec<&String> = heard.iter().filter(|said| said.starts_with("2: ")).collect();
        let expected = [
            "2: p/status kept \"watching\"".to_owned(),
            state(2, "T1#1", 4),
            state(2, "T2#1", 2),
            state(2, "T2#1", 2),
            "2: p/events k7:T2#1:2".to_owned(),
        ];
        assert_eq!(second, expected.iter().collect::<Vec<_>>());
    })
    .await;
}

#[tokio::test]
async fn the_heartbeat_is_repeated_and_the_link_says_whether_it_stands() {
    on_local(async {
        let bench = bench(Vec::new(), Duration::from_millis(100), |_, _| Answer::Acknowledge).await;
        let mut link = bench.courier.link();
        link.wait_for(|up| *up).await.unwrap();
        sleep(Duration::from_millis(650)).await;
        let beats = bench.heard().len();
        assert!((5..=8).contains(&beats), "{beats}");
    })
    .await;
}

#[tokio::test]
async fn without_a_broker_each_letter_is_answered_at_once_and_the_link_does_not_stand() {
    on_local(async {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap().to_string();
        drop(listener);
        let outbox = Rc::new(FakeOutbox::default());
        let settings = settings(address, QUIET);
        let mut courier = MqttCourier::start(settings, outbox, Rc::new(FakeSink::new()));
        let outcome = courier.send(&letter("T2#1", 1)).await;
        assert!(matches!(&outcome, Outcome::TryLater(why) if why.contains("refused")), "{outcome:?}");
        assert!(!*courier.link().borrow());
        let absurd = Letter { message: "x".repeat(100_000), ..letter("T2#1", 1) };
        assert!(matches!(courier.send(&absurd).await, Outcome::Refused(_)));
    })
    .await;
}
