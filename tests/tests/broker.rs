//! Debian's mosquitto in and out: what a person sees from the first reading of a fault to its end, what the broker
//! says when the program is gone, and what happens when the broker forgets everything.

use kvarden_tests::broker::{Ear, Heard, Mosquitto, Voice, publish_kept};
use kvarden_tests::program::{Daemon, PATIENCE, text};
use kvarden_tests::site::{Site, TOPICS};
use kvarden_tests::wait::wait_for;
use serde_json::{Value, json};
use std::time::{SystemTime, UNIX_EPOCH};

/// MP-3 stamps its messages itself; the windings of T2 are told without a time.
fn site(broker: &Mosquitto) -> Site {
    let config = format!(
        r#"
[[meter]]
name = "MP-3"
measures = {{ feeder = "MP-3" }}
mqtt = {{ topic = "cannery/mp3", map = "maps/mp3.toml", every = "1s" }}
[[meter]]
name = "T2 windings"
measures = {{ transformer = "T2" }}
mqtt = {{ topic = "cannery/t2/heat", map = "maps/heat.toml", every = "1s" }}

[[limit]]
on = "current_a"
of = "MP-3"
levels = [{{ setpoint = 80, priority = "high" }}]
deadband = 5
on_delay = "0s"
off_delay = "0s"
recurs = false

[broker]
address = "127.0.0.1:{}"
[tell]
file = "alerts.jsonl"
heartbeat = "5s"
"#,
        broker.port()
    );
    let mp3 = "time = { pointer = \"/t\", form = \"unix-ms\" }\nwait = \"0s\"\n\
        [[point]]\nmeasurand = \"current_a\"\nplace = \"B\"\npointer = \"/amps/b\"\n";
    let heat = "[[point]]\nmeasurand = \"winding_c\"\nplace = \"B\"\npointer = \"/b\"\n";
    Site::new(&config, &[("maps/mp3.toml", mp3), ("maps/heat.toml", heat)])
}

fn now() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).expect("the clock is past 1970").as_millis() as i64
}

fn amps(b: f64) -> Value {
    json!({ "t": now(), "amps": { "b": b } })
}

fn readings(daemon: &Daemon, meter: &str) -> u64 {
    let status = daemon.status();
    status.meters.iter().find(|one| one.meter == meter).expect("the site has this meter").readings
}

/// A running daemon that has subscribed and a voice that it hears.
fn heard_by(broker: &Mosquitto, site: &Site) -> (Daemon, Voice) {
    let daemon = Daemon::watching(site);
    let mut voice = Voice::on(broker, "cannery/mp3");
    until_heard(&daemon, &mut voice);
    (daemon, voice)
}

/// Tells a healthy current again and again until the daemon has heard one more.
fn until_heard(daemon: &Daemon, voice: &mut Voice) {
    let before = readings(daemon, "MP-3");
    wait_for("the daemon hears of MP-3", PATIENCE, || {
        voice.say(&amps(50.0));
        (readings(daemon, "MP-3") > before).then_some(())
    });
}

fn event(why: impl Fn(&Value) -> bool) -> impl Fn(&Heard) -> bool {
    move |heard| heard.topic == format!("{TOPICS}/events") && why(&heard.payload)
}

#[test]
fn a_fault_is_told_acknowledged_and_closed_over_a_real_broker() {
    let broker = Mosquitto::start();
    let site = site(&broker);
    let ear = Ear::on(&broker, TOPICS);
    let (daemon, mut voice) = heard_by(&broker, &site);

    let birth = ear.wait_for("the birth", |heard| heard.topic == format!("{TOPICS}/status")).payload;
    assert_eq!((&birth["format"], &birth["state"]), (&json!(1), &json!("watching")));
    let time = |text: &Value| text.as_str().and_then(|text| text.parse::<jiff::Timestamp>().ok());
    let (at, next_by) = (time(&birth["at"]).expect("a time"), time(&birth["next_by"]).expect("a time"));
    assert_eq!((next_by - at).as_secs(), 10, "two heartbeats");

    voice.say(&amps(95.5));
    let opened = ear.wait_for("the alert", event(|message| message["revision"] == 1)).payload;
    assert_eq!(opened["state"], "open");
    assert_eq!(opened["alarm_state"], "unacknowledged");
    assert_eq!((&opened["transformer"], &opened["feeder"]), (&json!("T2"), &json!("MP-3")));
    assert_eq!((&opened["measurand"], &opened["place"]), (&json!("current_a"), &json!("B")));
    assert_eq!((&opened["value"], &opened["setpoint"]), (&json!(95.5), &json!(80.0)));
    assert!(opened["since"].as_str().is_some_and(|since| since.ends_with("-07:00")), "{opened}");
    assert!(!opened["caution"].as_str().expect("a caution").is_empty());
    let code = opened["code"].as_str().expect("a code").to_owned();
    let page = daemon.run("status", &[]);
    assert!(text(&page.stdout).contains(&code), "{}", text(&page.stdout));

    let answer = daemon.run("acknowledge", &["MP-3", "--by", "Ines"]);
    assert!(answer.status.success(), "{}", text(&answer.stderr));
    let seen = ear.wait_for("the acknowledgement", event(|message| message["revision"] == 2)).payload;
    assert_eq!((&seen["alert"], &seen["alarm_state"]), (&opened["alert"], &json!("acknowledged")));
    let again = daemon.run("acknowledge", &["MP-3", "--by", "Tomas"]);
    assert!(!again.status.success(), "only one person is the first");

    voice.say(&amps(50.0));
    let closed = ear.wait_for("the end", event(|message| message["state"] == "closed")).payload;
    assert_eq!((&closed["alert"], &closed["revision"]), (&opened["alert"], &json!(3)));
    daemon.wait_until_told();

    // The file has the same messages; the broker keeps the last of them for whoever subscribes later.
    let told = [opened, seen, closed];
    let bare = |message: &Value| {
        let mut message = message.clone();
        message["sequence"] = Value::Null;
        message
    };
    let lines: Vec<Value> = site.told_lines().iter().map(bare).collect();
    assert_eq!(lines, told.each_ref().map(bare));
    let late = Ear::on(&broker, TOPICS);
    let kept =
        late.wait_for("what the broker keeps", |heard| heard.topic == format!("{TOPICS}/alert/{code}"));
    assert!(kept.kept);
    assert_eq!(bare(&kept.payload), bare(&told[2]));
    assert!(!text(&daemon.run("status", &[]).stdout).contains(&code), "nothing is open any more");
    daemon.stop();
}

#[test]
fn the_broker_says_that_the_program_is_gone_when_it_is_killed() {
    let broker = Mosquitto::start();
    let site = site(&broker);
    let ear = Ear::on(&broker, TOPICS);
    let mut daemon = Daemon::watching(&site);
    let status = |state: &'static str| {
        move |heard: &Heard| heard.topic == format!("{TOPICS}/status") && heard.payload["state"] == state
    };
    ear.wait_for("the birth", status("watching"));
    daemon.kill();
    ear.wait_for("the will", status("gone"));
    let late = Ear::on(&broker, TOPICS);
    assert!(late.wait_for("the kept will", status("gone")).kept);
}

/// Seen to fail when the topics were asked for at the first connection only.
#[test]
fn a_broker_that_forgot_everything_is_subscribed_to_and_told_again() {
    let mut broker = Mosquitto::start();
    let site = site(&broker);
    let (daemon, mut voice) = heard_by(&broker, &site);
    voice.say(&amps(95.5));
    wait_for("the alert", PATIENCE, || (!site.told_lines().is_empty()).then_some(()));
    daemon.wait_until_told();
    let code = site.told_lines()[0]["code"].as_str().expect("a code").to_owned();

    broker.kill();
    let broker = Mosquitto::start_at(broker.port());
    let ear = Ear::on(&broker, TOPICS);
    let mut voice = Voice::on(&broker, "cannery/mp3");
    until_heard(&daemon, &mut voice);
    // The new broker never heard of this alert from anybody but the daemon's new connection.
    let state = ear.wait_for("the alert's state", |heard| heard.topic == format!("{TOPICS}/alert/{code}"));
    assert_eq!(state.payload["id"], site.told_lines()[0]["id"], "the same id as before");
    assert!(ear.on_topic(&format!("{TOPICS}/status")).iter().any(|status| status["state"] == "watching"));
    daemon.stop();
}

/// Seen to fail when a stamp that was there before was taken again, and when one before the last was.
#[test]
fn an_old_kept_reading_is_not_fresh_and_a_repeated_one_counts_once() {
    let broker = Mosquitto::start();
    let site = site(&broker);
    // Without a time of its own nobody can say how old it is.
    publish_kept(&broker, "cannery/t2/heat", &json!({ "b": 145.0 }));
    publish_kept(&broker, "cannery/mp3", &json!({ "t": now() - 60_000, "amps": { "b": 99.0 } }));
    let (daemon, mut voice) = heard_by(&broker, &site);
    let troubles = |meter: &str| {
        let status = daemon.status();
        status.meters.iter().find(|one| one.meter == meter).expect("the site has it").troubles.clone()
    };
    wait_for("both kept readings are seen", PATIENCE, || {
        let seen = |meter| troubles(meter).iter().any(|(what, _)| what == "old retained value");
        (seen("T2 windings") && seen("MP-3")).then_some(())
    });
    assert_eq!(readings(&daemon, "T2 windings"), 0);
    assert!(daemon.status().alerts.is_empty(), "99 A were kept from a minute ago");

    // A repeat of a stamp is refused even when it says something else.
    let stamp = now() + 1000;
    let before = readings(&daemon, "MP-3");
    voice.say(&json!({ "t": stamp, "amps": { "b": 51.0 } }));
    voice.say(&json!({ "t": stamp, "amps": { "b": 99.0 } }));
    voice.say(&json!({ "t": stamp - 500, "amps": { "b": 99.0 } }));
    // A message sent again by hand or by a broker, and one that comes after a later one: no gap of the meter's readings
    // lies there, since one of them came just before.
    wait_for("three more messages", PATIENCE, || (readings(&daemon, "MP-3") >= before + 3).then_some(()));
    let status = daemon.status();
    let meter = status.meters.iter().find(|one| one.meter == "MP-3").expect("the site has it");
    assert_eq!(meter.refused, 2, "a duplicate and a late one: {meter:?}");
    assert!(status.alerts.is_empty(), "{:?}", status.alerts);
    // A new stamp with the same value does raise, so it was the stamp that was refused.
    voice.say(&json!({ "t": stamp + 1, "amps": { "b": 99.0 } }));
    wait_for("the alert", PATIENCE, || (!daemon.status().alerts.is_empty()).then_some(()));
    daemon.stop();
}

/// Row 21 with row 24: a gateway sends what it had buffered after it has sent newer readings, once more than it should,
/// and the program is killed. Each reading is history once, none is judged. Seen to fail when a late reading was judged, when
/// each one was taken for one of a gap, and without the `retain` in `restore`.
#[test]
fn what_a_gateway_sends_behind_newer_readings_is_history_once_and_is_not_judged() {
    let broker = Mosquitto::start();
    let site = site(&broker);
    let mut daemon = Daemon::watching(&site);
    let mut voice = Voice::on(&broker, "cannery/mp3");
    let minute = |ago: i64| (now() / 60_000 - ago) * 60_000;
    let (first, gap, other) = (minute(30), minute(20), minute(10));
    wait_for("the daemon hears of MP-3", PATIENCE, || {
        voice.say(&json!({ "t": first, "amps": { "b": 50.0 } }));
        (readings(&daemon, "MP-3") > 0).then_some(())
    });
    voice.say(&amps(50.0));
    let before = readings(&daemon, "MP-3");
    for second in [0, 7, 3, 3, 9, 1, 0, 5] {
        voice.say(&json!({ "t": gap + second * 1000, "amps": { "b": 99.0 + second as f64 } }));
    }
    // Another minute begins, so the first is told.
    voice.say(&json!({ "t": other, "amps": { "b": 99.0 } }));
    wait_for("all of it came", PATIENCE, || (readings(&daemon, "MP-3") >= before + 9).then_some(()));
    assert!(daemon.status().alerts.is_empty(), "99 A would have raised: {:?}", daemon.status().alerts);
    // Twice the second that each reading may wait to be stored.
    std::thread::sleep(std::time::Duration::from_secs(3));
    daemon.kill();
    let daemon = Daemon::watching(&site);
    daemon.stop();
    let at = kvarden_core::time::EventTime(gap);
    let rows = site.store().minutes("MP-3", at, at + kvarden_core::time::Span::minutes(1)).expect("it reads");
    let row = rows[0].rows[0].1[0];
    assert_eq!((row.count, row.min, row.max), (6, Some(99.0), Some(108.0)), "six different seconds");
    let counted = site.store().refused().expect("it reads");
    assert!(counted.iter().any(|one| one.why == kvarden_core::output::Refusal::OnlyHistory), "{counted:?}");
}
