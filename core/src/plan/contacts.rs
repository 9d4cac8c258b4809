//! Which terminations have peers, and between which meters a way's resistance can be told.

use super::formulas::ambients;
use super::limits::rating;
use super::reason::Why;
use super::study::{Draft, slot};
use super::{MeterPlan, ScopePlan};
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::plant::{Plant, SideOf, SupplyFrom, Target, WiringForm};
use crate::study::{TerminationPlan, TerminationsPlan, WayPlan};
use crate::time::Span;

/// The places of terminations.
const PARTS: [Place; 4] = [Place::A, Place::B, Place::C, Place::N];

/// Two meters that give values more rarely than this are hardly ever seen at the same moment of a load (common practice, no
/// source).
const MOST_APART: Span = Span::minutes(1);

/// Why no heat of its connection to the transformer is told of a feeder's meter; nothing where it is, or where another meter of
/// the feeder tells it.
pub(super) fn why_no_heat(plant: &Plant, scope: &ScopePlan, meter: &MeterPlan) -> Option<Why> {
    let of_plant = |meter: &MeterPlan| plant.meters.get(meter.id.0 as usize);
    let measures = of_plant(meter)?.measures;
    let Target::Feeder(index) = measures else { return None };
    let has = |meter: &MeterPlan, what| {
        Place::PHASES.iter().all(|place| meter.series.contains(&Quantity::at(what, *place)))
    };
    let told = scope.meters.iter().any(|made| {
        made.feeder == meter.feeder && made.series.iter().any(|series| series.what == Measurand::ContactHeat)
    });
    if told || !meter.series.iter().any(|series| series.what == Measurand::Current) {
        return None;
    }
    let feeder = &plant.feeders[index];
    let secondary = Target::Transformer(feeder.fed_by, SideOf::Secondary);
    let ups = || {
        let own = scope.meters.iter().filter(|up| of_plant(up).is_some_and(|up| up.measures == secondary));
        own.filter(|up| has(up, Measurand::VoltageLn))
    };
    let direct =
        feeder.supplies.first().is_none_or(|normal| normal.from == SupplyFrom::Transformer(feeder.fed_by));
    Some(if plant.wiring(measures).is_none_or(|(form, _)| form != WiringForm::Wye) {
        Why::NoStar
    } else if !direct {
        Why::BehindAnother
    } else if !(has(meter, Measurand::VoltageLn) && has(meter, Measurand::Current)) {
        Why::FeederVolts
    } else if ups().next().is_none() {
        Why::LoadSideVolts
    } else if meter.every > MOST_APART || ups().all(|up| up.every > MOST_APART) {
        Why::TooRarely
    } else if feeder.rated_a.is_none() {
        Why::CarriesUnknown
    } else {
        return None;
    })
}

impl Draft<'_> {
    /// Terminations against their peers: those of one module under one number.
    pub(super) fn terminations(&mut self) -> Vec<TerminationsPlan> {
        let numbers = Measurand::Termination.facts().numbers.range();
        let groups: Vec<(usize, u8)> = (0..self.meters.len())
            .flat_map(|local| numbers.clone().map(move |number| (local, number)))
            .filter(|(local, number)| self.sensors(*local, *number).count() > 1)
            .collect();
        groups.into_iter().filter_map(|(local, number)| self.group(local, number)).collect()
    }

    fn sensors(&self, local: usize, number: u8) -> impl Iterator<Item = usize> {
        let meter = &self.meters[local];
        PARTS
            .into_iter()
            .filter_map(move |place| slot(meter, Quantity::numbered(Measurand::Termination, place, number)))
    }

    /// Those of one module, with the currents of what it sits on; none with fewer than two of them.
    fn group(&mut self, local: usize, number: u8) -> Option<TerminationsPlan> {
        let meter = &self.meters[local];
        let (measures, rating) = self.measures(meter)?;
        let mut air: Vec<_> =
            ambients(&meter.series).map(|index| (local, meter.first_slot + index)).collect();
        // The air of a transformer's room is not that within the board of a feeder: there they are compared without.
        if air.is_empty() && meter.feeder.is_none() {
            air = self.air();
        }
        let quantity = |what, place| Quantity::numbered(what, place, number);
        let mut parts = [None; 4];
        let mut found = Vec::new();
        for (part, place) in PARTS.into_iter().enumerate() {
            let (current, rated) = if place == Place::N {
                (Quantity::whole(Measurand::NeutralCurrent), rating.neutral_a)
            } else {
                (Quantity::at(Measurand::Current, place), rating.rated_a)
            };
            let temperature = slot(meter, quantity(Measurand::Termination, place));
            let current = self.current_of(measures, current);
            let excess = quantity(Measurand::TerminationExcess, place);
            if let (Some(temperature), Some(current), Some(rated_a)) = (temperature, current, rated)
                && rated_a > 0.0
                && !self.has_made(local, excess)
            {
                found.push((part, (local, temperature), current, rated_a, excess));
            }
        }
        if found.len() < 2 {
            return None;
        }
        let air = air.into_iter().map(|input| self.input(input)).collect();
        for (part, temperature, current, rated_a, excess) in found {
            let (temperature, current) = (self.input(temperature), self.input(current));
            let excess = self.made(local, excess);
            parts[part] = Some(TerminationPlan { temperature, current, rated_a, excess });
        }
        Some(TerminationsPlan { air, parts })
    }

    /// The ways from the transformer's meter to those of the feeders that hang on it directly. Only with a neutral: of line
    /// volts no phase can be told.
    pub(super) fn ways(&mut self) -> Vec<WayPlan> {
        let Some(up) = (0..self.meters.len()).find_map(|local| {
            let secondary = self.is_secondary(&self.meters[local]);
            let fine = self.meters[local].every <= MOST_APART;
            let volts = if secondary && fine { self.trio(local, Measurand::VoltageLn) } else { None };
            Some((local, volts?))
        }) else {
            return Vec::new();
        };
        (0..self.meters.len()).filter_map(|local| self.way(up, local)).collect()
    }

    fn way(&mut self, (up, up_volts): (usize, [usize; 3]), local: usize) -> Option<WayPlan> {
        let meter = &self.meters[local];
        let (measures, rating) = self.measures(meter)?;
        let Target::Feeder(feeder) = measures else { return None };
        if meter.every > MOST_APART {
            return None;
        }
        // What is tapped off on the way there carries its own current.
        let direct = match self.plant.feeders[feeder].supplies.first() {
            None => true,
            Some(normal) => normal.from == SupplyFrom::Transformer(self.transformer),
        };
        let wye = self.plant.wiring(measures).is_some_and(|(form, _)| form == WiringForm::Wye);
        let rated_a = rating.rated_a.filter(|rated| direct && wye && *rated > 0.0)?;
        let down = self.trio(local, Measurand::VoltageLn)?;
        let currents = self.trio(local, Measurand::Current)?;
        let watts = Place::PHASES.map(|place| slot(meter, Quantity::at(Measurand::Power, place)));
        let neutral = slot(meter, Quantity::whole(Measurand::NeutralCurrent));
        let thd = |meter: &MeterPlan| {
            Place::PHASES.map(|place| slot(meter, Quantity::at(Measurand::VoltageThd, place)))
        };
        let (up_thd, down_thd) = (thd(&self.meters[up]), thd(meter));
        let before = self.plant.feeders[..feeder].iter();
        let thing = 1 + before.filter(|other| other.fed_by == self.transformer).count();
        let name = meter.name.clone();
        let heat = |place| Quantity::at(Measurand::ContactHeat, place);
        if self.has_made(local, heat(Place::A)) {
            return None;
        }
        let heat = PARTS.map(|place| self.made(local, heat(place)));
        Some(WayPlan {
            name,
            thing,
            up: up_volts.map(|slot| self.input((up, slot))),
            down: down.map(|slot| self.input((local, slot))),
            up_thd: up_thd.map(|slot| slot.map(|slot| self.input((up, slot)))),
            down_thd: down_thd.map(|slot| slot.map(|slot| self.input((local, slot)))),
            currents: currents.map(|slot| self.input((local, slot))),
            watts: watts.map(|slot| slot.map(|slot| self.input((local, slot)))),
            neutral: neutral.map(|slot| self.input((local, slot))),
            rated_a,
            heat,
        })
    }

    /// Whether a meter sits on the load side of the transformer.
    pub(super) fn is_secondary(&self, meter: &MeterPlan) -> bool {
        let secondary = Target::Transformer(self.transformer, SideOf::Secondary);
        self.measures(meter).is_some_and(|(measures, _)| measures == secondary)
    }

    fn measures(&self, meter: &MeterPlan) -> Option<(Target, crate::defaults::Rating)> {
        let meter = self.plant.meters.get(meter.id.0 as usize)?;
        Some((meter.measures, rating(self.plant, meter)))
    }

    /// A meter's three phases of something.
    fn trio(&self, local: usize, what: Measurand) -> Option<[usize; 3]> {
        let of = |place| slot(&self.meters[local], Quantity::at(what, place));
        Some([of(Place::A)?, of(Place::B)?, of(Place::C)?])
    }

    /// The first meter on the same thing that gives this.
    fn current_of(&self, measures: Target, quantity: Quantity) -> Option<(usize, usize)> {
        self.meters.iter().enumerate().find_map(|(local, meter)| {
            let (of, _) = self.measures(meter)?;
            if of == measures { Some((local, slot(meter, quantity)?)) } else { None }
        })
    }
}
