//! Cooling: what windings, or the oil, show over a healthy unit with the same load, spectrum, unbalance and air. In a cold
//! room no absolute limit is ever reached; over what is expected it shows all the same.
//!
//! Told apart: all windings too warm are the cooling of the whole unit; one of several is its duct, the winding itself or its
//! sensor, if no connection of its phase heats; heat that fans which should run leave, by their own flags or by coming only
//! when they should run, is the fans; air hotter than any unit is made for is the room. Hot weather, and a warm room at high
//! load, are in what is expected and no finding.
//!
//! Setpoints, like those of the residuals' limits, are shares of the rated rise: common practice, no source, as the others where
//! nothing else is said.

mod fans;
mod part;

use super::course::Course;
use super::standing::Standing;
use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::docket::{Claim, Docket, Mark};
use crate::diagnosis::finding::Lack;
use crate::diagnosis::look::{Look, Three, largest, of_quantity, of_sign};
use crate::diagnosis::sign::{Figure, Sign};
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::plant::{Cooling as Kind, Priority};
use crate::time::{EventTime, Span};
pub(super) use fans::times_by_fans;
use fans::{Fans, StoppedFans};
use part::{Expected, Lasting, Part, SHARES, Shown, end_of_rise_k, rated_rise_k};
use serde::{Deserialize, Serialize};

/// One winding is by itself where the others show less than this share of what it shows.
const APART: f64 = 0.5;
/// And is told once it no longer grows by more than this share of it in ninety minutes: until then its sensor may drift.
const GROWS: f64 = 0.2;
/// For a fan that is told by coming and going with it: so long ago all was well without it.
const WELL_COUNTS: Span = Span::hours(36);
/// A room so warm is beyond what a rating holds for (40 °C at most, C57.12.01 and IEC 60076-11, from memory), in °C; a kelvin is
/// left to the sensor. And where it is back.
const HOT_ROOM_C: (f64, f64) = (41.0, 39.0);
const HOT_ROOM_FOR: Span = Span::minutes(30);
/// With less time than this until the hot spot is past its limit it is pressing, in hours.
const SHORT_TIME_H: f64 = 2.0;

/// What is remembered of the cooling of one transformer.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Cooling {
    parts: [Part; 3],
    courses: [Course; 3],
    all: Lasting,
    fans: StoppedFans,
    hot_air: Standing,
    /// When all was well the last time without fans, at a load that shows it.
    well: Option<EventTime>,
    /// A fan was told by the heat: it runs and does not cool.
    blows_not: bool,
}

impl Cooling {
    pub(crate) fn shift(&mut self, by: Span) {
        self.courses.iter_mut().for_each(|course| course.shift(by));
        self.parts.iter_mut().for_each(|part| part.shift(by));
        self.all.shift(by);
        self.fans.shift(by);
        self.hot_air.shift(by);
        self.well = self.well.map(|well| well + by);
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        self.room(look, docket);
        let runs = self.fans.judge(look, docket);
        if runs && !self.blows_not {
            docket.none(Cause::CoolingFan, look.plan.load, None);
        }
        // By a sensor in the air that shows what can't be nothing is expected.
        if doubted(docket, look.plan.load, Measurand::Ambient, Place::Whole) {
            return;
        }
        let liquid = look.plan.unit.cooling.is_some_and(Kind::is_liquid);
        let shown = if liquid { [self.oil(look, docket), None, None] } else { self.windings(look, docket) };
        self.warm_parts(look, liquid, &shown, docket);
    }

    /// What each winding in air shows.
    fn windings(&mut self, look: &Look<'_>, docket: &Docket) -> [Option<Shown>; 3] {
        let (unit, load) = (&look.unit, look.plan.load);
        std::array::from_fn(|phase| {
            let place = Place::PHASES[phase];
            if doubted(docket, load, Measurand::Winding, place) {
                return None;
            }
            let measured = unit.winding[phase]?;
            let expected = match unit.ambient {
                Some(air_c) => Expected {
                    air_c,
                    celsius: unit.winding_expected[phase]?,
                    over_k: unit.winding_residual[phase]?,
                    end_k: end_of_rise_k(look, phase).filter(|_| Fans::of(look) != Fans::On),
                    is_bound: false,
                },
                None => Expected::in_the_warmest_room(look, phase, measured)?,
            };
            let whats = (Measurand::Winding, Measurand::WindingResidual);
            Some(self.parts[phase].shows(look, whats, place, (measured, expected)))
        })
    }

    /// What the oil shows.
    fn oil(&mut self, look: &Look<'_>, docket: &Docket) -> Option<Shown> {
        let unit = &look.unit;
        if doubted(docket, look.plan.load, Measurand::TopOil, Place::Whole) {
            return None;
        }
        let expected = Expected {
            air_c: unit.ambient?,
            celsius: unit.top_oil_expected?,
            over_k: unit.top_oil_residual?,
            end_k: None,
            is_bound: false,
        };
        let whats = (Measurand::TopOil, Measurand::TopOilResidual);
        Some(self.parts[0].shows(look, whats, Place::Whole, (unit.top_oil?, expected)))
    }

    /// All of them, or one of several.
    fn warm_parts(&mut self, look: &Look<'_>, liquid: bool, shown: &[Option<Shown>; 3], docket: &mut Docket) {
        let load = look.plan.load;
        let rated_k = rated_rise_k(&look.plan.unit, liquid);
        let over: Three = shown.map(|shown| shown.map(|shown| shown.over_k));
        let Some((most, _)) = largest(over) else { return };
        let known = shown.iter().flatten().count();
        let (Some(middle), Some(worst)) = (middle(shown), shown[most]) else { return };
        docket.figure(Family::Cooling, worst.mark);
        let fans = Fans::of(look);
        if fans == Fans::Off && worst.is_gone() {
            self.well = Some(look.end);
        }
        let well = self.well.is_some_and(|well| look.end - well < WELL_COUNTS);
        let by_fans = fans == Fans::On && well;
        if self.all.enough(middle.of_setpoint(), look.end) {
            let (cause, sure) = if by_fans {
                (Cause::CoolingFan, 0.75)
            } else if middle.is_bound {
                (Cause::CoolingBlocked, 0.6)
            } else {
                // Of a single sensor nothing tells whether it is right.
                (Cause::CoolingBlocked, if known > 1 { 0.9 } else { 0.7 })
            };
            self.blows_not |= by_fans;
            let other = (known > 1).then_some(middle.mark);
            let claim = Claim::new(cause, load, None, priority(look, middle.over_k, rated_k), worst.mark);
            docket.claim(with_surroundings(claim.weighs(sure).with(Some(worst.measured)).with(other), look));
        } else if worst.is_gone() {
            docket.none(Cause::CoolingBlocked, load, None);
            if fans == Fans::On {
                self.blows_not = false;
                docket.none(Cause::CoolingFan, load, None);
            }
        }
        for (phase, place) in Place::PHASES.into_iter().enumerate().filter(|_| known > 1) {
            let Some(one) = shown[phase].filter(|_| !heated(docket, load, place)) else { continue };
            let others = (0..3).filter(|other| *other != phase).filter_map(|other| over[other]);
            let apart = others.fold(f64::NEG_INFINITY, f64::max) < APART * one.over_k;
            let alone = one.of_setpoint().map(|share| if apart { share } else { 0.0 });
            let course = &mut self.courses[phase];
            course.take(look.end, one.over_k);
            let grows = course.whole().is_none_or(|[.., before, _, _, now]| now - before > GROWS * now);
            if self.parts[phase].alone.enough(alone, look.end) && !grows {
                let urgency = priority(look, one.over_k, rated_k);
                let claim = Claim::new(Cause::CoolingBlocked, load, Some(place), urgency, one.mark);
                docket.claim(with_surroundings(claim.weighs(0.5).with(Some(one.measured)), look));
            } else if one.is_gone() {
                docket.none(Cause::CoolingBlocked, load, Some(place));
            }
        }
    }

    /// A room without air. It is pressing where the hot spot is past what the insulation is made for.
    fn room(&mut self, look: &Look<'_>, docket: &mut Docket) {
        let (Some(air_c), load) = (look.unit.ambient, look.plan.load) else { return };
        if doubted(docket, load, Measurand::Ambient, Place::Whole) {
            return;
        }
        let holds = match air_c {
            air if air > HOT_ROOM_C.0 => Some(true),
            air if air < HOT_ROOM_C.1 => Some(false),
            _ => None,
        };
        if self.hot_air.for_span(holds, look.end, HOT_ROOM_FOR) {
            let mark = of_quantity(Measurand::Ambient, Place::Whole, load, air_c).against(HOT_ROOM_C.0);
            let limit = look.plan.unit.insulation_class_c;
            let hot_spot = look.unit.hot_spot.map(|spot| {
                let mark = of_quantity(Measurand::HotSpot, Place::Whole, load, spot);
                limit.map_or(mark, |limit| mark.against(limit))
            });
            let over = look.unit.hot_spot.zip(limit).is_some_and(|(spot, limit)| spot > limit);
            let urgency = if over { Priority::High } else { Priority::Low };
            let claim = Claim::new(Cause::HotRoom, load, None, urgency, mark).weighs(0.9).with(hot_spot);
            docket.claim(with_surroundings(claim, look));
        } else if holds == Some(false) {
            docket.none(Cause::HotRoom, load, None);
        }
    }
}

/// The part in the middle by what it shows; the milder of two.
fn middle(shown: &[Option<Shown>; 3]) -> Option<Shown> {
    let mut known = shown.iter().flatten();
    let (one, two, three) = (known.next(), known.next(), known.next());
    let milder = |one: &Shown, two: &Shown| if one.over_k < two.over_k { *one } else { *two };
    match (one, two, three) {
        (Some(one), Some(two), Some(three)) => {
            let (low, high) = if one.over_k < two.over_k { (one, two) } else { (two, one) };
            Some(if three.over_k < low.over_k { *low } else { milder(high, three) })
        }
        (Some(one), Some(two), None) => Some(milder(one, two)),
        (one, ..) => one.copied(),
    }
}

/// Whether a judge before this one says that a sensor shows what can't be.
fn doubted(docket: &Docket, load: usize, what: Measurand, place: Place) -> bool {
    docket.claims.iter().any(|claim| {
        let of_it = |mark: &Mark| mark.figure == Figure::Quantity(Quantity::at(what, place));
        claim.cause == Cause::SensorFailed && claim.circuit == load && claim.marks.iter().flatten().any(of_it)
    })
}

/// Whether a judge before this one says that a connection heats this phase: that explains a winding that stands alone.
fn heated(docket: &Docket, load: usize, place: Place) -> bool {
    let steady = |claim: &Claim| claim.cause == Cause::ConnectionSteady && claim.circuit == load;
    docket.claims.iter().any(|claim| steady(claim) && claim.place == Some(place))
}

fn priority(look: &Look<'_>, over_k: f64, rated_k: f64) -> Priority {
    let by_heat =
        SHARES.iter().rev().find(|(share, _)| over_k > share * rated_k).map(|(_, priority)| *priority);
    let soon = look.unit.load_time_left.is_some_and(|hours| hours < SHORT_TIME_H);
    let by_time = if soon { Priority::High } else { Priority::Low };
    by_heat.unwrap_or(Priority::Low).max(by_time)
}

/// What load and air are beside it, since the one is to be taken off and the other looked after.
fn with_surroundings(claim: Claim, look: &Look<'_>) -> Claim {
    let load = look.plan.load;
    let loading = look.unit.loading_phase.or(look.unit.loading_kva);
    let loading = loading.map(|percent| of_sign(Sign::ShareOfRating, Place::Whole, load, percent));
    let air = look.unit.ambient.map(|air| of_quantity(Measurand::Ambient, Place::Whole, load, air));
    let air = air.filter(|air| claim.marks[0].is_none_or(|first| first.figure != air.figure));
    let claim = claim.with(loading).with(air);
    let flags = look.plan.unit.fans.is_empty() && Fans::of(look) != Fans::None;
    let claim = if flags { claim.lacking(Lack::FanState) } else { claim };
    if look.unit.ambient.is_none() { claim.lacking(Lack::Ambient) } else { claim }
}
