//! What a meter's harmonics allow, compiled to slots.

use super::{Gathered, NetFlow};
use crate::electrical::distortion::{self, Orders};
use crate::electrical::expected_neutral as neutral;
use crate::electrical::loss::{self, Loss};
use crate::electrical::permissible::{Bounded, Weights};
use crate::electrical::spectrum::Spectrum;
use crate::reading::Sample;

/// Where the orders of one phase come from.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseOrders {
    /// Order and slot.
    pub slots: Box<[(u8, usize)]>,
    /// Given in per cent of the fundamental, else in amperes or volts.
    pub percent: bool,
    /// The true r.m.s. value of the whole, if the meter gives it.
    pub total: Option<usize>,
    /// Least fundamental in amperes or volts; below it all quotients are noise.
    pub floor: f64,
}

impl PhaseOrders {
    /// Whether amperes (or volts) of its orders can be told.
    pub fn has_amounts(&self) -> bool {
        !self.percent || self.total.is_some()
    }

    /// The orders, in amperes or volts where those can be told, else in per cent of the fundamental. An order that is absent in the
    /// row is absent. `None` where the fundamental is unknown or below the floor.
    pub(super) fn spectrum(&self, row: &[Sample]) -> Option<Spectrum> {
        let given = self.slots.iter().filter_map(|(order, slot)| Some((*order, row[*slot].get()?)));
        let mut spectrum = Spectrum::given(given);
        if self.percent {
            // That order 1 is the whole of itself needs no meter.
            let base = spectrum.get(1).unwrap_or(100.0);
            spectrum.set(1, Some(base));
            let Some(total) = self.total else { return Some(spectrum) };
            let (total, all) = (row[total].get()?, spectrum.size());
            if !(total > 0.0 && all > 0.0) {
                return None;
            }
            spectrum = spectrum.scaled(total / all);
        } else if spectrum.get(1).is_none() {
            let harmonics = distortion::amount(&spectrum, Orders::All).ok()?;
            spectrum.set(1, distortion::fundamental_a(row[self.total?].get()?, harmonics));
        }
        spectrum.fundamental(self.floor).is_ok().then_some(spectrum)
    }
}

/// What one phase's weight on the transformer comes from.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseLoad {
    /// Slot of its harmonic loss factor, computed or by the meter.
    pub factor: usize,
    /// Its orders, where other stray loss counts and they are known.
    pub orders: Option<PhaseOrders>,
    /// Slot of its current.
    pub current: Option<usize>,
}

/// All phases of a transformer's load side with what bounds them.
#[derive(Debug, Clone, PartialEq)]
pub struct SpectrumLoad {
    /// Its phases, as far as they have a loss factor.
    pub phases: Box<[PhaseLoad]>,
    /// By what its load is bounded.
    pub bounded: Bounded,
    /// Rated amperes.
    pub rated_a: f64,
    /// Below so many amperes a phase has no spectrum and needs none.
    pub floor_a: f64,
}

/// A formula over harmonics.
#[derive(Debug, Clone, PartialEq)]
pub enum Harmonics {
    /// Orders of a kind in per cent of the fundamental; of all of them that is the THD.
    Percent(PhaseOrders, Orders),
    /// The THD of a current; where little power flows or some flows back, of rated amperes.
    CurrentThd(PhaseOrders, NetFlow),
    /// The r.m.s. value of all harmonics, in amperes.
    Amount(PhaseOrders),
    /// The harmonic loss factor.
    LossFactor(PhaseOrders),
    /// The K-factor of the load.
    KFactor {
        /// The slot of the harmonic loss factor.
        factor: usize,
        /// The slot of the current.
        current: usize,
        /// Rated amperes.
        rated_a: f64,
    },
    /// What may be carried with the worst phase's spectrum, in per cent of rated.
    Permissible(Box<SpectrumLoad>),
    /// The worst phase's current in per cent of what it may carry with its spectrum.
    Loading(Box<SpectrumLoad>),
    /// What the neutral should carry, in amperes.
    Neutral {
        /// The orders of A, B and C.
        phases: Box<[PhaseOrders; 3]>,
        /// The angles of their fundamentals, if the meter gives them.
        angles: Option<[usize; 3]>,
    },
    /// By how many amperes the measured neutral exceeds that, where it means something, else 0.
    Unexplained {
        /// The measured neutral.
        measured: usize,
        /// What it should carry.
        expected: usize,
    },
}

impl Harmonics {
    /// The value, or none where an input is absent or unfit.
    pub(super) fn evaluate(&self, row: &[Sample], gathered: &mut Gathered) -> Option<f64> {
        match self {
            Self::Percent(of, kind) => distortion::percent(&gathered.spectrum(of, row)?, *kind, 0.0).ok(),
            Self::CurrentThd(of, flow) => {
                let spectrum = gathered.spectrum(of, row)?;
                let amount = || distortion::amount(&spectrum, Orders::All).ok();
                flow.distortion(row, amount, || distortion::percent(&spectrum, Orders::All, 0.0).ok())
            }
            Self::Amount(of) => distortion::amount(&gathered.spectrum(of, row)?, Orders::All).ok(),
            Self::LossFactor(of) => loss::loss_factor(&gathered.spectrum(of, row)?, Loss::Eddy, 0.0).ok(),
            Self::KFactor { factor, current, rated_a } => {
                loss::k_of_loss_factor(row[*factor].get()?, row[*current].get()?, *rated_a).ok()
            }
            Self::Permissible(load) => load.permissible(row, gathered),
            Self::Loading(load) => load.loading(row, gathered),
            Self::Neutral { phases, angles } => {
                let [a, b, c] = phases.each_ref().map(|phase| phase.spectrum_or_none(row, gathered));
                let (a, b, c) = (a?, b?, c?);
                let angles = match angles {
                    Some(slots) => Some(super::three(row, *slots)?),
                    None => None,
                };
                neutral::expected([&a, &b, &c], angles).ok().map(|expected| expected.amps)
            }
            Self::Unexplained { measured, expected } => {
                let excess = neutral::excess_a(row[*measured].get()?, row[*expected].get()?);
                Some(excess.unwrap_or(0.0))
            }
        }
    }

    /// The slots that must be of one moment: the orders of a phase. Its current need not: orders are means of their own over seconds.
    pub(super) fn combines(&self) -> Vec<usize> {
        match self {
            Self::Percent(of, _) | Self::CurrentThd(of, _) | Self::Amount(of) | Self::LossFactor(of) => {
                of.slots.iter().map(|(_, slot)| *slot).collect()
            }
            Self::Neutral { angles, .. } => angles.map(Vec::from).unwrap_or_default(),
            Self::Unexplained { measured, .. } => vec![*measured],
            Self::KFactor { .. } | Self::Permissible(_) | Self::Loading(_) => Vec::new(),
        }
    }
}

impl PhaseOrders {
    /// The spectrum in amperes; all zero where there is hardly a current, since that adds nothing to a neutral.
    fn spectrum_or_none(&self, row: &[Sample], gathered: &mut Gathered) -> Option<Spectrum> {
        gathered.spectrum(self, row).or_else(|| {
            let total = row[self.total?].get()?;
            (total < self.floor).then(|| Spectrum::whole([(1, total)]))
        })
    }
}

impl SpectrumLoad {
    fn permissible_pu(&self, phase: &PhaseLoad, row: &[Sample], gathered: &mut Gathered) -> Option<f64> {
        let eddy = row[phase.factor].get()?;
        let mut by_orders = || {
            let spectrum = gathered.spectrum(phase.orders.as_ref()?, row)?;
            loss::loss_factor(&spectrum, Loss::OtherStray, 0.0).ok()
        };
        let other_stray = match self.bounded {
            Bounded::Liquid { .. } => by_orders().or_else(|| loss::most_other_stray(eddy))?,
            Bounded::Dry { .. } | Bounded::KRated { .. } => 1.0,
        };
        self.bounded.permissible_pu(Weights { eddy, other_stray }).ok()
    }

    fn permissible(&self, row: &[Sample], gathered: &mut Gathered) -> Option<f64> {
        let phases = self.phases.iter().filter_map(|phase| self.permissible_pu(phase, row, gathered));
        phases.reduce(f64::min).map(|worst| 100.0 * worst)
    }

    /// A phase with a current and without a loss factor could be the worst: then nothing is told.
    fn loading(&self, row: &[Sample], gathered: &mut Gathered) -> Option<f64> {
        let mut worst = None;
        for phase in &self.phases {
            let current = row[phase.current?].get()?;
            let permissible = match self.permissible_pu(phase, row, gathered) {
                Some(permissible) => permissible,
                None if current < self.floor_a => 1.0,
                None => return None,
            };
            let percent = 100.0 * current / (self.rated_a * permissible);
            worst = Some(percent.max(worst.unwrap_or(0.0)));
        }
        worst
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    impl Harmonics {
        fn alone(&self, row: &[Sample]) -> Option<f64> {
            self.evaluate(row, &mut Gathered::default())
        }
    }

    /// Orders 1 (unless in per cent), 3, 5, 7, 9, 11 and 13 in slots 0 to 6, the whole in slot 7.
    fn orders(percent: bool) -> PhaseOrders {
        let first = usize::from(percent);
        let slots = [1, 3, 5, 7, 9, 11, 13].into_iter().zip(0..).skip(first).collect();
        PhaseOrders { slots, percent, total: Some(7), floor: 2.0 }
    }

    fn row(values: [f64; 8]) -> Vec<Sample> {
        values.into_iter().map(Sample::new).collect()
    }

    /// The handbook's worked example (typical electronic load): `F_HL` 6.249, rms 1.266 of the fundamental.
    const PER_UNIT: [f64; 7] = [1.0, 0.66, 0.38, 0.13, 0.05, 0.05, 0.03];

    #[test]
    fn amperes_and_per_cent_of_one_load_give_the_same() {
        let amperes = row([100.0, 66.0, 38.0, 13.0, 5.0, 5.0, 3.0, 126.602_5]);
        let percent = row([f64::NAN, 66.0, 38.0, 13.0, 5.0, 5.0, 3.0, 126.602_5]);
        for formula in [
            Harmonics::LossFactor as fn(PhaseOrders) -> Harmonics,
            Harmonics::Amount,
            |of| Harmonics::Percent(of, Orders::All),
            |of| Harmonics::Percent(of, Orders::Triplen),
        ] {
            let one = formula(orders(false)).alone(&amperes).unwrap();
            let other = formula(orders(true)).alone(&percent).unwrap();
            assert!((one - other).abs() < 1e-4 * one, "{one} {other}");
        }
        let factor = Harmonics::LossFactor(orders(true)).alone(&percent).unwrap();
        assert!((factor - 6.249).abs() < 0.001, "{factor}");
        // Without order 1 in amperes the fundamental is what the whole leaves.
        let mut without = orders(false);
        without.slots = without.slots[1..].into();
        let factor = Harmonics::LossFactor(without).alone(&amperes).unwrap();
        assert!((factor - 6.249).abs() < 0.001, "{factor}");
    }

    // Seen to fail when the floor was not looked at.
    #[test]
    fn hardly_any_current_has_no_spectrum() {
        let amps = PER_UNIT.map(|share| 1.5 * share);
        let light = row([amps[0], amps[1], amps[2], amps[3], amps[4], amps[5], amps[6], 1.9]);
        assert_eq!(Harmonics::LossFactor(orders(false)).alone(&light), None);
        assert_eq!(Harmonics::Percent(orders(true), Orders::All).alone(&light), None);
        let mut dead = light.clone();
        dead[7] = Sample::ABSENT;
        assert_eq!(
            Harmonics::LossFactor(orders(true)).alone(&dead),
            None,
            "what the current is, nobody knows"
        );
    }

    /// Slots: factors 0 to 2, currents 3 to 5.
    fn load(bounded: Bounded) -> SpectrumLoad {
        let phase = |index| PhaseLoad { factor: index, orders: None, current: Some(3 + index) };
        SpectrumLoad { phases: [0, 1, 2].map(phase).into(), bounded, rated_a: 208.2, floor_a: 4.0 }
    }

    /// The handbook's worked example: `F_HL` 6.249 with P_EC-R 0.08 allows 0.8486, 176.7 A of 208.2 A.
    #[test]
    fn the_worst_phase_counts_by_its_own_spectrum() {
        let unit = load(Bounded::Dry { eddy_pu: 0.08 });
        let values = row([6.2488, 1.2, 1.0, 176.7, 200.0, 100.0, 0.0, 0.0]);
        let permissible = Harmonics::Permissible(Box::new(unit.clone())).alone(&values).unwrap();
        assert!((permissible - 84.86).abs() < 0.01, "{permissible}");
        let loading = Harmonics::Loading(Box::new(unit.clone())).alone(&values).unwrap();
        assert!((loading - 100.0).abs() < 0.05, "{loading}");

        let idle = row([6.2488, 1.2, f64::NAN, 176.7, 200.0, 1.0, 0.0, 0.0]);
        assert!(
            Harmonics::Loading(Box::new(unit.clone())).alone(&idle).is_some(),
            "an idle phase needs no spectrum"
        );
        let unknown = row([6.2488, 1.2, f64::NAN, 176.7, 200.0, 150.0, 0.0, 0.0]);
        assert_eq!(Harmonics::Loading(Box::new(unit)).alone(&unknown), None, "this phase may be the worst");
    }

    /// From the definitions: other stray loss grows less than eddy loss, so a bound by `F_HL` alone never allows more.
    #[test]
    fn a_liquid_filled_unit_of_which_only_the_factor_is_known_is_held_to_the_bound() {
        let bounded = Bounded::Liquid { eddy_pu: 0.05, other_stray_pu: 0.3 };
        let mut with = load(bounded);
        let values = row([100.0, 66.0, 38.0, 13.0, 5.0, 5.0, 3.0, 126.602_5]);
        let mut long = values.clone();
        long.push(Sample::new(6.2488));
        with.phases = [PhaseLoad { factor: 8, orders: Some(orders(false)), current: Some(7) }].into();
        let by_orders = Harmonics::Permissible(Box::new(with.clone())).alone(&long).unwrap();
        with.phases[0].orders = None;
        let by_factor = Harmonics::Permissible(Box::new(with)).alone(&long).unwrap();
        assert!(by_factor < by_orders && by_factor > 0.8 * by_orders, "{by_factor} {by_orders}");
    }

    /// Check case (Masters eq. 2.102): 66 and 5 A at 3 and 9 in each of three equal phases make 198.6 A.
    #[test]
    fn the_neutral_is_expected_from_three_spectra() {
        let alike = || Box::new([orders(false), orders(false), orders(false)]);
        let phases = Harmonics::Neutral { phases: alike(), angles: None };
        let values = row([100.0, 66.0, 38.0, 13.0, 5.0, 0.0, 0.0, 126.467]);
        let mut turned = values.clone();
        turned.extend([-25.0, -145.0, 95.0].map(Sample::new));
        let by_angles = Harmonics::Neutral { phases: alike(), angles: Some([8, 9, 10]) };
        assert!((by_angles.alone(&turned).unwrap() - 198.567).abs() < 0.001);
        turned[9] = Sample::ABSENT;
        assert_eq!(by_angles.alone(&turned), None, "an angle that is lost is not guessed");
        assert!((phases.alone(&values).unwrap() - 198.567).abs() < 0.001);
        let mut lost = values;
        lost[4] = Sample::ABSENT;
        assert_eq!(phases.alone(&lost), None, "without the ninth it is not told");
    }
}
