//! A thousand alarms at once in the real binary: messages stay few, the first alarm is named, the memory stays small.

use kvarden_tests::modbus_server::{Answer, serve};
use kvarden_tests::posted::{INES, posted};
use kvarden_tests::program::Daemon;
use kvarden_tests::site::{Site, point};
use kvarden_tests::wait::wait_for;
use std::fmt::Write;
use std::sync::Arc;
use std::sync::atomic::{AtomicU16, Ordering};
use std::time::Duration;

/// Meters, each of three currents.
const METERS: usize = 340;
const ALARMS: usize = 3 * METERS;
/// Units behind one gateway, as Modbus allows at most 247.
const BEHIND_ONE: usize = 125;
/// On a busy machine.
const PATIENCE: Duration = Duration::from_mins(3);
/// What a thousand open alerts with their letters may take: about 64 KiB each, far less than what a queue without bound would.
const MOST_KIB: u64 = 64 * 1024;

fn sections(ports: [u16; 3]) -> String {
    let mut text = String::new();
    for number in 0..METERS {
        let (port, unit) = (ports[number / BEHIND_ONE], number % BEHIND_ONE + 1);
        let _ = write!(
            text,
            "[[feeder]]\nname = \"F-{number}\"\nfed_by = \"T2\"\n\
             [[meter]]\nname = \"F-{number}\"\nmeasures = {{ feeder = \"F-{number}\" }}\nfrozen_after = \"never\"
            modbus = {{ address = \"127.0.0.1:{port}\", unit = {unit}, map = \"maps/amps.toml\", every = \"2s\" }}\n"
        );
    }
    let limit = |of: &str, setpoint: u16, priority: &str| {
        format!(
            "[[limit]]\non = \"current_a\"\n{of}deadband = 2\non_delay = \"0s\"\noff_delay = \"0s\"
            levels = [{{ setpoint = {setpoint}, priority = \"{priority}\" }}]\nrecurs = false\n"
        )
    };
    text += &limit("", 80, "high");
    text += &limit("of = \"F-7\"\n", 80, "urgent");
    text + INES
        + r#"
[store]
folder = "data"
[tell]
file = "alerts.jsonl"
"#
}

/// A figure of a process in KiB, as the system tells it.
fn memory(daemon: &Daemon, what: &str) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", daemon.pid())).expect("it runs");
    let line = status.lines().find_map(|line| line.strip_prefix(what)).expect("the system tells it");
    line.trim().trim_end_matches(" kB").parse().expect("a number")
}

#[test]
fn a_thousand_alarms_at_once_are_a_few_messages_and_one_names_the_first() {
    let amps = Arc::new(AtomicU16::new(50));
    let ports = [(); 3].map(|()| {
        let amps = Arc::clone(&amps);
        serve(move |question| Answer::Words(vec![amps.load(Ordering::Relaxed); usize::from(question.count)]))
    });
    let map: String = ["A", "B", "C"]
        .iter()
        .enumerate()
        .map(|(register, place)| {
            point(&format!("current_a.{place}"), &format!("address = {register}\nkind = \"u16\""))
        })
        .collect();
    let site = Site::new(&sections(ports), &[("maps/amps.toml", &map)]);
    let daemon = Daemon::watching(&site);
    wait_for("every meter was read", PATIENCE, || {
        (daemon.status().readings > 2 * METERS as u64).then_some(())
    });
    let before = memory(&daemon, "VmRSS:");
    amps.store(130, Ordering::Relaxed);
    let open = wait_for("a thousand alerts and the flood are open", PATIENCE, || {
        let open = daemon.status().alerts.len();
        (open > ALARMS).then_some(open)
    });
    assert_eq!(open, ALARMS + 1);
    daemon.wait_until_told();
    let grown = memory(&daemon, "VmHWM:").saturating_sub(before);
    assert!(grown < MOST_KIB, "{grown} KiB more than before");

    let told = site.told_lines();
    let urgent = told.iter().filter(|line| line["priority"] == "urgent").count();
    assert_eq!(urgent, 3, "the three currents of F-7: what is urgent is told one by one");
    // The ten before it was a flood, some of which may be urgent, and the flood.
    assert!((8..=11).contains(&(told.len() - urgent)), "{}", told.len());
    let open = site.store().open_alerts().expect("the store can be read");
    assert_eq!(open.len(), ALARMS + 1, "all are in the record");
    let flood = told.iter().find(|line| line["what"] == "alarm flood").expect("it is told");
    let said = flood["text"].as_str().unwrap_or_default();
    let first = told[0]["feeder"].as_str().unwrap_or_default();
    assert!(said.contains("alarm flood, ") && said.contains("the first: T2"), "{said}");
    assert!(said.contains(&format!(" {first}: ")), "the first was at {first}: {said}");
    let letters = posted(&site);
    assert!((1..=kvarden::duty::MOST_AN_HOUR + 2).contains(&letters.len()), "{}", letters.len());
    daemon.stop();
}
