//! Total harmonic distortion, on the base of the fundamental (THD-F) and of the total (THD-R).

/// THD on the base of the fundamental in per cent, from that on the base of the total: `THD_F = THD_R/√(1 − THD_R²)`. `None`
/// from 100 % on, where nothing of the fundamental is left.
///
/// Source: from the definitions in IEC 61000-4-7 and IEEE 1459, total² = fundamental² + harmonics².
pub fn of_fundamental_percent(of_total: f64) -> Option<f64> {
    let ratio = of_total / 100.0;
    (0.0..1.0).contains(&ratio).then(|| 100.0 * ratio / (1.0 - ratio * ratio).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked example 100, 30, 20, 10 A of a public harmonic calculator: 37.4166 % of the fundamental, in a total of
    /// 106.7708 A, so 35.0439 % of that.
    #[test]
    fn the_worked_example_comes_out_from_either_base() {
        let harmonics = 30f64.hypot(20.0).hypot(10.0);
        let of_total = 100.0 * harmonics / 106.770_783;
        let converted = of_fundamental_percent(of_total).unwrap();
        assert!((converted - 37.416_574).abs() < 1e-5, "{converted}");
    }

    #[test]
    fn all_or_more_than_all_is_no_distortion() {
        assert_eq!(of_fundamental_percent(0.0), Some(0.0));
        assert_eq!(of_fundamental_percent(100.0), None);
        assert_eq!(of_fundamental_percent(-1.0), None);
    }
}
