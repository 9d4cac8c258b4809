//! A network where meters can't be reached, each in another way: nobody listens, packets vanish, there is no route, the
//! route is a black hole. In a network namespace of its own, with a sound meter of pymodbus beside them.
//!
//! Needs the right to make a network namespace (root). Where that is missing the test fails and says so: it is never
//! passed over in silence.

use kvarden::status::Status;
use kvarden_tests::modbus_server::{part, python};
use kvarden_tests::program::{kvarden, text};
use kvarden_tests::site::{Site, point};
use kvarden_tests::wait::{run_to_end, wait_for};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

const PATIENCE: Duration = Duration::from_mins(2);

/// The daemon and its neighbour, with the namespace that they live in.
struct Inside(Child);

impl Drop for Inside {
    fn drop(&mut self) {
        // The shell is the first process of a process namespace: with it everything in it ends.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn meter(name: &str, address: &str) -> String {
    format!(
        "\n[[meter]]\nname = \"{name}\"\nmeasures = {{ feeder = \"MP-3\" }}\nsilent_after = \"2s\"\n\
         frozen_after = \"never\"\nmodbus = {{ address = \"{address}\", map = \"maps/one.toml\", every = \"500ms\" }}\n"
    )
}

#[test]
fn meters_that_can_not_be_reached_are_told_of_and_tried_again_and_a_sound_one_is_read() {
    let unreachable = [
        ("nobody listens", "127.0.0.1:503"),
        ("packets vanish", "192.0.2.20:502"),
        ("no route", "203.0.113.20:502"),
        ("black hole", "198.51.100.20:502"),
    ];
    let meters: String = unreachable.iter().map(|(name, address)| meter(name, address)).collect();
    let config = format!("{}{meters}\n[tell]\nfile = \"alerts.jsonl\"\n", meter("sound", "127.0.0.1:502"));
    let map = point("current_a.A", "address = 0\nkind = \"u16\"");
    let site = Site::new(&config, &[("maps/one.toml", &map)]);
    drop(python("pymodbus"));
    let script = "set -e; ip link set lo up; ip route add 192.0.2.0/24 dev lo; ip route add blackhole 198.51.100.0/24; \
                  python3 \"$1\" 502 '{\"holding\": [[0, \"uint16\", 42]]}' \"$2\" & exec \"$3\" run \"$4\"";
    let child = Command::new("unshare")
        .args(["--net", "--pid", "--fork", "--kill-child", "--mount-proc", "sh", "-c", script, "sh"])
        .arg(part("modbus_server.py"))
        .arg(site.path("asked"))
        .arg(kvarden())
        .arg(site.config())
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(std::fs::File::create(site.path("kvarden.log")).expect("a file can be written"))
        .spawn()
        .expect("unshare is part of util-linux");
    let mut inside = Inside(child);
    let status = || {
        let args = ["status", "--json", "--config"];
        let output = run_to_end(Command::new(kvarden()).args(args).arg(site.config()));
        serde_json::from_slice::<Status>(&output.stdout).ok()
    };
    let troubled = |status: &Status, name: &str| {
        let meter = status.meters.iter().find(|meter| meter.meter == name).expect("the site has it");
        meter.troubles.iter().find(|(what, _)| what == "no connection").map_or(0, |(_, count)| *count)
    };
    wait_for("every unreachable meter was tried again and its silence is told", PATIENCE, || {
        if let Ok(Some(ended)) = inside.0.try_wait() {
            let log = std::fs::read(site.path("kvarden.log")).unwrap_or_default();
            panic!(
                "no network of its own could be made (this test needs root), or it ended: {ended}: {}",
                text(&log)
            );
        }
        let status = status()?;
        let told = site.told_lines();
        let all = unreachable
            .iter()
            .all(|(name, _)| troubled(&status, name) >= 2 && told.iter().any(|line| line["meter"] == *name));
        let sound = status.meters.iter().any(|meter| meter.meter == "sound" && meter.readings >= 5);
        (all && sound).then_some(())
    });
    let before = status().expect("it answers").readings;
    wait_for("the sound meter is read on", PATIENCE, || (status()?.readings > before + 3).then_some(()));
    assert!(site.told_lines().iter().all(|line| line["meter"] != "sound"), "{:?}", site.told_lines());
}
