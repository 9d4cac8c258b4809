//! Why a computed quantity is absent just now, for people: degenerate inputs give nothing, and this says what was wrong with them.

use super::harmonics::Harmonics;
use super::sequence::{Figure, Phasors};
use super::{Formula, PhaseOrders, three};
use crate::electrical::phasors::{Sequence, phasors};
use crate::electrical::spectrum::{Lacking, Spectrum};
use crate::electrical::unbalance::{NoUnbalance, farthest, negative_ratio_percent};
use crate::electrical::{distortion, loss};
use crate::reading::Sample;

/// Why a computed quantity is absent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WhyAbsent {
    /// The value in this slot of the row is absent.
    Missing(usize),
    /// Three values give no unbalance.
    Unbalance(NoUnbalance),
    /// A spectrum gives no figure.
    Spectrum(Lacking),
    /// The values are there, but too small to mean anything, or outside what the formula holds for.
    Unfit,
}

impl Formula {
    /// Why it gives nothing with this row; only to be asked where it does not.
    pub fn why_absent(&self, row: &[Sample]) -> WhyAbsent {
        let of_three = |of: [usize; 3], judged: &dyn Fn([f64; 3]) -> Option<NoUnbalance>| {
            missing(row, of).unwrap_or_else(|| {
                three(row, of).and_then(judged).map_or(WhyAbsent::Unfit, WhyAbsent::Unbalance)
            })
        };
        match self {
            Self::Unbalance { of, floor } | Self::CurrentUnbalance { of, floor, .. } => {
                of_three(*of, &|values| farthest(values, *floor).err())
            }
            Self::NegativeOfLines { of, floor } => {
                of_three(*of, &|values| negative_ratio_percent(values, *floor).err())
            }
            Self::Sequence { of, figure } => of.why_absent(*figure, row),
            Self::Harmonics(of) => of.why_absent(row),
            Self::NeutralOverPhase { neutral, phases, .. } => missing(row, [*neutral])
                .or_else(|| missing(row, phases.iter().copied()))
                .unwrap_or(WhyAbsent::Unfit),
            Self::LoadingPhase { of, .. } | Self::Headroom { of } => {
                missing(row, of.iter().copied()).unwrap_or(WhyAbsent::Unfit)
            }
            Self::NetPower { power, .. } => missing(row, [*power]).unwrap_or(WhyAbsent::Unfit),
            Self::Excitation { tap, .. } => missing(row, [*tap]).unwrap_or(WhyAbsent::Unfit),
            Self::LoadingKva { .. }
            | Self::TapVoltage { .. }
            | Self::SecondOrder { .. }
            | Self::Rise { .. } => missing(row, self.combines()).unwrap_or(WhyAbsent::Unfit),
        }
    }
}

impl Formula {
    /// The spectrum of the current from which it is computed, where it is a current's loss factor: so each phase has it once.
    pub(crate) fn current_spectrum(&self, row: &[Sample]) -> Option<Spectrum> {
        match self {
            Self::Harmonics(Harmonics::LossFactor(of)) => of.spectrum(row),
            _ => None,
        }
    }
}

fn missing(row: &[Sample], slots: impl IntoIterator<Item = usize>) -> Option<WhyAbsent> {
    let absent = |slot: &usize| row.get(*slot).is_none_or(|value| value.get().is_none());
    slots.into_iter().find(absent).map(WhyAbsent::Missing)
}

impl Phasors {
    fn why_absent(&self, figure: Figure, row: &[Sample]) -> WhyAbsent {
        if let Some(missing) = missing(row, self.slots()) {
            return missing;
        }
        let (magnitudes, degrees) = (three(row, self.magnitudes), three(row, self.angles));
        let sequence = magnitudes.zip(degrees).and_then(|(magnitudes, degrees)| phasors(magnitudes, degrees));
        let Some(sequence) = sequence.map(Sequence::of) else {
            return WhyAbsent::Unbalance(NoUnbalance::NotMeasured);
        };
        let why = match figure {
            Figure::Positive => NoUnbalance::Backwards,
            Figure::NegativePercent | Figure::ZeroPercent | Figure::LinesDeviationPercent => {
                sequence.ratios(self.floor).err().unwrap_or(NoUnbalance::BelowFloor)
            }
        };
        WhyAbsent::Unbalance(why)
    }
}

impl Harmonics {
    fn why_absent(&self, row: &[Sample]) -> WhyAbsent {
        match self {
            Self::Percent(of, kind) => {
                of.why(row, |spectrum| distortion::percent(spectrum, *kind, 0.0).err())
            }
            Self::CurrentThd(of, _) | Self::Amount(of) => {
                of.why(row, |spectrum| distortion::amount(spectrum, distortion::Orders::All).err())
            }
            Self::LossFactor(of) => {
                of.why(row, |spectrum| loss::loss_factor(spectrum, loss::Loss::Eddy, 0.0).err())
            }
            Self::KFactor { factor, current, .. } => {
                missing(row, [*factor, *current]).unwrap_or(WhyAbsent::Unfit)
            }
            Self::Permissible(load) => {
                missing(row, load.phases.iter().map(|phase| phase.factor)).unwrap_or(WhyAbsent::Unfit)
            }
            Self::Loading(load) => {
                let currents = load.phases.iter().filter_map(|phase| phase.current);
                let factors = load.phases.iter().map(|phase| phase.factor);
                missing(row, currents.chain(factors)).unwrap_or(WhyAbsent::Unfit)
            }
            Self::Neutral { phases, angles } => {
                let orders = phases.iter().find_map(|of| {
                    let given = of.spectrum(row);
                    given.is_none().then(|| of.why(row, |_| None))
                });
                orders.or_else(|| missing(row, (*angles)?)).unwrap_or(WhyAbsent::Unfit)
            }
            Self::Unexplained { measured, expected } => {
                missing(row, [*measured, *expected]).unwrap_or(WhyAbsent::Unfit)
            }
        }
    }
}

impl PhaseOrders {
    /// Why its spectrum gives no figure, or why there is none.
    fn why(&self, row: &[Sample], judged: impl Fn(&Spectrum) -> Option<Lacking>) -> WhyAbsent {
        match self.spectrum(row) {
            Some(spectrum) => judged(&spectrum).map_or(WhyAbsent::Unfit, WhyAbsent::Spectrum),
            None => missing(row, self.total).unwrap_or(WhyAbsent::Spectrum(Lacking::Fundamental)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrical::distortion::Orders;

    /// Zero volts, one phase dead, zero current, absurd values: nothing comes out, and each says why.
    #[test]
    fn degenerate_inputs_give_nothing_and_say_why() {
        let volts = Formula::NegativeOfLines { of: [0, 1, 2], floor: 20.8 };
        let spread = Formula::Unbalance { of: [0, 1, 2], floor: 20.8 };
        let why = |formula: &Formula, values: [f64; 3]| {
            let row = values.map(Sample::new);
            let told = formula.evaluate(&row).get();
            told.is_none().then(|| formula.why_absent(&row))
        };
        let unbalance = |why| Some(WhyAbsent::Unbalance(why));
        for formula in [&volts, &spread] {
            assert_eq!(why(formula, [0.0; 3]), unbalance(NoUnbalance::BelowFloor), "zero volts");
            assert_eq!(why(formula, [208.0, f64::NAN, 208.0]), Some(WhyAbsent::Missing(1)));
            assert_eq!(why(formula, [f64::MAX; 3]), unbalance(NoUnbalance::NotMeasured), "absurd values");
            assert_eq!(why(formula, [208.0, 207.0, 209.0]), None);
        }
        assert_eq!(why(&volts, [180.0, 180.0, 0.0]), unbalance(NoUnbalance::NoTriangle), "one phase dead");
        // Orders 1, 3, 5 and 7 in amperes.
        let of = PhaseOrders {
            slots: (0..4).zip([1, 3, 5, 7]).map(|(slot, order)| (order, slot)).collect(),
            percent: false,
            total: None,
            floor: 4.0,
        };
        let factor = Formula::Harmonics(Harmonics::LossFactor(of.clone()));
        let thd = Formula::Harmonics(Harmonics::Percent(of, Orders::All));
        let row = |values: [f64; 4]| values.map(Sample::new);
        let zero = row([0.0; 4]);
        assert_eq!(factor.evaluate(&zero).get(), None);
        assert_eq!(factor.why_absent(&zero), WhyAbsent::Spectrum(Lacking::Fundamental), "zero current");
        let lost = row([100.0, 3.0, f64::NAN, 2.0]);
        assert_eq!(thd.why_absent(&lost), WhyAbsent::Spectrum(Lacking::Order(5)));
    }

    #[test]
    fn turning_backwards_is_told_as_that() {
        let of = Phasors { magnitudes: [0, 1, 2], angles: [3, 4, 5], floor: 12.0, least_mean: 24.0 };
        let row = [120.0, 120.0, 120.0, 0.0, 120.0, -120.0].map(Sample::new);
        for figure in [Figure::NegativePercent, Figure::ZeroPercent, Figure::Positive] {
            let formula = Formula::Sequence { of, figure };
            assert_eq!(formula.evaluate(&row).get(), None);
            assert_eq!(formula.why_absent(&row), WhyAbsent::Unbalance(NoUnbalance::Backwards));
        }
    }
}
