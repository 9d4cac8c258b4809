//! What can't be tested on this machine is said aloud, also by a test that ends well.

use std::io::Write;
use std::process::Command;

/// Says past the test harness, which keeps the words of good tests to itself, that something was not tested.
pub fn not_tested(why: &str) {
    // Nothing can be done where even this can't be written.
    let _ = writeln!(std::io::stderr(), "NOT TESTED: {why}");
}

/// Whether strace may trace a process here; if not, `what` is said not to be tested.
pub fn may_trace(what: &str) -> bool {
    let probe = Command::new("strace").args(["-qq", "-o", "/dev/null", "true"]).output();
    let may = probe.is_ok_and(|output| output.status.success());
    if !may {
        not_tested(&format!("strace is missing or may not trace here: {what}"));
    }
    may
}
