//! When which scope is saved: one after the other, so that no meter waits long for its poll meanwhile.

use kvarden_core::monitor::ScopeId;
use kvarden_core::time::{EventTime, Span};

/// How often the rebuildable state of each scope is saved.
pub const SNAPSHOT_EVERY: Span = Span::minutes(5);

/// Turns that were missed, because nothing was to be stored or the machine slept, are made up for so far back: so it is
/// one scope each time, unless there are hundreds.
const MOST_MISSED: Span = Span::seconds(2);

/// Whose turn it is.
#[derive(Debug)]
pub(super) struct Snapshots {
    order: Vec<ScopeId>,
    turn: usize,
    /// Those that have none: they are saved first and together. They are new, so there is little to save.
    unsaved: usize,
    next: Option<EventTime>,
}

impl Snapshots {
    pub(super) fn new(order: Vec<ScopeId>, unsaved: usize) -> Self {
        Self { order, turn: 0, unsaved, next: None }
    }

    /// The scopes that are to be saved now.
    pub(super) fn due(&mut self, now: EventTime) -> Vec<ScopeId> {
        if self.order.is_empty() {
            return Vec::new();
        }
        let step = Span((SNAPSHOT_EVERY.0 / self.order.len() as i64).max(1));
        let unsaved = std::mem::take(&mut self.unsaved);
        let mut due: Vec<ScopeId> = (0..unsaved).map(|_| self.take()).collect();
        let first = if unsaved > 0 { now + step } else { now };
        // A clock that was set back makes nobody wait for longer than one turn.
        let mut next = self.next.map_or(first, |next| next.max(now - MOST_MISSED).min(now + step));
        while next <= now && due.len() < self.order.len() {
            due.push(self.take());
            next += step;
        }
        self.next = Some(next);
        due
    }

    fn take(&mut self) -> ScopeId {
        let scope = self.order[self.turn];
        self.turn = (self.turn + 1) % self.order.len();
        scope
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: EventTime = EventTime(1_795_564_800_000);

    fn scopes(count: usize) -> Vec<ScopeId> {
        (0..count).map(ScopeId).collect()
    }

    #[test]
    fn each_scope_has_its_turn_once_in_the_interval_and_no_two_together() {
        let mut snapshots = Snapshots::new(scopes(5), 0);
        let mut turns = Vec::new();
        for second in 0..600 {
            let due = snapshots.due(NOW + Span::seconds(second));
            assert!(due.len() <= 1, "{due:?}");
            turns.extend(due);
        }
        assert_eq!(turns, [scopes(5), scopes(5)].concat());
    }

    #[test]
    fn those_without_a_snapshot_are_saved_at_once() {
        let mut snapshots = Snapshots::new(scopes(5), 3);
        assert_eq!(snapshots.due(NOW), scopes(3));
        assert_eq!(snapshots.due(NOW + Span::seconds(1)), []);
        assert_eq!(snapshots.due(NOW + Span::seconds(60)), [ScopeId(3)]);
    }

    #[test]
    fn hundreds_keep_up_and_a_sleep_or_a_clock_set_back_brings_no_burst_and_no_stop() {
        let mut snapshots = Snapshots::new(scopes(900), 0);
        let mut count = 0;
        for second in 0..300 {
            let due = snapshots.due(NOW + Span::seconds(second)).len();
            assert!(due <= 4, "{due}");
            count += due;
        }
        assert!((890..=910).contains(&count), "{count}");
        assert!(snapshots.due(NOW + Span::hours(9)).len() <= 8);
        let back = NOW - Span::hours(9);
        assert!(snapshots.due(back + Span::seconds(1)).len() <= 4);
        assert!(!snapshots.due(back + Span::seconds(2)).is_empty());
    }
}
