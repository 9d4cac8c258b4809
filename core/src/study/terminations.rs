//! Each termination against its peers, each divided by its own current squared as its mass has seen it.

use super::Turn;
use crate::electrical::contact::{
    by_unequal_load_k, lagged, over_peers_k, over_peers_without_air_k, rise_at_rated_k,
};
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
    /// Columns of the temperatures of the air around them; none where nobody measures it.
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

/// While every part's load is below this share of its rated one, what a sensor shows beyond its like is the sensor: a connection
/// that would be 40 K over its peers at rated current shows 0.9 K there (worked).
const OFFSET_BELOW: f64 = 0.15;
/// A sensor's own error moves slowly towards what such hours show.
const OFFSET_TAU: Span = Span::hours(2);
/// More than this is no error of a sensor that may be taken off, in K (common practice, no source).
const LARGEST_OFFSET_K: f64 = 2.0;

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
    /// What each sensor shows beyond its like without load, in K; 0 until such hours have come.
    offset_k: [f64; 4],
    /// The end of the step before.
    last: Option<EventTime>,
}

impl Terminations {
    pub(super) fn step(&mut self, plan: &TerminationsPlan, turn: &mut Turn<'_>) {
        let air = mean_present(turn.inputs, &plan.air);
        let (mut full, mut unloaded, mut rises) = ([None; 4], [None; 4], [None; 4]);
        let (mut temperatures, mut squares) = ([None; 4], [None; 4]);
        for (index, (seen, part)) in self.parts.iter_mut().zip(&plan.parts).enumerate() {
            let Some(part) = part else { continue };
            let Some(amperes) = turn.inputs[part.current].get() else { continue };
            let seen = seen.insert(Seen::after(*seen, turn.end, (amperes / part.rated_a).powi(2)));
            let hot = turn.inputs[part.temperature].get();
            let rise = hot.zip(air).map(|(hot, air)| hot - air);
            let settled = seen.at - seen.since >= SETTLED;
            (temperatures[index], squares[index]) = (hot, settled.then_some(seen.square));
            let rise = rise.filter(|_| settled);
            unloaded[index] = rise.filter(|_| seen.square < OFFSET_BELOW * OFFSET_BELOW);
            let rise = rise.map(|rise| rise - self.offset_k[index]);
            full[index] = rise.and_then(|rise| rise_at_rated_k(rise, seen.square));
            rises[index] = rise.filter(|_| full[index].is_some()).map(|rise| (rise, seen.square));
        }
        self.learn_offsets(plan, turn.end, unloaded);
        let by_load = by_unequal_load_k(rises);
        let excess = if plan.air.is_empty() {
            over_peers_without_air_k(temperatures, squares)
        } else {
            over_peers_k(full)
        };
        for ((part, excess), by_load) in plan.parts.iter().zip(excess).zip(by_load) {
            if let Some(part) = part {
                // Of what unequal loads may explain nothing is left.
                turn.row[part.excess] = excess.map(|excess| excess.min((excess - by_load).max(0.0))).into();
            }
        }
    }

    /// While no part carries load, each sensor's error moves towards what it shows beyond the others.
    fn learn_offsets(&mut self, plan: &TerminationsPlan, end: EventTime, unloaded: [Option<f64>; 4]) {
        let passed = self.last.replace(end).map_or(Span::ZERO, |last| end - last);
        let all = plan.parts.iter().zip(unloaded).all(|(part, rise)| part.is_none() || rise.is_some());
        if !all || !(Span::ZERO..SETTLED).contains(&passed) {
            return;
        }
        let share = passed.as_seconds() / OFFSET_TAU.as_seconds();
        for (index, offset) in self.offset_k.iter_mut().enumerate() {
            let others = (0..4).filter(|other| *other != index).filter_map(|other| unloaded[other]);
            let (sum, count) = others.fold((0.0, 0), |(sum, count), rise| (sum + rise, count + 1));
            if let (Some(rise), true) = (unloaded[index], count > 0) {
                let beyond = rise - sum / f64::from(count);
                *offset += (beyond.clamp(-LARGEST_OFFSET_K, LARGEST_OFFSET_K) - *offset) * share;
            }
        }
    }

    pub(super) fn shift(&mut self, by: Span) {
        self.last = self.last.map(|last| last + by);
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
