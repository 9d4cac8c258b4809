//! Which feeder has what share of a load, an unbalance or an order.
//!
//! What is shared out is a vector of each circuit; a feeder's share is its vector along that of the transformer, so that the
//! shares add up to the whole where every feeder is metered. Vectors are phasors where both sides have angles, else the
//! amperes of the phases. A feeder that hangs elsewhere, or of which that is not known, has no share: what remains is told as
//! one without a name.

use super::finding::{Lack, Share};
use super::look::{Look, Three};
use super::trace::Lately;
use crate::electrical::phasors::Sequence;

/// A feeder with so much of the whole is where it comes from, if it also has twice as much as the next (common practice, no
/// source).
const MOST_OF_IT: f64 = 0.6;
/// A rest of so little is the meters' error.
const REST: f64 = 0.05;

/// What is shared out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Of {
    /// The amperes of all phases.
    Load,
    /// The amperes of one phase.
    Phase(usize),
    /// What of the amperes is unequal.
    Unbalance,
    /// The amperes of one order.
    Order(u8),
    /// The amperes of two orders together; where no orders are measured, all that is no fundamental.
    Orders(u8, u8),
    /// The amperes of the neutral.
    Neutral,
}

/// Parts of a vector: real and imaginary of three phases, or magnitudes of two times three.
type Vector = [f64; 6];

impl Of {
    /// The vector of a circuit, by phasors or single orders, or by what every meter gives.
    fn vector(self, lately: &Lately, finely: bool) -> Option<Vector> {
        match self {
            Self::Neutral => Some([lately.neutral()?, 0.0, 0.0, 0.0, 0.0, 0.0]),
            Self::Order(order) => of_magnitudes(lately.order(order)),
            Self::Orders(..) if !finely => of_magnitudes(lately.distortion()),
            Self::Orders(one, other) => {
                let (one, other) = (of_magnitudes(lately.order(one))?, of_magnitudes(lately.order(other))?);
                Some([one[0], one[1], one[2], other[0], other[1], other[2]])
            }
            Self::Load | Self::Phase(_) | Self::Unbalance if finely => {
                let phasors = lately.phasors()?;
                let mut sequence = Sequence::of(phasors);
                if self == Self::Unbalance {
                    sequence.positive = 0.0.into();
                }
                let [a, b, c] = if self == Self::Unbalance { sequence.phases() } else { phasors };
                Some(self.only([a.re, a.im, b.re, b.im, c.re, c.im], 2))
            }
            Self::Load | Self::Phase(_) => Some(self.only(of_magnitudes(lately.amperes())?, 1)),
            Self::Unbalance => {
                let [a, b, c, ..] = of_magnitudes(lately.amperes())?;
                let mean = (a + b + c) / 3.0;
                Some([a - mean, b - mean, c - mean, 0.0, 0.0, 0.0])
            }
        }
    }

    /// Only the parts of one phase, of which each has so many.
    fn only(self, mut vector: Vector, parts: usize) -> Vector {
        if let Self::Phase(phase) = self {
            for (index, part) in vector.iter_mut().enumerate() {
                if index / parts != phase {
                    *part = 0.0;
                }
            }
        }
        vector
    }
}

fn of_magnitudes(three: Three) -> Option<Vector> {
    let [Some(a), Some(b), Some(c)] = three else { return None };
    Some([a, b, c, 0.0, 0.0, 0.0])
}

fn product(one: &Vector, other: &Vector) -> f64 {
    one.iter().zip(other).map(|(one, other)| one * other).sum()
}

impl Look<'_> {
    /// The feeders that share in the transformer's load now.
    pub(crate) fn sharing(&self) -> impl Iterator<Item = usize> {
        self.feeders().filter(|(_, plan, now)| plan.direct && !now.elsewhere).map(|(index, ..)| index)
    }

    /// The share of a feeder in what the transformer has.
    pub(crate) fn share(&self, of: Of, circuit: usize) -> Option<f64> {
        let (whole, own) = (&self.lately[self.plan.load], &self.lately[circuit]);
        let by = |finely: bool| {
            let (whole, own) = (of.vector(whole, finely)?, of.vector(own, finely)?);
            let share = product(&own, &whole) / product(&whole, &whole);
            share.is_finite().then_some(share)
        };
        by(true).or_else(|| by(false))
    }

    /// The feeder from which it comes.
    pub(crate) fn comes_from(&self, of: Of) -> Option<usize> {
        self.most(|circuit| self.share(of, circuit))
    }

    /// The share of a feeder in what the amperes of the transformer, or of one phase of it, have gained on those of before.
    pub(crate) fn share_of_gain(&self, phase: Option<usize>, circuit: usize) -> Option<f64> {
        let gain = |circuit: usize, phase: usize| {
            Some(self.circuits[circuit].amperes[phase]? - self.before[circuit][phase].get()?)
        };
        let phases = [0, 1, 2].into_iter().filter(|index| phase.is_none_or(|phase| phase == *index));
        let mut sums = (0.0, 0.0);
        for phase in phases {
            let (whole, own) = (gain(self.plan.load, phase)?, gain(circuit, phase)?);
            sums = (sums.0 + own * whole, sums.1 + whole * whole);
        }
        let share = sums.0 / sums.1;
        share.is_finite().then_some(share)
    }

    /// The feeder whose amperes have gained most of what the transformer's, or those of one phase, have.
    pub(crate) fn gained(&self, phase: Option<usize>) -> Option<usize> {
        self.most(|circuit| self.share_of_gain(phase, circuit))
    }

    /// The feeder that has most of it.
    pub(crate) fn most(&self, share: impl Fn(usize) -> Option<f64>) -> Option<usize> {
        let mut most: Option<(usize, f64)> = None;
        let mut next = 0.0f64;
        let mut sum = 0.0;
        for circuit in self.sharing() {
            let Some(share) = share(circuit) else { continue };
            sum += share;
            match most {
                Some((_, best)) if share <= best => next = next.max(share),
                _ => {
                    next = next.max(most.map_or(0.0, |(_, best)| best));
                    most = Some((circuit, share));
                }
            }
        }
        // What no meter of a feeder shows is one more.
        next = next.max(1.0 - sum);
        most.filter(|(_, share)| *share >= MOST_OF_IT * sum.max(1.0) && *share >= 2.0 * next)
            .map(|(circuit, _)| circuit)
    }

    /// The shares of all feeders and of the rest, the largest first; nothing where no feeder is metered.
    pub(crate) fn shares(&self, of: Of) -> Option<Box<[Share]>> {
        let cancel = matches!(of, Of::Order(_) | Of::Orders(..) | Of::Neutral);
        self.told(|circuit| self.share(of, circuit), cancel)
    }

    /// Shares for people. What of several sources `cancel`s in part is told as parts of their sum.
    pub(crate) fn told(&self, share: impl Fn(usize) -> Option<f64>, cancel: bool) -> Option<Box<[Share]>> {
        let of_feeder = |circuit: usize| {
            let feeder = self.plan.circuits[circuit].feeder.clone();
            Some(Share { feeder, percent: 100.0 * share(circuit)? })
        };
        let mut shares: Vec<Share> = self.sharing().filter_map(of_feeder).collect();
        let sum: f64 = shares.iter().map(|share| share.percent).sum();
        if shares.is_empty() || !sum.is_finite() {
            return None;
        }
        if sum < 100.0 * (1.0 - REST) {
            shares.push(Share { feeder: None, percent: 100.0 - sum });
        } else if sum > 100.0 && cancel {
            for share in &mut shares {
                share.percent *= 100.0 / sum;
            }
        }
        shares.sort_by(|one, other| other.percent.total_cmp(&one.percent));
        Some(shares.into())
    }

    /// What is missing where no feeder can be named: meters, or what feeds a feeder that has one.
    pub(crate) fn to_trace(&self) -> Option<Lack> {
        let mut direct = self.feeders().filter(|(_, plan, _)| plan.direct).peekable();
        if direct.peek().is_none() {
            return Some(Lack::FeederMeters);
        }
        direct.any(|(.., now)| now.not_known).then_some(Lack::States)
    }
}
