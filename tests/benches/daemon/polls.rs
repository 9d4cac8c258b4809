//! What a poll costs the whole daemon, against a bare client loop on the same registers of the same meters: processor
//! time, and instructions in user space.

use crate::figures::{Figures, RUNS, heading, is_wanted, line, short_or};
use crate::meters::{Lateness, Meters, TOO_LATE_MS};
use crate::plant;
use crate::process::{Watched, counted, daemon, floor};
use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Two registers for each value.
const REGISTERS: usize = 2;
/// After the start, connections are made and the first polls go by.
const WARM_UP: Duration = Duration::from_secs(4);
/// A large site; one configuration may have twice as many.
const MANY: usize = 1000;
/// A start on a busy machine, and under callgrind, takes no longer.
const LONGEST_START: Duration = Duration::from_mins(1);
/// Polled under callgrind, at which the tool keeps up.
const FEW: usize = 100;

/// Whether `KVARDEN_BENCH=long` asks for runs that last beyond the first snapshot of all scopes, of minutes each.
fn is_long() -> bool {
    std::env::var("KVARDEN_BENCH").is_ok_and(|value| value == "long")
}

/// Runs both sections.
pub(crate) fn run() {
    if is_wanted("polls") {
        for meters in short_or(&[100][..], &[100, MANY][..]) {
            processor_time(*meters);
        }
    }
    if is_wanted("instructions") {
        instructions();
    }
}

/// A site of polled meters, in a folder that goes with it.
fn site(meters: &Meters) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let mut map = String::new();
    for (at, quantity) in plant::quantities().iter().enumerate() {
        let (key, address) = (plant::key(*quantity), REGISTERS * at);
        let _ = writeln!(map, "[[point]]\n{key}\naddress = {address}\nkind = \"f32\"");
    }
    let ports = meters.ports();
    let source = |number: usize| {
        format!("modbus = {{ address = \"127.0.0.1:{}\", map = \"map.toml\" }}", ports[number])
    };
    let config = folder.path().join("kvarden.toml");
    std::fs::write(folder.path().join("map.toml"), map).expect("the folder is there");
    std::fs::write(&config, plant::config(ports.len(), ["10m", "1h"], source)).expect("the folder is there");
    (folder, config)
}

fn meters(count: usize) -> Meters {
    Meters::start(count, &plant::quantities().iter().copied().map(plant::ordinary).collect::<Vec<_>>())
}

fn fleet(meters: &Meters, seconds: u64, slot_ms: u64) -> Command {
    let registers = (REGISTERS * plant::quantities().len()).to_string();
    floor(&["fleet", &meters.ports_word(), &registers, &seconds.to_string(), &slot_ms.to_string()])
}

struct Cost {
    us: Figures,
    rss_mib: f64,
    lateness: Lateness,
}

fn measure(command: Command, meters: &Meters, log: &Path) -> Cost {
    let before = meters.polls();
    let process = Watched::start(command, log);
    let begun = Instant::now();
    while meters.polls() == before && begun.elapsed() < LONGEST_START {
        std::thread::sleep(Duration::from_millis(20));
    }
    std::thread::sleep(WARM_UP);
    meters.lateness();
    let length = Duration::from_secs(if is_long() { 70 } else { short_or(1, 2) });
    let us = (0..RUNS).map(|_| {
        let (polls, used) = (meters.polls(), process.cpu());
        std::thread::sleep(length);
        let (used, polls) = (process.cpu().saturating_sub(used), meters.polls() - polls);
        assert!(polls > 0, "no poll came:\n{}", process.log());
        used.as_secs_f64() * 1e6 / polls as f64
    });
    let us = us.collect();
    Cost { us, rss_mib: process.rss_mib(), lateness: meters.lateness() }
}

fn processor_time(count: usize) {
    let values = plant::quantities().len();
    heading(&format!(
        "polls: {count} meters of {values} f32 at 1 Hz, processor time of the process, µs a poll"
    ));
    let meters = meters(count);
    let (folder, config) = site(&meters);
    let log = folder.path().join("log");
    let spread = measure(fleet(&meters, 3600, 0), &meters, &log);
    tell("floor: bare client loop, starts spread", &spread);
    let slots = measure(fleet(&meters, 3600, 20), &meters, &log);
    tell("floor: bare client loop, starts in slots of 20 ms", &slots);
    let whole = measure(daemon(&config), &meters, &log);
    tell("the whole daemon", &whole);
    line("the whole daemon against spread starts", whole.us.over(&spread.us));
    line("the whole daemon against slots", whole.us.over(&slots.us));
    let each = (whole.rss_mib - slots.rss_mib) * 1024.0 / count as f64;
    line("memory of the daemon beyond the loop's, a meter", format!("{each:.0} KiB"));
}

fn tell(what: &str, cost: &Cost) {
    let Lateness { usual_ms, most_ms, too_late } = cost.lateness;
    line(
        what,
        format!(
            "{:.1} µs; RSS {:.1} MiB; late by {usual_ms:.1} ms at the 99th of 100, {most_ms:.1} ms at most, \
             {:.2} % by more than {TOO_LATE_MS} ms",
            cost.us,
            cost.rss_mib,
            100.0 * too_late
        ),
    );
}

/// The difference of two lengths of run leaves start and end out. In the full mode it holds one end of a minute.
fn instructions() {
    heading(&format!("instructions: user space, {FEW} meters at 1 Hz, instructions a poll"));
    if Command::new("valgrind").arg("--version").output().is_err() {
        line("SKIPPED: there is no valgrind on this machine", "apt-get install valgrind");
        return;
    }
    // The first snapshot of all scopes is written in both.
    let lengths = [short_or(15, 20), short_or(30, 80)];
    let mut runs: Vec<(Meters, TempDir, Watched)> = Vec::new();
    for seconds in lengths {
        for is_daemon in [false, true] {
            let meters = meters(FEW);
            let (folder, config) = site(&meters);
            let command = if is_daemon { daemon(&config) } else { fleet(&meters, seconds, 20) };
            let log = folder.path().join("log");
            runs.push((meters, folder, Watched::start(counted(&command), &log)));
        }
    }
    for (meters, _, process) in &runs {
        // A length counts from the first poll: under the tool a start takes seconds.
        let begun = Instant::now();
        while meters.polls() == 0 {
            assert!(begun.elapsed() < LONGEST_START, "no poll came:\n{}", process.log());
            std::thread::sleep(Duration::from_millis(20));
        }
    }
    let mut slept = 0;
    for (seconds, pair) in lengths.iter().zip(runs.chunks_mut(2)) {
        std::thread::sleep(Duration::from_secs(seconds - slept));
        slept = *seconds;
        if let [_, (_, _, process)] = pair {
            process.end();
        }
    }
    let counts: Vec<(f64, f64)> = runs
        .iter_mut()
        .map(|(meters, _, process)| {
            process.wait();
            (collected(&process.log()), meters.polls() as f64)
        })
        .collect();
    let each = |short: (f64, f64), long: (f64, f64)| (long.0 - short.0) / (long.1 - short.1);
    let (bare, whole) = (each(counts[0], counts[2]), each(counts[1], counts[3]));
    line("floor: bare client loop", format!("{bare:.0}"));
    line("the whole daemon", format!("{whole:.0} = {:.2} times the floor", whole / bare));
}

fn collected(log: &str) -> f64 {
    let number = log.lines().find_map(|line| line.split("Collected : ").nth(1)?.trim().parse().ok());
    number.unwrap_or_else(|| panic!("callgrind tells no count:\n{log}"))
}
