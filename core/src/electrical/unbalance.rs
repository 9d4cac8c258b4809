//! Unbalance of three magnitudes by the largest deviation from their mean.

/// The largest departure of one of three values from their mean, in per cent of the mean (0 to 200).
///
/// * `values`: three r.m.s. magnitudes of one kind taken at one time: line-to-line volts or line amperes.
/// * `floor`: mean below which the quotient is noise, in the same unit.
///
/// `None` when the mean is below `floor` or not above zero.
///
/// Source: NEMA MG 1-14.36 and ANSI C84.1 for line-to-line voltages; the same rule for currents is common
/// practice, no source.
///
/// ```
/// use kvarden_core::electrical::unbalance::largest_deviation_percent;
/// let percent = largest_deviation_percent([460.0, 467.0, 450.0], 48.0).unwrap();
/// assert!((percent - 1.96).abs() < 0.01);
/// ```
pub fn largest_deviation_percent(values: [f64; 3], floor: f64) -> Option<f64> {
    let mean = (values[0] + values[1] + values[2]) / 3.0;
    if !(mean.is_finite() && mean > 0.0 && mean >= floor) || values.iter().any(|value| *value < 0.0) {
        return None;
    }
    let largest = values.iter().map(|value| (value - mean).abs()).fold(0.0, f64::max);
    Some(100.0 * largest / mean)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dead_bus_has_no_unbalance() {
        assert_eq!(largest_deviation_percent([0.0, 0.0, 0.0], 0.0), None);
        assert_eq!(largest_deviation_percent([3.0, 2.0, 1.0], 20.0), None);
    }

    #[test]
    fn what_is_not_a_number_or_negative_gives_nothing() {
        assert_eq!(largest_deviation_percent([f64::NAN, 1.0, 1.0], 0.0), None);
        assert_eq!(largest_deviation_percent([f64::INFINITY, 1.0, 1.0], 0.0), None);
        assert_eq!(largest_deviation_percent([-1.0, 10.0, 10.0], 0.0), None);
    }
}
