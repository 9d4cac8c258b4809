//! Transformers side by side: how they share a load, what each would carry if one were lost, and the current that unequal
//! taps drive round between them.
//!
//! Holds for units of one vector group and ratio whose impedances have about the same angle; units of unlike angle share a
//! little worse than is said here. Source: textbook.

use serde::{Deserialize, Serialize};

/// One of several units side by side.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Unit {
    /// Rated power in kVA.
    pub kva: f64,
    /// Impedance in per cent of its own rating.
    pub impedance_percent: f64,
    /// Volts that it would give without load, in per unit of those of the others: 1 at equal taps.
    pub open_volts: f64,
}

impl Unit {
    /// How readily it takes load: kVA for one per unit of drop.
    fn admittance(&self) -> Option<f64> {
        let value = 100.0 * self.kva / self.impedance_percent;
        let fits = self.kva > 0.0 && self.impedance_percent > 0.0 && self.open_volts > 0.0;
        (fits && value.is_finite() && self.open_volts.is_finite()).then_some(value)
    }
}

/// What one unit carries of `total_kva` with all of `units`: `S·(kVAᵢ/Zᵢ)/Σ(kVAⱼ/Zⱼ)`, in kVA. With equal ratings that is by
/// 1/%Z. Without the circulating current.
pub fn share_kva(total_kva: f64, units: &[Unit], which: usize) -> Option<f64> {
    shared(total_kva, units, which, |_| true)
}

/// What one unit would carry in kVA if `lost` were gone; nothing for the lost one itself, and none for the last one's loss.
pub fn share_without_kva(total_kva: f64, units: &[Unit], which: usize, lost: usize) -> Option<f64> {
    if which == lost || lost >= units.len() {
        None
    } else {
        shared(total_kva, units, which, |unit| unit != lost)
    }
}

fn shared(total_kva: f64, units: &[Unit], which: usize, stays: impl Fn(usize) -> bool) -> Option<f64> {
    let mut whole = 0.0;
    for (_, unit) in units.iter().enumerate().filter(|(index, _)| stays(*index)) {
        whole += unit.admittance()?;
    }
    let own = units.get(which)?.admittance()?;
    let share = total_kva * (own / whole);
    (total_kva >= 0.0 && share.is_finite()).then_some(share)
}

/// What all units together may carry before the first of them is full, in kVA. With unequal impedances that is less than the
/// sum of their ratings.
pub fn capacity_kva(units: &[Unit]) -> Option<f64> {
    let whole = units.iter().map(Unit::admittance).sum::<Option<f64>>()?;
    let full = units.iter().map(|unit| unit.admittance().map(|own| unit.kva * (whole / own)));
    let first = full.reduce(|one, other| one.zip(other).map(|(one, other)| one.min(other)))?;
    first.filter(|kva| kva.is_finite())
}

/// The power that goes round between two units without any load, in kVA, since their volts differ: `ΔV/(Z₁/S₁ + Z₂/S₂)`. It is
/// nearly all reactive.
pub fn circulating_kva(one: Unit, other: Unit) -> Option<f64> {
    let in_series = 1.0 / (1.0 / one.admittance()? + 1.0 / other.admittance()?);
    let kva = (one.open_volts - other.open_volts).abs() * in_series;
    kva.is_finite().then_some(kva)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn unit(kva: f64, impedance_percent: f64) -> Unit {
        Unit { kva, impedance_percent, open_volts: 1.0 }
    }

    /// Worked: 500 kVA of 4 % and 500 kVA of 5 % at 900 kVA: shares as 5 to 4, so 500 and 400 kVA.
    #[test]
    fn equal_ratings_share_by_one_over_their_impedance() {
        let units = [unit(500.0, 4.0), unit(500.0, 5.0)];
        assert!((share_kva(900.0, &units, 0).unwrap() - 500.0).abs() < 1e-9);
        assert!((share_kva(900.0, &units, 1).unwrap() - 400.0).abs() < 1e-9);
        assert!((capacity_kva(&units).unwrap() - 900.0).abs() < 1e-9, "then the first is full");
    }

    /// Worked: of three equal units at 900 kVA each carries 300; without one, 450.
    #[test]
    fn the_forecast_of_a_lost_unit() {
        let units = [unit(500.0, 5.0); 3];
        assert_eq!(share_kva(900.0, &units, 2), Some(300.0));
        assert_eq!(share_without_kva(900.0, &units, 0, 2), Some(450.0));
        assert_eq!(share_without_kva(900.0, &units, 2, 2), None, "it is lost itself");
        assert_eq!(share_without_kva(900.0, &units[..1], 0, 0), None, "nothing is left");
    }

    /// Worked: two units of 1000 kVA and 5 %, 2.5 % apart: 0.025/(0.05 + 0.05) = a quarter of their rating goes round.
    #[test]
    fn unequal_taps_drive_a_current_round() {
        let high = Unit { open_volts: 1.025, ..unit(1000.0, 5.0) };
        assert!((circulating_kva(high, unit(1000.0, 5.0)).unwrap() - 250.0).abs() < 1e-9);
        assert_eq!(circulating_kva(unit(1000.0, 5.0), unit(500.0, 4.0)), Some(0.0));
    }

    #[test]
    fn what_is_not_known_gives_nothing() {
        assert_eq!(
            share_kva(900.0, &[unit(500.0, 4.0), unit(500.0, 0.0)], 0),
            None,
            "an impedance is missing"
        );
        assert_eq!(share_kva(f64::NAN, &[unit(500.0, 4.0)], 0), None);
        assert_eq!((share_kva(1.0, &[], 0), capacity_kva(&[])), (None, None));
    }

    proptest! {
        #[test]
        fn shares_are_the_whole(
            units in prop::collection::vec((10.0..3000.0f64, 1.0..10.0f64), 1..5), total in 0.0..5000.0f64,
        ) {
            let units: Vec<Unit> = units.into_iter().map(|(kva, percent)| unit(kva, percent)).collect();
            let sum: f64 = (0..units.len()).map(|which| share_kva(total, &units, which).unwrap()).sum();
            prop_assert!((sum - total).abs() < 1e-9 * (1.0 + total));
            let rated: f64 = units.iter().map(|unit| unit.kva).sum();
            prop_assert!(capacity_kva(&units).unwrap() <= rated * (1.0 + 1e-12));
            let at_capacity = capacity_kva(&units).unwrap();
            let fullest = (0..units.len())
                .map(|which| share_kva(at_capacity, &units, which).unwrap() / units[which].kva)
                .fold(0.0, f64::max);
            prop_assert!((fullest - 1.0).abs() < 1e-9);
        }

        #[test]
        fn never_a_number_that_is_none(values in prop::array::uniform7(prop::num::f64::ANY)) {
            let [total, a, b, c, d, e, f] = values;
            let units = [
                Unit { kva: a, impedance_percent: b, open_volts: c }, Unit { kva: d, impedance_percent: e, open_volts: f },
            ];
            let outs = [
                share_kva(total, &units, 0), share_without_kva(total, &units, 1, 0), capacity_kva(&units),
                circulating_kva(units[0], units[1]),
            ];
            prop_assert!(outs.into_iter().flatten().all(f64::is_finite));
        }
    }
}
