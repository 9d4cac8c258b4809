//! The latest minutes of each circuit, as means, for all judges of what stands for minutes and days.
//!
//! Amperes are kept as phasors where angles are known, or active and reactive power of each phase; all angles are those ahead
//! of the volts of phase A, which every meter of one transformer has in common but for the drop of a cable.

use super::look::{CircuitNow, Three};
use super::plan::ORDERS;
use crate::electrical::phasors::{Phasor, Sequence, phasors};
use crate::plan::GRID_STEP;
use crate::time::Span;
use serde::{Deserialize, Serialize};

/// How far back a mean of the latest minutes looks: a motor's start drowns in it, a changed load shows within ten minutes
/// (common practice, no source).
const MEMORY: Span = Span::minutes(5);
/// What was before a change looks so far back (common practice, no source).
const BEFORE: Span = Span::minutes(60);
/// A mean is known when so much of its memory was measured.
const KNOWN: f64 = 0.5;
/// Angles of three equal phases.
const EQUAL: [f64; 3] = [0.0, -120.0, 120.0];

/// How a mean goes on with a step: what of it is kept, and how much a new value counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Fade {
    /// Since the step before.
    pub(crate) passed: Span,
    keep: f64,
    gain: f64,
}

impl Fade {
    /// After so long, with this memory. A value after a gap stands for one step.
    pub(crate) fn of(passed: Span, memory: Span) -> Self {
        let share = |span: Span| (-span.as_seconds() / memory.as_seconds()).exp();
        Self { passed, keep: share(passed), gain: 1.0 - share(passed.min(GRID_STEP)) }
    }
}

/// A mean of what was lately, the latest counting most.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Mean {
    sum: f64,
    weight: f64,
}

impl Mean {
    /// A step with a value or without.
    pub(crate) fn take(&mut self, value: Option<f64>, fade: Fade) {
        self.sum *= fade.keep;
        self.weight *= fade.keep;
        if let Some(value) = value {
            self.sum += value * fade.gain;
            self.weight += fade.gain;
        }
    }

    /// The mean; `None` where too little was measured.
    pub(crate) fn get(self) -> Option<f64> {
        self.by(KNOWN)
    }

    /// The mean, if so much of its memory was measured.
    pub(crate) fn by(self, known: f64) -> Option<f64> {
        (self.weight >= known).then(|| self.sum / self.weight)
    }
}

/// Means of three.
pub(crate) fn get(means: [Mean; 3]) -> Three {
    means.map(Mean::get)
}

fn take(means: &mut [Mean; 3], values: Three, fade: Fade) {
    for (mean, value) in means.iter_mut().zip(values) {
        mean.take(value, fade);
    }
}

/// The latest minutes of one circuit.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Lately {
    amperes: [Mean; 3],
    real: [Mean; 3],
    imaginary: [Mean; 3],
    neutral: Mean,
    neutral_expected: Mean,
    /// Amperes of [`ORDERS`].
    orders: [[Mean; 3]; ORDERS.len()],
    /// Amperes that are no fundamental.
    distortion: [Mean; 3],
    volt_thd: [Mean; 3],
    volt_unbalance: Mean,
    /// Negative-sequence volts in per cent of the positive ones, as a phasor.
    negative: [Mean; 2],
    watts: Mean,
    vars: Mean,
}

/// The latest minutes of every circuit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Trace {
    circuits: Vec<Lately>,
    /// By circuit: amperes as they were before the transformer came above its rating.
    before: Vec<[Mean; 3]>,
    /// By circuit: a lost line or the meter's own fuse explains what it shows.
    explained: Vec<bool>,
}

impl Trace {
    pub(crate) fn new(circuits: usize) -> Self {
        Self {
            circuits: vec![Lately::default(); circuits],
            before: vec![[Mean::default(); 3]; circuits],
            explained: vec![false; circuits],
        }
    }

    /// Says of each circuit whether a lost line or the meter's own fuse explains what it shows: then nothing of it is a mean of the
    /// latest minutes, and what came into it before that was told is forgotten.
    pub(crate) fn explain(&mut self, explained: impl Fn(usize) -> bool) {
        for (circuit, (was, lately)) in self.explained.iter_mut().zip(&mut self.circuits).enumerate() {
            let is = explained(circuit);
            if is && !*was {
                *lately = Lately::default();
            }
            *was = is;
        }
    }

    pub(crate) fn all(&self) -> &[Lately] {
        &self.circuits
    }

    pub(crate) fn before(&self) -> &[[Mean; 3]] {
        &self.before
    }

    /// Takes a step that ends so long after the one before. What was before is not learned while the transformer is above its
    /// rating, and nothing is while something `settles`.
    pub(crate) fn step(
        &mut self,
        circuits: &[CircuitNow],
        passed: Span,
        (is_above, settles): (bool, bool),
    ) -> Fade {
        if !is_above && !settles {
            let slow = Fade::of(passed, BEFORE);
            let known = self.before.iter_mut().zip(circuits).zip(&self.explained);
            known
                .filter(|(_, explained)| !**explained)
                .for_each(|((before, now), _)| take(before, now.amperes, slow));
        }
        let (fade, nothing) = (Fade::of(passed, MEMORY), CircuitNow::default());
        for ((lately, now), explained) in self.circuits.iter_mut().zip(circuits).zip(&self.explained) {
            lately.take(if settles || *explained { &nothing } else { now }, fade);
        }
        fade
    }
}

impl Lately {
    fn take(&mut self, now: &CircuitNow, fade: Fade) {
        take(&mut self.amperes, now.amperes, fade);
        let phasors = [0, 1, 2].map(|phase| ampere_phasor(now, phase));
        take(&mut self.real, phasors.map(|phasor| phasor.map(|phasor| phasor.re)), fade);
        take(&mut self.imaginary, phasors.map(|phasor| phasor.map(|phasor| phasor.im)), fade);
        self.neutral.take(now.neutral, fade);
        self.neutral_expected.take(now.neutral_expected, fade);
        let fundamental = [0, 1, 2].map(|phase| fundamental_a(now, phase));
        for (means, percent) in self.orders.iter_mut().zip(now.orders) {
            let amperes = [0, 1, 2].map(|phase| Some(percent[phase]? / 100.0 * fundamental[phase]?));
            take(means, amperes, fade);
        }
        take(&mut self.distortion, [0, 1, 2].map(|phase| distortion_a(now, phase)), fade);
        take(&mut self.volt_thd, now.volt_thd, fade);
        let unbalance = [now.volt_unbalance, now.u2].into_iter().flatten().reduce(f64::max);
        self.volt_unbalance.take(unbalance, fade);
        let negative = negative_percent(now);
        self.negative[0].take(negative.map(|phasor| phasor.re), fade);
        self.negative[1].take(negative.map(|phasor| phasor.im), fade);
        self.watts.take(now.watts_total, fade);
        self.vars.take(now.vars_total, fade);
    }

    pub(crate) fn amperes(&self) -> Three {
        get(self.amperes)
    }

    /// Line amperes as phasors.
    pub(crate) fn phasors(&self) -> Option<[Phasor; 3]> {
        let of = |phase: usize| Some(Phasor::new(self.real[phase].get()?, self.imaginary[phase].get()?));
        Some([of(0)?, of(1)?, of(2)?])
    }

    /// Amperes of the negative sequence: by phasors, else as if all phases had one power factor.
    pub(crate) fn negative_a(&self) -> Option<Phasor> {
        let by_amperes = || {
            let [Some(a), Some(b), Some(c)] = self.amperes() else { return None };
            phasors([a, b, c], EQUAL)
        };
        self.phasors().or_else(by_amperes).map(|phases| Sequence::of(phases).negative)
    }

    /// What the neutral would carry of the fundamental alone.
    pub(crate) fn neutral_of_fundamental_a(&self) -> Option<f64> {
        let by_amperes = || {
            let [Some(a), Some(b), Some(c)] = self.amperes() else { return None };
            phasors([a, b, c], EQUAL)
        };
        self.phasors().or_else(by_amperes).map(|phases| phases.iter().sum::<Phasor>().norm())
    }

    /// What of the neutral the fundamental of the phases does not explain.
    pub(crate) fn neutral_rest_a(&self) -> Option<f64> {
        let (neutral, fundamental) = (self.neutral()?, self.neutral_of_fundamental_a()?);
        Some((neutral * neutral - fundamental * fundamental).max(0.0).sqrt())
    }

    pub(crate) fn neutral(&self) -> Option<f64> {
        self.neutral.get()
    }

    pub(crate) fn neutral_expected(&self) -> Option<f64> {
        self.neutral_expected.get()
    }

    /// Amperes of an order of [`ORDERS`].
    pub(crate) fn order(&self, order: u8) -> Three {
        let index = ORDERS.iter().position(|known| *known == order);
        index.map_or([None; 3], |index| get(self.orders[index]))
    }

    /// Amperes that are no fundamental: by the distortion, else by what volts times amperes are more than active and reactive
    /// power.
    pub(crate) fn distortion(&self) -> Three {
        get(self.distortion)
    }

    pub(crate) fn volt_thd(&self) -> Three {
        get(self.volt_thd)
    }

    /// The larger of the line volts' largest deviation and of u2, in per cent.
    pub(crate) fn volt_unbalance(&self) -> Option<f64> {
        self.volt_unbalance.get()
    }

    /// Negative-sequence volts in per cent of the positive ones, as a phasor.
    pub(crate) fn negative_percent(&self) -> Option<Phasor> {
        Some(Phasor::new(self.negative[0].get()?, self.negative[1].get()?))
    }

    pub(crate) fn watts(&self) -> Option<f64> {
        self.watts.get()
    }

    pub(crate) fn vars(&self) -> Option<f64> {
        self.vars.get()
    }
}

/// The fundamental of a phase's amperes, of its total by the distortion; a little high where that is not known.
fn fundamental_a(now: &CircuitNow, phase: usize) -> Option<f64> {
    let thd = now.current_thd[phase].unwrap_or(0.0) / 100.0;
    now.amperes[phase].map(|total| total / thd.hypot(1.0))
}

fn ampere_phasor(now: &CircuitNow, phase: usize) -> Option<Phasor> {
    let degrees = match (now.ampere_degrees[phase], now.watts[phase], now.vars[phase]) {
        (Some(degrees), ..) => degrees - now.volt_degrees[0].unwrap_or(0.0),
        (None, Some(watts), Some(vars)) if watts != 0.0 || vars != 0.0 => {
            EQUAL[phase] - vars.atan2(watts).to_degrees()
        }
        _ => return None,
    };
    Some(Phasor::from_polar(fundamental_a(now, phase)?, degrees.to_radians()))
}

fn distortion_a(now: &CircuitNow, phase: usize) -> Option<f64> {
    if let Some(thd) = now.current_thd[phase] {
        return Some(thd / 100.0 * fundamental_a(now, phase)?);
    }
    let (volts, amperes) = (now.ln[phase].filter(|volts| *volts > 0.0)?, now.amperes[phase]?);
    let (apparent, watts, vars) = (volts * amperes, now.watts[phase]?, now.vars[phase]?);
    let rest = apparent * apparent - watts * watts - vars * vars;
    Some(rest.max(0.0).sqrt() / volts)
}

fn negative_percent(now: &CircuitNow) -> Option<Phasor> {
    let ([Some(a), Some(b), Some(c)], [Some(at_a), Some(at_b), Some(at_c)]) = (now.ln, now.volt_degrees)
    else {
        return None;
    };
    let sequence = Sequence::of(phasors([a, b, c], [0.0, at_b - at_a, at_c - at_a])?);
    let percent = sequence.negative / sequence.positive.norm() * 100.0;
    // Phases that follow each other the other way round are leads of the meter, no unbalance.
    (percent.norm() < 100.0).then_some(percent)
}
