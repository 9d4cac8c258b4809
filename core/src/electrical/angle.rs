//! Angles in degrees: they wrap around, so they are averaged as phasors and never as numbers.

/// Below this share of its samples their sum has no direction: they cancel out.
const LEAST_RESULTANT: f64 = 1e-9;

/// The same angle above -180° up to 180°.
pub fn wrapped(degrees: f64) -> f64 {
    let turn = degrees.rem_euclid(360.0);
    if turn > 180.0 { turn - 360.0 } else { turn }
}

/// The direction of a sum of unit phasors, above -180° up to 180°; `cosines` and `sines` are the sums of their parts and
/// `weight` is that of all. `None` where they cancel out: 0° and 180° have no mean.
///
/// Source: the mean direction of circular statistics, as in Mardia and Jupp, "Directional Statistics" (from memory).
pub fn mean(cosines: f64, sines: f64, weight: f64) -> Option<f64> {
    let clear = cosines.hypot(sines) > LEAST_RESULTANT * weight;
    (weight > 0.0 && clear).then(|| wrapped(sines.atan2(cosines).to_degrees()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_angle_lies_between_minus_180_and_180() {
        for (given, expected) in
            [(0.0, 0.0), (359.0, -1.0), (-359.0, 1.0), (180.0, 180.0), (-180.0, 180.0), (240.0, -120.0)]
        {
            assert!((wrapped(given) - expected).abs() < 1e-12, "{given}");
        }
    }

    #[test]
    fn what_cancels_out_has_no_mean() {
        assert_eq!(mean(1.0 - 1.0, 0.0, 2.0), None);
        assert_eq!(mean(0.0, 0.0, 0.0), None);
        assert_eq!(mean(-2.0, 0.0, 2.0), Some(180.0));
    }
}
