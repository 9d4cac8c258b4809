//! Panes. A minute row of the store is a closed pane: one struct, one home. Rolling windows are next door.
//!
//! A sample stands for the time since the sample before it (see [`Cadence`]), so a mean is weighted by time
//! and every figure can say what share of its period was measured.

use crate::electrical::angle;
use crate::measurand::Kind;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// How much time one sample of a meter stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cadence {
    last: Option<EventTime>,
}

impl Cadence {
    /// A meter that has given nothing yet.
    pub const NEW: Self = Self { last: None };

    /// The time that a sample at `at` stands for, when the meter is meant to give one `every` so often: the
    /// time since the last one, but one interval only after a gap of more than one and a half, because nobody
    /// saw what happened in the gap (common practice, no source).
    pub fn credit(&mut self, at: EventTime, every: Span) -> Span {
        let since = self.last.map(|last| at - last);
        self.last = Some(at);
        match since {
            Some(since) if !is_gap(since, every) => since,
            _ => every,
        }
    }

    /// The latest sample's time.
    pub fn last(&self) -> Option<EventTime> {
        self.last
    }

    /// Moves the memory by a correction of the clock.
    pub fn shift(&mut self, by: Span) {
        if let Some(last) = &mut self.last {
            *last += by;
        }
    }
}

/// Whether something is missing between two samples that lie so far apart, of a meter that gives one `every` so often:
/// more than one interval and a half (common practice, no source).
pub(crate) fn is_gap(since: Span, every: Span) -> bool {
    since.times(2) > every.times(3)
}

/// Statistics of the samples of one stretch of time.
///
/// What it gathers depends on the kind of number: of an angle the sums of cosines and sines, of a counter the first and
/// the latest value. A pane that goes out is [settled](Pane::settled): of an angle it has the mean direction and neither
/// least nor largest, which mean nothing on a circle; of a counter the first value as least, the latest as largest, and
/// no mean; of a flag the mean is the share of time on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Pane {
    /// Number of samples.
    pub count: u32,
    /// Time that the samples stand for, in milliseconds.
    pub covered_ms: u32,
    pub(crate) sum: f64,
    pub(crate) squares: f64,
    pub(crate) low: f64,
    pub(crate) high: f64,
}

impl Pane {
    /// A pane without samples.
    pub const EMPTY: Self =
        Self { count: 0, covered_ms: 0, sum: 0.0, squares: 0.0, low: f64::INFINITY, high: f64::NEG_INFINITY };

    /// Takes a sample of this kind that stands for `credit`.
    pub fn take(&mut self, kind: Kind, value: f64, credit: Span) {
        match kind {
            Kind::Level | Kind::Flag => self.push(value, credit),
            Kind::Angle => {
                let weight = self.count_in(credit);
                let (sine, cosine) = value.to_radians().sin_cos();
                self.sum += cosine * weight;
                self.squares += sine * weight;
            }
            Kind::Counter => {
                if self.count == 0 {
                    self.low = value;
                }
                self.high = value;
                self.count_in(credit);
            }
        }
    }

    fn count_in(&mut self, credit: Span) -> f64 {
        let weight = credit.0.clamp(0, i64::from(u32::MAX)) as u32;
        self.count = self.count.saturating_add(1);
        self.covered_ms = self.covered_ms.saturating_add(weight);
        f64::from(weight)
    }

    /// As others read it: with the figures that its kind has, and no others.
    #[must_use]
    pub fn settled(self, kind: Kind) -> Self {
        // Equal to itself, as a pane must be; no sample is infinite.
        let none = f64::INFINITY;
        match kind {
            Kind::Level | Kind::Flag => self,
            Kind::Angle => {
                let weight = f64::from(self.covered_ms);
                let mean = angle::mean(self.sum, self.squares, weight).map_or(none, |mean| mean * weight);
                Self { sum: mean, squares: none, low: none, high: none, ..self }
            }
            Kind::Counter => Self { sum: none, squares: none, ..self },
        }
    }

    /// Takes a sample that stands for `credit`.
    pub fn push(&mut self, value: f64, credit: Span) {
        let weight = self.count_in(credit);
        self.sum += value * weight;
        self.squares += value * value * weight;
        self.low = self.low.min(value);
        self.high = self.high.max(value);
    }

    /// Mean weighted by time; `None` without samples, and where the kind has none.
    pub fn mean(&self) -> Option<f64> {
        (self.covered_ms > 0 && self.sum.is_finite()).then(|| self.sum / f64::from(self.covered_ms))
    }

    /// Root of the mean of the squares, weighted by time; `None` without samples, and where the kind has none.
    pub fn rms(&self) -> Option<f64> {
        (self.covered_ms > 0 && self.squares.is_finite())
            .then(|| (self.squares / f64::from(self.covered_ms)).max(0.0).sqrt())
    }

    /// The least sample; of a counter the first.
    pub fn min(&self) -> Option<f64> {
        (self.count > 0 && self.low.is_finite()).then_some(self.low)
    }

    /// The largest sample; of a counter the latest.
    pub fn max(&self) -> Option<f64> {
        (self.count > 0 && self.high.is_finite()).then_some(self.high)
    }
}

impl Default for Pane {
    fn default() -> Self {
        Self::EMPTY
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pane_weights_by_time() {
        let mut pane = Pane::EMPTY;
        pane.push(100.0, Span::seconds(1));
        pane.push(10.0, Span::seconds(9));
        assert!((pane.mean().unwrap() - 19.0).abs() < 1e-12);
        assert_eq!((pane.min(), pane.max(), pane.covered_ms), (Some(10.0), Some(100.0), 10_000));
        assert_eq!(Pane::EMPTY.mean(), None);
    }

    fn pane_of(kind: Kind, values: &[f64]) -> Pane {
        let mut pane = Pane::EMPTY;
        for value in values {
            pane.take(kind, *value, Span::seconds(1));
        }
        pane.settled(kind)
    }

    #[test]
    fn angles_are_averaged_as_phasors() {
        for (angles, expected) in [
            (&[359.0, 1.0][..], 0.0),
            (&[-179.0, 179.0], 180.0),
            (&[10.0, 20.0, 30.0], 20.0),
            (&[-120.0], -120.0),
        ] {
            let pane = pane_of(Kind::Angle, angles);
            let apart = angle::wrapped(pane.mean().unwrap() - expected);
            assert!(apart.abs() < 1e-9, "{angles:?} gave {:?}", pane.mean());
            assert_eq!(
                (pane.min(), pane.max(), pane.rms()),
                (None, None, None),
                "they mean nothing on a circle"
            );
        }
        assert_eq!(pane_of(Kind::Angle, &[0.0, 180.0]).mean(), None, "they cancel out");
    }

    #[test]
    fn a_counter_has_its_first_and_latest_value_and_no_mean() {
        let pane = pane_of(Kind::Counter, &[999_990.0, 999_999.0, 3.0, 5.0]);
        assert_eq!((pane.min(), pane.max()), (Some(999_990.0), Some(5.0)), "rolled over in between");
        assert_eq!((pane.mean(), pane.rms()), (None, None));
        assert_eq!((pane.count, pane.covered_ms), (4, 4000));
    }

    #[test]
    fn the_mean_of_a_flag_is_the_share_of_time_on() {
        let pane = pane_of(Kind::Flag, &[1.0, 0.0, 0.0, 1.0]);
        assert_eq!((pane.mean(), pane.min(), pane.max()), (Some(0.5), Some(0.0), Some(1.0)));
    }

    #[test]
    fn after_a_gap_a_sample_stands_for_one_interval() {
        let mut cadence = Cadence::NEW;
        let every = Span::seconds(10);
        assert_eq!(cadence.credit(EventTime(0), every), every);
        assert_eq!(cadence.credit(EventTime(15_000), every), Span::seconds(15));
        assert_eq!(cadence.credit(EventTime(95_000), every), every);
    }
}
