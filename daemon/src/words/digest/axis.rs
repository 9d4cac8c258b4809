//! The scale of a chart: from where to where, and at which values lines are drawn.

/// A scale with its ticks.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::words) struct Axis {
    pub(in crate::words) low: f64,
    pub(in crate::words) high: f64,
    pub(in crate::words) ticks: Vec<f64>,
    /// Decimals that the ticks need.
    pub(in crate::words) decimals: usize,
}

/// About so many parts.
const PARTS: f64 = 3.0;

/// Room above and below the values, as a share of their range.
const MARGIN: f64 = 0.06;

impl Axis {
    /// A scale that holds both values with some room, at least `least` long, with ticks at round numbers within.
    pub(in crate::words) fn over(low: f64, high: f64, least: f64) -> Self {
        let missing = (least - (high - low)).max(0.0);
        let room = MARGIN * (high - low + missing);
        let wanted = missing / 2.0 + room;
        // What is never negative starts at zero: nothing is drawn below it only to make room.
        let below = if low >= 0.0 { wanted.min(low) } else { wanted };
        let (low, high) = (low - below, high + missing + 2.0 * room - below);
        let (step, decimals) = round_step((high - low) / PARTS);
        let (first, last) = ((low / step).ceil(), (high / step).floor());
        let count = (last - first).clamp(0.0, 2.0 * PARTS) as i32;
        let ticks = (0..=count).map(|tick| (first + f64::from(tick)) * step).collect();
        Self { low, high, ticks, decimals }
    }

    /// Where a value lies, 0 at the low end and 1 at the high one; held within.
    pub(in crate::words) fn share(&self, value: f64) -> f64 {
        ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0)
    }
}

/// The least of 1, 2 and 5 times a power of ten that is not below `wanted`, and the decimals that it needs.
fn round_step(wanted: f64) -> (f64, usize) {
    // Whole powers by multiplying: a logarithm may differ from machine to machine.
    let (mut power, mut decimals) = (1.0, 0usize);
    while power > wanted && decimals < 6 {
        power /= 10.0;
        decimals += 1;
    }
    while power * 10.0 <= wanted && power < 1e12 {
        power *= 10.0;
        decimals = decimals.saturating_sub(1);
    }
    let times = [1.0, 2.0, 5.0, 10.0].into_iter().find(|times| power * times >= wanted).unwrap_or(10.0);
    // Ten times a tenth is one: a decimal fewer.
    (power * times, if times > 9.0 { decimals.saturating_sub(1) } else { decimals })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_lie_within_what_holds_both_ends() {
        for (low, high, ticks, decimals) in [
            (0.0, 87.0, vec![0.0, 50.0], 0),
            (204.3, 211.9, vec![205.0, 210.0], 0),
            (0.3, 4.1, vec![2.0, 4.0], 0),
            (0.32, 0.41, vec![0.35, 0.4], 2),
        ] {
            let axis = Axis::over(low, high, 0.0);
            assert_eq!(axis.ticks.len(), ticks.len(), "{axis:?}");
            for (got, meant) in axis.ticks.iter().zip(&ticks) {
                assert!((got - meant).abs() < 1e-9, "{axis:?}");
            }
            assert_eq!(axis.decimals, decimals, "{axis:?}");
            assert!(axis.low <= low && axis.high >= high);
        }
    }

    #[test]
    fn a_still_value_still_has_a_scale() {
        let axis = Axis::over(50.0, 50.0, 2.0);
        assert!(axis.low < 50.0 && axis.high > 50.0, "{axis:?}");
        let idle = Axis::over(0.0, 0.0, 2.0);
        assert!(idle.low.abs() < 1e-12 && idle.high >= 2.0, "{idle:?}");
    }
}
