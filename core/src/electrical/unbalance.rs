//! Unbalance of three magnitudes: by the largest deviation from their mean, and by the negative sequence that three
//! line-to-line voltages show without their angles.

use std::fmt;

/// Why there is no unbalance to tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoUnbalance {
    /// A value is absent, below zero or too large to be a value.
    NotMeasured,
    /// Too little is there: an interruption or an idle circuit, not an unbalance.
    BelowFloor,
    /// Three line-to-line voltages always close a triangle. Where one is as large as the two others together, a line is
    /// lost, or they are not of one moment.
    NoTriangle,
    /// They rotate A-C-B: two leads are exchanged, and every figure of unbalance would be of the wrong kind.
    Backwards,
}

impl fmt::Display for NoUnbalance {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NotMeasured => "a value is absent or can't be real",
            Self::BelowFloor => "too little is there: an interruption or an idle circuit is no unbalance",
            Self::NoTriangle => {
                "one line-to-line voltage is as large as the two others together: a line is lost, or they are not of one moment"
            }
            Self::Backwards => "the phases rotate A-C-B: two leads are exchanged",
        })
    }
}

/// The one of three values that is farthest from their mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Farthest {
    /// Which: 0, 1 or 2. Of two that are as far, the first.
    pub which: usize,
    /// How far, in per cent of the mean; negative: too low.
    pub percent: f64,
}

/// Which of three values departs farthest from their mean, by how much and which way.
///
/// * `values`: three r.m.s. magnitudes of one kind taken at one time: line-to-line volts or line amperes.
/// * `floor`: mean below which the quotient is noise, in the same unit.
///
/// # Errors
/// [`NoUnbalance::NotMeasured`] and [`NoUnbalance::BelowFloor`].
///
/// Source: as [`largest_deviation_percent`].
pub fn farthest(values: [f64; 3], floor: f64) -> Result<Farthest, NoUnbalance> {
    let mean = mean_above(values, floor)?;
    let mut farthest = Farthest { which: 0, percent: 0.0 };
    for (which, value) in values.into_iter().enumerate() {
        let percent = 100.0 * (value - mean) / mean;
        if !percent.is_finite() {
            return Err(NoUnbalance::NotMeasured);
        }
        if percent.abs() > farthest.percent.abs() {
            farthest = Farthest { which, percent };
        }
    }
    Ok(farthest)
}

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
    farthest(values, floor).ok().map(|farthest| farthest.percent.abs())
}

/// The negative-sequence ratio u2 of three line-to-line voltages from their magnitudes alone, in per cent of the positive
/// sequence (0 to below 100).
///
/// * `lines`: AB, BC and CA in volts, of one moment; each less than the sum of the others. In any order, so it can't
///   tell a rotation that runs backwards.
/// * `floor`: mean volts below which it is an interruption.
///
/// Exact for fundamental values; with distorted true-r.m.s. readings it errs by about THD². It needs magnitudes more exact
/// than the result: ± 0.1 % on each can put 0.13 % on it.
///
/// Source: IEC 61000-4-30:2015, 5.7.1 (from memory): u2 = √((1 − √(3 − 6β))/(1 + √(3 − 6β))) with
/// β = ΣV⁴/(ΣV²)². Worked here with e = 6β − 2 = 2·Σ(Vi² − Vj²)²/(ΣV²)², which is the same without taking
/// nearly equal numbers from each other: u2 = √e/(1 + √(1 − e)).
///
/// # Errors
/// [`NoUnbalance::NotMeasured`], [`NoUnbalance::BelowFloor`] and [`NoUnbalance::NoTriangle`].
///
/// ```
/// use kvarden_core::electrical::unbalance::negative_ratio_percent;
/// let percent = negative_ratio_percent([480.0, 476.0, 472.0], 48.0).unwrap();
/// assert!((percent - 0.970).abs() < 0.001);
/// ```
pub fn negative_ratio_percent(lines: [f64; 3], floor: f64) -> Result<f64, NoUnbalance> {
    mean_above(lines, floor)?;
    // Of the largest, so that no square leaves the range of numbers.
    let largest = lines.iter().copied().fold(0.0, f64::max);
    let [ab, bc, ca] = lines.map(|volts| volts / largest);
    if ab + bc + ca - 1.0 <= 1.0 {
        return Err(NoUnbalance::NoTriangle);
    }
    let [x, y, z] = [ab * ab, bc * bc, ca * ca];
    let sum = x + y + z;
    let apart = (x - y).powi(2) + (y - z).powi(2) + (z - x).powi(2);
    let e = 2.0 * apart / (sum * sum);
    // A triangle that is nearly flat may lie beyond 1 by rounding: it is flat.
    if e >= 1.0 {
        return Err(NoUnbalance::NoTriangle);
    }
    Ok(100.0 * e.sqrt() / (1.0 + (1.0 - e).sqrt()))
}

/// The mean of three magnitudes, where it says something.
fn mean_above(values: [f64; 3], floor: f64) -> Result<f64, NoUnbalance> {
    let mean = (values[0] + values[1] + values[2]) / 3.0;
    if !mean.is_finite() || values.iter().any(|value| *value < 0.0) {
        Err(NoUnbalance::NotMeasured)
    } else if mean > 0.0 && mean >= floor {
        Ok(mean)
    } else {
        Err(NoUnbalance::BelowFloor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use NoUnbalance::{BelowFloor, NoTriangle, NotMeasured};

    #[test]
    fn a_dead_bus_has_no_unbalance() {
        assert_eq!(farthest([0.0, 0.0, 0.0], 0.0), Err(BelowFloor));
        assert_eq!(farthest([3.0, 2.0, 1.0], 20.0), Err(BelowFloor));
        assert_eq!(negative_ratio_percent([0.0, 0.0, 0.0], 0.0), Err(BelowFloor));
        assert_eq!(negative_ratio_percent([3.0, 2.0, 2.0], 20.0), Err(BelowFloor));
        assert_eq!(largest_deviation_percent([3.0, 2.0, 1.0], 20.0), None);
    }

    #[test]
    fn what_is_not_a_number_or_negative_gives_nothing() {
        for values in [
            [f64::NAN, 1.0, 1.0],
            [f64::INFINITY, 1.0, 1.0],
            [-1.0, 10.0, 10.0],
            [f64::MAX, f64::MAX, f64::MAX],
        ] {
            assert_eq!(farthest(values, 0.0), Err(NotMeasured));
            assert_eq!(negative_ratio_percent(values, 0.0), Err(NotMeasured));
        }
    }

    /// NEMA's own example, 460, 467 and 450 V: the mean is 459, and 450 is farthest, below it.
    #[test]
    fn it_says_which_and_which_way() {
        let low = farthest([460.0, 467.0, 450.0], 48.0).unwrap();
        assert_eq!(low.which, 2);
        assert!((low.percent + 1.96).abs() < 0.005, "{low:?}");
        let high = farthest([100.0, 130.0, 100.0], 20.0).unwrap();
        assert_eq!(high.which, 1);
        assert!((high.percent - 18.18).abs() < 0.005, "{high:?}");
    }

    /// Line-to-line volts behind a delta that has lost a line are 0.87, 0.87 and 0 (worked in the guide); on three wires of
    /// which one floats they are 1, ½ and ½. Both are flat.
    // Seen to fail without both questions after the triangle.
    #[test]
    fn volts_of_a_lost_line_close_no_triangle() {
        for lines in
            [[180.0, 180.0, 0.0], [208.0, 104.0, 104.0], [208.0, 100.0, 104.0], [1e-300, 1e-310, 0.0]]
        {
            assert_eq!(negative_ratio_percent(lines, 0.0), Err(NoTriangle), "{lines:?}");
        }
        assert!(negative_ratio_percent([208.0, 104.5, 104.5], 20.0).unwrap() > 80.0);
    }
}
