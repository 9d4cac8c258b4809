//! How something comes again: how often, since when, for how long each, how regularly, more each day or not.

use crate::diagnosis::cause::Cause;
use crate::diagnosis::finding::{MOST_STARTS, Pattern};
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Things that come again, of one scope.
const MOST_TRAINS: usize = 48;
/// What did not come again for so long is forgotten, and counts anew.
const FORGOTTEN: Span = Span::hours(8 * 24);
/// So often within [`SOON`] it is no single event (handbook of the trade: alarms; common practice, no source).
pub(super) const OFTEN: usize = 3;
/// See [`OFTEN`].
pub(super) const SOON: Span = Span::hours(6);
/// A day.
const DAY: Span = Span::hours(24);
/// Regularity asks for so many starts, and for so many of ten intervals within [`ABOUT`] of the middle one (common practice, no
/// source).
const LEAST_STARTS: usize = 5;
const OF_TEN: usize = 7;
/// See [`LEAST_STARTS`].
const ABOUT: f64 = 0.15;

/// A load that steps within seconds of so large a part of all times moves with it (common practice, no source).
const MOSTLY: f64 = 0.75;

/// One thing that comes again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Train {
    pub(super) cause: Cause,
    pub(super) circuit: usize,
    pub(super) place: Option<Place>,
    pub(super) pattern: Pattern,
    /// The most urgent that it was.
    pub(super) worst: Priority,
    /// Its latest start.
    pub(super) last: EventTime,
    /// Feeders whose load stepped within seconds of it, each with how often.
    beside: Vec<(usize, u32)>,
}

/// All of them.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Trains(Vec<Train>);

impl Trains {
    pub(super) fn find(&self, cause: Cause, circuit: usize, place: Option<Place>) -> Option<&Train> {
        self.0.iter().find(|train| (train.cause, train.circuit, train.place) == (cause, circuit, place))
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &Train> {
        self.0.iter()
    }

    /// Counts one more, from `start` for `length`.
    pub(super) fn add(
        &mut self,
        (cause, circuit, place): (Cause, usize, Option<Place>),
        start: EventTime,
        length: Span,
    ) -> &mut Train {
        self.0.retain(|train| start - train.last < FORGOTTEN);
        let same = |train: &Train| (train.cause, train.circuit, train.place) == (cause, circuit, place);
        let index = self.0.iter().position(same).unwrap_or_else(|| {
            if self.0.len() >= MOST_TRAINS {
                let oldest = self.0.iter().enumerate().min_by_key(|(_, train)| train.last);
                let oldest = oldest.map_or(0, |(index, _)| index);
                self.0.remove(oldest);
            }
            let pattern = Pattern {
                times: 0,
                since: start,
                starts: Vec::new(),
                shortest: length,
                longest: length,
                every: None,
                days: None,
            };
            self.0.push(Train {
                cause,
                circuit,
                place,
                pattern,
                worst: Priority::Journal,
                last: start,
                beside: Vec::new(),
            });
            self.0.len() - 1
        });
        let train = &mut self.0[index];
        train.last = train.last.max(start);
        let pattern = &mut train.pattern;
        pattern.times = pattern.times.saturating_add(1);
        pattern.shortest = pattern.shortest.min(length);
        pattern.longest = pattern.longest.max(length);
        if pattern.starts.len() >= MOST_STARTS {
            pattern.starts.remove(0);
        }
        pattern.starts.push(start);
        pattern.every = regular(&pattern.starts);
        pattern.days = days(pattern);
        train
    }

    /// Its fault is mended: what comes again counts anew.
    pub(super) fn forget(&mut self, (cause, circuit, place): (Cause, usize, Option<Place>)) {
        self.0.retain(|train| (train.cause, train.circuit, train.place) != (cause, circuit, place));
    }

    pub(super) fn shift(&mut self, by: Span) {
        for train in &mut self.0 {
            train.last += by;
            train.pattern.since += by;
            train.pattern.starts.iter_mut().for_each(|start| *start += by);
        }
    }
}

impl Train {
    /// How often it came lately.
    pub(super) fn lately(&self) -> usize {
        self.pattern.starts.iter().filter(|start| self.last - **start <= SOON).count()
    }

    /// Counts the feeders whose load stepped within seconds of the latest.
    pub(super) fn note_beside(&mut self, circuits: &[usize]) {
        for circuit in circuits {
            match self.beside.iter_mut().find(|(known, _)| known == circuit) {
                Some((_, times)) => *times = times.saturating_add(1),
                None => self.beside.push((*circuit, 1)),
            }
        }
    }

    /// The feeder whose load stepped at most of the times, and at which share of them.
    pub(super) fn moves_with(&self) -> Option<(usize, f64)> {
        let (circuit, times) = self.beside.iter().max_by_key(|(_, times)| *times)?;
        let share = f64::from(*times) / f64::from(self.pattern.times.max(1));
        (self.pattern.times as usize >= OFTEN && share >= MOSTLY).then_some((*circuit, share))
    }

    /// At least this urgent from now on.
    pub(super) fn at_least(&mut self, priority: Priority) -> Priority {
        self.worst = self.worst.max(priority);
        self.worst
    }
}

/// The middle interval, where most are about as long.
fn regular(starts: &[EventTime]) -> Option<Span> {
    if starts.len() < LEAST_STARTS {
        return None;
    }
    let mut intervals: Vec<i64> = starts.windows(2).map(|pair| (pair[1] - pair[0]).0).collect();
    intervals.sort_unstable();
    let middle = intervals[intervals.len() / 2];
    let about = |interval: &&i64| (**interval - middle).abs() as f64 <= ABOUT * middle as f64;
    let like = intervals.iter().filter(about).count();
    (10 * like >= OF_TEN * intervals.len() && middle > 0).then_some(Span(middle))
}

/// Starts of the latest day and of the day before, once it has gone on for two, as far as they are kept.
fn days(pattern: &Pattern) -> Option<(u32, u32)> {
    let (first, last) = (*pattern.starts.first()?, *pattern.starts.last()?);
    let whole = first == pattern.since || last - first >= DAY.times(2);
    let count = |from: Span, to: Span| {
        let within = |start: &&EventTime| (from.0..to.0).contains(&(last - **start).0);
        pattern.starts.iter().filter(within).count() as u32
    };
    (whole && last - pattern.since >= DAY).then(|| (count(Span::ZERO, DAY), count(DAY, DAY.times(2))))
}
