//! How something comes and goes: how often since when, how long each time, how regularly, and whether it grows.

use super::finding::{MOST_STARTS, Pattern};
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Something is regular if so many of its last gaps lie near their middle (common practice, no source).
const GAPS: usize = 4;
/// How near, of the middle.
const NEAR: f64 = 0.2;
const DAY: Span = Span::hours(24);

/// What comes and goes.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Recurring {
    times: u32,
    since: Option<EventTime>,
    starts: Vec<EventTime>,
    shortest: Span,
    longest: Span,
}

impl Recurring {
    /// It came once more, from `start` on for so long. All that is older than `memory` without a break in between is
    /// forgotten.
    pub(crate) fn take(&mut self, start: EventTime, length: Span, memory: Span) {
        if self.starts.last().is_some_and(|last| start - *last > memory) {
            *self = Self { starts: std::mem::take(&mut self.starts), ..Self::default() };
            self.starts.clear();
        }
        if self.starts.len() >= MOST_STARTS {
            self.starts.remove(0);
        }
        self.starts.push(start);
        let first = self.since.is_none();
        self.since.get_or_insert(start);
        self.times = self.times.saturating_add(1);
        self.shortest = if first { length } else { self.shortest.min(length) };
        self.longest = self.longest.max(length);
    }

    /// How often it began within so long before `now`, as far as starts are kept.
    pub(crate) fn within(&self, now: EventTime, span: Span) -> usize {
        self.starts.iter().rev().take_while(|start| now - **start <= span).count()
    }

    /// How it comes and goes; `None` before it came.
    pub(crate) fn pattern(&self, now: EventTime) -> Option<Pattern> {
        let today = self.within(now, DAY);
        let before = self.within(now, DAY.times(2)) - today;
        let count = |count: usize| u32::try_from(count).unwrap_or(u32::MAX);
        Some(Pattern {
            times: self.times,
            since: self.since?,
            starts: self.starts.clone(),
            shortest: self.shortest,
            longest: self.longest,
            every: self.every(),
            days: (today > before && before > 0).then(|| (count(today), count(before))),
        })
    }

    /// About every so long.
    fn every(&self) -> Option<Span> {
        let mut gaps: Vec<i64> = self.starts.windows(2).map(|pair| (pair[1] - pair[0]).0).collect();
        gaps.sort_unstable();
        let middle = *gaps.get(gaps.len() / 2).filter(|_| gaps.len() >= GAPS)?;
        let is_near = |gap: &&i64| ((**gap - middle) as f64).abs() <= NEAR * middle as f64;
        (gaps.iter().filter(is_near).count() * 4 >= gaps.len() * 3).then_some(Span(middle))
    }

    pub(crate) fn shift(&mut self, by: Span) {
        self.since = self.since.map(|since| since + by);
        self.starts.iter_mut().for_each(|start| *start += by);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Counted by hand: five starts 20 minutes apart, then the same on the next day with one more.
    #[test]
    fn a_pattern_counts_lengths_days_and_regularity() {
        let mut recurring = Recurring::default();
        let at = |minutes: i64| EventTime(0) + Span::minutes(minutes);
        assert_eq!(recurring.pattern(at(0)), None);
        for count in 0..5 {
            recurring.take(at(20 * count), Span::seconds(60 + count), Span::hours(48));
        }
        let pattern = recurring.pattern(at(90)).expect("it came");
        assert_eq!((pattern.times, pattern.since, pattern.every), (5, at(0), Some(Span::minutes(20))));
        assert_eq!(
            (pattern.shortest, pattern.longest, pattern.days),
            (Span::seconds(60), Span::seconds(64), None)
        );
        for count in 0..6 {
            recurring.take(at(24 * 60 + 30 + 20 * count), Span::seconds(50), Span::hours(48));
        }
        let pattern = recurring.pattern(at(24 * 60 + 30 + 110)).expect("it came");
        assert_eq!((pattern.times, pattern.shortest, pattern.days), (11, Span::seconds(50), Some((6, 5))));
        recurring.take(at(24 * 60 * 9), Span::seconds(70), Span::hours(48));
        let pattern = recurring.pattern(at(24 * 60 * 9)).expect("it came");
        assert_eq!((pattern.times, pattern.since), (1, at(24 * 60 * 9)), "what was long ago is forgotten");
    }
}
