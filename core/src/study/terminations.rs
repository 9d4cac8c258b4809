//! Each termination against its peers, each divided by its own current squared as its mass has seen it.

use super::Turn;
use crate::electrical::contact::{lagged, over_peers_k, rise_at_rated_k};
use crate::formula::mean_present;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// A lug with its cable follows its load so slowly (common practice, no source).
const TAU: Span = Span::minutes(20);
/// From so long on nothing of what was before is left in it.
const SETTLED: Span = Span::minutes(60);

/// Terminations under like load at one place: phases A, B, C and the neutral.
#[derive(Debug, Clone, PartialEq)]
pub struct TerminationsPlan {
    /// Columns of the temperatures of the air around them.
    pub air: Box<[usize]>,
    /// Those that have a sensor and whose current is measured.
    pub parts: [Option<TerminationPlan>; 4],
}

/// One termination, compiled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TerminationPlan {
    /// Column of its temperature.
    pub temperature: usize,
    /// Column of its current.
    pub current: usize,
    /// Its rated current in amperes.
    pub rated_a: f64,
    /// Series of its excess.
    pub excess: usize,
}

/// The square of the current that a termination's mass has seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Seen {
    since: EventTime,
    at: EventTime,
    square: f64,
}

/// What is remembered of terminations at one place.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Terminations {
    parts: [Option<Seen>; 4],
}

impl Terminations {
    pub(super) fn step(&mut self, plan: &TerminationsPlan, turn: &mut Turn<'_>) {
        let air = mean_present(turn.inputs, &plan.air);
        let mut full = [None; 4];
        for ((full, seen), part) in full.iter_mut().zip(&mut self.parts).zip(&plan.parts) {
            let Some(part) = part else { continue };
            let Some(amperes) = turn.inputs[part.current].get() else { continue };
            let seen = seen.insert(Seen::after(*seen, turn.end, (amperes / part.rated_a).powi(2)));
            let rise = turn.inputs[part.temperature].get().zip(air).map(|(hot, air)| hot - air);
            let settled = seen.at - seen.since >= SETTLED;
            *full = rise.filter(|_| settled).and_then(|rise| rise_at_rated_k(rise, seen.square));
        }
        for (part, excess) in plan.parts.iter().zip(over_peers_k(full)) {
            if let Some(part) = part {
                turn.row[part.excess] = excess.into();
            }
        }
    }

    pub(super) fn shift(&mut self, by: Span) {
        for seen in self.parts.iter_mut().flatten() {
            seen.since += by;
            seen.at += by;
        }
    }
}

impl Seen {
    /// At `end`, with this square of its current as a share of rated; after a gap in which all may have changed it begins
    /// again.
    fn after(before: Option<Self>, end: EventTime, square: f64) -> Self {
        let bridged = before.filter(|before| (Span::ZERO..SETTLED).contains(&(end - before.at)));
        match bridged {
            None => Self { since: end, at: end, square },
            Some(before) => {
                let (dt, tau) = ((end - before.at).as_seconds(), TAU.as_seconds());
                Self { at: end, square: lagged(before.square, square, dt, tau), ..before }
            }
        }
    }
}
