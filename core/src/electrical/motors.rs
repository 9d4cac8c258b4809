//! What unbalanced volts leave of a motor's power.

/// Unbalance in per cent (largest deviation, line-to-line) and the factor on the motor's power.
///
/// Source: a public table of motor imbalance after NEMA MG 1 figure 14-1; it has no point at 1 %, where the standard's
/// curve is still at 1 (from memory of NEMA MG 1).
const DERATING: [(f64, f64); 11] = [
    (0.0, 1.00),
    (0.5, 1.00),
    (1.0, 1.00),
    (1.5, 0.97),
    (2.0, 0.95),
    (2.5, 0.93),
    (3.0, 0.89),
    (3.5, 0.85),
    (4.0, 0.82),
    (4.5, 0.78),
    (5.0, 0.76),
];

/// Why a motor has no factor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoDerating {
    /// The unbalance is absent, below zero or no number.
    NotMeasured,
    /// Above 5 % a motor should not be run at all (a public forum that quotes NEMA MG 1).
    ShouldNotRun,
}

impl std::fmt::Display for NoDerating {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::NotMeasured => "the unbalance is absent or can't be real",
            Self::ShouldNotRun => "above 5 % unbalance a motor should not be run",
        })
    }
}

/// The factor on a motor's power at so much unbalance of its volts (largest deviation from the mean, in per cent), by straight
/// lines between the points of the table.
///
/// # Errors
/// [`NoDerating`].
///
/// ```
/// use kvarden_core::electrical::motors::{NoDerating, derating};
/// assert!((derating(3.0).unwrap() - 0.89).abs() < 1e-9);
/// assert_eq!(derating(5.1), Err(NoDerating::ShouldNotRun));
/// ```
pub fn derating(unbalance_percent: f64) -> Result<f64, NoDerating> {
    if !(unbalance_percent.is_finite() && unbalance_percent >= 0.0) {
        return Err(NoDerating::NotMeasured);
    }
    let above = DERATING.iter().position(|(percent, _)| unbalance_percent <= *percent);
    match above.ok_or(NoDerating::ShouldNotRun)? {
        0 => Ok(DERATING[0].1),
        above => {
            let ((left, from), (right, to)) = (DERATING[above - 1], DERATING[above]);
            Ok(from + (to - from) * (unbalance_percent - left) / (right - left))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_the_points_it_only_falls() {
        let factors: Vec<f64> = (0..=500).map(|step| derating(f64::from(step) / 100.0).unwrap()).collect();
        assert!(factors.windows(2).all(|pair| pair[1] <= pair[0]));
    }

    #[test]
    fn no_factor_without_an_unbalance_or_beyond_the_table() {
        for percent in [f64::NAN, f64::INFINITY, -0.1] {
            assert_eq!(derating(percent), Err(NoDerating::NotMeasured), "{percent}");
        }
        assert_eq!(derating(5.000_001), Err(NoDerating::ShouldNotRun));
    }
}
