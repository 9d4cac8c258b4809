//! Which way power flows, and what may still be said where it flows back (solar, regeneration): ratios on a net flow near
//! zero explode, so they are taken on rated values or not at all.
//!
//! Source: common practice, no source.

/// Below this share of rated power a power factor says nothing.
pub const LEAST_FOR_FACTOR: f64 = 0.1;

/// Net active power in per cent of rated apparent power: positive is taken, negative is given back. `None` without a rating.
pub fn net_percent(power_w: f64, kva: f64) -> Option<f64> {
    let percent = power_w / (10.0 * kva);
    (kva > 0.0 && percent.is_finite()).then_some(percent)
}

/// Power factor `|P|/S` with the sign of `P`, −1 to 1; `None` below [`LEAST_FOR_FACTOR`] of rated power, and where `|P|` is
/// larger than `S` by more than a meter's error of 2 %.
pub fn power_factor(power_w: f64, apparent_va: f64, kva: f64) -> Option<f64> {
    let loaded = kva > 0.0 && apparent_va >= LEAST_FOR_FACTOR * 1000.0 * kva;
    let factor = power_w / apparent_va;
    (loaded && factor.abs() <= 1.02).then(|| factor.clamp(-1.0, 1.0))
}

/// The largest departure of a phase's amperes from the mean of the three, in per cent of rated amperes, 0 upwards. It stays
/// small where little flows, as against that of the mean.
pub fn unbalance_of_rated_percent(amperes: [f64; 3], rated_a: f64) -> Option<f64> {
    let mean = amperes.iter().sum::<f64>() / 3.0;
    let largest = amperes.iter().map(|value| (value - mean).abs()).fold(0.0, f64::max);
    let percent = 100.0 * largest / rated_a;
    let fits = rated_a > 0.0 && amperes.iter().all(|value| *value >= 0.0);
    (fits && percent.is_finite()).then_some(percent)
}

/// What is left of the rating in per cent: 100 less the larger loading; negative when overloaded. `None` without any.
pub fn headroom_percent(loadings_percent: impl IntoIterator<Item = f64>) -> Option<f64> {
    let largest = loadings_percent.into_iter().reduce(f64::max)?;
    largest.is_finite().then_some(100.0 - largest)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn power_that_flows_back_is_negative() {
        assert_eq!(net_percent(-15_000.0, 75.0), Some(-20.0));
        assert_eq!(net_percent(-15_000.0, 0.0), None);
    }

    // Seen to fail without LEAST_FOR_FACTOR: 300 W of 2 kVA at noon would be a factor of 0.15.
    #[test]
    fn a_net_near_zero_has_no_power_factor() {
        assert_eq!(power_factor(300.0, 2_000.0, 75.0), None);
        assert_eq!(power_factor(-36_000.0, 40_000.0, 75.0), Some(-0.9));
        assert_eq!(power_factor(50_000.0, 40_000.0, 75.0), None, "more than the whole");
        assert_eq!(power_factor(40_400.0, 40_000.0, 75.0), Some(1.0), "a meter's error");
    }

    #[test]
    fn unbalance_of_little_current_is_little() {
        // 3, 1 and 2 A on 100 A: half of the mean, but one per cent of rated.
        assert_eq!(unbalance_of_rated_percent([3.0, 1.0, 2.0], 100.0), Some(1.0));
        assert_eq!(unbalance_of_rated_percent([3.0, -1.0, 2.0], 100.0), None);
    }

    #[test]
    fn headroom_is_that_of_the_fuller() {
        assert_eq!(headroom_percent([60.0, 85.0]), Some(15.0));
        assert_eq!(headroom_percent([112.0]), Some(-12.0));
        assert_eq!(headroom_percent([]), None);
    }

    proptest! {
        #[test]
        fn never_a_number_that_is_none(values in prop::array::uniform4(prop::num::f64::ANY)) {
            let [a, b, c, d] = values;
            let outs = [
                net_percent(a, b), power_factor(a, b, c), unbalance_of_rated_percent([a, b, c], d), headroom_percent([a, b]),
            ];
            prop_assert!(outs.into_iter().flatten().all(f64::is_finite));
        }

        #[test]
        fn what_is_turned_round_changes_its_sign_alone(power in -1e5..1e5f64, apparent in 1e4..2e5f64) {
            prop_assert_eq!(power_factor(-power, apparent, 75.0), power_factor(power, apparent, 75.0).map(|factor| -factor));
            prop_assert_eq!(net_percent(-power, 75.0), net_percent(power, 75.0).map(|percent| -percent));
        }
    }
}
