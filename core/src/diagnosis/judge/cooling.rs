//! Cooling: what windings and oil show above what a healthy unit would show now, under the same load, spectrum, weather and
//! fans. What load, harmonics and unbalance make warm is in what is expected and explained away by that; a winding that
//! stands alone beside a connection that heats is explained by it.

use super::standing::Standing;
use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::docket::{Claim, Docket, Mark};
use crate::diagnosis::finding::Lack;
use crate::diagnosis::look::{Look, Three, largest, of_quantity};
use crate::measurand::Measurand;
use crate::phases::Place;
use crate::plant::{Cooling as CooledBy, Priority};
use crate::time::Span;
use serde::{Deserialize, Serialize};

/// Above what is expected, as a share of the rated rise, and how soon a person must act (common practice, no source).
const STEPS: [(f64, Priority); 2] = [(0.15, Priority::Low), (0.30, Priority::High)];
/// It must show for so long (common practice, no source).
const AFTER: Span = Span::minutes(120);
/// A winding alone, beyond the other two by this share of what it shows itself.
const ALONE: f64 = 0.5;
/// Of the mildest step: below it is gone.
const BACK: f64 = 0.7;
/// Top oil rises by 65 K at most (C57.12.00, from memory).
const OIL_RISE_K: f64 = 65.0;
/// Without a sensor of the air: no room is warmer than this for a rating (C57.12.01: 40 °C at most), so what is above it is
/// not the weather.
const WARMEST_ROOM_C: f64 = 40.0;
/// A dry winding rises by the load to this power (IEEE C57.96, from memory).
const DRY_EXPONENT: f64 = 1.6;
/// A room so warm is beyond what a rating holds for (40 °C at most, C57.12.01 and IEC 60076-11, from memory), in °C; a kelvin is
/// left to the sensor.
const HOT_ROOM_C: f64 = 41.0;
const HOT_ROOM_FOR: Span = Span::minutes(60);

/// What is remembered of the transformer.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Cooling {
    steps: [Standing; STEPS.len()],
    fan: Standing,
    room: Standing,
}

/// The heat that is not explained.
struct Excess {
    /// Of which phase; `None`: all of them, or the oil.
    place: Option<Place>,
    mark: Mark,
    /// As a share of the rated rise.
    share: f64,
    /// What is expected without knowing the air.
    is_bound: bool,
}

impl Cooling {
    pub(crate) fn shift(&mut self, by: Span) {
        self.steps.iter_mut().for_each(|step| step.shift(by));
        self.fan.shift(by);
        self.room.shift(by);
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        self.room(look, docket);
        let fan = self.fan(look, docket);
        let Some(excess) = excess(look) else { return };
        docket.figure(Family::Cooling, excess.mark);
        let mut reached = None;
        for ((setpoint, priority), standing) in STEPS.iter().zip(&mut self.steps) {
            let holds = if excess.share > *setpoint {
                Some(true)
            } else {
                (excess.share < BACK * setpoint).then_some(false)
            };
            if standing.for_span(holds, look.end, AFTER) {
                reached = Some(*priority);
            }
        }
        let heated = |place: Place| {
            docket.claims.iter().any(|claim| {
                claim.cause == Cause::ConnectionSteady
                    && claim.circuit == look.plan.load
                    && claim.place == Some(place)
            })
        };
        let sensor = docket.claims.iter().any(|claim| {
            claim.cause == Cause::SensorFailed
                && claim.circuit == look.plan.load
                && claim.place == excess.place
        });
        let explained = excess.place.is_some_and(heated) || sensor || fan;
        match reached.filter(|_| !explained) {
            Some(priority) => docket.claim(blocked(look, &excess, priority)),
            None if excess.share < BACK * STEPS[0].0 => {
                docket.none(Cause::CoolingBlocked, look.plan.load, None);
            }
            None => {}
        }
    }

    /// Fans that stand still where they should run: how much heat that leaves. Says whether it is so.
    fn fan(&mut self, look: &Look<'_>, docket: &mut Docket) -> bool {
        let load = look.plan.load;
        let Some(shortfall) = look.unit.fan_shortfall else { return false };
        let share = shortfall / rise(look);
        let holds =
            if share > STEPS[0].0 { Some(true) } else { (share < BACK * STEPS[0].0).then_some(false) };
        let mark = of_quantity(Measurand::FanShortfall, Place::Whole, load, shortfall)
            .against(STEPS[0].0 * rise(look));
        if self.fan.for_span(holds, look.end, HOT_ROOM_FOR) {
            let priority = if share > STEPS[1].0 { Priority::High } else { Priority::Low };
            let residual = largest(look.unit.winding_residual).map(|(phase, residual)| {
                of_quantity(Measurand::WindingResidual, Place::PHASES[phase], load, residual)
            });
            docket.claim(Claim::new(Cause::CoolingFan, load, None, priority, mark).sure(0.9).with(residual));
            return true;
        }
        if holds == Some(false) {
            docket.none(Cause::CoolingFan, load, None);
        }
        false
    }

    fn room(&mut self, look: &Look<'_>, docket: &mut Docket) {
        let load = look.plan.load;
        let Some(ambient) = look.unit.ambient else { return };
        let holds =
            if ambient > HOT_ROOM_C { Some(true) } else { (ambient < HOT_ROOM_C - 2.0).then_some(false) };
        if self.room.for_span(holds, look.end, HOT_ROOM_FOR) {
            let mark = of_quantity(Measurand::Ambient, Place::Whole, load, ambient).against(HOT_ROOM_C);
            let hot_spot = look.unit.hot_spot.map(|value| {
                let mark = of_quantity(Measurand::HotSpot, Place::Whole, load, value);
                look.plan.unit.insulation_class_c.map_or(mark, |limit| mark.against(limit))
            });
            let limit = look.plan.unit.insulation_class_c;
            let over = look.unit.hot_spot.zip(limit).is_some_and(|(spot, limit)| spot > limit);
            let priority = if over { Priority::High } else { Priority::Low };
            docket.claim(Claim::new(Cause::HotRoom, load, None, priority, mark).sure(0.9).with(hot_spot));
        } else if holds == Some(false) {
            docket.none(Cause::HotRoom, load, None);
        }
    }
}

fn rise(look: &Look<'_>) -> f64 {
    /// Of a unit without a nameplate's rise: the least that dry units are built for but one (C57.12.01, from memory).
    const USUAL_RISE_K: f64 = 80.0;
    look.plan.unit.rated_rise_k.filter(|rise| *rise > 0.0).unwrap_or(USUAL_RISE_K)
}

/// What windings or oil show above what is expected, the share of all and not of one alone where all are up.
fn excess(look: &Look<'_>) -> Option<Excess> {
    let load = look.plan.load;
    let unit = &look.unit;
    if let Some(residual) = unit.top_oil_residual {
        let mark = of_quantity(Measurand::TopOilResidual, Place::Whole, load, residual);
        let share = residual / OIL_RISE_K;
        return Some(Excess {
            place: None,
            mark: mark.against(STEPS[0].0 * OIL_RISE_K),
            share,
            is_bound: false,
        });
    }
    let (residuals, is_bound) = match largest(unit.winding_residual) {
        Some(_) => (unit.winding_residual, false),
        None => (over_warmest_room(look), true),
    };
    let (phase, most) = largest(residuals)?;
    let others = others(residuals, phase);
    let alone = others.is_some_and(|others| most - others > ALONE * most);
    let value = if alone { most } else { others.map_or(most, |others| (most + 2.0 * others) / 3.0) };
    let place = Place::PHASES[phase];
    let mark = of_quantity(Measurand::WindingResidual, place, load, most).against(STEPS[0].0 * rise(look));
    Some(Excess { place: alone.then_some(place), mark, share: value / rise(look), is_bound })
}

/// Above what a healthy dry winding would show in the warmest room that a rating holds for.
fn over_warmest_room(look: &Look<'_>) -> Three {
    let circuit = &look.plan.circuits[look.plan.load];
    let dry =
        look.plan.unit.cooling.is_some_and(|cooling| matches!(cooling, CooledBy::Dry | CooledBy::DryFan));
    let (amperes, rated) = (look.load().amperes, circuit.rated_a.filter(|rated| dry && *rated > 0.0));
    std::array::from_fn(|phase| {
        let load = amperes[phase]? / rated?;
        let expected = WARMEST_ROOM_C + rise(look) * load.powf(DRY_EXPONENT);
        Some(look.unit.winding[phase]? - expected)
    })
}

fn others(three: Three, phase: usize) -> Option<f64> {
    match (three[(phase + 1) % 3], three[(phase + 2) % 3]) {
        (Some(one), Some(other)) => Some(f64::midpoint(one, other)),
        (one, other) => one.or(other),
    }
}

fn blocked(look: &Look<'_>, excess: &Excess, priority: Priority) -> Claim {
    let load = look.plan.load;
    let measured = largest(look.unit.winding).map(|(phase, value)| {
        let mark = of_quantity(Measurand::Winding, Place::PHASES[phase], load, value);
        look.unit.winding_expected[phase].map_or(mark, |expected| mark.against(expected))
    });
    let ambient = look.unit.ambient.map(|value| of_quantity(Measurand::Ambient, Place::Whole, load, value));
    let loading =
        look.unit.loading_phase.map(|value| of_quantity(Measurand::LoadingPhase, Place::Whole, load, value));
    // One winding alone is a duct, the winding or its sensor: meters can't tell which.
    let confidence = if excess.is_bound {
        0.6
    } else if excess.place.is_some() {
        0.5
    } else {
        0.85
    };
    let claim = Claim::new(Cause::CoolingBlocked, load, excess.place, priority, excess.mark)
        .sure(confidence)
        .with(measured)
        .with(ambient)
        .with(loading);
    let fans = look
        .plan
        .unit
        .cooling
        .is_some_and(|cooling| matches!(cooling, CooledBy::DryFan | CooledBy::LiquidFan));
    let claim = if fans && look.plan.unit.fans.is_empty() { claim.lacking(Lack::FanState) } else { claim };
    if look.unit.ambient.is_none() { claim.lacking(Lack::Ambient) } else { claim }
}
