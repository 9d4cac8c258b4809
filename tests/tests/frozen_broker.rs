//! A broker that freezes while a publish is in flight, then dies, and is followed by one that knows nothing of us:
//! every alert arrives, those of one alert in their order, each under the id that it had.
//!
//! Seen to fail: a letter taken as delivered when it was handed to the client library (the one in flight was lost).

use kvarden_tests::broker::{Ear, Mosquitto};
use kvarden_tests::modbus_server::{Answer, serve};
use kvarden_tests::program::{Daemon, PATIENCE, signal};
use kvarden_tests::site::{Site, TOPICS, point};
use kvarden_tests::wait::wait_for;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicU16, Ordering};
use std::time::Duration;

/// Longer than the patience with one acknowledgement, so that the daemon gives up the frozen connection and meets
/// the frozen broker again.
const FROZEN: Duration = Duration::from_secs(14);

/// MP-3 by Modbus, since readings must go on while the broker does not.
fn site(broker: u16, modbus: u16) -> Site {
    let config = format!(
        r#"
[[meter]]
name = "MP-3"
measures = {{ feeder = "MP-3" }}
modbus = {{ address = "127.0.0.1:{modbus}", unit = 1, map = "maps/mp3.toml", every = "100ms" }}
frozen_after = "never"

[[limit]]
on = "current_a"
of = "MP-3"
levels = [{{ setpoint = 80, priority = "low" }}, {{ setpoint = 95, priority = "high" }}]
deadband = 5
on_delay = "0s"
off_delay = "0s"
recurs = false

[[limit]]
on = "neutral_current_a"
of = "MP-3"
levels = [{{ setpoint = 80, priority = "low" }}, {{ setpoint = 95, priority = "high" }}]
deadband = 5
on_delay = "0s"
off_delay = "0s"
recurs = false

[[limit]]
on = "bonding_current_a"
of = "MP-3"
levels = [{{ setpoint = 80, priority = "low" }}, {{ setpoint = 95, priority = "high" }}]
deadband = 5
on_delay = "0s"
off_delay = "0s"
recurs = false

[broker]
address = "127.0.0.1:{broker}"
[tell]
file = "alerts.jsonl"
heartbeat = "5s"
"#
    );
    let phase =
        |(address, quantity): (usize, &str)| point(quantity, &format!("address = {address}\nkind = \"u16\""));
    let phases = ["current_a.A", "current_a.B", "current_a.C", "neutral_current_a", "bonding_current_a"];
    let map: String = phases.into_iter().enumerate().map(phase).collect();
    Site::new(&config, &[("maps/mp3.toml", &map)])
}

/// The currents of the three phases, of the neutral and of its bond to earth, set by the test.
#[derive(Default)]
struct Amps([AtomicU16; 5]);

impl Amps {
    /// Sets one phase and waits until that has brought one more letter to the file, whose channel is not touched.
    fn set(&self, site: &Site, phase: usize, amps: u16) {
        let before = site.told_lines().len();
        self.0[phase].store(amps, Ordering::Relaxed);
        wait_for("one more line in the file", PATIENCE, || (site.told_lines().len() > before).then_some(()));
    }
}

/// The letters of the channel to the broker, in the order in which they were written: id, alert, revision, message.
fn letters(site: &Site) -> Vec<(String, String, u64, Value)> {
    let db = rusqlite::Connection::open_with_flags(
        site.path("data/kvarden.db"),
        rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY,
    )
    .expect("the daemon has made its store");
    let sql = "SELECT id, alert, revision, message, place FROM outbox WHERE channel = 'mqtt' ORDER BY number";
    let mut statement = db.prepare(sql).expect("the table is as in the store's schema");
    let rows = statement.query_map((), |row| {
        let id: String = row.get(0)?;
        let (message, place): (String, i64) = (row.get(3)?, row.get(4)?);
        let mut message: Value = serde_json::from_str(&message).expect("a message is JSON");
        message["sequence"] = place.into();
        let id = id.strip_suffix(":mqtt").expect("ids end with their channel").to_owned();
        Ok((id, row.get(1)?, row.get::<_, i64>(2)? as u64, message))
    });
    rows.expect("a query without parameters").map(|row| row.expect("a letter")).collect()
}

#[test]
fn every_alert_arrives_in_order_though_the_broker_froze_died_and_forgot() {
    let amps = Arc::new(Amps::default());
    let registers = Arc::clone(&amps);
    let modbus =
        serve(move |_| Answer::Words(registers.0.iter().map(|amps| amps.load(Ordering::Relaxed)).collect()));
    let mut broker = Mosquitto::start();
    let site = site(broker.port(), modbus);
    let ear = Ear::on(&broker, TOPICS);
    let daemon = Daemon::watching(&site);
    amps.set(&site, 0, 90);
    daemon.wait_until_told();

    // The broker stands still; what is told of B is in flight and never acknowledged.
    broker.freeze();
    amps.set(&site, 1, 90);
    let in_flight = letters(&site).last().expect("B was told").0.clone();
    // All but C come and go as alerts of their own; C stays one alert that waits for a person. None rises three times in a minute:
    // that would be chattering, and held down.
    let steps = [
        [(0, 50), (1, 50), (2, 99), (3, 90), (4, 90)],
        [(0, 90), (1, 90), (2, 50), (3, 50), (4, 50)],
        [(0, 50), (1, 50), (2, 99), (3, 90), (4, 90)],
    ];
    let steps = steps.concat();
    for &(phase, ampere) in &steps {
        amps.set(&site, phase, ampere);
        std::thread::sleep(FROZEN / steps.len() as u32);
    }
    let waiting = daemon.status().channels.into_iter().find(|channel| channel.channel == "mqtt");
    assert!(waiting.is_some_and(|channel| channel.waiting >= 10), "nothing waits: the broker was not frozen");
    assert!(daemon.log().contains("lost the broker; a new client follows"), "{}", daemon.log());

    let before_death = ear.on_topic(&format!("{TOPICS}/events"));
    broker.kill();
    // The daemon stands still until somebody listens, else the first letters could be told to nobody.
    signal("STOP", daemon.pid());
    let broker = Mosquitto::start_at(broker.port());
    let ear = Ear::on(&broker, TOPICS);
    signal("CONT", daemon.pid());
    daemon.wait_until_told();
    wait_for("the last letter is heard", PATIENCE, || {
        let last = letters(&site).last().expect("letters were written").0.clone();
        ear.on_topic(&format!("{TOPICS}/events")).iter().any(|message| message["id"] == last).then_some(())
    });

    let written = letters(&site);
    let after_death = ear.on_topic(&format!("{TOPICS}/events"));
    assert!(after_death.iter().any(|message| message["id"] == in_flight), "{in_flight} was in flight");
    let heard: Vec<&Value> = before_death.iter().chain(&after_death).collect();
    let by_id: BTreeMap<&str, &Value> = written.iter().map(|letter| (letter.0.as_str(), &letter.3)).collect();
    for message in &heard {
        let id = message["id"].as_str().expect("each message has an id");
        assert_eq!(by_id.get(id), Some(message), "{id} was told as it was written");
    }
    let ids: BTreeSet<&str> = heard.iter().filter_map(|message| message["id"].as_str()).collect();
    assert_eq!(ids, by_id.keys().copied().collect(), "every letter was heard");

    let alerts: BTreeSet<&String> = written.iter().map(|letter| &letter.1).collect();
    assert!(alerts.len() >= 8, "{alerts:?}");
    for alert in alerts {
        let mut revisions: Vec<u64> = heard
            .iter()
            .filter(|message| message["alert"] == **alert)
            .filter_map(|message| message["revision"].as_u64())
            .collect();
        // A letter may be heard twice in a row, when only its acknowledgement was lost.
        revisions.dedup();
        let expected: Vec<u64> =
            written.iter().filter(|letter| letter.1 == *alert).map(|letter| letter.2).collect();
        assert_eq!(revisions, expected, "{alert}");
    }
    let lines: BTreeSet<String> =
        site.told_lines().iter().filter_map(|line| line["id"].as_str().map(str::to_owned)).collect();
    assert_eq!(lines.iter().map(String::as_str).collect::<BTreeSet<_>>(), ids, "the file has the same");
    daemon.stop();
}
