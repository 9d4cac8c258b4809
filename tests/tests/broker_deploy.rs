//! The broker configuration that is shipped in `deploy/broker`, with a real mosquitto and certificates of our own:
//! reading and telling work, and nobody may tell what is not theirs.
//!
//! Seen to fail: without the line `acl_file` the stranger's alert was heard.

use kvarden_tests::authority::{Authority, FAR_OFF, LONG_AGO};
use kvarden_tests::broker::{Ear, Mosquitto, Voice, is_taken};
use kvarden_tests::program::{Daemon, PATIENCE};
use kvarden_tests::site::{Site, TOPICS};
use kvarden_tests::wait::{free_port, wait_for};
use serde_json::json;
use std::path::Path;

const SHIPPED: &str = include_str!("../../deploy/broker/mosquitto.conf");
const ACCESS: &str = include_str!("../../deploy/broker/access.acl");
const FILES: &str = "/etc/mosquitto/kvarden/";

fn login(folder: &Path, authority: &Authority, name: &str) -> Vec<String> {
    let (certificate, key) = authority.issue(name, &[], LONG_AGO, FAR_OFF).write(folder, name, 0o644);
    let ca = folder.join("authority.pem");
    [
        "--cafile",
        &ca.display().to_string(),
        "--cert",
        &certificate.display().to_string(),
        "--key",
        &key.display().to_string(),
    ]
    .map(str::to_owned)
    .to_vec()
}

#[test]
fn each_may_tell_and_hear_what_is_theirs_and_nothing_else() {
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let (here, port) = (folder.path().to_owned(), free_port());
    let authority = Authority::new();
    std::fs::write(here.join("authority.pem"), authority.pem()).expect("a file can be written");
    std::fs::write(here.join("access.acl"), ACCESS).expect("a file can be written");
    std::fs::create_dir(here.join("kept")).expect("a folder can be made");
    authority.issue("broker", &["127.0.0.1"], LONG_AGO, FAR_OFF).write(&here, "broker", 0o644);
    // The shipped file but for its port and its folders.
    for part in ["listener 8883\n", FILES, "/var/lib/mosquitto/"] {
        assert!(SHIPPED.contains(part), "{part} is not in the shipped file any more");
    }
    let settings = SHIPPED
        .replace("listener 8883\n", &format!("listener {port} 127.0.0.1\n"))
        .replace(FILES, &format!("{}/", here.display()))
        .replace("/var/lib/mosquitto/", &format!("{}/", here.join("kept").display()));
    let [kvarden, room, mp3, stranger] =
        ["kvarden", "control-room", "mp3", "somebody"].map(|name| login(&here, &authority, name));
    let broker = Mosquitto::start_with(folder, port, &settings, &room);

    let config = format!(
        r#"
[[meter]]
name = "MP-3"
measures = {{ feeder = "MP-3" }}
mqtt = {{ topic = "cannery/+/values", named = "mp3", map = "maps/mp3.toml" }}
[[limit]]
on = "current_a"
levels = [{{ setpoint = 80, priority = "high" }}]
deadband = 5
on_delay = "0s"
off_delay = "0s"
recurs = false
[broker]
address = "127.0.0.1:{port}"
tls = {{ ca_file = "{0}/authority.pem", certificate_file = "{0}/kvarden.pem", key_file = "own.key" }}
[tell]
heartbeat = "5s"
"#,
        here.display()
    );
    let map = "[[point]]\nmeasurand = \"current_a\"\nplace = \"B\"\npointer = \"/b\"\n";
    let key = std::fs::read_to_string(here.join("kvarden.key")).expect("it was just written");
    let site = Site::new(&config, &[("maps/mp3.toml", map), ("own.key", &key)]);
    let mode = std::os::unix::fs::PermissionsExt::from_mode(0o600);
    std::fs::set_permissions(site.path("own.key"), mode).expect("the file is ours");
    let ear = Ear::of(&broker, TOPICS, Some(&room));
    let daemon = Daemon::watching(&site);
    ear.wait_for("the sign of life", |heard| heard.topic == format!("{TOPICS}/status"));

    // Nobody but the daemon tells alerts, no meter speaks for another, nobody gets in without a certificate.
    let forged = json!({ "forged": true, "b": "forged" });
    for (who, topic) in [
        (&stranger, format!("{TOPICS}/events")),
        (&mp3, format!("{TOPICS}/events")),
        (&mp3, format!("{TOPICS}/acknowledge")),
        (&room, format!("{TOPICS}/events")),
        (&stranger, "cannery/mp3/values".to_owned()),
        (&kvarden, "cannery/mp3/values".to_owned()),
    ] {
        // mosquitto says nothing of what it does not pass on.
        assert!(is_taken(&broker, &topic, &forged, who), "the certificate is good");
    }
    let bare = [room[0].clone(), room[1].clone()];
    assert!(!is_taken(&broker, "cannery/mp3/values", &forged, &bare), "no certificate, no way in");
    let other = Authority::new();
    let foreign = tempfile::tempdir().expect("the system has a folder for temporary files");
    std::fs::write(foreign.path().join("authority.pem"), authority.pem()).expect("a file can be written");
    let foreign = login(foreign.path(), &other, "mp3");
    assert!(!is_taken(&broker, "cannery/mp3/values", &forged, &foreign), "of a foreign authority");

    // What is theirs gets through, and came behind all that.
    let mut voice = Voice::of(&broker, "cannery/mp3/values", Some(&mp3));
    wait_for("the daemon hears of MP-3", PATIENCE, || {
        voice.say(&json!({ "b": 95.5 }));
        daemon.status().meters.iter().any(|meter| meter.readings > 0).then_some(())
    });
    ear.wait_for("the alert", |heard| heard.payload["value"] == 95.5);
    let troubles: Vec<_> = daemon.status().meters.into_iter().flat_map(|meter| meter.troubles).collect();
    assert!(troubles.is_empty(), "a forged value came through: {troubles:?}");
    let heard = ear.heard();
    assert!(heard.iter().all(|message| message.payload["forged"] != true), "{heard:?}");
    daemon.stop();
}

/// A shipped file without bounds would be a queue without an end.
#[test]
fn the_shipped_file_sets_every_bound() {
    for setting in [
        "max_inflight_messages",
        "max_queued_messages",
        "max_queued_bytes",
        "message_size_limit",
        "max_connections",
    ] {
        let line = SHIPPED
            .lines()
            .find_map(|line| line.strip_prefix(setting))
            .unwrap_or_else(|| panic!("no {setting}"));
        assert!(line.trim().parse::<u64>().is_ok_and(|bound| bound > 0), "{setting}{line} is no bound");
    }
}
