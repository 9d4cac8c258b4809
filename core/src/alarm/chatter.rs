//! An alarm that rises again and again within a minute: told once as that, and then held down until it is calm.

use crate::digest::CHATTERING;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// An alarm that has not risen for so long is calm again (common practice, no source).
const CALM: Span = Span::minutes(10);

/// How often one alarm rose lately.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub(crate) struct Chatter {
    /// The two rises before the next, the older first.
    rises: [Option<EventTime>; 2],
    /// While it chatters: when it rose last.
    latest: Option<EventTime>,
}

impl Chatter {
    pub(super) const NONE: Self = Self { rises: [None; 2], latest: None };

    /// It rose at `at`, and people would be told. True: it begins to chatter by that.
    pub(super) fn rise(&mut self, at: EventTime) -> bool {
        let third = self.rises[0].is_some_and(|first| at - first < CHATTERING.1);
        self.rises = [self.rises[1], Some(at)];
        let begins = third && self.latest.is_none();
        if third || self.latest.is_some() {
            self.latest = Some(at);
        }
        begins
    }

    /// Whether it chatters.
    pub(crate) fn is_on(self) -> bool {
        self.latest.is_some()
    }

    /// When it is calm, if it does not rise again before.
    pub(super) fn ends(self) -> Option<EventTime> {
        self.latest.map(|latest| latest + CALM)
    }

    /// It is calm.
    pub(super) fn calm(&mut self) {
        *self = Self::NONE;
    }

    pub(super) fn shift(&mut self, by: Span) {
        self.rises.iter_mut().flatten().chain(&mut self.latest).for_each(|at| *at += by);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rises at these seconds: at which of them it begins to chatter. The numbers are the standard's (see [`CHATTERING`]).
    fn begins(seconds: &[i64]) -> Vec<i64> {
        let mut chatter = Chatter::default();
        seconds.iter().copied().filter(|second| chatter.rise(EventTime(second * 1000))).collect()
    }

    #[test]
    fn the_third_rise_within_a_minute_begins_it_once() {
        assert_eq!(begins(&[0, 25, 50, 60, 70]), [50]);
        assert_eq!(begins(&[0, 30, 60, 90, 120]), [] as [i64; 0], "two in each minute");
        assert_eq!(begins(&[0, 30, 61, 85]), [85], "counted from any rise");
    }

    #[test]
    fn it_is_calm_so_long_after_its_last_rise_and_can_begin_again() {
        let mut chatter = Chatter::default();
        let at = |second: i64| EventTime(second * 1000);
        for second in [0, 10, 20, 300] {
            chatter.rise(at(second));
        }
        assert_eq!(chatter.ends(), Some(at(300) + CALM));
        chatter.calm();
        assert!(!chatter.is_on());
        assert!(!chatter.rise(at(1000)) && !chatter.rise(at(1010)) && chatter.rise(at(1020)));
    }
}
