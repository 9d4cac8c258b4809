//! The resistance between two meters of one way, by the drop of volts over many loads; what a joint gained since it was
//! learned, in ohms and in watts; and when it stepped.
//!
//! `V_up − V_down ≈ R·I_own + R_n·I_neutral + offset`: the offset between two meters exceeds the drop, so it is fitted and
//! thrown away. Source: Ohm's law; the demands on the points are common practice, no source.

use crate::electrical::robust::{By, MOST_POINTS, Point, fit, median};
use crate::electrical::step::{Step, slope_step};
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// At least so many points.
pub const LEAST_POINTS: usize = 30;
/// Own current must span at least this share of rated.
pub const LEAST_SPAN: f64 = 0.3;
/// And the line must explain the drop so well.
pub const LEAST_CORRELATION: f64 = 0.9;
/// Half-width of a 95 % confidence interval in standard errors. Source: the normal distribution.
pub const CONFIDENCE: f64 = 1.96;

/// Why there is no resistance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum WhyNot {
    /// Fewer than [`LEAST_POINTS`], or no rated current.
    TooFew,
    /// The load did not move enough.
    LoadStoodStill,
    /// The drop does not follow the current.
    NoLine,
}

/// The resistance between two meters on one phase.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Resistance {
    /// Of the phase, in ohms.
    pub own_ohm: f64,
    /// Half of its 95 % confidence interval, in ohms. Points are taken as independent.
    pub own_within_ohm: f64,
    /// Of the neutral with the same half-width, where its current does not move along with the phase's.
    pub neutral_ohm: Option<(f64, f64)>,
    /// Where its current moves along with the phase's: so many times the neutral's resistance is in the phase's.
    pub holds_neutral: f64,
    /// What the two meters differ by without current, in volts.
    pub offset_v: f64,
}

/// The resistance by points of own current, neutral current (both in amperes; the neutral's share in phase with this phase's
/// volts, see [`neutral_in_phase_a`]) and drop of volts.
///
/// # Errors
/// [`WhyNot`] the points do not tell it.
pub fn resistance(points: &[Point], rated_a: f64) -> Result<Resistance, WhyNot> {
    if points.len() < LEAST_POINTS || !(rated_a > 0.0 && rated_a.is_finite()) {
        return Err(WhyNot::TooFew);
    }
    let (low, high) = points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), point| {
        (low.min(point.x[0]), high.max(point.x[0]))
    });
    let moved = high - low >= LEAST_SPAN * rated_a;
    if !moved {
        return Err(WhyNot::LoadStoodStill);
    }
    let both = fit(points, By::Both);
    let plane = both.or_else(|| fit(points, By::First)).ok_or(WhyNot::NoLine)?;
    if plane.correlation < LEAST_CORRELATION {
        return Err(WhyNot::NoLine);
    }
    let [own, neutral] = plane.errors.map(|error| CONFIDENCE * error);
    Ok(Resistance {
        own_ohm: plane.slopes[0],
        own_within_ohm: own,
        neutral_ohm: both.map(|_| (plane.slopes[1], neutral)),
        holds_neutral: if both.is_some() { 0.0 } else { follows(points) },
        offset_v: plane.intercept,
    })
}

/// By how many amperes the neutral's current moves for each of the phase's. Source: least squares (textbook).
fn follows(points: &[Point]) -> f64 {
    let count = points.len() as f64;
    let mean = |index: usize| points.iter().map(|point| point.x[index]).sum::<f64>() / count;
    let (own, neutral) = (mean(0), mean(1));
    let (mut with, mut square) = (0.0, 0.0);
    for point in points {
        let moved = point.x[0] - own;
        with += moved * (point.x[1] - neutral);
        square += moved * moved;
    }
    if square > 0.0 { with / square } else { 0.0 }
}

/// What three phases' resistances are without the neutral's that they hold ([`Resistance::holds_neutral`]), where no load told it apart: of
/// all that a neutral may have, up to `most_ohm`, that which makes the phases most alike, so that nothing is laid to a joint that the neutral
/// explains. Source: Ohm's law, one neutral for all three; least squares (textbook).
pub fn without_neutral_ohm(found: [(f64, f64); 3], most_ohm: f64) -> [f64; 3] {
    let mean = |of: fn(&(f64, f64)) -> f64| found.iter().map(of).sum::<f64>() / 3.0;
    let (ohm, holds) = (mean(|one| one.0), mean(|one| one.1));
    let (mut with, mut square) = (0.0, 0.0);
    for one in found {
        with += (one.1 - holds) * (one.0 - ohm);
        square += (one.1 - holds).powi(2);
    }
    let neutral = if square > 0.0 { (with / square).clamp(0.0, most_ohm.max(0.0)) } else { 0.0 };
    found.map(|(ohm, holds)| ohm - holds * neutral)
}

/// The part of the neutral's current that is in phase with a phase's volts, in amperes, for the drop in the neutral that this
/// phase sees: `I_own − (I_x + I_y)/2`. Negative where the others carry more.
///
/// For equal power factors and volts 120° apart; triplen current adds to the neutral at its own frequencies and changes an
/// r.m.s. voltage by its square only. Source: phasor sum (textbook).
pub fn neutral_in_phase_a(own_a: f64, others_a: [f64; 2]) -> f64 {
    own_a - f64::midpoint(others_a[0], others_a[1])
}

/// Heat in watts of a resistance at a current: `I²·R`. Source: Joule's law.
pub fn heat_w(ohm: f64, amperes: f64) -> Option<f64> {
    let watts = amperes * amperes * ohm;
    (amperes >= 0.0 && watts.is_finite()).then_some(watts)
}

/// A joint gains more than this share over what was learned; less is a cable that has warmed: copper by 50 K (common
/// practice, no source).
pub const MORE_THAN_WARMING: f64 = 0.2;

/// What each phase gained beyond its peers, in ohms: a rise on all three alike is the cable. `gained` is the resistance now
/// less the one learned, `learned` the latter. Zero where it is no more than warming explains; absent without a peer.
pub fn gained_alone_ohm(gained: [Option<f64>; 3], learned: [Option<f64>; 3]) -> [Option<f64>; 3] {
    let over = crate::electrical::contact::over_peers_k(gained);
    std::array::from_fn(|phase| Some(beyond_warming(over[phase]?, learned[phase]?)))
}

/// What each phase has beyond its peers, in ohms, by the resistances themselves: conductors of one way are alike, so this needs
/// nothing that was learned. Zero where it is no more than warming explains; absent without a peer.
pub fn alone_ohm(ohms: [Option<f64>; 3]) -> [Option<f64>; 3] {
    let over = crate::electrical::contact::over_peers_k(ohms);
    std::array::from_fn(|phase| {
        let over = over[phase]?;
        Some(beyond_warming(over, ohms[phase]? - over))
    })
}

/// How many times the resistance of its least peer the largest of three phases has; absent without all, or where they are no
/// resistances.
pub fn times_apart(ohms: [f64; 3]) -> Option<f64> {
    let least = ohms.into_iter().fold(f64::INFINITY, f64::min);
    let times = ohms.into_iter().fold(0.0, f64::max) / least;
    (least > 0.0 && times.is_finite()).then_some(times)
}

/// What a resistance gained, or zero where that is no more than warming explains.
pub fn beyond_warming(gained_ohm: f64, learned_ohm: f64) -> f64 {
    if gained_ohm > MORE_THAN_WARMING * learned_ohm.abs() { gained_ohm } else { 0.0 }
}

/// Points are means over so long, in which a motor's start and the skew of two clocks vanish.
pub const POINT: Span = Span::minutes(5);
/// The points of so long are kept: a day holds the loads of a site.
pub const KEPT: Span = Span::hours(24);
/// Of a point's time so much must be measured on both sides while the load stood.
const LEAST_MEASURED: Span = Span::seconds(150);
/// A current that moves by more than this share of rated from one moment to the next is a step: two meters are hardly ever
/// read at the same instant of it.
const STEP_OF_LOAD: f64 = 0.05;

/// A point as it is kept.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Kept {
    at: EventTime,
    own_a: f32,
    neutral_a: f32,
    drop_v: f32,
}

/// What is seen at one moment on one phase.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// Own current in amperes.
    pub own_a: f64,
    /// The neutral's share, see [`neutral_in_phase_a`].
    pub neutral_a: f64,
    /// Volts up the way less volts down it.
    pub drop_v: f64,
}

/// The points of a day of one phase, and its resistance by them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Joint {
    /// At most [`MOST_POINTS`], the oldest first from `first` on.
    points: Vec<Kept>,
    first: usize,
    /// Start of the open point, sums and time in it.
    open: Option<EventTime>,
    sums: [f64; 3],
    measured: Span,
    before_a: Option<f64>,
}

impl Default for Joint {
    fn default() -> Self {
        let points = Vec::with_capacity(MOST_POINTS);
        Self { points, first: 0, open: None, sums: [0.0; 3], measured: Span::ZERO, before_a: None }
    }
}

impl Joint {
    /// Takes what was seen up to `end`, which stands for `credit`; absent where either meter gave nothing. Says whether a point
    /// was closed, so that the resistance is new.
    pub fn observe(&mut self, end: EventTime, credit: Span, moment: Option<Moment>, rated_a: f64) -> bool {
        let start = (end - Span(1)).floor(POINT);
        let closed = self.open.is_some_and(|open| open != start) && self.close();
        self.open = Some(start);
        let before = self.before_a.take();
        if let Some(moment) = moment {
            let stood = before.is_some_and(|before| (moment.own_a - before).abs() <= STEP_OF_LOAD * rated_a);
            if stood {
                let seconds = credit.as_seconds();
                for (sum, value) in self.sums.iter_mut().zip([moment.own_a, moment.neutral_a, moment.drop_v])
                {
                    *sum += seconds * value;
                }
                self.measured += credit;
            }
            self.before_a = Some(moment.own_a);
        }
        closed
    }

    /// Moves the memory by a correction of the clock; the open point is dropped.
    pub fn shift(&mut self, by: Span) {
        self.points.iter_mut().for_each(|point| point.at += by);
        (self.open, self.sums, self.measured, self.before_a) = (None, [0.0; 3], Span::ZERO, None);
    }

    fn close(&mut self) -> bool {
        let (sums, measured) = (std::mem::take(&mut self.sums), std::mem::take(&mut self.measured));
        let Some(at) = self.open.filter(|_| measured >= LEAST_MEASURED) else { return false };
        let [own_a, neutral_a, drop_v] = sums.map(|sum| (sum / measured.as_seconds()) as f32);
        let point = Kept { at, own_a, neutral_a, drop_v };
        if self.points.len() < MOST_POINTS {
            self.points.push(point);
        } else {
            self.points[self.first] = point;
            self.first = (self.first + 1) % MOST_POINTS;
        }
        true
    }

    /// The kept points of the last day before `now`, oldest first; gives how many.
    fn collect(&self, now: EventTime, into: &mut [(EventTime, Point); MOST_POINTS]) -> usize {
        let (new, old) = self.points.split_at(self.first);
        let fresh = old.iter().chain(new).filter(|point| point.at + KEPT >= now && point.at <= now);
        let mut count = 0;
        for (to, point) in into.iter_mut().zip(fresh) {
            let x = [f64::from(point.own_a), f64::from(point.neutral_a)];
            *to = (point.at, Point { x, y: f64::from(point.drop_v) });
            count += 1;
        }
        count
    }

    /// The resistance by the points of the last day.
    ///
    /// # Errors
    /// [`WhyNot`] they do not tell it.
    pub fn resistance(&self, now: EventTime, rated_a: f64) -> Result<Resistance, WhyNot> {
        let mut kept = [(EventTime(0), NO_POINT); MOST_POINTS];
        let count = self.collect(now, &mut kept);
        let points = kept.map(|(_, point)| point);
        resistance(&points[..count], rated_a)
    }

    /// When the resistance stepped within the last day, and by how many ohms; `None`: it did not.
    pub fn stepped(&self, now: EventTime, rated_a: f64) -> Option<(EventTime, f64)> {
        let mut kept = [(EventTime(0), NO_POINT); MOST_POINTS];
        let count = self.collect(now, &mut kept);
        let points = kept.map(|(_, point)| point);
        let points = &points[..count];
        let span = points.iter().map(|point| point.x[0]).fold(0.0, f64::max);
        if count < LEAST_POINTS || span < LEAST_SPAN * rated_a {
            return None;
        }
        let Step { index, by, strength } = slope_step(points)?;
        let usual = fit(points, By::First)?.slopes[0].abs();
        (strength >= STRONG && by.abs() > MORE_THAN_WARMING * usual).then(|| (kept[index].0, by))
    }
}

/// A step is one from so many standard errors on (common practice, no source).
const STRONG: f64 = 6.0;

const NO_POINT: Point = Point { x: [0.0; 2], y: 0.0 };

/// So many days are learned from, each with loads that told the resistance.
pub const DAYS_LEARNED: usize = 7;

/// The resistance that a way had when it was known good: the median of its first [`DAYS_LEARNED`] days.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Learned {
    days: [f64; DAYS_LEARNED],
    count: u8,
    since: Option<EventTime>,
}

impl Learned {
    /// Takes a resistance by the day before `now`: one a day counts, until enough are there.
    pub fn take(&mut self, now: EventTime, ohm: f64) {
        let next = self.since.is_none_or(|since| now - since >= KEPT);
        if let (true, Some(day)) = (next && ohm.is_finite(), self.days.get_mut(usize::from(self.count))) {
            *day = ohm;
            self.count += 1;
            self.since = Some(now);
        }
    }

    /// What was learned; `None`: not enough days yet.
    pub fn ohm(&self) -> Option<f64> {
        let mut days = self.days;
        (usize::from(self.count) == DAYS_LEARNED).then(|| median(&mut days))
    }

    /// How many days it has.
    pub fn days(&self) -> usize {
        usize::from(self.count)
    }
}

#[cfg(test)]
mod tests;
