//! Waits that grow from failure to failure, with jitter, so that many clients don't come back in step.

use std::hash::{DefaultHasher, Hash, Hasher};
use std::time::Duration;

/// The first wait: at most one attempt a second.
pub(crate) const SHORTEST_WAIT: Duration = Duration::from_secs(1);
/// The last wait: a peer that is back is found within about a minute.
pub(crate) const LONGEST_WAIT: Duration = Duration::from_mins(1);
/// Doublings after which the longest wait is reached.
const DOUBLINGS: u32 = 6;

/// Growing waits of one peer.
#[derive(Debug)]
pub(crate) struct Backoff {
    failures: u32,
    random: u64,
}

impl Backoff {
    /// `of` names the peer: its waits are the same in each run and differ from those of others.
    pub(crate) fn new(of: impl Hash) -> Self {
        let mut hasher = DefaultHasher::new();
        of.hash(&mut hasher);
        Self { failures: 0, random: hasher.finish() }
    }

    /// The peer works.
    pub(crate) fn clear(&mut self) {
        self.failures = 0;
    }

    /// One more failure in succession; gives how long to wait: from 1 s, doubled each time, to 60 s at most. Up
    /// to a quarter of each wait is jitter.
    pub(crate) fn failed(&mut self) -> Duration {
        let grown = SHORTEST_WAIT * 2u32.pow(self.failures.min(DOUBLINGS));
        self.failures = self.failures.saturating_add(1);
        let share = self.next_random() % 1024;
        (grown + grown * share as u32 / 4096).min(LONGEST_WAIT)
    }

    /// Splitmix64: jitter needs no more.
    fn next_random(&mut self) -> u64 {
        self.random = self.random.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.random;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_to_a_minute_and_no_further() {
        let mut backoff = Backoff::new("192.0.2.20:502");
        for least in [1, 2, 4, 8, 16, 32, 60, 60, 60] {
            let wait = backoff.failed();
            let least = Duration::from_secs(least);
            assert!(wait >= least && wait <= (least * 5 / 4).min(LONGEST_WAIT), "{wait:?} after {least:?}");
        }
        backoff.clear();
        assert!(backoff.failed() < Duration::from_secs(2));
    }

    #[test]
    fn two_peers_do_not_wait_in_step() {
        let (mut one, mut other) = (Backoff::new("192.0.2.20:502"), Backoff::new("192.0.2.21:502"));
        assert_ne!([one.failed(), one.failed()], [other.failed(), other.failed()]);
    }
}
