//! The orders of one circuit over the latest minutes, as the judges of harmonics and of the core need them.

use crate::diagnosis::look::{Three, largest};
use crate::diagnosis::plan::CircuitPlan;
use crate::diagnosis::trace::Lately;

/// Amperes of the orders of one circuit, each of its worst phase.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Spectrum {
    pub(crate) rated_a: f64,
    /// Amperes of the worst phase.
    pub(crate) most_a: f64,
    pub(crate) second: Option<(usize, f64)>,
    pub(crate) third: Option<f64>,
    pub(crate) fourth: Option<f64>,
    /// The fifth, seventh, eleventh and thirteenth.
    pub(crate) six_pulse: [Option<f64>; 4],
}

impl Spectrum {
    pub(crate) fn of(plan: &CircuitPlan, lately: &Lately) -> Option<Self> {
        let rated_a = plan.rated_a.filter(|rated| *rated > 0.0)?;
        let (_, most_a) = largest(lately.amperes())?;
        let worst = |order: u8| largest(lately.order(order)).map(|(_, amperes)| amperes);
        Some(Self {
            rated_a,
            most_a,
            second: largest(lately.order(2)),
            third: worst(3),
            fourth: worst(4),
            six_pulse: [worst(5), worst(7), worst(11), worst(13)],
        })
    }

    /// Load by amperes, of the rating.
    pub(crate) fn load(&self) -> f64 {
        self.most_a / self.rated_a
    }

    /// The strongest of the orders of a bridge of six.
    pub(crate) fn strongest(&self) -> Option<u8> {
        let known = [5, 7, 11, 13].into_iter().zip(self.six_pulse);
        let known = known.filter_map(|(order, amperes)| Some((order, amperes?)));
        known.max_by(|(_, one), (_, other)| one.total_cmp(other)).map(|(order, _)| order)
    }

    /// The orders of a bridge of six together; `None` unless the fifth and seventh are measured.
    pub(crate) fn six_pulse_a(&self) -> Option<f64> {
        self.six_pulse[0].and(self.six_pulse[1])?;
        Some(self.six_pulse.iter().flatten().fold(0.0, |sum, amperes| amperes.mul_add(*amperes, sum)).sqrt())
    }
}

/// Triplen amperes that meet in the neutral, where every phase's third order is measured: they add (Masters, eq. 2.102).
pub(crate) fn triplen_a(lately: &Lately) -> Option<f64> {
    let sum = |three: Three| three.into_iter().sum::<Option<f64>>();
    let third = sum(lately.order(3))?;
    Some(third.hypot(sum(lately.order(9)).unwrap_or(0.0)))
}
