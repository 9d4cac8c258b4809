//! How much of the nameplate is in use, by kVA and by the worst phase.

/// Loading in per cent of the rated power: `100·S/(1000·kVA)`.
///
/// * `apparent_va`: total apparent power in VA.
/// * `kva`: rated power in kVA.
///
/// Source: definition; judged per phase as well because three phases of 60, 60 and 180 % average 100 % and
/// still burn one winding (common practice, no source).
pub fn by_kva_percent(apparent_va: f64, kva: f64) -> Option<f64> {
    let percent = apparent_va / (10.0 * kva);
    (kva > 0.0 && apparent_va >= 0.0 && percent.is_finite()).then_some(percent)
}

/// Loading of the worst phase in per cent of the rated current.
///
/// Needs at least one phase; a phase that is absent is left out and can only hide a worse one, so the
/// caller passes all that the meter has and shows the share measured.
pub fn worst_phase_percent(amperes: impl IntoIterator<Item = f64>, rated_a: f64) -> Option<f64> {
    let worst = amperes.into_iter().fold(f64::NEG_INFINITY, f64::max);
    let percent = 100.0 * worst / rated_a;
    (rated_a > 0.0 && worst >= 0.0 && percent.is_finite()).then_some(percent)
}

/// Total apparent power in VA from total active and reactive power: `√(P² + Q²)`.
///
/// Source: definition for sinusoidal balanced load; with distortion it leaves the distortion power out.
pub fn apparent_from_p_q(power_w: f64, reactive_var: f64) -> f64 {
    power_w.hypot(reactive_var)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_75_kva_unit_at_75_000_va_is_full() {
        assert_eq!(by_kva_percent(75_000.0, 75.0), Some(100.0));
        assert_eq!(by_kva_percent(75_000.0, 0.0), None);
        assert_eq!(by_kva_percent(f64::NAN, 75.0), None);
    }

    #[test]
    fn the_worst_phase_counts_not_the_mean() {
        assert_eq!(worst_phase_percent([60.0, 60.0, 180.0], 100.0), Some(180.0));
        assert_eq!(worst_phase_percent([], 100.0), None);
        assert_eq!(worst_phase_percent([1.0], 0.0), None);
    }
}
