//! Encrypted links to a real mosquitto, with authorities of our own: what is refused, in which words, and that nothing
//! is ever said plainly.
//!
//! Seen to fail: with a verifier that takes every certificate all four bad ones were spoken to.

use kvarden_tests::authority::{Authority, Day, FAR_OFF, Issued, LONG_AGO};
use kvarden_tests::broker::{Ear, Mosquitto, Voice};
use kvarden_tests::program::{Daemon, PATIENCE};
use kvarden_tests::site::{Site, TOPICS};
use kvarden_tests::wait::{free_port, wait_for};
use serde_json::json;
use std::io::{Read, Write};
use std::net::TcpListener;
use std::sync::{Arc, Mutex, PoisonError};

const MAP: &str = "[[point]]\nmeasurand = \"current_a\"\nplace = \"B\"\npointer = \"/b\"\n";

/// A site with MP-3 and alerts on a broker with TLS; `tls` is the rest of that table.
fn site(port: u16, tls: &str, files: &[(&str, &str)]) -> Site {
    let config = format!(
        r#"
[[meter]]
name = "MP-3"
measures = {{ feeder = "MP-3" }}
mqtt = {{ topic = "cannery/mp3", map = "maps/mp3.toml" }}
[[limit]]
on = "current_a"
levels = [{{ setpoint = 80, priority = "high" }}]
deadband = 5
on_delay = "0s"
off_delay = "0s"
recurs = false
[broker]
address = "127.0.0.1:{port}"
tls = {{ ca_file = "authority.pem"{tls} }}
[tell]
file = "alerts.jsonl"
"#
    );
    let files: Vec<(&str, &str)> = [("maps/mp3.toml", MAP)].iter().chain(files).copied().collect();
    Site::new(&config, &files)
}

/// A mosquitto that shows this certificate; `more` are further settings.
fn broker(shown: &Issued, authority: &Authority, more: &str) -> Mosquitto {
    broker_at(free_port(), shown, authority, more)
}

fn broker_at(port: u16, shown: &Issued, authority: &Authority, more: &str) -> Mosquitto {
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let (certificate, key) = shown.write(folder.path(), "broker", 0o644);
    let ca = folder.path().join("authority.pem");
    std::fs::write(&ca, authority.pem()).expect("a file can be written");
    let settings = format!(
        "listener {port} 127.0.0.1\npersistence false\ncertfile {}\nkeyfile {}\ncafile {}\n{more}\n",
        certificate.display(),
        key.display(),
        ca.display()
    );
    let login = ["--cafile".to_owned(), ca.display().to_string(), "--insecure".to_owned()];
    Mosquitto::start_with(folder, port, &settings, &login)
}

/// A daemon meets a broker that shows a certificate that must be refused: it says why, tells so in the file, and the
/// broker hears nothing of it.
fn refused(authority: &Authority, trusted: &Authority, name: &str, from: Day, until: Day, words: &str) {
    let shown = authority.issue("broker", &[name], from, until);
    let broker = broker(&shown, authority, "allow_anonymous true");
    let site = site(broker.port(), "", &[("authority.pem", trusted.pem())]);
    let daemon = Daemon::watching(&site);
    wait_for("both clients say why", PATIENCE, || (daemon.log().matches(words).count() >= 2).then_some(()));
    wait_for("the file tells of the link and of the channel", PATIENCE, || {
        let told = site.told_lines();
        let tells = |word: &str| {
            told.iter().any(|line| line["text"].as_str().is_some_and(|text| text.contains(word)))
        };
        (tells("broker") && told.len() >= 2).then_some(())
    });
    assert!(!broker.log().contains("larkspur-cannery-in"), "{}", broker.log());
    assert!(!broker.log().contains("larkspur-cannery-out"), "{}", broker.log());
    daemon.stop();
}

#[test]
fn an_expired_certificate_is_refused_and_told_by_other_channels() {
    let own = Authority::new();
    refused(&own, &own, "127.0.0.1", LONG_AGO, (2021, 6, 30), "certificate: expired on 2021-06-30");
}

#[test]
fn a_certificate_that_is_not_yet_valid_is_refused_and_told_by_other_channels() {
    let own = Authority::new();
    refused(
        &own,
        &own,
        "127.0.0.1",
        (2089, 3, 1),
        FAR_OFF,
        "certificate: not yet valid, only from 2089-03-01 on",
    );
}

#[test]
fn a_certificate_of_another_name_is_refused_and_told_by_other_channels() {
    let own = Authority::new();
    refused(&own, &own, "other.larkspur.example", LONG_AGO, FAR_OFF, "certificate: wrong name");
}

#[test]
fn a_certificate_of_an_unknown_authority_is_refused_and_told_by_other_channels() {
    refused(
        &Authority::new(),
        &Authority::new(),
        "127.0.0.1",
        LONG_AGO,
        FAR_OFF,
        "certificate: unknown issuer",
    );
}

/// The other side speaks no TLS, as a broker's plain port does: it hears the beginning of a TLS greeting from each
/// connection and never a word of MQTT.
#[test]
fn nothing_is_ever_said_plainly() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("the loopback has free ports");
    let port = listener.local_addr().expect("a bound listener has an address").port();
    let heard = Arc::new(Mutex::new(Vec::<u8>::new()));
    let writes = Arc::clone(&heard);
    std::thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            let mut bytes = [0; 4096];
            let count = stream.read(&mut bytes).unwrap_or(0);
            // A welcome, as if this had been MQTT.
            let _ = stream.write_all(&[0x20, 2, 0, 0]);
            writes.lock().unwrap_or_else(PoisonError::into_inner).extend(&bytes[..count.min(1)]);
        }
    });
    let site = site(port, "", &[("authority.pem", Authority::new().pem())]);
    let daemon = Daemon::watching(&site);
    wait_for("several connections were tried", PATIENCE, || {
        let heard = heard.lock().unwrap_or_else(PoisonError::into_inner).clone();
        (heard.len() >= 4).then_some(())
    });
    // 22 begins a handshake record of TLS (RFC 8446 section 5.1), 16 a CONNECT of MQTT.
    assert!(heard.lock().unwrap_or_else(PoisonError::into_inner).iter().all(|first| *first == 22));
    wait_for("the log says why", PATIENCE, || daemon.log().contains("does not speak TLS").then_some(()));
    daemon.stop();
}

/// Both clients over TLS with a certificate of their own; the broker lets in nobody without one.
#[test]
fn readings_come_and_alerts_go_with_a_certificate_of_our_own() {
    let authority = Authority::new();
    let shown = authority.issue("broker", &["broker.larkspur.example"], LONG_AGO, FAR_OFF);
    let broker = broker(&shown, &authority, "require_certificate true\nuse_identity_as_username true");
    let own = authority.issue("kvarden", &[], LONG_AGO, FAR_OFF);
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let (certificate, key) = own.write(folder.path(), "own", 0o600);
    let tls = format!(
        ", certificate_file = \"{}\", key_file = \"{}\", server_name = \"broker.larkspur.example\"",
        certificate.display(),
        key.display()
    );
    let site = site(broker.port(), &tls, &[("authority.pem", authority.pem())]);
    let ca = site.path("authority.pem").display().to_string();
    let login = [
        "--cafile",
        &ca,
        "--insecure",
        "--cert",
        &certificate.display().to_string(),
        "--key",
        &key.display().to_string(),
    ]
    .map(str::to_owned);
    let ear = Ear::of(&broker, TOPICS, Some(&login));
    let daemon = Daemon::watching(&site);
    let mut voice = Voice::of(&broker, "cannery/mp3", Some(&login));
    wait_for("the daemon hears of MP-3", PATIENCE, || {
        voice.say(&json!({ "b": 95.5 }));
        daemon.status().meters.iter().any(|meter| meter.readings > 0).then_some(())
    });
    ear.wait_for("the alert", |heard| {
        heard.topic == format!("{TOPICS}/events") && heard.payload["value"] == 95.5
    });
    for socket in ["data/in.sock", "data/out.sock"] {
        let mode = std::os::unix::fs::PermissionsExt::mode(
            &std::fs::metadata(site.path(socket)).expect("it is there").permissions(),
        );
        assert_eq!(mode & 0o777, 0o600, "{socket} is for nobody else");
    }
    daemon.stop();

    // Without a certificate the broker refuses, and the reason is told.
    let bare = self::site(
        broker.port(),
        ", server_name = \"broker.larkspur.example\"",
        &[("authority.pem", authority.pem())],
    );
    let daemon = Daemon::watching(&bare);
    wait_for("the log says why", PATIENCE, || {
        daemon.log().contains("it wants a certificate of ours").then_some(())
    });
    daemon.stop();
}

/// So many days from now, in UTC.
fn in_days(days: i64) -> Day {
    let then = jiff::Timestamp::now() + jiff::SignedDuration::from_hours(days * 24);
    let then = jiff::tz::TimeZone::UTC.to_datetime(then);
    (i32::from(then.year()), then.month() as u8, then.day() as u8)
}

/// Ours, the authority's and the one that the broker shows: each has an alarm of its own in good time, which ends when
/// a newer certificate is in place. Those that hold for 40 days are none. Guard: `Desk::look_at_certificates`.
#[test]
fn a_certificate_that_ends_soon_is_an_alarm_until_a_newer_one_is_in_place() {
    let (name, soon) = ("127.0.0.1", in_days(20));
    let authority = Authority::until(soon);
    let shown = authority.issue("broker", &[name], LONG_AGO, soon);
    let mosquitto = broker(&shown, &authority, "allow_anonymous true");
    let port = mosquitto.port();
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let own = authority.issue("kvarden", &[], LONG_AGO, soon);
    let (certificate, key) = own.write(folder.path(), "own", 0o600);
    let tls = format!(", certificate_file = \"{}\", key_file = \"{}\"", certificate.display(), key.display());
    let site = site(port, &tls, &[("authority.pem", authority.pem())]);
    let open = |daemon: &Daemon| {
        let alerts = daemon.status().alerts.into_iter().map(|alert| alert.text);
        alerts.filter(|text| text.contains("certificate")).collect::<Vec<_>>()
    };
    let daemon = Daemon::watching(&site);
    wait_for("all three are told", PATIENCE, || (open(&daemon).len() == 3).then_some(()));
    let told = open(&daemon).join("\n");
    for whose in ["our certificate for the broker", "the broker's authority", "the broker shows"] {
        assert!(told.contains(whose), "{told}");
    }
    let message = site.told_lines().into_iter().find(|line| line.to_string().contains("our certificate"));
    let message = message.expect("the file tells of it");
    assert!(message["check"].as_array().is_some_and(|check| check.len() >= 2), "what to do: {message}");
    let day = format!("{}-{:02}-{:02}", soon.0, soon.1, soon.2);
    let page = String::from_utf8_lossy(&daemon.run("status", &[]).stdout).into_owned();
    assert!(
        page.contains(&format!("ends on {day}")) && daemon.log().contains(&format!("ends on {day}")),
        "{page}"
    );
    daemon.stop();

    // The broker's new authority stands beside the old one; 40 days are enough.
    let newer = Authority::until(in_days(40));
    drop(mosquitto);
    let _mosquitto = broker_at(
        port,
        &newer.issue("broker", &[name], LONG_AGO, in_days(40)),
        &newer,
        "allow_anonymous true",
    );
    newer.issue("kvarden", &[], LONG_AGO, in_days(40)).write(folder.path(), "own", 0o600);
    std::fs::write(site.path("authority.pem"), format!("{}{}", authority.pem(), newer.pem()))
        .expect("a file can be written");
    let daemon = Daemon::watching(&site);
    wait_for("all three are over", PATIENCE, || {
        let told = site.told_lines();
        let over = |whose: &str| {
            told.iter().any(|line| {
                let text = line["text"].as_str().unwrap_or_default();
                text.contains(whose) && text.contains("good for more than 30 days again")
            })
        };
        (over("our certificate") && over("the broker's authority") && over("the broker shows")).then_some(())
    });
    daemon.stop();
}

/// Seen to fail without the look at the mode.
#[test]
fn a_key_that_every_user_may_read_is_refused_at_the_start() {
    let authority = Authority::new();
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let (certificate, key) =
        authority.issue("kvarden", &[], LONG_AGO, FAR_OFF).write(folder.path(), "own", 0o644);
    let tls = format!(", certificate_file = \"{}\", key_file = \"{}\"", certificate.display(), key.display());
    let site = site(free_port(), &tls, &[("authority.pem", authority.pem())]);
    let (configuration, problems) = kvarden_config::load(&site.config());
    assert!(configuration.is_none());
    let words = kvarden_config::render(&problems);
    assert!(words.contains("every user of this machine may read the key file"), "{words}");
}
