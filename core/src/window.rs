//! Panes and rolling windows. A minute row of the store is a closed pane: one struct, one home.
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
            Some(since) if since.times(2) <= every.times(3) => since,
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

/// Statistics of the samples of one stretch of time. Panes merge, so windows are made of them.
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
    sum: f64,
    squares: f64,
    low: f64,
    high: f64,
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

    /// Takes all of another pane.
    pub fn merge(&mut self, other: &Self) {
        self.count = self.count.saturating_add(other.count);
        self.covered_ms = self.covered_ms.saturating_add(other.covered_ms);
        self.sum += other.sum;
        self.squares += other.squares;
        self.low = self.low.min(other.low);
        self.high = self.high.max(other.high);
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

/// The most panes in a window: it moves in steps of a sixtieth of its length.
pub const PANES: usize = 60;

/// The least share of a window that must be measured before its mean may be judged (common practice, no
/// source; the usual rule for demand intervals).
pub const LEAST_SHARE: f64 = 0.8;

/// A rolling window over one series, moving in steps of a sixtieth of its length, from 1 s up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Window {
    step: Span,
    ring: Box<[Pane]>,
    head: usize,
    open: Pane,
    /// End of the open pane; `None` before the first sample.
    edge: Option<EventTime>,
}

impl Window {
    /// An empty window of this length (at least 1 s).
    pub fn new(length: Span) -> Self {
        let panes = (length.0 / 1000).clamp(1, PANES as i64);
        let step = Span((length.0 / panes).max(1000));
        Self {
            step,
            ring: vec![Pane::EMPTY; panes as usize].into_boxed_slice(),
            head: 0,
            open: Pane::EMPTY,
            edge: None,
        }
    }

    /// How far it moves at a time.
    pub fn step(&self) -> Span {
        self.step
    }

    /// Moves to `at`. When panes closed on the way, gives the edge that the window now ends at.
    ///
    /// To be called for each value of the series, before [`Window::push`]: without a value nothing is judged.
    pub fn advance(&mut self, at: EventTime) -> Option<EventTime> {
        let Some(edge) = self.edge else {
            self.edge = Some(at.floor(self.step) + self.step);
            return None;
        };
        if at < edge {
            return None;
        }
        let mut passed = (at - edge).0 / self.step.0 + 1;
        self.close_one(self.open);
        self.open = Pane::EMPTY;
        passed -= 1;
        for _ in 0..passed.min(self.ring.len() as i64) {
            self.close_one(Pane::EMPTY);
        }
        let now_at = at.floor(self.step);
        self.edge = Some(now_at + self.step);
        Some(now_at)
    }

    fn close_one(&mut self, pane: Pane) {
        self.ring[self.head] = pane;
        self.head += 1;
        if self.head == self.ring.len() {
            self.head = 0;
        }
    }

    /// Takes a sample into the open pane.
    pub fn push(&mut self, value: f64, credit: Span) {
        self.open.push(value, credit);
    }

    /// Takes a sample of this kind into the open pane.
    pub fn take(&mut self, kind: Kind, value: f64, credit: Span) {
        self.open.take(kind, value, credit);
    }

    /// The mean as it is for this kind, if enough of the window was measured.
    pub fn mean_of(&self, kind: Kind) -> Option<f64> {
        match kind {
            Kind::Level | Kind::Flag => self.mean(),
            Kind::Angle => self.mean().and_then(|_| self.closed().settled(kind).mean()),
            Kind::Counter => None,
        }
    }

    /// Statistics over the closed panes, oldest first, so that the sum is the same on every run.
    pub fn closed(&self) -> Pane {
        let (newer, older) = self.ring.split_at(self.head);
        let mut whole = Pane::EMPTY;
        for pane in older.iter().chain(newer) {
            whole.merge(pane);
        }
        whole
    }

    /// The mean over the window's closed panes, if enough of it was measured. The same as that of
    /// [`Window::closed`], whose other figures a moving window has no need of.
    pub fn mean(&self) -> Option<f64> {
        let (newer, older) = self.ring.split_at(self.head);
        let (mut covered_ms, mut sum) = (0u32, 0.0);
        for pane in older.iter().chain(newer) {
            covered_ms = covered_ms.saturating_add(pane.covered_ms);
            sum += pane.sum;
        }
        let length = (self.step.0 * self.ring.len() as i64) as f64;
        let measured = f64::from(covered_ms);
        (covered_ms > 0 && measured >= LEAST_SHARE * length).then(|| sum / measured)
    }

    /// How fast the value rises, in its unit an hour: the slope of the straight line that fits the means of the closed
    /// panes best, by least squares weighted with the time measured in each (any textbook of statistics). `None`
    /// where less than [`LEAST_SHARE`] of the window was measured, or only one pane.
    pub fn slope_per_hour(&self) -> Option<f64> {
        let (newer, older) = self.ring.split_at(self.head);
        let panes = older.iter().chain(newer);
        let (mut measured, mut moment) = (0.0, 0.0);
        for (place, pane) in (0u32..).zip(panes.clone()) {
            let weight = f64::from(pane.covered_ms);
            measured += weight;
            moment += weight * f64::from(place);
        }
        let length = (self.step.0 * self.ring.len() as i64) as f64;
        if measured <= 0.0 || measured < LEAST_SHARE * length {
            return None;
        }
        let middle = moment / measured;
        let (mut rise, mut run) = (0.0, 0.0);
        for (place, pane) in (0u32..).zip(panes) {
            let aside = f64::from(place) - middle;
            rise += aside * pane.sum;
            run += aside * aside * f64::from(pane.covered_ms);
        }
        let hours = self.step.0 as f64 / Span::hours(1).0 as f64;
        (run > 0.0).then(|| rise / run / hours)
    }

    /// Forgets everything, as after a correction of the clock.
    pub fn clear(&mut self) {
        self.ring.fill(Pane::EMPTY);
        self.open = Pane::EMPTY;
        self.edge = None;
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
        let mut window = Window::new(Span::seconds(10));
        for second in 0..=10i64 {
            window.advance(EventTime(second * 1000));
            window.take(Kind::Angle, if second % 2 == 0 { 179.0 } else { -179.0 }, Span::seconds(1));
        }
        let mean = window.mean_of(Kind::Angle).unwrap();
        assert!(angle::wrapped(mean - 180.0).abs() < 1e-9, "{mean}");
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

    #[test]
    fn a_window_forgets_what_is_older_than_its_length() {
        let mut window = Window::new(Span::seconds(60));
        for second in 0..200i64 {
            let at = EventTime(second * 1000);
            window.advance(at);
            window.push(if second < 100 { 1.0 } else { 3.0 }, Span::seconds(1));
        }
        assert_eq!(window.mean(), Some(3.0));
        window.advance(EventTime(10_000_000));
        assert_eq!(window.mean(), None);
    }

    /// numpy 2.4.6: `polyfit(x, y, 1, w=sqrt(covered))[0] * 3600` over the centres of the panes in seconds.
    #[test]
    fn a_slope_is_that_of_the_line_of_least_squares() {
        let means = [71.0, 71.4, 71.3, 72.1, 0.0, 72.0, 72.9, 73.1, 73.3, 73.4];
        let covered = [1000, 1000, 500, 1000, 0, 700, 1000, 1000, 1000, 1000];
        let mut window = Window::new(Span::seconds(10));
        for (second, (mean, covered)) in (0i64..).zip(means.into_iter().zip(covered)) {
            window.advance(EventTime(second * 1000));
            if covered > 0 {
                window.push(mean, Span(covered));
            }
        }
        assert_eq!(window.slope_per_hour(), None, "not yet four fifths");
        window.advance(EventTime(10_000));
        let slope = window.slope_per_hour().unwrap();
        let numpy = 993.017_888_949_127_6;
        assert!((slope - numpy).abs() < 1e-9 * numpy, "{slope}");
    }

    #[test]
    fn less_than_four_fifths_measured_is_no_mean() {
        let mut window = Window::new(Span::seconds(10));
        for second in 0..7i64 {
            window.advance(EventTime(second * 1000));
            window.push(1.0, Span::seconds(1));
        }
        window.advance(EventTime(7000));
        assert_eq!(window.mean(), None);
        window.push(1.0, Span::seconds(1));
        window.advance(EventTime(8000));
        assert_eq!(window.mean(), Some(1.0));
    }
}
