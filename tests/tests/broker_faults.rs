//! What a broker and its other clients can do to us, with a real mosquitto: names that no meter has, a flood, rules that
//! filter in silence, a wrong password, a second box under our name.

use kvarden::status::Status;
use kvarden_tests::broker::{Ear, Mosquitto, Voice};
use kvarden_tests::program::{Daemon, PATIENCE};
use kvarden_tests::site::{Site, TOPICS};
use kvarden_tests::wait::{free_port, wait_for};
use std::time::Duration;

const LIMIT: &str = r#"
[[limit]]
on = "current_a"
levels = [{ setpoint = 80, priority = "high" }]
deadband = 5
on_delay = "0s"
off_delay = "0s"
recurs = false
"#;

/// A topic for each value; two meters, told apart by a part of their topics.
fn site(port: u16, more: &str) -> Site {
    let meter = |name: &str, part: &str, measures: &str| {
        format!(
            "[[meter]]\nname = \"{name}\"\nmeasures = {{ {measures} }}\nsilent_after = \"6s\"\nfrozen_after = \"never\"\n\
             mqtt = {{ topic = \"cannery/+/#\", named = \"{part}\", map = \"maps/plain.toml\" }}\n"
        )
    };
    let config = format!(
        "{}{}{LIMIT}[broker]\naddress = \"127.0.0.1:{port}\"\n{more}\n[tell]\nfile = \"alerts.jsonl\"\n",
        meter("MP-3", "mp3", "feeder = \"MP-3\""),
        meter("T2 secondary", "t2", "transformer = \"T2\""),
    );
    let point = |place: &str, topic: &str| {
        format!("[[point]]\nmeasurand = \"current_a\"\nplace = \"{place}\"\ntopic = \"amps/{topic}\"\n")
    };
    Site::new(&config, &[("maps/plain.toml", &format!("{}{}", point("A", "a"), point("B", "b")))])
}

fn meter<'s>(status: &'s Status, name: &str) -> &'s kvarden::status::MeterStatus {
    status.meters.iter().find(|one| one.meter == name).expect("the site has this meter")
}

/// Speaks until the meter has one more reading.
fn until_heard(daemon: &Daemon, voice: &mut Voice, name: &str, amps: &str) {
    let before = meter(&daemon.status(), name).readings;
    wait_for("the daemon hears of the meter", PATIENCE, || {
        voice.say_text(amps);
        (meter(&daemon.status(), name).readings > before).then_some(())
    });
}

fn alert(daemon: &Daemon, word: &str) -> Option<String> {
    daemon.status().alerts.into_iter().map(|alert| alert.text).find(|text| text.contains(word))
}

/// Both values of one moment are one reading of the meter whose name stands in the topic.
#[test]
fn a_part_of_the_topic_names_the_meter_and_unknown_names_are_shown() {
    let broker = Mosquitto::start();
    let site = site(broker.port(), "");
    let daemon = Daemon::watching(&site);
    let mut a = Voice::on(&broker, "cannery/mp3/amps/a");
    until_heard(&daemon, &mut a, "MP-3", "50.5");
    assert_eq!(meter(&daemon.status(), "T2 secondary").readings, 0);
    let ear = Ear::on(&broker, TOPICS);
    let mut b = Voice::on(&broker, "cannery/mp3/amps/b");
    a.say_text("51.0");
    b.say_text("95.5");
    ear.wait_for("the alert", |heard| heard.payload["value"] == 95.5 && heard.payload["place"] == "B");
    let mut stranger = Voice::on(&broker, "cannery/mp9/amps/a");
    stranger.say_text("50");
    wait_for("the stranger is shown", PATIENCE, || {
        let strangers = daemon.status().strangers;
        (strangers.topics == [("cannery/mp9/amps/a".to_owned(), 1)]).then_some(())
    });
    // Garbage is counted, and the last of it shown with its bytes made harmless.
    for garbage in ["1,5", "1e999", "\u{1b}[31mred", "{\"amps\": 50", "not a number"] {
        a.say_text(garbage);
    }
    wait_for("the garbage is counted", PATIENCE, || {
        let status = daemon.status();
        let counted: u64 = meter(&status, "MP-3").troubles.iter().map(|(_, count)| *count).sum();
        (counted >= 5).then_some(())
    });
    let page = String::from_utf8_lossy(&daemon.run("status", &[]).stdout).into_owned();
    assert!(page.contains("cannery/mp9/amps/a") && page.contains("not a number"), "{page}");
    let log = daemon.log();
    assert!(!page.contains('\u{1b}') && !log.contains('\u{1b}'), "{page}");
    assert!(log.matches("payload refused").count() <= 2, "one line a minute: {log}");
    daemon.stop();
}

/// A meter tells as fast as it can while another one has a fault. Seen to fail when every message was let in.
#[test]
fn a_flood_of_one_meter_is_thinned_counted_and_holds_nothing_up() {
    let broker = Mosquitto::start();
    let site = site(broker.port(), "qos = 0");
    let ear = Ear::on(&broker, TOPICS);
    let daemon = Daemon::watching(&site);
    let mut flood = Voice::on(&broker, "cannery/mp3/amps/a");
    until_heard(&daemon, &mut flood, "MP-3", "50");
    let mut quiet = Voice::on(&broker, "cannery/t2/amps/a");
    until_heard(&daemon, &mut quiet, "T2 secondary", "50");
    for number in 0..30_000 {
        flood.say_text(&format!("{}.{}", 40 + number % 30, number % 10));
        if number == 15_000 {
            quiet.say_text("91.5");
        }
    }
    flood.say_text("92.5");
    ear.wait_for("the other meter's alert", |heard| heard.payload["value"] == 91.5);
    ear.wait_for("the newest of the flood", |heard| heard.payload["value"] == 92.5);
    let status = daemon.status();
    let flooded = meter(&status, "MP-3");
    let lost =
        flooded.troubles.iter().any(|(what, count)| what.starts_with("told too quickly") && *count > 1000);
    assert!(lost, "{flooded:?}");
    assert!(flooded.readings < 5000, "{flooded:?}");
    assert!(meter(&status, "T2 secondary").troubles.is_empty());
    daemon.stop();
}

/// mosquitto grants the subscription and passes nothing on: only the silence shows it. Seen to fail when the silence of a meter
/// that never spoke was not watched.
#[test]
fn rules_that_filter_in_silence_are_seen_by_the_silence() {
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let (port, rules) = (free_port(), folder.path().join("access.acl"));
    std::fs::write(&rules, "topic readwrite kvarden/#\ntopic write cannery/#\ntopic read cannery/t2/#\n")
        .expect("a file can be written");
    let settings = format!("listener {port} 127.0.0.1\nallow_anonymous true\nacl_file {}\n", rules.display());
    let broker = Mosquitto::start_with(folder, port, &settings, &[]);
    let site = site(port, "");
    let daemon = Daemon::watching(&site);
    let mut filtered = Voice::on(&broker, "cannery/mp3/amps/a");
    let mut heard = Voice::on(&broker, "cannery/t2/amps/a");
    until_heard(&daemon, &mut heard, "T2 secondary", "50");
    wait_for("the silence is told", Duration::from_mins(1), || {
        filtered.say_text("50");
        heard.say_text("50");
        alert(&daemon, "MP-3")
    });
    assert_eq!(meter(&daemon.status(), "MP-3").readings, 0);
    daemon.stop();
}

/// That the code of the welcome matters was seen in `daemon/src/acquire/mqtt_tests.rs`.
#[test]
fn a_broker_that_does_not_let_us_in_is_an_alarm_of_its_own() {
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let port = free_port();
    let settings = format!("listener {port} 127.0.0.1\nallow_anonymous false\n");
    let _broker = Mosquitto::start_with(folder, port, &settings, &[]);
    let site = site(port, "");
    let daemon = Daemon::watching(&site);
    wait_for("the file tells of it", PATIENCE, || {
        let tells = |line: &serde_json::Value| line.to_string().contains("refusing us (not authorised)");
        site.told_lines().iter().any(tells).then_some(())
    });
    assert!(daemon.log().contains("refused by the broker: not authorised"), "{}", daemon.log());
    daemon.stop();
}

/// Two daemons of two sites whose client name is the same. Seen to fail with waits of a second that do not grow: 14 in 12 s on
/// a busy machine. That the count of ends matters was seen in `daemon/src/acquire/mqtt_tests.rs`.
#[test]
fn a_second_box_under_our_name_is_noticed_and_the_two_do_not_fight_each_second() {
    let broker = Mosquitto::start();
    let sites = [site(broker.port(), ""), site(broker.port(), "")];
    let daemons = sites.each_ref().map(Daemon::watching);
    wait_for("one of them says so", Duration::from_secs(90), || {
        let tells = |line: &serde_json::Value| line.to_string().contains("another program using our name");
        sites.iter().any(|site| site.told_lines().iter().any(tells)).then_some(())
    });
    let connections = || broker.log().matches("already connected").count();
    let before = connections();
    std::thread::sleep(Duration::from_secs(12));
    let more = connections() - before;
    assert!(more < 8, "{more} connections were taken over in 12 s");
    for daemon in daemons {
        daemon.stop();
    }
}
