//! What fed the transformers and feeders lately, by how the states moved: the context of a reading is that of its own moment.

use super::Seen;
use crate::context::Supplied;
use crate::plan::{Plan, SupplyPlan};
use crate::plant::{SourceKind, SupplyFrom};
use crate::scope::Scope;
use crate::supply::Chain;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// The most moves of a state that are remembered: what it did within the five minutes that a transfer counts, for a breaker that moves
/// every ten seconds. Of one that moves more often, the beginning of a transfer may be forgotten.
const MOST_MOVES: usize = 32;

/// How what is known of one state moved lately.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Lately {
    /// The oldest first: from when on it was so.
    moves: Vec<(EventTime, Seen)>,
}

impl Lately {
    pub(super) fn note(&mut self, from: EventTime, seen: Seen) {
        let from = self.moves.last().map_or(from, |(last, _)| from.max(*last));
        if self.moves.len() >= MOST_MOVES {
            self.moves.remove(0);
        }
        self.moves.push((from, seen));
    }

    pub(super) fn shift(&mut self, by: Span) {
        self.moves.iter_mut().for_each(|(from, _)| *from += by);
    }

    /// What was known just before `at`: what changes in that very moment may come in any order.
    pub(crate) fn before(&self, at: EventTime) -> Option<bool> {
        self.known(at - Span(1))
    }

    /// What was known at `at`; the oldest move stands for what was before it only where more were forgotten.
    fn known(&self, at: EventTime) -> Option<bool> {
        let full = self.moves.len() >= MOST_MOVES;
        let known = self.moves.iter().rev().find(|(from, _)| *from <= at);
        known.or(self.moves.first().filter(|_| full)).and_then(|(_, seen)| seen.known())
    }
}

/// Makes anew what fed each thing lately.
pub(super) fn look(plan: &Plan, scopes: &mut [Scope]) {
    let states: Vec<(usize, Lately)> = scopes
        .iter()
        .zip(&plan.scopes)
        .flat_map(|(scope, facts)| facts.flags.iter().map(|flag| flag.state).zip(scope.flags.lately.to_vec()))
        .collect();
    let mut times: Vec<EventTime> =
        states.iter().flat_map(|(_, lately)| lately.moves.iter().map(|(from, _)| *from)).collect();
    times.sort_unstable();
    times.dedup();
    let known = |state: usize, at: EventTime| {
        states.iter().find(|(known, _)| *known == state).and_then(|(_, lately)| lately.known(at))
    };
    for (scope, facts) in scopes.iter_mut().zip(&plan.scopes) {
        for (supplies, thing) in scope.supplies.iter_mut().zip(&facts.things) {
            supplies.stretches = stretches(&plan.supply, *thing, &times, &known);
        }
        scope.await_look(facts);
    }
}

/// What fed one thing, from before all that is known on. Uncertain stretches change no source: a state that is lost moves
/// nothing.
fn stretches(
    plan: &SupplyPlan,
    thing: SupplyFrom,
    times: &[EventTime],
    known: &dyn Fn(usize, EventTime) -> Option<bool>,
) -> Vec<Supplied> {
    let ways = plan.ways();
    let kind = |source: Option<usize>| {
        source.and_then(|source| plan.kinds.get(source).copied()).unwrap_or(SourceKind::Utility)
    };
    let at_home = |chain: &Chain| match thing {
        SupplyFrom::Feeder(index) => {
            let own = plan.feeders.get(index).map(|feeder| feeder.fed_by);
            chain.transformer_certain && chain.transformer == own
        }
        SupplyFrom::Transformer(_) | SupplyFrom::Source(_) => true,
    };
    let begin = EventTime(i64::MIN);
    let mut all: Vec<Supplied> = Vec::new();
    let mut last = None;
    for from in std::iter::once(&begin).chain(times) {
        let chain = ways.up(thing, &|state| known(state, *from));
        let before = all.last().copied().unwrap_or(Supplied {
            source: kind(chain.source),
            at_home: at_home(&chain),
            ..Supplied::USUAL
        });
        let mut now = Supplied { from: *from, at_home: at_home(&chain), ..before };
        let by = (chain.transformer, chain.source);
        if chain.certain && last != Some(by) {
            now.transferred = if last.is_some() { Some(*from) } else { before.transferred };
            now.source = kind(chain.source);
            last = Some(by);
        }
        if all.is_empty() || (Supplied { from: before.from, ..now }) != before {
            all.push(now);
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::{Feeder, StateIs, Supply};

    const AT: EventTime = EventTime(1_767_225_600_000);

    /// T2 hangs on the utility by state 0, on a generator by state 1; MP-3 on T2 by state 2, on T3 by state 3.
    fn plan() -> SupplyPlan {
        let way = |from, state| Supply { from, when: Some(StateIs { state, on: true }) };
        let mut feeder = Feeder::new("MP-3", 0);
        feeder.supplies = vec![way(SupplyFrom::Transformer(0), 2), way(SupplyFrom::Transformer(1), 3)];
        SupplyPlan {
            kinds: Box::new([SourceKind::Utility, SourceKind::Generator]),
            above: Box::new([
                Box::new([way(SupplyFrom::Source(0), 0), way(SupplyFrom::Source(1), 1)]),
                Box::default(),
            ]),
            feeders: Box::new([feeder]),
            ..SupplyPlan::default()
        }
    }

    /// Moves as second, state, and what is seen, told in this order.
    fn of(thing: SupplyFrom, moves: &[(i64, usize, Seen)]) -> Vec<(i64, SourceKind, bool, Option<i64>)> {
        let mut states = vec![Lately::default(); 4];
        for (second, state, seen) in moves {
            states[*state].note(AT + Span::seconds(*second), *seen);
        }
        let mut times: Vec<EventTime> =
            states.iter().flat_map(|lately| lately.moves.iter().map(|(from, _)| *from)).collect();
        times.sort_unstable();
        times.dedup();
        let second = |at: EventTime| (at - AT).0 / 1000;
        stretches(&plan(), thing, &times, &|state, at| states[state].known(at))
            .into_iter()
            .map(|one| {
                let from = if one.from == EventTime(i64::MIN) { -1 } else { second(one.from) };
                (from, one.source, one.at_home, one.transferred.map(second))
            })
            .collect()
    }

    const ON: Seen = Seen::Is(true);
    const OFF: Seen = Seen::Is(false);
    use SourceKind::{Generator, Utility};

    #[test]
    fn a_transfer_is_a_certain_change_and_a_start_or_a_lost_state_is_none() {
        let unit = SupplyFrom::Transformer(0);
        let begin = [(0, 0, ON), (0, 1, OFF)];
        assert_eq!(of(unit, &begin), [(-1, Utility, true, None)]);
        let open = [(0, 0, ON), (0, 1, OFF), (100, 0, OFF), (104, 1, ON)];
        let told = [(-1, Utility, true, None), (104, Generator, true, Some(104))];
        assert_eq!(of(unit, &open), told, "by way of nothing");
        let other_order = [open[0], open[1], open[3], open[2]];
        assert_eq!(of(unit, &other_order), told, "whichever is told first");
        let lost = [open.as_slice(), &[(200, 1, Seen::Lost), (230, 1, Seen::NotYet), (231, 1, ON)]].concat();
        assert_eq!(of(unit, &lost), told);
        let back = [open.as_slice(), &[(900, 1, OFF), (905, 0, ON)]].concat();
        assert_eq!(of(unit, &back).last(), Some(&(905, Utility, true, Some(905))));
    }

    #[test]
    fn a_feeder_is_transferred_with_its_transformer_and_to_another() {
        let feeder = SupplyFrom::Feeder(0);
        let begin = [(0, 0, ON), (0, 1, OFF), (0, 2, ON), (0, 3, OFF)];
        let with = [begin.as_slice(), &[(100, 0, OFF), (100, 1, ON)]].concat();
        assert_eq!(of(feeder, &with).last(), Some(&(100, Generator, true, Some(100))));
        let away = [begin.as_slice(), &[(100, 2, OFF), (102, 3, ON)]].concat();
        let told = of(feeder, &away);
        assert_eq!(told[told.len() - 2..], [(100, Utility, false, None), (102, Utility, false, Some(102))]);
        let unknown = of(feeder, &[begin.as_slice(), &[(50, 2, Seen::Lost)]].concat());
        assert_eq!(unknown.last(), Some(&(50, Utility, false, None)), "not certain to be at home");
    }

    // Seen to fail when a move counted in its own moment.
    #[test]
    fn what_moves_in_a_moment_is_not_yet_what_was_before_it() {
        let at = EventTime(1_000);
        let mut lately = Lately::default();
        lately.note(EventTime(0), Seen::Is(true));
        lately.note(at, Seen::Is(false));
        assert_eq!((lately.before(at), lately.before(at + Span(1))), (Some(true), Some(false)));
        assert_eq!(lately.before(EventTime(0)), None, "nothing was heard before");
    }
}
