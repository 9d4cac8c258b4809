//! How sure a finding is told to be: the one home of it.
//!
//! A judge weighs its evidence, 0 to 1: how far the number stands above its setpoint, how many further signs agree, what is missing. That
//! alone is a guess. What is told is how often findings of that weight were right in the simulator's trials for tuning
//! (`score`, seeds from 1, all kinds of meters): docs/diagnosis.md says from which runs, and how it held on trials that were not
//! looked at. A site is not a trial: it is a measure among findings, no promise.

/// Weights of evidence with the share that was right of what was told with them; between them it goes straight on.
const RIGHT: [(f64, f64); 7] =
    [(0.0, 0.0), (0.5, 0.5), (0.6, 0.65), (0.7, 0.8), (0.8, 0.92), (0.9, 0.95), (1.0, 0.98)];

/// How sure to say of evidence of this weight, 0 to 1.
pub(crate) fn told(weight: f64) -> f64 {
    let weight = weight.clamp(0.0, 1.0);
    let next = RIGHT.iter().position(|(known, _)| *known >= weight).unwrap_or(RIGHT.len() - 1).max(1);
    let ((from, least), (to, most)) = (RIGHT[next - 1], RIGHT[next]);
    least + (most - least) * (weight - from) / (to - from)
}

/// The weight of a number that stands so many times at its setpoint: from the setpoint's own figure up, the more it stands out, with a part
/// for each further sign that agrees (common practice, no source).
pub(crate) fn weight(of_setpoint: f64, agreeing: usize) -> f64 {
    let by_size = 0.6 + 0.15 * (of_setpoint - 1.0).clamp(0.0, 1.0);
    (by_size + 0.1 * agreeing as f64).min(0.97)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn more_evidence_is_never_told_with_less() {
        let all: Vec<f64> = (0..=100).map(|percent| told(f64::from(percent) / 100.0)).collect();
        assert!(all.windows(2).all(|pair| pair[0] <= pair[1]), "{all:?}");
        assert_eq!((all[0], told(-1.0), told(2.0)), (0.0, 0.0, RIGHT[RIGHT.len() - 1].1));
        for (weight, right) in RIGHT {
            assert!((told(weight) - right).abs() < 1e-12, "{weight}");
        }
        assert!(weight(1.0, 0) < weight(2.0, 0) && weight(2.0, 0) < weight(2.0, 1) && weight(9.0, 9) < 1.0);
    }
}
