//! Temperature sensors that show what can't be.
//!
//! A mass of copper and iron changes its temperature slowly and is never colder than the air for long; what jumps, stands
//! still while its like moves, or is colder than a healthy unit could be, is the sensor. Figures are common practice, no
//! source, where nothing else is said.

use super::course::Course;
use super::standing::Standing;
use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::docket::{Claim, Docket, Mark};
use crate::diagnosis::look::{Look, Three, mean, of_sign};
use crate::diagnosis::moments::Moments;
use crate::diagnosis::plan::DiagnosisPlan;
use crate::diagnosis::sign::{Figure, Sign};
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// A step of a sensor that no mass makes: so many kelvin, and so many more for each second since its last value. Windings at
/// three times their rated current warm by 0.2 K a second, by the heat of copper alone (worked).
const JUMP_K: f64 = 8.0;
const JUMP_K_PER_S: f64 = 0.3;
/// After a longer gap a step says nothing.
const LONGEST_GAP: Span = Span::minutes(2);
/// Beyond what its like did over the same time, so many kelvin for each second, up to a longer gap: a winding that loses its
/// cooling leaves a healthy one by its rated rise in an hour at most (worked). It must have made most of that step itself.
const AWAY_K_PER_S: f64 = 0.03;
const LONGEST_GAP_OF_LIKE: Span = Span::minutes(15);
const BY_ITSELF: f64 = 0.7;
/// After a jump it is not believed for so long, nor while it still shows this share of the jump beyond its like.
const DOUBTED: Span = Span::hours(6);
const STILL_OFF: f64 = 0.4;
/// A winding that leaves the others by as much in each of three hours, at a load that has not grown: a duct that is blocked
/// warms it ever more slowly, with the time constant of the winding, and falls with the load; only a sensor goes on. At least
/// so much in each hour, in K, and the most not above so many times the least, which a winding with a time constant below two and
/// a half hours never shows (worked: `exp(1/2.5)`); and its expected rise stays within this share.
const DRIFT_K: f64 = 2.0;
const DRIFTS_ON: f64 = 1.49;
const SAME_LOAD: f64 = 1.12;
/// The others show no more than this share of it: else all of them warm.
const BY_ITSELF_OF: f64 = 0.5;
/// After that it is not believed until it is back among its like.
const AMONG_K: f64 = 5.0;
/// Colder than the air by so much, for so long, at any load.
const BELOW_AIR_K: f64 = 6.0;
const BELOW_AIR_FOR: Span = Span::minutes(30);
/// It stands still for so long at least: its like moves by this meanwhile, and it by no more than that. A winding is held against
/// what its own load lets expect; the others against their neighbours, whose load is another's.
const STILL_OVER: (Span, Span) = (Span::minutes(60), Span::hours(4));
const LIKE_MOVES_K: f64 = 8.0;
const STILL_K: f64 = 0.25;
/// It gives nothing that can be, and its like of the same kind give values, for so long.
const MISSING_FOR: Span = Span::minutes(20);
/// So near to the end of what a sensor may show, in K, a value that is gone is no failed sensor.
const NEAR_END_K: f64 = 20.0;
/// Colder than a healthy winding would be by so much, as a share of the rated rise, while its like are not, for so long.
const COLD_SHARE: f64 = 0.2;
const COLD_FOR: Span = Span::hours(2);
/// And as this share of the rise that is expected: what a model makes of a load far beyond the rated one is that much in doubt.
const COLD_OF_EXPECTED: f64 = 0.5;
/// A winding that is slower than its model is cooler than expected after its load has grown, but never cooler than the least that was
/// expected within so long: three time constants of a small unit, more than one of a large one.
const SLOW: Span = Span::hours(5);
/// Of the rated rise where the nameplate has none, in K.
const USUAL_RISE_K: f64 = 80.0;

/// What is remembered of each sensor, in the order of [`sensors`].
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Sensors {
    of: Vec<Sensor>,
}

#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Sensor {
    last: Option<(EventTime, f64, Option<f64>)>,
    /// When it jumped, and by how much.
    jumped: Option<(EventTime, f64)>,
    below_air: Standing,
    cold: Standing,
    missing: Standing,
    still: Still,
    /// What a winding shows beyond the others, and the rise that is expected of it.
    beyond: Course,
    expected: Course,
    drifts: bool,
    least: Least,
}

/// The least that was expected in each piece of [`SLOW`].
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Least {
    since: Option<EventTime>,
    pieces: [Option<f64>; 5],
}

impl Least {
    fn take(&mut self, end: EventTime, expected: f64) -> f64 {
        let count = self.pieces.len();
        let piece = Span(SLOW.0 / count as i64);
        if end - *self.since.get_or_insert(end) >= piece {
            self.pieces.rotate_left(1);
            (self.pieces[count - 1], self.since) = (None, Some(end));
        }
        let latest = &mut self.pieces[count - 1];
        *latest = Some(latest.map_or(expected, |known| known.min(expected)));
        self.pieces.iter().flatten().copied().fold(expected, f64::min)
    }
}

/// The least and most of a sensor and of its like since `since`, from which on it stands still.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Still {
    since: Option<EventTime>,
    own: (f64, f64),
    like: (f64, f64),
}

/// A sensor now.
struct Shown {
    quantity: Quantity,
    circuit: usize,
    value: Option<f64>,
    /// What its like show, or what a healthy unit would.
    like: Option<f64>,
    /// Others of its kind beside it give values.
    has_company: bool,
    /// How much colder it is than it should be, while its like are not; windings only.
    short: Option<f64>,
    /// How much more it is above a healthy one than the others are, and the rise that is expected; windings only.
    beyond: Option<(f64, f64)>,
    is_air: bool,
}

impl Sensors {
    pub(crate) fn new(plan: &DiagnosisPlan) -> Self {
        let sets: usize = plan.circuits.iter().map(|circuit| circuit.terminations.len()).sum();
        Self { of: vec![Sensor::default(); 5 + 4 * sets] }
    }

    pub(crate) fn fits(&self, plan: &DiagnosisPlan) -> bool {
        self.of.len() == Self::new(plan).of.len()
    }

    pub(crate) fn shift(&mut self, by: Span) {
        for sensor in &mut self.of {
            if let Some((at, ..)) = &mut sensor.last {
                *at += by;
            }
            if let Some((at, _)) = &mut sensor.jumped {
                *at += by;
            }
            if let Some(since) = &mut sensor.still.since {
                *since += by;
            }
            sensor.least.since = sensor.least.since.map(|since| since + by);
            sensor.beyond.shift(by);
            sensor.expected.shift(by);
            sensor.missing.shift(by);
            sensor.below_air.shift(by);
            sensor.cold.shift(by);
        }
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, moments: &Moments, docket: &mut Docket) {
        let mut of = self.of.iter_mut();
        sensors(look, |shown| {
            if let Some(sensor) = of.next() {
                sensor.judge(look, &shown, moments, docket);
            }
        });
    }
}

/// Shows every sensor: windings, top oil, air, terminations by circuit.
fn sensors(look: &Look<'_>, mut show: impl FnMut(Shown)) {
    let (unit, load) = (&look.unit, look.plan.load);
    for (phase, place) in Place::PHASES.into_iter().enumerate() {
        let value = unit.winding[phase];
        show(Shown {
            quantity: Quantity::at(Measurand::Winding, place),
            circuit: load,
            value,
            like: unit.winding_expected[phase].or_else(|| others(unit.winding, phase)),
            has_company: company(unit.winding, phase),
            short: short(look, phase),
            beyond: beyond(look, phase),
            is_air: false,
        });
    }
    let whole = |what, value, is_air| Shown {
        quantity: Quantity::whole(what),
        circuit: load,
        value,
        like: None,
        has_company: false,
        short: None,
        beyond: None,
        is_air,
    };
    show(Shown { like: unit.top_oil_expected, ..whole(Measurand::TopOil, unit.top_oil, false) });
    show(whole(Measurand::Ambient, unit.ambient, true));
    for (circuit, plan) in look.plan.circuits.iter().enumerate() {
        for set in &plan.terminations {
            let values = set.temperature.map(|spot| look.values.get(spot));
            for (part, place) in [Place::A, Place::B, Place::C, Place::N].into_iter().enumerate() {
                let phases = [values[0], values[1], values[2]];
                show(Shown {
                    quantity: Quantity::numbered(Measurand::Termination, place, set.number),
                    circuit,
                    value: values[part],
                    like: if part < 3 { others(phases, part) } else { None },
                    has_company: company(phases, part),
                    short: None,
                    beyond: None,
                    is_air: false,
                });
            }
        }
    }
}

fn others(three: Three, phase: usize) -> Option<f64> {
    Some(f64::midpoint(three[(phase + 1) % 3]?, three[(phase + 2) % 3]?))
}

/// Whether another of the three gives a value.
fn company(three: Three, own: usize) -> bool {
    three.iter().enumerate().any(|(other, value)| other != own && value.is_some())
}

/// How much colder a winding is than a healthy one, beyond what the other two are; nothing while that is a small part of the rise
/// that is expected.
fn short(look: &Look<'_>, phase: usize) -> Option<f64> {
    let residual = look.unit.winding_residual;
    mean(residual)?;
    let short = others(residual, phase)?.min(0.0) - residual[phase]?;
    let expected = look.unit.winding_expected[phase].zip(look.unit.ambient).map(|(hot, air)| hot - air);
    let counts = expected.is_none_or(|expected| short > COLD_OF_EXPECTED * expected);
    Some(if counts { short } else { short.min(0.0) })
}

/// How much more a winding is above a healthy one than the others are, and the rise that is expected of it.
fn beyond(look: &Look<'_>, phase: usize) -> Option<(f64, f64)> {
    let unit = &look.unit;
    let others = others(unit.winding_residual, phase)?;
    let beyond = unit.winding_residual[phase]? - others;
    // Where all are too warm it is their cooling, and the middle one shows most of it.
    if others > BY_ITSELF_OF * beyond {
        return None;
    }
    Some((beyond, unit.winding_expected[phase]? - unit.ambient?))
}

impl Sensor {
    /// By how much it has moved since its last value, if no mass does so.
    fn jump(&mut self, end: EventTime, value: f64, like: Option<f64>) -> Option<f64> {
        let (at, before, like_before) = self.last.replace((end, value, like))?;
        let (moved, passed) = ((value - before).abs(), end - at);
        let plain = passed <= LONGEST_GAP && moved > JUMP_K + JUMP_K_PER_S * passed.as_seconds();
        let away =
            like.zip(like_before).map(|(like, like_before)| (value - like - before + like_before).abs());
        let away = away.filter(|away| {
            passed <= LONGEST_GAP_OF_LIKE
                && *away > JUMP_K + AWAY_K_PER_S * passed.as_seconds()
                && moved > BY_ITSELF * away
        });
        away.or(plain.then_some(moved))
    }

    /// By how much it has left its like in the latest three hours, if it drifts.
    fn drift(&mut self, end: EventTime, now: Option<(f64, f64)>) -> Option<f64> {
        let (beyond, rise) = now?;
        self.beyond.take(end, beyond);
        self.expected.take(end, rise);
        if let (Some([first, _, second, _, third, _, last]), Some([before, .., after])) =
            (self.beyond.whole(), self.expected.whole())
        {
            let hours = [second - first, third - second, last - third];
            let least = hours.into_iter().fold(f64::INFINITY, f64::min);
            let most = hours.into_iter().fold(0.0, f64::max);
            let goes_on = least > DRIFT_K && most < DRIFTS_ON * least;
            self.drifts |= goes_on && after < SAME_LOAD * before;
        }
        self.drifts &= beyond > AMONG_K;
        self.drifts.then_some(beyond)
    }

    fn judge(&mut self, look: &Look<'_>, shown: &Shown, moments: &Moments, docket: &mut Docket) {
        let (end, air) = (look.end, look.unit.ambient);
        let Shown { quantity, circuit, .. } = *shown;
        let place = Some(quantity.place).filter(|place| *place != Place::Whole);
        // What came near to the end of what can be has gone beyond it, or stands there: that is heat.
        let end_c = quantity.what.range().1 - NEAR_END_K;
        let is_missing = shown.value.is_none() && self.last.is_some_and(|(_, last, _)| last < end_c);
        let missing = (is_missing && shown.has_company).then_some(true).or(shown.value.map(|_| false));
        if self.missing.for_span(missing, end, MISSING_FOR) {
            let mark = of_sign(Sign::Silent, quantity.place, circuit, 1.0);
            docket.figure(Family::Instrument, mark);
            docket.claim(Claim::new(Cause::SensorFailed, circuit, place, Priority::Low, mark).weighs(0.85));
        }
        let Some(value) = shown.value else { return };
        let mark = |sign, value, against| Mark {
            against: Some(against),
            ..of_sign(sign, quantity.place, circuit, value)
        };
        // A contact that lets go draws an arc of some kilowatts beside its sensor.
        let is_arc = quantity.what == Measurand::Termination
            && (moments.stirs(circuit) || moments.lets_go(circuit, quantity.place, end));
        if let Some(moved) = self.jump(end, value, shown.like).filter(|_| !is_arc) {
            self.jumped = Some((end, moved));
        }
        let is_off = |moved: f64| shown.like.is_some_and(|like| (value - like).abs() > STILL_OFF * moved);
        self.jumped = self.jumped.filter(|(at, moved)| end - *at < DOUBTED || is_off(*moved));
        let drift = self.drift(end, shown.beyond);
        let below = air.filter(|_| !shown.is_air).map(|air| air - value);
        let is_below = below.map(|below| below > BELOW_AIR_K);
        let below_air = self.below_air.for_span(is_below, end, BELOW_AIR_FOR);
        let rise = look.plan.unit.rated_rise_k.unwrap_or(USUAL_RISE_K);
        let least = shown.short.and(shown.like).map(|expected| self.least.take(end, expected));
        let short = shown.short.map(|short| least.map_or(short, |least| short.min(least - value)));
        let is_cold = short.map(|short| short > COLD_SHARE * rise);
        let cold = self.cold.for_span(is_cold, end, COLD_FOR);
        let over = if quantity.what == Measurand::Winding { STILL_OVER.0 } else { STILL_OVER.1 };
        let still = self.still.stands(end, (value, shown.like), over).filter(|_| value < end_c);
        let proof = if let Some((_, moved)) = self.jumped {
            Some(mark(Sign::Jumped, moved, JUMP_K))
        } else if let Some(beyond) = drift {
            Some(mark(Sign::Drifts, beyond, AMONG_K))
        } else if let Some(moved) = still {
            Some(mark(Sign::LikeMoved, moved, STILL_K))
        } else if below_air {
            below.map(|below| mark(Sign::BelowAir, below, BELOW_AIR_K))
        } else {
            short.filter(|_| cold).map(|short| mark(Sign::ColderThanHealthy, short, COLD_SHARE * rise))
        };
        match proof {
            Some(proof) => {
                docket.figure(Family::Instrument, proof);
                let seen = Mark { figure: Figure::Quantity(quantity), circuit, value, against: shown.like };
                let claim = Claim::new(Cause::SensorFailed, circuit, place, Priority::Low, proof);
                docket.claim(claim.weighs(0.85).with(Some(seen)));
            }
            None if is_below != Some(true) && is_cold != Some(true) => {
                docket.none(Cause::SensorFailed, circuit, Some(quantity.place));
            }
            None => {}
        }
    }
}

impl Still {
    /// By how much its like has moved since it stands still.
    fn stands(&mut self, end: EventTime, (own, like): (f64, Option<f64>), over: Span) -> Option<f64> {
        let like = like?;
        let wider = |(least, most): (f64, f64), now: f64| (least.min(now), most.max(now));
        let (moves, moved) = (wider(self.own, own), wider(self.like, like));
        let Some(since) = self.since.filter(|_| moves.1 - moves.0 <= STILL_K) else {
            *self = Self { since: Some(end), own: (own, own), like: (like, like) };
            return None;
        };
        (self.own, self.like) = (moves, moved);
        let moved = moved.1 - moved.0;
        (end - since >= over && moved >= LIKE_MOVES_K).then_some(moved)
    }
}
