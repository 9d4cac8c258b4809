//! What a healthy transformer would show now, from its load, the air around it and the state of its fans; what it shows
//! instead; and how its insulation ages.

mod calibration;
mod forecast;
mod part;
mod plan;
#[cfg(test)]
mod tests;
mod unit;

pub use calibration::{
    Calibration, LARGEST_FACTOR, LARGEST_REST_K, LARGEST_SPREAD, LEARN_H, LEAST_FACTOR, LOADED_H, NotHealthy,
};
pub use forecast::HORIZON_H;
pub use part::Pace;
pub use plan::{AgeingClass, AgeingPlan, HeatPlan, OilPlan, PlacePlan};
pub use unit::{FanPlan, Medium};

use super::Turn;
use crate::formula::mean_present;
use crate::reading::Sample;
use crate::thermal::liquid::LiquidUnit;
use crate::time::{EventTime, Span};
use calibration::{Learning, Shown};
use forecast::{Way, hours_left};
use part::Part;
use serde::{Deserialize, Serialize};
use unit::{Cooled, Cooling, cooling, winding_heat};

/// A rate of ageing, and a step of learning, stand for at most so long: over longer gaps nobody knows how warm it was.
const LONGEST_STEP: Span = Span::minutes(1);

/// What must never be lost of a transformer's heat.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct HeatLearned {
    /// Equivalent hours by which its insulation has aged since it is watched.
    #[serde(default)]
    pub aged_h: f64,
    /// The calibration, once there is one.
    #[serde(default)]
    pub calibration: Option<Calibration>,
    /// Why the latest time of learning offered nothing.
    #[serde(default)]
    pub refused: Option<NotHealthy>,
}

/// The model of heat.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Heat {
    /// Windings: in air their rise over it, else their rise over the oil.
    windings: Box<[Option<Part>]>,
    /// The oil.
    oil: Option<Part>,
    /// As the part that the fans cool would be if they ran as they should: the windings, or the oil.
    cooled: Box<[Option<Part>]>,
    learning: Option<Learning>,
    /// The end of the step before.
    before: Option<EventTime>,
    #[serde(skip)]
    learned: HeatLearned,
}

/// What is known in one step.
struct Now<'a> {
    plan: &'a HeatPlan,
    air: Option<f64>,
    cooling: Cooling,
    /// The unit with the cooling that it has, and with the one that is due.
    as_is: Cooled,
    as_due: Cooled,
    tau_min: f64,
    heats: &'a [Option<f64>],
}

/// The warmest spot found so far, with the way there.
#[derive(Clone, Copy)]
struct Spot {
    celsius: f64,
    ways: [Way; 2],
    count: usize,
}

/// The most windings that a unit has: one a phase.
const MOST_WINDINGS: usize = 3;

impl Heat {
    pub(super) fn new(plan: &HeatPlan) -> Self {
        Self {
            windings: vec![None; plan.places.len()].into(),
            oil: None,
            cooled: vec![None; plan.cooled_parts()].into(),
            learning: None,
            before: None,
            learned: HeatLearned::default(),
        }
    }

    pub(super) fn fits(&self, plan: &HeatPlan) -> bool {
        self.windings.len() == plan.places.len()
            && self.cooled.len() == plan.cooled_parts()
            && self.learning.as_ref().is_none_or(|learning| learning.fits(plan.cooled_parts()))
    }

    pub(super) fn learned(&self) -> HeatLearned {
        self.learned.clone()
    }

    pub(super) fn adopt_learned(&mut self, learned: &HeatLearned) {
        self.learned = learned.clone();
    }

    /// A person takes the calibration that waits. Says whether one waited.
    pub(super) fn accept(&mut self, by: &str, at: EventTime) -> bool {
        let waits = self.learned.calibration.as_mut().filter(|known| known.accepted.is_none());
        waits.map(|known| known.accepted = Some((by.to_owned(), at))).is_some()
    }

    /// A person drops the calibration, and it is learned anew. Says whether there was one.
    pub(super) fn drop_calibration(&mut self) -> bool {
        self.learning = None;
        self.learned.refused = None;
        self.learned.calibration.take().is_some()
    }

    /// Hours of learning known so far; `None` where nothing is being learned.
    pub(super) fn learning_h(&self) -> Option<f64> {
        self.learning.as_ref().map(Learning::known_h)
    }

    pub(super) fn shift(&mut self, by: Span) {
        let parts = self.windings.iter_mut().chain(&mut self.cooled).flatten().chain(&mut self.oil);
        parts.for_each(|part| part.shift(by));
        if let Some(learning) = &mut self.learning {
            learning.shift(by);
        }
        if let Some(before) = &mut self.before {
            *before += by;
        }
    }

    /// The factor on the rise of a part that the fans cool, and the time constant: as a person accepted them, else by the
    /// nameplate.
    fn accepted(&self) -> Option<&Calibration> {
        self.learned.calibration.as_ref().filter(|known| known.accepted.is_some())
    }

    fn factor(&self, part: usize) -> f64 {
        self.accepted().and_then(|known| known.factors.get(part).copied()).unwrap_or(1.0)
    }

    pub(super) fn step(&mut self, plan: &HeatPlan, turn: &mut Turn<'_>) {
        let since = self.before.replace(turn.end).unwrap_or(turn.end);
        let hours = (turn.end - since).clamp(Span::ZERO, LONGEST_STEP).as_seconds() / 3600.0;
        plan.clear(turn.row);
        let mut heats = [None; MOST_WINDINGS];
        let heats = &mut heats[..plan.places.len().min(MOST_WINDINGS)];
        for (heat, place) in heats.iter_mut().zip(&plan.places) {
            *heat = winding_heat(turn.inputs, &place.currents, plan.rated_a, place.loss_factor, plan.eddy_pu);
        }
        let most_heat = heats.iter().flatten().copied().reduce(f64::max);
        let Some(cooling) = cooling(plan.fans.as_ref(), most_heat, turn.inputs) else { return };
        let fans = plan.fans.as_ref();
        let tau_min = self.accepted().map_or(plan.medium.usual_tau_min(), |known| known.tau_min);
        let now = Now {
            plan,
            air: mean_present(turn.inputs, &plan.ambients),
            cooling,
            as_is: Cooled::new(plan.medium, fans, cooling.now),
            as_due: Cooled::new(plan.medium, fans, cooling.due),
            tau_min,
            heats,
        };
        let spot = match plan.medium {
            Medium::Air { rise_k, gradient_k } => self.in_air(&now, (rise_k, gradient_k), turn),
            Medium::Liquid(unit) => self.in_liquid(&now, unit, turn),
        };
        put(turn.row, Some(plan.hot_spot), spot.map(|spot| spot.celsius));
        if let (Some(spot), Some((limit_c, series))) = (spot, plan.load_time_left) {
            turn.row[series] = hours_left(&spot.ways[..spot.count], limit_c - spot.celsius).into();
        }
        self.age(plan, spot.map(|spot| spot.celsius), hours, turn);
        self.learn(&now, most_heat, hours, turn);
    }

    /// Windings that give their heat to the air.
    fn in_air(
        &mut self,
        now: &Now<'_>,
        (rise_k, gradient_k): (f64, f64),
        turn: &mut Turn<'_>,
    ) -> Option<Spot> {
        let pace = now.as_is.pace(now.tau_min);
        let mut warmest: Option<Spot> = None;
        let mut missing: Option<f64> = None;
        for (index, place) in now.plan.places.iter().enumerate() {
            let drive = now.heats.get(index).copied().flatten().and_then(|heat| now.as_is.air_drive(heat));
            let part = Part::turn(&mut self.windings[index], turn.end, drive, pace);
            let kelvin = rise_k * self.factor(index);
            let expected = now.air.zip(part).map(|(air, part)| air + kelvin * part.rise);
            put(turn.row, place.expected, expected);
            let measured = place.measured.and_then(|column| turn.inputs[column].get());
            let settled = part.is_some_and(|part| part.is_settled(pace));
            put(turn.row, place.residual, above(measured, expected).filter(|_| settled));
            // What is measured holds also for a unit that is not healthy.
            if let (Some(winding), Some(part), Some(drive)) = (measured.or(expected), part, drive) {
                let celsius = winding + gradient_k * part.rise;
                let way = Way { now: part.rise, drive, pace, kelvin: kelvin + gradient_k };
                let spot = Spot { celsius, ways: [way; 2], count: 1 };
                warmest = warmest.filter(|known| known.celsius >= celsius).or(Some(spot));
            }
            let heat = now.heats.get(index).copied().flatten();
            let short =
                self.shortfall(now, index, turn.end, heat.and_then(|heat| now.as_due.air_drive(heat)), part);
            missing = short.map(|short| kelvin * short).into_iter().chain(missing).reduce(f64::max);
        }
        put(turn.row, now.plan.shortfall, missing);
        warmest
    }

    /// Windings that give their heat to a liquid.
    fn in_liquid(&mut self, now: &Now<'_>, unit: LiquidUnit, turn: &mut Turn<'_>) -> Option<Spot> {
        let pace = now.as_is.pace(now.tau_min);
        // The oil takes the heat of all windings: without one of them it is not known.
        let sum: Option<f64> = now.heats.iter().copied().sum();
        let mean = sum.map(|sum| sum / now.heats.len() as f64);
        let drive = mean.and_then(|mean| now.as_is.oil_drive(unit, mean));
        let oil = Part::turn(&mut self.oil, turn.end, drive, pace);
        let kelvin = unit.top_oil_rise_k * self.factor(0);
        let expected = now.air.zip(oil).map(|(air, oil)| air + kelvin * oil.rise);
        let plan = now.plan.oil.as_ref()?;
        put(turn.row, plan.expected, expected);
        let measured = plan.measured.and_then(|column| turn.inputs[column].get());
        let settled = oil.is_some_and(|oil| oil.is_settled(pace));
        put(turn.row, plan.residual, above(measured, expected).filter(|_| settled));
        let due = mean.and_then(|mean| now.as_due.oil_drive(unit, mean));
        let short = self.shortfall(now, 0, turn.end, due, oil).map(|short| kelvin * short);
        put(turn.row, now.plan.shortfall, short);
        self.over_oil(now, unit, (measured, expected), (oil, drive, kelvin), turn)
    }

    /// Windings over their oil as it is measured, so that oil that is too warm shows in its own residual alone; without a
    /// sensor in it, over a healthy one. Gives the hot spot.
    fn over_oil(
        &mut self,
        now: &Now<'_>,
        unit: LiquidUnit,
        (measured_oil, healthy_oil): (Option<f64>, Option<f64>),
        (oil, oil_drive, oil_kelvin): (Option<Part>, Option<f64>, f64),
        turn: &mut Turn<'_>,
    ) -> Option<Spot> {
        let (pace, oil_pace) = (Medium::winding_pace(), now.as_is.pace(now.tau_min));
        let mut warmest: Option<Spot> = None;
        for (index, place) in now.plan.places.iter().enumerate() {
            let drive = now.heats.get(index).copied().flatten().and_then(|heat| unit.gradient_pu(heat));
            let part = Part::turn(&mut self.windings[index], turn.end, drive, pace);
            let over = part.map(|part| unit.gradient_k * part.rise);
            let expected = measured_oil.or(healthy_oil).zip(over).map(|(oil, over)| oil + over);
            put(turn.row, place.expected, expected);
            let measured = place.measured.and_then(|column| turn.inputs[column].get());
            let settled = part.is_some_and(|part| part.is_settled(pace))
                && (measured_oil.is_some() || oil.is_some_and(|oil| oil.is_settled(oil_pace)));
            put(turn.row, place.residual, above(measured, expected).filter(|_| settled));
            let celsius = measured.or(expected);
            if let (Some(celsius), Some(part), Some(drive), Some(oil), Some(oil_drive)) =
                (celsius, part, drive, oil, oil_drive)
            {
                let winding = Way { now: part.rise, drive, pace, kelvin: unit.gradient_k };
                let oil = Way { now: oil.rise, drive: oil_drive, pace: oil_pace, kelvin: oil_kelvin };
                let spot = Spot { celsius, ways: [oil, winding], count: 2 };
                warmest = warmest.filter(|known| known.celsius >= celsius).or(Some(spot));
            }
        }
        warmest
    }

    /// How much lower the rise of a part would be, per unit, with the cooling that is due.
    fn shortfall(
        &mut self,
        now: &Now<'_>,
        index: usize,
        end: EventTime,
        due: Option<f64>,
        part: Option<Part>,
    ) -> Option<f64> {
        now.plan.shortfall?;
        let cooled = Part::turn(&mut self.cooled[index], end, due, now.as_due.pace(now.tau_min))?;
        Some((part?.rise - cooled.rise).max(0.0))
    }

    fn age(&mut self, plan: &HeatPlan, hot_spot: Option<f64>, hours: f64, turn: &mut Turn<'_>) {
        let Some(ageing) = &plan.ageing else { return };
        let rate = hot_spot.and_then(|celsius| ageing.class.rate(celsius));
        if let Some(rate) = rate {
            let aged = self.learned.aged_h + rate * hours;
            self.learned.aged_h = if aged.is_finite() { aged } else { self.learned.aged_h };
        }
        turn.row[ageing.rate] = rate.into();
        turn.row[ageing.hours] = rate.map(|_| self.learned.aged_h).into();
    }

    /// Learns, until there is a calibration, from steps in which every part is known.
    fn learn(&mut self, now: &Now<'_>, most_heat: Option<f64>, hours: f64, turn: &Turn<'_>) {
        let plan = now.plan;
        if self.learned.calibration.is_some() || !plan.can_learn() {
            return;
        }
        let parts = plan.cooled_parts();
        let learning = self.learning.get_or_insert_with(|| Learning::new(parts));
        let pace = now.as_is.pace(plan.medium.usual_tau_min());
        let of_windings = |index: usize| (self.windings[index], plan.places[index].measured);
        let mut whole = most_heat.is_some();
        for part in 0..parts {
            let (model, measured) = match (&plan.oil, plan.medium) {
                (Some(oil), Medium::Liquid(_)) => (self.oil, oil.measured),
                _ => of_windings(part),
            };
            let drive = match plan.medium {
                Medium::Air { .. } => now.heats[part].and_then(|heat| now.as_is.air_drive(heat)),
                Medium::Liquid(unit) => {
                    let sum: Option<f64> = now.heats.iter().copied().sum();
                    sum.and_then(|sum| now.as_is.oil_drive(unit, sum / now.heats.len() as f64))
                }
            };
            let (Some(drive), Some(model)) = (drive, model) else {
                whole = false;
                continue;
            };
            let celsius = measured.and_then(|column| turn.inputs[column].get());
            let rise_k = celsius.zip(now.air).map(|(celsius, air)| celsius - air);
            let rise_k = rise_k.filter(|_| model.is_settled(pace) && now.cooling.now >= now.cooling.due);
            whole &= rise_k.is_some();
            learning.take(turn.end, Shown { part, drive, rise_k }, pace);
        }
        if whole && learning.is_over(hours, most_heat.unwrap_or_default()) {
            match learning.result(turn.end, plan.rated_k(), plan.medium.usual_tau_min()) {
                Ok(calibration) => self.learned.calibration = Some(calibration),
                Err(why) => self.learned.refused = Some(why),
            }
            self.learning = None;
        }
    }
}

fn put(row: &mut [Sample], series: Option<usize>, value: Option<f64>) {
    if let Some(series) = series {
        row[series] = value.into();
    }
}

/// How far what is measured lies above what a healthy unit would show.
fn above(measured: Option<f64>, healthy: Option<f64>) -> Option<f64> {
    measured.zip(healthy).map(|(measured, healthy)| measured - healthy)
}
