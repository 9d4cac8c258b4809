//! The network is gone for minutes: every alert arrives by every way, once per id, those of one alert in their order, how long that
//! took stands in the journal, and meanwhile the way that is left says that the others do not deliver.
//!
//! Outside: Linux's own routing in a network namespace (the network), mosquitto, Python's `http.server`, `ssl` and `hmac`, RFC 5321's
//! answers.

use kvarden_tests::authority::{Authority, FAR_OFF, LONG_AGO};
use kvarden_tests::broker::{Ear, Mosquitto};
use kvarden_tests::network::{Cut, is_own_network};
use kvarden_tests::posted::posted;
use kvarden_tests::program::{Daemon, text};
use kvarden_tests::site::TOPICS;
use kvarden_tests::three_ways::{Told, WAYS};
use kvarden_tests::wait::{free_port, wait_for};
use std::collections::BTreeMap;
use std::time::{Duration, Instant};

const PATIENCE: Duration = Duration::from_mins(3);
/// So long nothing goes through.
const GONE: Duration = Duration::from_secs(130);
/// The ways of a network.
const BY_NETWORK: [&str; 3] = ["mail", "webhook", "mqtt"];

#[test]
fn every_alert_arrives_in_order_though_the_network_was_gone_for_minutes() {
    if !is_own_network("every_alert_arrives_in_order_though_the_network_was_gone_for_minutes") {
        return;
    }
    let authority = Authority::new();
    let shown = authority.issue("web", &["127.0.0.1"], LONG_AGO, FAR_OFF);
    // The ear stays on the broker's own side: only the daemon's door is cut off.
    let (port, door) = (free_port(), free_port());
    let listens =
        [port, door].map(|port| format!("listener {port} 127.0.0.1\nallow_anonymous true\n")).concat();
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let broker = Mosquitto::start_with(folder, port, &format!("{listens}persistence false\n"), &[]);
    let ear = Ear::on(&broker, TOPICS);
    let told = Told::new(&authority, &shown, &format!("[broker]\naddress = \"127.0.0.1:{door}\"\n"));
    let daemon = Daemon::watching(&told.site);
    wait_for("the daemon is on the broker", PATIENCE, || {
        ear.heard().iter().any(|heard| heard.topic.starts_with(&format!("{TOPICS}/"))).then_some(())
    });
    let came = || {
        let ids = ear.on_topic(&format!("{TOPICS}/events")).len();
        [told.mail.mails().len(), told.web.asked().len(), ids]
    };

    let ports = [told.mail.port(), told.web.port(), door];
    let cut = Cut::off(&ports);
    let (gone, before) = (Instant::now(), came());
    // Two alerts, spread over the minutes. Each is over once it was seen by somebody and fell.
    for round in 1..=2 {
        told.load.set_high(true);
        let open = || {
            told.site.store().open_alerts().ok()?.into_iter().find(|open| open.alert.contains("current_a"))
        };
        let alert = wait_for("the alert is open", PATIENCE, open).alert;
        std::thread::sleep(GONE / 5);
        let seen = daemon.run("acknowledge", &[&alert, "--by", "Ines"]);
        assert!(seen.status.success(), "round {round}: {}", text(&seen.stderr));
        told.load.set_high(false);
        wait_for("the alert is over", PATIENCE, || open().is_none().then_some(()));
        std::thread::sleep(GONE / 5);
    }
    wait_for("the command says of each way that it does not deliver", PATIENCE, || {
        let letters = posted(&told.site);
        let of = |way: &str| format!("channel {way}");
        let said = |way: &&str| {
            letters.iter().any(|one| {
                one.channel == "command" && one.fate == "delivered" && one.alert.contains(&of(way))
            })
        };
        BY_NETWORK.iter().all(said).then_some(())
    });
    std::thread::sleep(GONE.saturating_sub(gone.elapsed()));
    let waits = |way: &str| {
        let status = daemon.status();
        status.channels.iter().find(|channel| channel.channel == way).map_or(0, |channel| channel.waiting)
    };
    assert!(BY_NETWORK.iter().all(|way| waits(way) >= 4), "{:?}", daemon.status().channels);
    assert_eq!(came(), before, "the network was not gone");
    drop(cut);

    wait_for("nothing waits and every way works again", 2 * PATIENCE, || {
        let status = daemon.status();
        status.channels.iter().all(|channel| channel.waiting == 0 && channel.works).then_some(())
    });
    daemon.wait_until_told();
    let letters = posted(&told.site);
    told.judge_ways(&letters, 2);
    // More than six in an hour are summed up, and three tell of the ways themselves: of the feeder three are left.
    for way in WAYS {
        let of_feeder = letters.iter().filter(|one| one.channel == way && one.alert.contains("MP-3"));
        let whys: Vec<&str> = of_feeder.map(|one| one.why.as_str()).collect();
        assert_eq!(whys, ["new", "cleared", "new"], "{letters:#?}");
    }
    let longest =
        |way: &str| letters.iter().filter(|one| one.channel == way).filter_map(|one| one.took).max();
    for way in ["mail", "webhook"] {
        assert!(longest(way) >= Some(GONE.as_millis() as i64 / 2), "{way}: {:?}", longest(way));
    }

    // By the broker: as the file, which needs no network, has them.
    let by_alert = |lines: &[serde_json::Value]| {
        let mut of: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for line in lines {
            let text = |key: &str| line[key].as_str().map(str::to_owned);
            if let Some((alert, id)) = text("alert").zip(text("id")) {
                let ids = of.entry(alert).or_default();
                if !ids.contains(&id) {
                    ids.push(id);
                }
            }
        }
        of
    };
    let (heard, lines) =
        (by_alert(&ear.on_topic(&format!("{TOPICS}/events"))), by_alert(&told.site.told_lines()));
    assert_eq!(heard, lines);
    assert!(heard.len() >= 5, "two of the feeder and one of each way: {heard:#?}");
    daemon.stop();
}
