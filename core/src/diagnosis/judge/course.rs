//! The course of a number over the latest hours, by the means of half hours.

use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// A piece of it.
const PIECE: Span = Span::minutes(30);
/// So many are kept: three hours and the one under way.
pub(super) const PIECES: usize = 7;

/// Means of half hours, the latest last; begins anew after a gap.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Course {
    since: Option<EventTime>,
    last: Option<EventTime>,
    sum: f64,
    count: u32,
    means: [Option<f64>; PIECES],
}

impl Course {
    pub(crate) fn take(&mut self, end: EventTime, value: f64) {
        if self.last.replace(end).is_some_and(|last| end - last > PIECE) {
            *self = Self { last: Some(end), ..Self::default() };
        }
        let since = *self.since.get_or_insert(end);
        self.sum += value;
        self.count += 1;
        if end - since >= PIECE {
            self.means.rotate_left(1);
            self.means[PIECES - 1] = Some(self.sum / f64::from(self.count));
            (self.since, self.sum, self.count) = (Some(end), 0.0, 0);
        }
    }

    /// From three hours ago until now; absent until so much is known.
    pub(crate) fn whole(&self) -> Option<[f64; PIECES]> {
        let mut whole = [0.0; PIECES];
        for (one, mean) in whole.iter_mut().zip(self.means) {
            *one = mean?;
        }
        Some(whole)
    }

    pub(crate) fn shift(&mut self, by: Span) {
        for at in [&mut self.since, &mut self.last].into_iter().flatten() {
            *at += by;
        }
    }
}
