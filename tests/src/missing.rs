//! What can't be tested on this machine is said aloud, also by a test that ends well.

use std::io::Write;

/// Says past the test harness, which keeps the words of good tests to itself, that something was not tested.
pub fn not_tested(why: &str) {
    // Nothing can be done where even this can't be written.
    let _ = writeln!(std::io::stderr(), "NOT TESTED: {why}");
}
