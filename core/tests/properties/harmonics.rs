//! What holds for every spectrum, whatever a meter says.

use kvarden_core::electrical::distortion::{self, Orders};
use kvarden_core::electrical::expected_neutral as neutral;
use kvarden_core::electrical::loss::{self, Loss};
use kvarden_core::electrical::permissible::{Bounded, Weights, factor_bounds};
use kvarden_core::electrical::spectrum::{Lacking, Spectrum};
use proptest::prelude::*;

/// Amperes of all orders: a fundamental, and harmonics that may be more than it.
fn amperes() -> impl Strategy<Value = Vec<f64>> {
    (
        1.0f64..500.0,
        prop::collection::vec(prop_oneof![3 => 0.0f64..40.0, 1 => Just(0.0), 1 => 0.0f64..600.0], 49),
    )
        .prop_map(|(fundamental, harmonics)| std::iter::once(fundamental).chain(harmonics).collect())
}

fn spectrum(values: &[f64]) -> Spectrum {
    Spectrum::given((1u8..).zip(values.iter().copied()))
}

fn weights(spectrum: &Spectrum) -> Weights {
    let of = |loss| loss::loss_factor(spectrum, loss, 0.0).expect("all orders are given");
    Weights { eddy: of(Loss::Eddy), other_stray: of(Loss::OtherStray) }
}

fn units() -> impl Strategy<Value = Bounded> {
    prop_oneof![
        (0.0f64..1.0).prop_map(|eddy_pu| Bounded::Dry { eddy_pu }),
        (0.0f64..1.0, 0.0f64..1.0)
            .prop_map(|(eddy_pu, other_stray_pu)| Bounded::Liquid { eddy_pu, other_stray_pu }),
        (4.0f64..50.0).prop_map(|k| Bounded::KRated { k }),
    ]
}

fn near(one: f64, other: f64) -> bool {
    (one - other).abs() <= 1e-9 * one.abs().max(other.abs()).max(1e-12)
}

/// Any number at all, and often one that no meter can mean.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        3 => 0.0f64..300.0,
        2 => any::<f64>(),
        2 => prop::sample::select(vec![f64::NAN, f64::INFINITY, -1.0, f64::MAX, f64::MIN_POSITIVE, 5e-324, 0.0, -0.0, 1e200]),
    ]
}

proptest! {
    /// IEEE C57.110: a pure sine weighs 1, whatever its size, and may be carried in full.
    // Seen to fail when the permissible current of a K-rated unit was not held to the rated one.
    #[test]
    fn a_pure_sine_takes_nothing_away(amps in 1e-6f64..1e6, unit in units()) {
        let both = weights(&Spectrum::whole([(1, amps)]));
        prop_assert_eq!((both.eddy, both.other_stray), (1.0, 1.0));
        prop_assert_eq!(unit.permissible_pu(both), Ok(1.0));
    }

    #[test]
    fn no_spectrum_lets_a_unit_carry_more_than_rated(values in amperes(), unit in units()) {
        let permissible = unit.permissible_pu(weights(&spectrum(&values))).unwrap();
        prop_assert!(permissible > 0.0 && permissible <= 1.0, "{}", permissible);
    }

    #[test]
    fn ratios_do_not_depend_on_the_unit_and_k_on_its_square(values in amperes(), scale in 1e-3f64..1e3) {
        let one = spectrum(&values);
        let other = spectrum(&values.iter().map(|value| value * scale).collect::<Vec<_>>());
        for kind in [Orders::All, Orders::Triplen, Orders::Even, Orders::Odd] {
            let of = |spectrum| distortion::percent(spectrum, kind, 0.0).unwrap();
            prop_assert!(near(of(&one), of(&other)));
        }
        let (first, second) = (weights(&one), weights(&other));
        prop_assert!(near(first.eddy, second.eddy) && near(first.other_stray, second.other_stray));
        let k = |spectrum| loss::k_factor(spectrum, 100.0).unwrap();
        prop_assert!(near(k(&one) * scale * scale, k(&other)));
        let european = |spectrum| loss::european_factor(spectrum, 0.1, 1.7).unwrap();
        prop_assert!(near(european(&one), european(&other)) && european(&one) >= 1.0);
    }

    #[test]
    fn the_kinds_of_orders_make_up_the_whole(values in amperes()) {
        let spectrum = spectrum(&values);
        let of = |kind| distortion::amount(&spectrum, kind).unwrap();
        let parts = of(Orders::Triplen).powi(2) + of(Orders::Even).powi(2) + of(Orders::Odd).powi(2);
        prop_assert!(near(parts.sqrt(), of(Orders::All)));
        let total = distortion::total(&spectrum).unwrap();
        prop_assert!(near(total.powi(2), values[0].powi(2) + of(Orders::All).powi(2)));
        let fundamental = distortion::fundamental_a(total, of(Orders::All));
        prop_assert!(fundamental.is_none_or(|amps| (amps - values[0]).abs() < 1e-4 * total));
    }

    /// One more ampere at a higher order never lets a transformer carry more.
    #[test]
    fn what_is_worse_is_not_called_better(values in amperes(), order in 30usize..50, more in 0.0f64..100.0, unit in units()) {
        let before = weights(&spectrum(&values));
        let mut worse = values.clone();
        worse[order - 1] += more;
        let after = weights(&spectrum(&worse));
        // Only where the order weighs more than the mean of what was there.
        prop_assume!((order as f64).powi(2) > before.eddy && (order as f64).powf(0.8) > before.other_stray);
        prop_assert!(unit.permissible_pu(after).unwrap() <= unit.permissible_pu(before).unwrap() + 1e-12);
    }

    #[test]
    fn the_bounds_by_thd_hold_every_spectrum(values in amperes()) {
        let spectrum = spectrum(&values);
        let thd = distortion::percent(&spectrum, Orders::All, 0.0).unwrap();
        let (bounds, factor) = (factor_bounds(thd, 50).unwrap(), weights(&spectrum).eddy);
        prop_assert!(bounds.least <= factor * (1.0 + 1e-9) && factor <= bounds.most * (1.0 + 1e-9));
    }

    #[test]
    fn the_narrower_bound_holds_what_falls_with_the_order(
        steps in prop::collection::vec(0.0f64..1.0, 24),
        first in 0.0f64..1.0,
    ) {
        // h·I_h never grows over the odd orders.
        let mut level = first;
        let harmonics = (3u8..50).step_by(2).zip(steps).map(|(order, step)| {
            level *= 1.0 - 0.2 * step;
            (order, level / f64::from(order))
        });
        let spectrum = Spectrum::whole(std::iter::once((1, 1.0)).chain(harmonics));
        let thd = distortion::percent(&spectrum, Orders::All, 0.0).unwrap();
        let bounds = factor_bounds(thd, 49).unwrap();
        prop_assert!(weights(&spectrum).eddy <= bounds.most_if_falling * (1.0 + 1e-9));
    }

    /// The phasors of every order with any angles, added up here, against the bounds that know no angle.
    #[test]
    fn a_neutral_lies_within_its_bounds_whatever_the_angles(
        phases in prop::array::uniform3(amperes()),
        angles in prop::collection::vec(prop::array::uniform3(0.0f64..360.0), 50),
    ) {
        let spectra = phases.each_ref().map(|values| spectrum(values));
        let got = neutral::expected(spectra.each_ref(), None).unwrap();
        let square: f64 = angles.iter().enumerate().map(|(index, angles)| {
            let parts = (0..3).map(|phase| (phases[phase][index], angles[phase].to_radians()));
            let (re, im) = parts.fold((0.0, 0.0), |(re, im), (amps, angle)| (re + amps * angle.cos(), im + amps * angle.sin()));
            re * re + im * im
        }).sum();
        let neutral = square.sqrt();
        prop_assert!(got.least <= neutral * (1.0 + 1e-9) + 1e-9 && neutral <= got.most * (1.0 + 1e-9), "{:?} {}", got, neutral);
        prop_assert!(got.least <= got.amps * (1.0 + 1e-9) + 1e-9 && got.amps <= got.most * (1.0 + 1e-9));
        let [a, b, c] = spectra.each_ref();
        prop_assert!(near(neutral::expected([c, a, b], None).unwrap().amps, got.amps));
    }

    /// Absent in, absent out: without one of the orders that a formula needs there is no value, never one with a zero in its place.
    #[test]
    fn what_is_absent_makes_absent(values in amperes(), order in prop::sample::select(vec![1u8, 3, 5, 7])) {
        let mut spectrum = spectrum(&values);
        spectrum.set(order, None);
        let lacks = if order == 1 { Lacking::Fundamental } else { Lacking::Order(order) };
        prop_assert_eq!(distortion::percent(&spectrum, Orders::All, 0.0), Err(lacks));
        prop_assert_eq!(loss::loss_factor(&spectrum, Loss::Eddy, 0.0), Err(lacks));
        prop_assert_eq!(loss::european_factor(&spectrum, 0.1, 1.7), Err(lacks));
        prop_assert_eq!(loss::k_factor(&spectrum, 100.0), Err(Lacking::Order(order)));
    }

    /// Whatever a meter says, what comes out is a number or a reason.
    #[test]
    fn no_number_that_is_not_one_comes_out(
        values in prop::collection::vec(number(), 50),
        others in prop::array::uniform4(number()),
        unit in units(),
    ) {
        let spectrum = spectrum(&values);
        let [floor, rated, current, eddy] = others;
        let mut got = vec![
            distortion::total(&spectrum),
            distortion::distortion_factor(&spectrum),
            distortion::demand_percent(current, rated),
            loss::k_factor(&spectrum, rated),
            loss::k_of_loss_factor(eddy, current, rated),
            loss::european_factor(&spectrum, eddy, 1.7),
            neutral::balanced(&spectrum),
            unit.permissible_pu(Weights { eddy, other_stray: current }),
        ];
        for kind in [Orders::All, Orders::Triplen, Orders::Even, Orders::Odd] {
            got.extend([distortion::amount(&spectrum, kind), distortion::percent(&spectrum, kind, floor)]);
        }
        got.extend([Loss::Eddy, Loss::OtherStray].map(|of| loss::loss_factor(&spectrum, of, floor)));
        if let Ok(expected) = neutral::expected([&spectrum, &spectrum, &spectrum], Some([0.0, -120.0, 120.0])) {
            got.extend([Ok(expected.amps), Ok(expected.least), Ok(expected.most)]);
        }
        if let Ok(bounds) = factor_bounds(current, 50) {
            got.extend([Ok(bounds.least), Ok(bounds.most), Ok(bounds.most_if_falling)]);
        }
        let maybe = [
            distortion::fundamental_a(current, rated),
            distortion::of_total_and_fundamental_percent(current, rated, floor),
            distortion::of_fundamental_percent(current),
        ];
        got.extend(maybe.into_iter().flatten().map(Ok));
        for value in got.into_iter().flatten() {
            prop_assert!(value.is_finite() && value >= 0.0, "{}", value);
        }
    }
}
