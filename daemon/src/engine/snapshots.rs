//! When which scope is saved: one after the other, so that no meter waits long for its poll meanwhile; those that share
//! states by which things are fed together, so that they go on from the same input.

use kvarden_core::monitor::ScopeId;
use kvarden_core::time::{EventTime, Span};
use std::collections::HashMap;

/// How often the rebuildable state of each scope is saved.
pub const SNAPSHOT_EVERY: Span = Span::minutes(5);

/// Turns that were missed, because nothing was to be stored or the machine slept, are made up for so far back: so it is
/// one scope each time, unless there are hundreds.
const MOST_MISSED: Span = Span::seconds(2);

/// Whose turn it is.
#[derive(Debug)]
pub(super) struct Snapshots {
    /// Scopes that are saved together, in the order of their turns.
    order: Vec<Vec<ScopeId>>,
    turn: usize,
    /// Turns with scopes that have none: they are saved first and together. They are new, so there is little to save.
    unsaved: usize,
    next: Option<EventTime>,
}

impl Snapshots {
    /// Of scopes in this order, the first `unsaved` of which have no snapshot. Those with the same number in `linked`, by
    /// scope, have their turn together.
    pub(super) fn new(scopes: &[ScopeId], unsaved: usize, linked: &[usize]) -> Self {
        let group = |scope: ScopeId| linked.get(scope.0).copied().unwrap_or(scope.0);
        let mut places = HashMap::new();
        let (mut order, mut turns): (Vec<Vec<ScopeId>>, usize) = (Vec::new(), 0);
        for (index, scope) in scopes.iter().enumerate() {
            let place = *places.entry(group(*scope)).or_insert(order.len());
            if place == order.len() {
                order.push(Vec::new());
            }
            order[place].push(*scope);
            turns = if index < unsaved { order.len() } else { turns };
        }
        Self { order, turn: 0, unsaved: turns, next: None }
    }

    /// The scopes that are to be saved now.
    pub(super) fn due(&mut self, now: EventTime) -> Vec<ScopeId> {
        if self.order.is_empty() {
            return Vec::new();
        }
        let step = Span((SNAPSHOT_EVERY.0 / self.order.len() as i64).max(1));
        let unsaved = std::mem::take(&mut self.unsaved);
        let mut due: Vec<ScopeId> = (0..unsaved).flat_map(|_| self.take()).collect();
        let mut turns = unsaved;
        let first = if unsaved > 0 { now + step } else { now };
        // A clock that was set back makes nobody wait for longer than one turn.
        let mut next = self.next.map_or(first, |next| next.max(now - MOST_MISSED).min(now + step));
        while next <= now && turns < self.order.len() {
            due.extend(self.take());
            turns += 1;
            next += step;
        }
        self.next = Some(next);
        due
    }

    fn take(&mut self) -> Vec<ScopeId> {
        let scopes = self.order[self.turn].clone();
        self.turn = (self.turn + 1) % self.order.len();
        scopes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: EventTime = EventTime(1_795_564_800_000);

    fn scopes(count: usize) -> Vec<ScopeId> {
        (0..count).map(ScopeId).collect()
    }

    fn alone(count: usize, unsaved: usize) -> Snapshots {
        Snapshots::new(&scopes(count), unsaved, &(0..count).collect::<Vec<_>>())
    }

    #[test]
    fn linked_ones_have_their_turn_together() {
        let order: Vec<ScopeId> = [3, 1, 0, 2, 4].map(ScopeId).into();
        let mut snapshots = Snapshots::new(&order, 1, &[0, 1, 2, 0, 4]);
        assert_eq!(
            snapshots.due(NOW),
            [ScopeId(3), ScopeId(0)],
            "the one has none, so both are saved at once"
        );
        let turns: Vec<_> = (1..5).map(|turn| snapshots.due(NOW + Span::seconds(75 * turn))).collect();
        assert_eq!(
            turns,
            [vec![ScopeId(1)], vec![ScopeId(2)], vec![ScopeId(4)], vec![ScopeId(3), ScopeId(0)]]
        );
    }

    // Seen to fail when all scopes were saved at once: then the polls of hundreds of meters wait for all of them.
    #[test]
    fn each_scope_has_its_turn_once_in_the_interval_and_no_two_together() {
        let mut snapshots = alone(5, 0);
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
        let mut snapshots = alone(5, 3);
        assert_eq!(snapshots.due(NOW), scopes(3));
        assert_eq!(snapshots.due(NOW + Span::seconds(1)), []);
        assert_eq!(snapshots.due(NOW + Span::seconds(60)), [ScopeId(3)]);
    }

    #[test]
    fn hundreds_keep_up_and_a_sleep_or_a_clock_set_back_brings_no_burst_and_no_stop() {
        let mut snapshots = alone(900, 0);
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
