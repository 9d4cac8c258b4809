//! Growing waits between tries, spread so that many boxes do not knock at the same moment.

use crate::words::fingerprint;
use std::time::Duration;

/// The wait after the first failure.
const FIRST: Duration = Duration::from_secs(1);

/// The wait after so many failures in a row (from 1): doubled each time from one second up to `longest`, less up to
/// a quarter of it. The spread comes from `key`, not from chance, so that a simulated day comes out the same.
pub(super) fn wait(failures: u32, longest: Duration, key: &str) -> Duration {
    let doubled = FIRST.saturating_mul(1 << failures.saturating_sub(1).min(20)).min(longest);
    let share = fingerprint(&format!("{key} {failures}")) % 256;
    doubled.mul_f64(1.0 - share as f64 / 1024.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_to_their_bound_and_differ_between_boxes() {
        let longest = Duration::from_mins(15);
        let waits: Vec<f64> = (1..=14).map(|n| wait(n, longest, "k7").as_secs_f64()).collect();
        for (n, wait) in waits.iter().enumerate() {
            let full = 2f64.powi(n as i32).min(900.0);
            assert!((0.75 * full..=full).contains(wait), "{waits:?}");
        }
        assert_ne!(wait(5, longest, "k7"), wait(5, longest, "k8"));
        assert!(wait(u32::MAX, longest, "k7") <= longest);
        assert!(wait(0, longest, "k7") <= FIRST);
    }
}
