//! One value or nothing, and what one meter gave at one time.

use crate::time::EventTime;
use serde::{Deserialize, Serialize};

/// One value or nothing. A NaN inside means absent and can't get out: [`Sample::get`] is the only door.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
pub struct Sample(f64);

impl Sample {
    /// No value.
    pub const ABSENT: Self = Self(f64::NAN);

    /// A value; what is not finite is no value.
    pub const fn new(value: f64) -> Self {
        if value.is_finite() { Self(value) } else { Self::ABSENT }
    }

    /// The value, if there is one. Always finite.
    pub fn get(self) -> Option<f64> {
        if self.0.is_nan() { None } else { Some(self.0) }
    }

    /// Whether there is a value.
    pub fn is_present(self) -> bool {
        !self.0.is_nan()
    }
}

impl Default for Sample {
    fn default() -> Self {
        Self::ABSENT
    }
}

impl From<Option<f64>> for Sample {
    fn from(value: Option<f64>) -> Self {
        value.map_or(Self::ABSENT, Self::new)
    }
}

/// Same bits, so that two absent samples are the same and a frozen register is seen.
impl PartialEq for Sample {
    fn eq(&self, other: &Self) -> bool {
        self.0.to_bits() == other.0.to_bits()
    }
}

/// A meter by its place in the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct MeterId(pub u32);

/// What one meter gave at one time: one sample per point of the meter, in the order of its points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading<'a> {
    /// Which meter.
    pub meter: MeterId,
    /// When it was measured: the meter's or payload's time, else that of receipt.
    pub at: EventTime,
    /// One per point of the meter. Shorter or longer is refused.
    pub values: &'a [Sample],
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_finite_is_absent() {
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(Sample::new(value).get(), None);
        }
        assert_eq!(Sample::new(-0.0).get(), Some(-0.0));
        assert_eq!(Sample::ABSENT, Sample::new(f64::NAN));
    }
}
