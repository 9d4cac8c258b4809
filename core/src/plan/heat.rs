//! What of a transformer's heat its meters and nameplate allow to compute.

use super::MeterPlan;
use super::reason::Why;
use super::study::{Draft, slot};
use crate::defaults::usual_rise_k;
use crate::electrical::permissible::usual_eddy_pu;
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::plant::{Cooling, SideOf, Transformer, WiringForm};
use crate::study::{AgeingClass, AgeingPlan, FanPlan, HeatPlan, Medium, OilPlan, PlacePlan};
use crate::thermal::ageing::{DryClass, Paper};
use crate::thermal::dry_type::{USUAL_ALLOWANCE_K, allowance_k};
use crate::thermal::liquid::{LiquidUnit, ONAN, USUAL_LOSS_RATIO};

/// Average rise of windings in a liquid without a nameplate, in K (C57.12.00, from memory).
const LIQUID_RISE_K: f64 = 65.0;
/// Its top oil rises so much less than its windings on average (common practice, no source).
const OIL_BELOW_WINDING_K: f64 = 10.0;
/// Its hot spot rises so much more than its windings on average: 80 K where that is 65 K (C57.92-1981).
const LIQUID_ALLOWANCE_K: f64 = 15.0;
/// Hot spot of windings in a liquid that the load must not bring about, in °C (C57.91, from memory).
const LIQUID_HOT_SPOT_C: f64 = 140.0;
/// What fans add to a dry unit's rating (C57.12.01, from memory).
const DRY_FAN_GAIN: f64 = 4.0 / 3.0;
/// What they add to a liquid-filled one's, below 2500 kVA and from there on (C57.12.00, from memory).
const LIQUID_FAN_GAIN: (f64, f64) = (1.15, 1.25);

/// What is told where the air around a unit is not measured: of what it can't be said, and why.
const WITHOUT_AIR: (Measurand, Why) = (Measurand::WindingExpected, Why::NoAir);
/// And where the oil is measured.
const WITHOUT_AIR_IN_LIQUID: (Measurand, Why) = (Measurand::TopOilExpected, Why::NoAirInLiquid);

/// What is told of a unit whose amperes are measured on its delta side alone. Worked: lines of 1.05, 0.95 and 1.0 leave one
/// winding `(2·1.0² + 2·1.05² − 0.95²)/3 = 1.10` times the heat of the mean, `1.10^0.8 = 1.08` times the rise; which one that is
/// depends on the vector group, and what the load side's zero sequence adds goes round in the delta unseen.
const ALIKE_BY_THE_DELTA_SIDE: Why = Why::AlikeByTheDeltaSide;

impl Draft<'_> {
    fn note(&mut self, what: Measurand, reason: Why) {
        self.notes.push((Quantity::whole(what), reason));
    }

    /// The columns of what a sensor of the transformer measures, of each number.
    fn columns_of(&mut self, what: Measurand) -> Box<[usize]> {
        let of_meter = |(local, meter): (usize, &MeterPlan)| -> Vec<(usize, usize)> {
            let series = meter.series.iter().enumerate().filter(|(_, quantity)| quantity.what == what);
            series.map(|(index, _)| (local, meter.first_slot + index)).collect()
        };
        let found: Vec<(usize, usize)> = self.own_meters().flat_map(of_meter).collect();
        found.into_iter().map(|input| self.input(input)).collect()
    }

    /// The column of what a sensor of the transformer measures.
    fn sensor(&mut self, quantity: Quantity) -> Option<usize> {
        let found = self.own_meters().find_map(|(local, meter)| Some((local, slot(meter, quantity)?)));
        found.map(|input| self.input(input))
    }

    /// The model of the transformer's heat.
    pub(super) fn heat(&mut self) -> Option<HeatPlan> {
        let transformer = &self.plant.transformers[self.transformer];
        let watched = [Measurand::Winding, Measurand::TopOil];
        let is_watched = self
            .own_meters()
            .any(|(_, meter)| meter.series.iter().any(|quantity| watched.contains(&quantity.what)));
        let sides = [SideOf::Secondary, SideOf::Primary];
        let load = sides.into_iter().find_map(|side| Some((side, self.currents(side)?)));
        let Some((side, (local, slots))) = load else {
            if is_watched {
                self.note(Measurand::WindingExpected, Why::NoOwnCurrents);
            }
            return None;
        };
        let rated_a = transformer.rated_a(side).filter(|rated| *rated > 0.0)?;
        let Some(medium) = medium(transformer) else {
            if is_watched {
                self.note(Measurand::WindingExpected, Why::NoRatedRise);
            }
            return None;
        };
        let whole = Quantity::whole;
        let liquid = matches!(medium, Medium::Liquid(_));
        let top_oil = if liquid { self.sensor(whole(Measurand::TopOil)) } else { None };
        let air: Vec<(usize, usize)> = self.air();
        if air.is_empty() && is_watched {
            let (what, reason) = if top_oil.is_some() { WITHOUT_AIR_IN_LIQUID } else { WITHOUT_AIR };
            self.note(what, reason);
        }
        let ambients: Box<[usize]> = air.into_iter().map(|input| self.input(input)).collect();
        let places = self.places(side, local, &slots, !ambients.is_empty() || top_oil.is_some());
        let fans = self.fans(transformer);
        let oil = liquid.then(|| {
            let known = !ambients.is_empty();
            OilPlan {
                measured: top_oil,
                expected: known.then(|| self.series(whole(Measurand::TopOilExpected))),
                residual: top_oil.filter(|_| known).map(|_| self.series(whole(Measurand::TopOilResidual))),
            }
        });
        let flags = fans.as_ref().is_some_and(|fans| !fans.running.is_empty());
        let shortfall = flags.then(|| self.series(whole(Measurand::FanShortfall)));
        let hot_spot = self.series(whole(Measurand::HotSpot));
        let class = transformer.insulation_class_c;
        let limit_c = match medium {
            Medium::Liquid(_) => Some(LIQUID_HOT_SPOT_C),
            Medium::Air { .. } => class.map(f64::from),
        };
        let load_time_left = limit_c.map(|limit_c| (limit_c, self.series(whole(Measurand::LoadTimeLeft))));
        let ageing = ageing_class(transformer, medium).map(|class| AgeingPlan {
            class,
            rate: self.series(whole(Measurand::AgeingRate)),
            hours: self.series(whole(Measurand::AgeingHours)),
        });
        let eddy_pu = usual_eddy_pu(transformer.kva, transformer.cooling.is_liquid());
        Some(HeatPlan {
            ambients,
            rated_a,
            eddy_pu,
            medium,
            fans,
            places,
            oil,
            shortfall,
            hot_spot,
            load_time_left,
            ageing,
        })
    }

    /// The windings. On the load side of a wye each line carries the current of one of them. That of a closed delta is told by
    /// all three lines, see [`of_closed_delta`]. Anywhere else a line's current is that of two, or of part of one, so that all
    /// of them together count for each. `known`: the air or the oil around
    /// them is measured.
    fn places(
        &mut self,
        side: SideOf,
        local: usize,
        slots: &[(Place, usize)],
        known: bool,
    ) -> Box<[PlacePlan]> {
        let form = self.plant.transformers[self.transformer].side(side).form;
        let own = side == SideOf::Secondary && matches!(form, WiringForm::Wye);
        let each = 1.0 / slots.len() as f64;
        let all: Box<[(usize, f64)]> =
            slots.iter().map(|(_, slot)| (self.input((local, *slot)), each)).collect();
        let closed = side == SideOf::Secondary && matches!(form, WiringForm::Delta) && slots.len() == 3;
        let mut places: Vec<Place> = if own {
            slots.iter().map(|(place, _)| *place).collect()
        } else {
            let is_measured = |place: &Place| {
                let winding = Quantity::at(Measurand::Winding, *place);
                self.own_meters().any(|(_, meter)| slot(meter, winding).is_some())
            };
            Place::PHASES.into_iter().filter(is_measured).collect()
        };
        if places.is_empty() {
            places.push(Place::A);
        }
        if side == SideOf::Primary && matches!(form, WiringForm::Delta) {
            self.note(Measurand::WindingExpected, ALIKE_BY_THE_DELTA_SIDE);
        }
        let mut pure = false;
        let plans = places.into_iter().map(|place| {
            let own_slot = slots.iter().find(|(known, _)| own && *known == place);
            let currents = own_slot.map(|(_, slot)| [(self.input((local, *slot)), 1.0)].into());
            let currents = currents.or_else(|| of_closed_delta(place, slots, &all).filter(|_| closed));
            let loss_factor = self.loss_factor(local, place);
            pure |= loss_factor.is_none();
            let measured = self.sensor(Quantity::at(Measurand::Winding, place));
            let residual = Quantity::at(Measurand::WindingResidual, place);
            PlacePlan {
                currents: currents.unwrap_or_else(|| all.clone()),
                loss_factor,
                measured,
                expected: known.then(|| self.series(Quantity::at(Measurand::WindingExpected, place))),
                residual: measured.filter(|_| known).map(|_| self.series(residual)),
            }
        });
        let plans = plans.collect();
        if pure && known {
            self.note(Measurand::WindingExpected, Why::PureSine);
        }
        plans
    }

    /// The loss factor of a line's current: of the place, else of the whole.
    fn loss_factor(&mut self, local: usize, place: Place) -> Option<usize> {
        let (_, meter) = self.own_meters().find(|(known, _)| *known == local)?;
        let known = [Measurand::SpectrumLossFactor, Measurand::HarmonicLossFactor];
        let quantities =
            known.into_iter().flat_map(|what| [Quantity::at(what, place), Quantity::whole(what)]);
        let found = quantities.into_iter().find_map(|quantity| slot(meter, quantity))?;
        Some(self.input((local, found)))
    }

    fn fans(&mut self, transformer: &Transformer) -> Option<FanPlan> {
        let gain = fan_gain(transformer)?;
        let running = self.columns_of(Measurand::FanRunning);
        if running.is_empty() {
            self.note(Measurand::FanShortfall, Why::FansNotRead);
        }
        Some(FanPlan { running, gain })
    }
}

/// Of the winding between the line of its place and the next one in a closed delta without a neutral, the weights of the lines'
/// squares: with `I_A + I_B + I_C = 0` and no current going round, `I_AB = (I_A − I_B)/3`, so that
/// `|I_AB|² = (2·I_A² + 2·I_B² − I_C²)/9`, and rated it is a third of the line's square (textbook).
fn of_closed_delta(
    place: Place,
    slots: &[(Place, usize)],
    all: &[(usize, f64)],
) -> Option<Box<[(usize, f64)]>> {
    let own = Place::PHASES.iter().position(|known| *known == place)?;
    let opposite = Place::PHASES[(own + 2) % 3];
    let weights = slots.iter().map(|(line, _)| if *line == opposite { -1.0 / 3.0 } else { 2.0 / 3.0 });
    Some(all.iter().zip(weights).map(|((column, _), weight)| (*column, weight)).collect())
}

/// With its fans a unit may carry so many times its rating without them.
pub(super) fn fan_gain(transformer: &Transformer) -> Option<f64> {
    Some(match transformer.cooling {
        Cooling::DryFan => DRY_FAN_GAIN,
        Cooling::LiquidFan if transformer.kva < 2500.0 => LIQUID_FAN_GAIN.0,
        Cooling::LiquidFan => LIQUID_FAN_GAIN.1,
        Cooling::Dry | Cooling::Liquid => return None,
    })
}

fn medium(transformer: &Transformer) -> Option<Medium> {
    let class = transformer.insulation_class_c;
    let rise_k = transformer.rated_rise_k.filter(|rise| *rise > 0.0);
    if !transformer.cooling.is_liquid() {
        let rise_k = rise_k.or_else(|| usual_rise_k(class?))?;
        return Some(Medium::Air { rise_k, gradient_k: class.map_or(USUAL_ALLOWANCE_K, allowance_k) });
    }
    let top_oil_rise_k = rise_k.unwrap_or(LIQUID_RISE_K) - OIL_BELOW_WINDING_K;
    let losses = transformer.losses;
    let loss_ratio = losses.load_w.zip(losses.no_load_w).map(|(load, idle)| load / idle);
    let loss_ratio = loss_ratio.filter(|ratio| ratio.is_finite() && *ratio > 0.0).unwrap_or(USUAL_LOSS_RATIO);
    let gradient_k = OIL_BELOW_WINDING_K + LIQUID_ALLOWANCE_K;
    Some(Medium::Liquid(LiquidUnit { top_oil_rise_k, gradient_k, loss_ratio, exponents: ONAN }))
}

/// Paper of a 65 K rise is thermally upgraded, that of a 55 K rise plain (C57.91).
fn ageing_class(transformer: &Transformer, medium: Medium) -> Option<AgeingClass> {
    match medium {
        Medium::Air { .. } => transformer.insulation_class_c.and_then(DryClass::of).map(AgeingClass::Dry),
        Medium::Liquid(_) => {
            let plain = transformer.rated_rise_k.is_some_and(|rise| rise < LIQUID_RISE_K);
            Some(AgeingClass::Paper(if plain { Paper::Plain } else { Paper::Upgraded }))
        }
    }
}
