//! What may still be said where little power flows or some flows back: ratios on a net near zero explode, so they are taken
//! on rated amperes or not at all. Source: common practice, no source, see [`crate::electrical::flow`].

use super::{PowerSource, three};
use crate::electrical::flow::{LEAST_FOR_FACTOR, unbalance_of_rated_percent};
use crate::electrical::unbalance::largest_deviation_percent;
use crate::reading::Sample;

/// The net power at a place, and the amperes that ratios are taken on where it is small or flows back.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NetFlow {
    /// Slot of the signed total active power.
    pub power: usize,
    /// Rated power in VA.
    pub rated_va: f64,
    /// Rated line amperes.
    pub rated_a: f64,
}

impl NetFlow {
    /// The rated amperes, where ratios are taken on them; `None`: enough is taken, or the power is not known.
    fn base_a(self, row: &[Sample]) -> Option<f64> {
        let power = row[self.power].get()?;
        (power < LEAST_FOR_FACTOR * self.rated_va).then_some(self.rated_a)
    }

    /// Unbalance of three currents: of their mean above a floor of it, or of rated amperes.
    pub(super) fn unbalance(self, row: &[Sample], of: [usize; 3], floor: f64) -> Option<f64> {
        let amperes = three(row, of)?;
        match self.base_a(row) {
            Some(rated_a) => unbalance_of_rated_percent(amperes, rated_a),
            None => largest_deviation_percent(amperes, floor),
        }
    }

    /// Amperes of harmonics in per cent: of the fundamental as usual, or of rated amperes.
    pub(super) fn distortion(
        self,
        row: &[Sample],
        amount: impl FnOnce() -> Option<f64>,
        usual: impl FnOnce() -> Option<f64>,
    ) -> Option<f64> {
        match self.base_a(row) {
            Some(rated_a) => Some(100.0 * amount()? / rated_a).filter(|percent| percent.is_finite()),
            None => usual(),
        }
    }
}

/// What a meter says itself and what its place makes of it: power factors and distortions of currents.
#[derive(Debug, Clone, PartialEq)]
pub struct OwnRatios {
    /// Rated power in VA.
    pub rated_va: f64,
    /// Where the total apparent power comes from.
    pub apparent: Option<PowerSource>,
    /// Slots of power factors.
    pub factors: Box<[usize]>,
    /// The net flow, if the meter gives it.
    pub flow: Option<NetFlow>,
    /// Slots of distortions of currents and of those currents.
    pub distortions: Box<[(usize, usize)]>,
}

impl OwnRatios {
    /// Takes power factors of too little power out of the row, and puts distortions of a small or negative net flow on rated
    /// amperes: THD times the fundamental, `I/√(1 + THD²)`.
    pub(crate) fn settle(&self, row: &mut [Sample]) {
        let apparent = self.apparent.as_ref().and_then(|power| power.volt_amperes(row));
        if apparent.is_some_and(|apparent| apparent < LEAST_FOR_FACTOR * self.rated_va) {
            for slot in &self.factors {
                row[*slot] = Sample::ABSENT;
            }
        }
        let Some(rated_a) = self.flow.and_then(|flow| flow.base_a(row)) else { return };
        for (thd, current) in &self.distortions {
            let of_rated = row[*thd].get().zip(row[*current].get()).map(|(percent, amperes)| {
                let share = percent / 100.0;
                100.0 * share * amperes / (1.0 + share * share).sqrt() / rated_a
            });
            row[*thd] = of_rated.into();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::formula::Formula;

    /// Slots: power, A, B, C, apparent power, power factor, THD of A.
    fn row(power: f64, amperes: [f64; 3], apparent: f64, factor: f64, thd: f64) -> Vec<Sample> {
        let [a, b, c] = amperes;
        [power, a, b, c, apparent, factor, thd].into_iter().map(Sample::new).collect()
    }

    const FLOW: NetFlow = NetFlow { power: 0, rated_va: 75_000.0, rated_a: 208.0 };

    fn unbalance(power: f64, amperes: [f64; 3]) -> Option<f64> {
        let formula = Formula::CurrentUnbalance { of: [1, 2, 3], floor: 41.6, flow: FLOW };
        formula.evaluate(&row(power, amperes, f64::NAN, f64::NAN, f64::NAN)).get()
    }

    /// 60, 45 and 45 A: 10 A over their mean of 50 A, so 20 % of it; of 208 A 4.8 % (worked by hand). A net of 2 kW at noon, solar
    /// power beside the load, is small; -30 kW flows back.
    #[test]
    fn unbalance_of_a_net_that_is_small_or_flows_back_is_of_rated_amperes() {
        let near =
            |got: Option<f64>, want: f64| assert!((got.unwrap() - want).abs() < 1e-9, "{got:?} {want}");
        near(unbalance(17_000.0, [60.0, 45.0, 45.0]), 20.0);
        near(unbalance(2_000.0, [60.0, 45.0, 45.0]), 1000.0 / 208.0);
        near(unbalance(-30_000.0, [60.0, 45.0, 45.0]), 1000.0 / 208.0);
        near(unbalance(0.0, [3.0, 1.0, 2.0]), 100.0 / 208.0);
        assert_eq!(unbalance(17_000.0, [6.0, 4.5, 4.5]), None, "below the floor, as always");
        near(unbalance(f64::NAN, [60.0, 45.0, 45.0]), 20.0);
        assert_eq!(unbalance(2_000.0, [60.0, f64::NAN, 45.0]), None);
    }

    fn ratios() -> OwnRatios {
        OwnRatios {
            rated_va: 75_000.0,
            apparent: Some(PowerSource::Total(4)),
            factors: [5].into(),
            flow: Some(FLOW),
            distortions: [(6, 1)].into(),
        }
    }

    #[test]
    fn a_power_factor_of_too_little_power_is_absent() {
        let factor = |apparent| {
            let mut row = row(17_000.0, [50.0; 3], apparent, 0.3, 20.0);
            ratios().settle(&mut row);
            (row[5].get(), row[6].get())
        };
        assert_eq!(factor(7_400.0), (None, Some(20.0)), "a tenth of 75 kVA is 7.5");
        assert_eq!(factor(7_600.0).0, Some(0.3));
        assert_eq!(factor(f64::NAN).0, Some(0.3), "how much flows is not known");
    }

    /// 50 % of THD at 20 A: the fundamental is 20/√1.25 = 17.89 A, half of it 8.944 A, 4.3 % of 208 A (worked by hand).
    #[test]
    fn the_meters_own_distortion_of_a_small_net_is_of_rated_amperes() {
        let mut row = row(-3_000.0, [20.0; 3], 9_000.0, 0.9, 50.0);
        ratios().settle(&mut row);
        assert!((row[6].get().unwrap() - 4.300).abs() < 0.001, "{:?}", row[6]);
        row[1] = Sample::ABSENT;
        ratios().settle(&mut row);
        assert_eq!(row[6].get(), None, "of how many amperes is not known");
    }
}
