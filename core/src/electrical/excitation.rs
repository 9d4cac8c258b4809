//! How hard the core is driven: volts against the tap in use, and even orders that point to a dc bias.

/// Mean line volts in per cent of the volts that belong to them: on the source side those of the tap in use, on the load side
/// the rated ones. `None` unless all are above zero.
///
/// Source: definition (IEEE C57.12.00/.01, from memory).
pub fn tap_voltage_percent(volts: &[f64], belong_v: f64) -> Option<f64> {
    let mean = volts.iter().sum::<f64>() / volts.len() as f64;
    let percent = 100.0 * mean / belong_v;
    let fits = belong_v > 0.0 && volts.iter().all(|volts| *volts > 0.0);
    (fits && percent.is_finite()).then_some(percent)
}

/// What a core is built for, in per cent of its tap's volts, at rated load and without any.
///
/// Source: IEEE C57.12.00/.01 (from memory).
pub const BUILT_FOR: (f64, f64) = (105.0, 110.0);

/// The most that a unit is built for at a load in per cent of rated: 110 without load, 105 at rated load and above. Between the
/// two points of the standard a straight line (common practice, no source). An unknown load gives the higher one, so that
/// what is beyond it is beyond any.
pub fn built_for_percent(load_percent: Option<f64>) -> f64 {
    let (loaded, empty) = BUILT_FOR;
    let load = load_percent.filter(|load| load.is_finite()).unwrap_or(0.0).clamp(0.0, 100.0);
    empty - (empty - loaded) * load / 100.0
}

/// The frequency that a system of this present frequency has by name: 50 or 60 Hz, within 4 Hz, as a slow generator is.
/// `None` further off (common practice, no source).
pub fn nominal_hz(present: f64) -> Option<f64> {
    [50.0, 60.0].into_iter().find(|nominal| (present - nominal).abs() <= 4.0)
}

/// Excitation in per cent of what the core is built for at this load: above 100 it is over-excited.
///
/// * `tap_percent`: from [`tap_voltage_percent`].
/// * `frequency`: present and rated in hertz, where known: the flux follows volts over frequency.
pub fn excitation_percent(
    tap_percent: f64,
    load_percent: Option<f64>,
    frequency: Option<(f64, f64)>,
) -> Option<f64> {
    let slow = match frequency {
        Some((present, rated)) if present > 0.0 && rated > 0.0 => rated / present,
        Some(_) => return None,
        None => 1.0,
    };
    let percent = 100.0 * tap_percent * slow / built_for_percent(load_percent);
    (tap_percent > 0.0 && percent.is_finite()).then_some(percent)
}

/// A steady second order above this share of rated current points to dc or half-wave load (common practice, no source).
pub const STEADY_SECOND_PERCENT: f64 = 1.0;

/// The second order of a phase's current in per cent of rated amperes. `of_fundamental` is in per cent of the present current.
pub fn second_order_of_rated_percent(of_fundamental: f64, amperes: f64, rated_a: f64) -> Option<f64> {
    let percent = of_fundamental * amperes / rated_a;
    let fits = rated_a > 0.0 && amperes >= 0.0 && of_fundamental >= 0.0;
    (fits && percent.is_finite()).then_some(percent)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The standard's two points (IEEE C57.12.00/.01, from memory).
    #[test]
    fn more_is_allowed_without_load() {
        assert!((built_for_percent(Some(100.0)) - 105.0).abs() < 1e-12);
        assert!((built_for_percent(Some(0.0)) - 110.0).abs() < 1e-12);
        assert!((built_for_percent(Some(140.0)) - 105.0).abs() < 1e-12);
        assert!((built_for_percent(None) - 110.0).abs() < 1e-12);
    }

    #[test]
    fn volts_against_the_tap_in_use() {
        // 504 V on the 480 V tap are 105 %: as much as a full unit may have, and fine for an empty one.
        let tap = tap_voltage_percent(&[504.0; 3], 480.0).unwrap();
        assert!((tap - 105.0).abs() < 1e-9);
        assert!((excitation_percent(tap, Some(100.0), None).unwrap() - 100.0).abs() < 1e-9);
        assert!(excitation_percent(tap, Some(0.0), None).unwrap() < 96.0);
        // A generator that turns 2 % slow drives the core 2 % harder.
        let slow = excitation_percent(tap, Some(100.0), Some((58.8, 60.0))).unwrap();
        assert!((slow - 102.04).abs() < 0.01);
        assert_eq!(excitation_percent(tap, None, Some((0.0, 60.0))), None);
        assert_eq!([49.2, 58.0, 55.0, f64::NAN].map(nominal_hz), [Some(50.0), Some(60.0), None, None]);
    }

    #[test]
    fn a_dead_line_has_no_excitation() {
        assert_eq!(tap_voltage_percent(&[480.0, 0.0, 480.0], 480.0), None);
        assert_eq!(tap_voltage_percent(&[], 480.0), None);
        assert_eq!(excitation_percent(0.0, None, None), None);
    }

    #[test]
    fn a_second_order_counts_against_rated_current() {
        assert_eq!(second_order_of_rated_percent(4.0, 50.0, 200.0), Some(1.0));
        assert_eq!(second_order_of_rated_percent(4.0, 50.0, 0.0), None);
    }

    proptest! {
        #[test]
        fn never_a_number_that_is_none(values in prop::array::uniform4(prop::num::f64::ANY)) {
            let [a, b, c, d] = values;
            let outs = [
                tap_voltage_percent(&[a, b], c), excitation_percent(a, Some(b), Some((c, d))),
                excitation_percent(a, None, None), second_order_of_rated_percent(a, b, c),
            ];
            prop_assert!(outs.into_iter().flatten().all(f64::is_finite));
            prop_assert!((BUILT_FOR.0..=BUILT_FOR.1).contains(&built_for_percent(Some(a))));
        }

        #[test]
        fn twice_the_volts_are_twice_the_excitation(volts in 100.0..600.0f64, factor in 0.5..2.0f64) {
            let of = |volts: f64| excitation_percent(tap_voltage_percent(&[volts], 480.0).unwrap(), Some(50.0), None).unwrap();
            prop_assert!((of(volts * factor) - of(volts) * factor).abs() < 1e-9);
        }
    }
}
