//! A disk whose syncs take two seconds each: the real daemon goes on polling while one lasts, and people are told.
//!
//! strace delays the calls. Where this user may not trace, the test says so loudly and ends.

use kvarden::store::LOCK;
use kvarden_tests::missing::not_tested;
use kvarden_tests::modbus_server::{Answer, Question, serve};
use kvarden_tests::program::{PATIENCE, kvarden, signal};
use kvarden_tests::site::{Site, point};
use kvarden_tests::wait::wait_for;
use std::fs::File;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{SystemTime, UNIX_EPOCH};

fn may_trace() -> bool {
    let probe = Command::new("strace").args(["-qq", "-o", "/dev/null", "true"]).output();
    probe.is_ok_and(|output| output.status.success())
}

fn site(port: u16) -> Site {
    let config = format!(
        r#"
[[meter]]
name = "MP-3"
measures = {{ feeder = "MP-3" }}
modbus = {{ address = "127.0.0.1:{port}", unit = 1, map = "maps/mp3.toml", every = "100ms" }}
frozen_after = "never"
[[limit]]
on = "current_a"
of = "MP-3"
levels = [{{ setpoint = 80, priority = "high" }}]
deadband = 5
on_delay = "0s"
off_delay = "0s"
recurs = false
[tell]
file = "alerts.jsonl"
"#
    );
    Site::new(&config, &[("maps/mp3.toml", &point("current_a.A", "address = 0\nkind = \"f32\""))])
}

/// Seconds since the epoch.
fn wall() -> f64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0.0, |since| since.as_secs_f64())
}

/// Begin and end of each call in strace's log that took two seconds or more.
fn long_calls(log: &str) -> Vec<(f64, f64)> {
    let call = |line: &str| {
        let stamp: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
        let took: f64 = line.rsplit_once('<')?.1.strip_suffix('>')?.parse().ok()?;
        // A call in two lines is stamped at its end, one in one line at its begin.
        let begin = if line.contains("resumed") { stamp - took } else { stamp };
        (took >= 2.0).then_some((begin, begin + took))
    };
    log.lines().filter_map(call).collect()
}

/// The traced daemon. Dropping it kills both.
struct Traced(Child);

impl Drop for Traced {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn syncs_of_two_seconds_hold_up_neither_polls_nor_alerts() {
    if !may_trace() {
        return not_tested("strace is missing or may not trace here; slow disks stay untried");
    }
    let (high, asked) = (Arc::new(AtomicBool::new(false)), Arc::new(Mutex::new(Vec::new())));
    let (load, times) = (Arc::clone(&high), Arc::clone(&asked));
    let port = serve(move |_: Question| {
        if let Ok(mut times) = times.lock() {
            times.push(wall());
        }
        let amps = if load.load(Ordering::Relaxed) { 130.0f32 } else { 50.0 } + (wall() % 1.0) as f32;
        Answer::Words(vec![(amps.to_bits() >> 16) as u16, amps.to_bits() as u16])
    });
    let site = site(port);
    let (log, calls) = (File::create(site.path("kvarden.log")).expect("a log"), site.path("calls"));
    let mut command = Command::new("strace");
    command.args(["-f", "-qq", "-ttt", "-T", "-e", "signal=none", "-e", "trace=fsync,fdatasync"]);
    command.args(["-e", "inject=fsync,fdatasync:delay_enter=2000000", "-o"]).arg(&calls);
    command.arg(kvarden()).arg("run").arg(site.config());
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(log);
    let mut traced = Traced(command.spawn().expect("it was just tried"));

    let polls = || asked.lock().map_or(0, |times| times.len());
    wait_for("some polls", 2 * PATIENCE, || (polls() > 10).then_some(()));
    high.store(true, Ordering::Relaxed);
    wait_for("the alarm is told", 2 * PATIENCE, || (!site.told_lines().is_empty()).then_some(()));
    let pid = std::fs::read_to_string(site.path("data").join(LOCK)).expect("the daemon holds the lock");
    signal("TERM", pid.trim().parse().expect("a process number"));
    let end = wait_for("it ends", 2 * PATIENCE, || traced.0.try_wait().ok().flatten());
    let said = std::fs::read_to_string(site.path("kvarden.log")).unwrap_or_default();
    assert!(end.success(), "{end}: {said}");

    let long = long_calls(&std::fs::read_to_string(calls).expect("strace writes its log"));
    let times = asked.lock().expect("the server has not panicked");
    let during = |&(from, to): &(f64, f64)| times.iter().filter(|at| (from..to).contains(*at)).count();
    let most = long.iter().map(during).max();
    assert!(most >= Some(8), "of some twenty polls in a sync of two seconds there were {most:?}, {long:?}");
}
