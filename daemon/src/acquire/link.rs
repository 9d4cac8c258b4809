//! When the connection to a `host:port` counts as unstable: it is made again and again although the device answers.

use std::time::Duration;
use tokio::time::Instant;

/// So many connections …
const CONNECTIONS: usize = 10;
/// … within this time are too many (common practice, no source).
const WITHIN: Duration = Duration::from_mins(1);

/// Follows one connection.
#[derive(Debug)]
pub(super) struct LinkWatch {
    began: Instant,
    /// When the last connections were made, as a ring.
    made: [Option<Instant>; CONNECTIONS],
    next: usize,
    /// Nothing told yet since the start of the program, whatever was told before.
    told: Option<bool>,
}

impl LinkWatch {
    /// None made yet.
    pub(super) fn new(now: Instant) -> Self {
        Self { began: now, made: [None; CONNECTIONS], next: 0, told: None }
    }

    /// After each poll: `made` is when the present connection was asked for. Gives what has to be told: whether the
    /// link is unstable.
    pub(super) fn look(&mut self, made: Option<Instant>, now: Instant) -> Option<bool> {
        let latest = self.made[(self.next + CONNECTIONS - 1) % CONNECTIONS];
        if made.is_some() && made != latest {
            self.made[self.next] = made;
            self.next = (self.next + 1) % CONNECTIONS;
        }
        let is_within = |moment: Instant| now - moment < WITHIN;
        let unstable = if self.told == Some(true) {
            made.is_some_and(is_within)
        } else {
            self.made[self.next].is_some_and(is_within)
        };
        if !unstable && self.told.is_none() && is_within(self.began) {
            return None;
        }
        (self.told.replace(unstable) != Some(unstable)).then_some(unstable)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Polls each second; a connection lasts `life(second)`. All that was told, with its second.
    fn told(seconds: u64, is_new: impl Fn(u64) -> bool) -> Vec<(u64, bool)> {
        let start = Instant::now();
        let (mut watch, mut made) = (LinkWatch::new(start), start);
        let mut told = Vec::new();
        for second in 0..seconds {
            let now = start + Duration::from_secs(second);
            if is_new(second) {
                made = now;
            }
            told.extend(watch.look(Some(made), now).map(|unstable| (second, unstable)));
        }
        told
    }

    #[test]
    fn a_link_that_drops_each_second_is_unstable_until_one_holds_for_a_minute() {
        assert_eq!(told(300, |second| second < 100), [(9, true), (159, false)]);
    }

    #[test]
    fn a_device_that_ends_idle_connections_now_and_then_is_not() {
        assert_eq!(told(3600, |second| second % 10 == 0), [(60, false)]);
    }
}
