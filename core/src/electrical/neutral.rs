//! The neutral against the phases that it belongs to.

/// Neutral current in per cent of the highest phase current.
///
/// * `neutral`: r.m.s. amperes of the neutral.
/// * `phases`: r.m.s. amperes of all phases of the form; an absent one may be the highest, so nothing is known then.
/// * `floor`: highest phase current below which the quotient is noise, in amperes.
///
/// Above 100 the neutral carries more than any line. Balanced loads reach that by orders of three alone: they add up in
/// the neutral, where all others cancel, and more than a third of the phase's current must be of them.
///
/// Source: definition; orders of three after Masters, equation 2.102.
///
/// ```
/// use kvarden_core::electrical::neutral::over_highest_phase_percent;
/// let percent = over_highest_phase_percent(198.6, [126.5, 126.5, 126.5].map(Some), 40.0).unwrap();
/// assert!((percent - 157.0).abs() < 0.1);
/// ```
pub fn over_highest_phase_percent(
    neutral: f64,
    phases: impl IntoIterator<Item = Option<f64>>,
    floor: f64,
) -> Option<f64> {
    let mut highest = f64::NEG_INFINITY;
    for amperes in phases {
        let amperes = amperes.filter(|amperes| amperes.is_finite() && *amperes >= 0.0)?;
        highest = highest.max(amperes);
    }
    let percent = 100.0 * neutral / highest;
    (neutral >= 0.0 && highest > 0.0 && highest >= floor && percent.is_finite()).then_some(percent)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked example of loads with 66 % third and 5 % ninth order: 3·√(66² + 5²) A on lines of
    /// √(100² + 66² + 38² + 13² + 5²) A, worked by hand from the rule that orders of three add (Masters, eq. 2.102).
    #[test]
    fn orders_of_three_load_the_neutral_above_its_lines() {
        let phase = f64::sqrt(100.0 * 100.0 + 66.0 * 66.0 + 38.0 * 38.0 + 13.0 * 13.0 + 5.0 * 5.0);
        let neutral = 3.0 * f64::sqrt(66.0 * 66.0 + 5.0 * 5.0);
        let percent = over_highest_phase_percent(neutral, [Some(phase); 3], 0.0).unwrap();
        assert!((percent - 157.0).abs() < 0.5, "{percent}");
    }

    /// Three linear loads of 10, 15 and 20 A at one power factor leave 8.66 A (a public neutral calculator): 43 % of the
    /// highest.
    #[test]
    fn what_the_lines_leave_over_is_less_than_the_highest() {
        let percent = over_highest_phase_percent(8.66, [Some(10.0), Some(15.0), Some(20.0)], 0.0).unwrap();
        assert!((percent - 43.3).abs() < 0.05, "{percent}");
    }

    #[test]
    fn a_phase_that_is_absent_may_be_the_highest() {
        assert_eq!(over_highest_phase_percent(30.0, [Some(20.0), None, Some(20.0)], 0.0), None);
    }

    #[test]
    fn what_means_nothing_gives_nothing() {
        for phases in [[0.0; 3], [f64::NAN; 3], [f64::INFINITY; 3], [-1.0; 3]] {
            assert_eq!(over_highest_phase_percent(1.0, phases.map(Some), 0.0), None, "{phases:?}");
        }
        assert_eq!(over_highest_phase_percent(f64::NAN, [Some(10.0)], 0.0), None);
        assert_eq!(over_highest_phase_percent(-1.0, [Some(10.0)], 0.0), None);
        assert_eq!(over_highest_phase_percent(1.0, [], 0.0), None);
        assert_eq!(over_highest_phase_percent(9.0, [Some(5.0)], 10.0), None, "below the floor");
        assert_eq!(over_highest_phase_percent(0.0, [Some(50.0)], 10.0), Some(0.0));
    }
}
