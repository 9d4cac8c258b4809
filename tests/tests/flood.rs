//! A thousand alarms at once in the real binary: messages stay few, the first alarm is named, the memory stays small. And the likely
//! root of a flood, once it is known.

use kvarden_tests::modbus_server::{Answer, serve};
use kvarden_tests::posted::{INES, posted};
use kvarden_tests::program::{Daemon, good, kvarden};
use kvarden_tests::site::{Site, point};
use kvarden_tests::wait::{run_to_end, wait_for};
use std::fmt::Write;
use std::process::Command;
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

/// Main meter and feeders of a T2 that is loaded half again beyond its nameplate within some minutes, feeder by feeder, each of which
/// passes a limit of its own. 75 kVA at 208 V are 208.2 A a phase (textbook: kVA over √3 and volts).
fn overloaded() -> Site {
    const FEEDERS: usize = 15;
    const RATED_A: f64 = 208.2;
    let (mut text, mut columns) = (String::from(INES), String::new());
    let mut logs: Vec<(String, String)> = Vec::new();
    let mut add = |name: &str, measures: &str, head: &str, rows: &mut dyn FnMut(i64) -> String| {
        let _ = write!(
            text,
            "[[meter]]\nname = \"{name}\"\nmeasures = {measures}\n\
             modbus = {{ address = \"127.0.0.1:9\", unit = 1, map = \"maps/any.toml\" }}\n"
        );
        let _ = write!(
            columns,
            "[[log]]\nfile = \"{name}.csv\"\nmeter = \"{name}\"\nevery = \"10s\"\n\
             time = {{ column = \"time\", form = \"unix-s\" }}\n"
        );
        for column in head.split(',') {
            let (what, place) = column.split_once('.').unwrap_or((column, ""));
            let _ = write!(
                columns,
                "[[log.column]]\ncolumn = \"{column}\"\nmeasurand = \"{what}\"\nplace = \"{place}\"\n"
            );
        }
        let rows: Vec<String> =
            (0..360).map(|row| format!("{},{}\n", 1_795_460_400 + 10 * row, rows(row))).collect();
        logs.push((format!("logs/{name}.csv"), format!("time,{head}\n{}", rows.concat())));
    };
    // Feeder by feeder, half a minute apart, after ten minutes.
    let high = |feeder: usize, row: i64| row >= 60 + 3 * feeder as i64;
    let of_feeder =
        |feeder: usize, row: i64| RATED_A / FEEDERS as f64 * if high(feeder, row) { 1.5 } else { 0.5 };
    let wave = |row: i64| 1.0 + 0.003 * (row as f64).sin();
    add(
        "T2 secondary",
        "{ transformer = \"T2\", side = \"secondary\" }",
        "voltage_ln_v.A,voltage_ln_v.B,voltage_ln_v.C,current_a.A,current_a.B,current_a.C",
        &mut |row| {
            let amps: f64 = (0..FEEDERS).map(|feeder| of_feeder(feeder, row)).sum();
            let (volts, amps) = (120.1 * wave(row), amps * wave(row));
            format!("{volts:.2},{volts:.2},{volts:.2},{amps:.2},{amps:.2},{amps:.2}")
        },
    );
    for feeder in 0..FEEDERS {
        add(
            &format!("F-{feeder}"),
            &format!("{{ feeder = \"F-{feeder}\" }}"),
            "current_a.A,current_a.B,current_a.C",
            &mut |row| {
                let amps = of_feeder(feeder, row) * wave(row);
                format!("{amps:.3},{amps:.3},{amps:.3}")
            },
        );
    }
    let feeders: Vec<String> = (0..FEEDERS)
        .map(|feeder| format!("[[feeder]]\nname = \"F-{feeder}\"\nfed_by = \"T2\"\nrated_a = 60\n"))
        .collect();
    let limits: Vec<String> = (0..FEEDERS)
        .map(|feeder| {
            format!(
                "[[limit]]\non = \"current_a\"\nof = \"F-{feeder}\"\ndeadband = 2\non_delay = \"0s\"\noff_delay = \"0s\"\n\
                 levels = [{{ setpoint = 15, priority = \"high\" }}]\nrecurs = false\n"
            )
        })
        .collect();
    let map = point("current_a.A", "address = 0\nkind = \"u16\"");
    let config = format!("{}{text}{}[tell]\nfile = \"alerts.jsonl\"\n", feeders.concat(), limits.concat());
    let files = [("maps/any.toml", map.as_str()), ("logs/columns.toml", columns.as_str())];
    let logs = logs.iter().map(|(name, text)| (name.as_str(), text.as_str()));
    Site::new(&config, &files.into_iter().chain(logs).collect::<Vec<_>>())
}

/// First the flood and its first alarm; as soon as the overload behind it is known, the same alert again with that.
#[test]
fn a_flood_names_its_likely_root_once_that_is_known() {
    let site = overloaded();
    let replay = ["replay", "kvarden.toml", "--from", "logs"];
    let said = good(&run_to_end(Command::new(kvarden()).args(replay).current_dir(site.path(""))));
    // Before the line are the messages, one a line.
    let told: Vec<&str> = said.lines().take_while(|line| !line.starts_with("---")).collect();
    let flood: Vec<&&str> = told.iter().filter(|line| line.contains("alarm flood")).collect();
    assert!(
        flood.first().is_some_and(|line| line.contains("the first: ") && !line.contains("ikely")),
        "{told:#?}"
    );
    let named = flood.iter().find(|line| line.contains("ikely"));
    assert!(named.is_some_and(|line| line.contains("overload")), "{told:#?}");
    // Ten alarms make a flood (ISA-18.2 / IEC 62682, from memory): what rose before is told, what rises in it is held back.
    let during = told.iter().take_while(|line| !line.contains("alarm flood over"));
    let of_feeders = during.filter(|line| line.contains(", F-") && !line.contains("alarm flood")).count();
    assert!((9..=12).contains(&of_feeders), "{of_feeders}: {told:#?}");
}
