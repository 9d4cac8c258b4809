//! A disk whose syncs take two seconds each: the real daemon goes on polling while one lasts, and people are told.
//!
//! Seen to fail with the store on the thread that polls: not one poll in two seconds. strace delays the calls. Where this user may not trace, the test says so loudly and ends.

use kvarden_tests::missing::may_trace;
use kvarden_tests::program::{PATIENCE, kvarden};
use kvarden_tests::site::polled_feeder;
use kvarden_tests::traced::Traced;
use kvarden_tests::wait::wait_for;
use std::fs::File;
use std::process::{Command, Stdio};
use std::time::{SystemTime, UNIX_EPOCH};

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

#[test]
fn syncs_of_two_seconds_hold_up_neither_polls_nor_alerts() {
    if !may_trace("slow disks") {
        return;
    }
    let (site, load) = polled_feeder("");
    let (log, calls) = (File::create(site.path("kvarden.log")).expect("a log"), site.path("calls"));
    let mut command = Command::new("strace");
    command.args(["-f", "-qq", "-ttt", "-T", "-e", "signal=none", "-e", "trace=fsync,fdatasync"]);
    command.args(["-e", "inject=fsync,fdatasync:delay_enter=2000000", "-o"]).arg(&calls);
    command.arg(kvarden()).arg("run").arg(site.config());
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(log);
    let mut traced = Traced(command.spawn().expect("it was just tried"));

    wait_for("some polls", 2 * PATIENCE, || (load.polls().len() > 10).then_some(()));
    load.set_high(true);
    wait_for("the alarm is told", 2 * PATIENCE, || (!site.told_lines().is_empty()).then_some(()));
    let told = site.told_lines().len();
    load.set_high(false);
    wait_for("its end is told", 2 * PATIENCE, || (site.told_lines().len() > told).then_some(()));
    traced.stop(&site);

    let long = long_calls(&std::fs::read_to_string(calls).expect("strace writes its log"));
    let since = |at: SystemTime| at.duration_since(UNIX_EPOCH).map_or(0.0, |since| since.as_secs_f64());
    let polls: Vec<f64> = load.polls().into_iter().map(since).collect();
    // Those of the start and the end lie before the first poll or after the last.
    let (Some(first), Some(last)) = (polls.first(), polls.last()) else { panic!("there were polls") };
    let between: Vec<_> = long.iter().filter(|(from, to)| from >= first && to <= last).collect();
    assert!(between.len() >= 3, "an alarm, its end, and what was gathered meanwhile: {long:?}");
    for (from, to) in between {
        let during = polls.iter().filter(|at| (*from..*to).contains(*at)).count();
        assert!(during >= 8, "of some twenty polls in a sync of two seconds there were {during}: {long:?}");
    }
}
