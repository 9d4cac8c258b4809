//! Chance without memory: every random number is a hash of seed, stream and tick, so a moment of the site
//! looks the same whatever steps led to it.

/// A source of chance. Two with one seed agree for ever.
#[derive(Debug, Clone, Copy)]
pub struct Chance {
    seed: u64,
}

impl Chance {
    /// From a seed.
    pub fn new(seed: u64) -> Self {
        Self { seed: mix(seed ^ 0x9e37_79b9_7f4a_7c15) }
    }

    /// An even number in `0..1`, belonging to this stream and tick.
    pub fn even(self, stream: u64, tick: i64) -> f64 {
        let bits = mix(mix(self.seed ^ mix(stream)) ^ tick as u64);
        (bits >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A nearly normal number with mean 0 and standard deviation 1: the sum of four even ones. Never beyond ±3.5,
    /// which suits a meter.
    pub fn normal(self, stream: u64, tick: i64) -> f64 {
        let bits = mix(mix(self.seed ^ mix(stream)) ^ tick as u64);
        let sum: f64 = (0..4).map(|part| ((bits >> (16 * part)) & 0xffff) as f64 / 65536.0).sum();
        (sum - 2.0) * 3.0_f64.sqrt()
    }

    /// A number in `-1..1` that wanders smoothly and has a new direction each `period_ms`.
    pub fn wander(self, stream: u64, unix_ms: i64, period_ms: i64) -> f64 {
        let tick = unix_ms.div_euclid(period_ms);
        let part = unix_ms.rem_euclid(period_ms) as f64 / period_ms as f64;
        let ease = part * part * (3.0 - 2.0 * part);
        let (from, to) = (self.even(stream, tick), self.even(stream, tick + 1));
        2.0 * (from + (to - from) * ease) - 1.0
    }
}

/// Spreads the bits of a number (the finaliser of `SplitMix64`, public domain).
fn mix(value: u64) -> u64 {
    let value = value.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let value = (value ^ (value >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let value = (value ^ (value >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    value ^ (value >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_numbers_have_mean_zero_and_spread_one() {
        let chance = Chance::new(7);
        let n = 20_000;
        let values: Vec<f64> = (0..n).map(|tick| chance.normal(3, tick)).collect();
        let mean = values.iter().sum::<f64>() / n as f64;
        let spread = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n as f64).sqrt();
        assert!(mean.abs() < 0.03, "mean {mean}");
        assert!((spread - 1.0).abs() < 0.03, "spread {spread}");
    }

    #[test]
    fn another_seed_or_stream_is_another_number() {
        let (one, two) = (Chance::new(1), Chance::new(2));
        assert!((one.even(5, 9) - two.even(5, 9)).abs() > 1e-9);
        assert!((one.even(5, 9) - one.even(6, 9)).abs() > 1e-9);
        assert_eq!(one.even(5, 9).to_bits(), Chance::new(1).even(5, 9).to_bits());
    }

    #[test]
    fn wandering_has_no_jump() {
        let chance = Chance::new(11);
        for ms in (0..600_000).step_by(1000) {
            let step = chance.wander(1, ms + 1000, 60_000) - chance.wander(1, ms, 60_000);
            assert!(step.abs() < 0.06, "{step} at {ms}");
        }
    }
}
