//! Which circuits a transformer has and what is measured of each, for the diagnosis.

use super::MeterPlan;
use super::limits::rating;
use super::study::{Draft, slot};
use crate::diagnosis::plan::{
    CircuitPlan, DiagnosisPlan, MeterPlace, ORDERS, Spot, TerminationSet, Trio, UnitPlan,
};
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::plant::{SideOf, SupplyFrom, Target};
use crate::supply::Mark;
use crate::time::Span;
use crate::wiring::WiringForm;

/// Places of terminations and connections.
const PARTS: [Place; 4] = [Place::A, Place::B, Place::C, Place::N];
/// Tones of a transformer's hum, in multiples of the line frequency.
const TONES: [u8; 4] = [1, 2, 4, 6];

impl Draft<'_> {
    /// What the diagnosis looks at.
    pub(super) fn diagnosis(&mut self) -> DiagnosisPlan {
        let plant = self.plant;
        let transformer = &plant.transformers[self.transformer];
        let own = |side| Target::Transformer(self.transformer, side);
        let metered = |target: Target| self.meters.iter().any(|meter| self.target(meter) == Some(target));
        let mut targets = vec![own(SideOf::Secondary)];
        targets.extend(Some(own(SideOf::Primary)).filter(|side| metered(*side)));
        let feeders = (0..plant.feeders.len()).map(Target::Feeder);
        targets.extend(feeders.filter(|feeder| metered(*feeder)));
        let bare =
            plant.feeders.iter().enumerate().filter(|(index, feeder)| {
                feeder.fed_by == self.transformer && !metered(Target::Feeder(*index))
            });
        let largest = bare.max_by(|(_, one), (_, other)| {
            let rated = |feeder: &crate::plant::Feeder| feeder.rated_a.unwrap_or(0.0);
            rated(one).total_cmp(&rated(other))
        });
        let meter_first = largest.map(|(_, feeder)| feeder.name.clone());
        let circuits: Vec<CircuitPlan> = targets.iter().filter_map(|target| self.circuit(*target)).collect();
        let places: Vec<Option<MeterPlace>> = self
            .meters
            .iter()
            .map(|meter| {
                let circuit = targets.iter().position(|target| self.target(meter) == Some(*target))?;
                let trio =
                    |what, places: [Place; 3]| places.map(|place| slot(meter, Quantity::at(what, place)));
                Some(MeterPlace {
                    circuit,
                    ln: trio(Measurand::VoltageLn, Place::PHASES),
                    ll: trio(Measurand::VoltageLl, Place::LINES),
                    amperes: trio(Measurand::Current, Place::PHASES),
                    neutral: slot(meter, Quantity::whole(Measurand::NeutralCurrent)),
                    second_order: Place::PHASES
                        .map(|place| slot(meter, Quantity::numbered(Measurand::CurrentHarmonic, place, 2))),
                    breaker: slot(meter, Quantity::whole(Measurand::BreakerClosed)),
                    every: meter.every,
                })
            })
            .collect();
        // The grid waits for each meter that is listened to, also where another gives its values to the grid.
        for (local, place) in places.iter().enumerate() {
            let channels =
                place.iter().flat_map(|place| place.ln.iter().chain(&place.ll).chain(&place.amperes));
            if let Some(slot) = channels.flatten().next() {
                self.input((local, *slot));
            }
        }
        DiagnosisPlan {
            scope: transformer.name.clone(),
            transformer: transformer.name.clone(),
            meters: places,
            load: 0,
            source: circuits.iter().position(|circuit| circuit.side == Some(SideOf::Primary)),
            meter_first,
            unit: self.unit(),
            in_parallel: false,
            circuits,
        }
    }

    fn target(&self, meter: &MeterPlan) -> Option<Target> {
        self.plant.meters.get(meter.id.0 as usize).map(|meter| meter.measures)
    }

    /// Where a quantity of a target comes from: the first of its meters that has it, else what is made across meters.
    fn spot(&mut self, target: Target, quantity: Quantity) -> Option<Spot> {
        let of_target = |meter: &MeterPlan| self.target(meter) == Some(target);
        let mut meters = self.meters.iter().enumerate().filter(|(_, meter)| of_target(meter));
        if let Some(input) = meters.find_map(|(local, meter)| Some((local, slot(meter, quantity)?))) {
            return Some(Spot::Column(self.input(input)));
        }
        let first = self.meters.iter().position(of_target);
        self.made_of(first, target, quantity).map(Spot::Made)
    }

    fn made_of(&self, first: Option<usize>, target: Target, quantity: Quantity) -> Option<usize> {
        match target {
            Target::Transformer(..) => self.made_place(None, quantity),
            Target::Feeder(_) => self.made_place(Some(first?), quantity),
        }
    }

    fn spots(&mut self, target: Target, what: Measurand, places: [Place; 3]) -> Trio {
        places.map(|place| self.spot(target, Quantity::at(what, place)))
    }

    fn circuit(&mut self, target: Target) -> Option<CircuitPlan> {
        let plant = self.plant;
        let (form, volts) = plant.wiring(target)?;
        let of_target = |meter: &&MeterPlan| self.target(meter) == Some(target);
        let meters: Vec<&MeterPlan> = self.meters.iter().filter(of_target).collect();
        let rating = meters
            .first()
            .and_then(|meter| plant.meters.get(meter.id.0 as usize))
            .map(|meter| rating(plant, meter));
        let every = meters.iter().map(|meter| meter.every).max().unwrap_or(Span::ZERO);
        let (side, feeder, direct) = match target {
            Target::Transformer(_, side) => (Some(side), None, true),
            Target::Feeder(index) => {
                let feeder = &plant.feeders[index];
                let direct = feeder
                    .supplies
                    .first()
                    .is_none_or(|normal| normal.from == SupplyFrom::Transformer(self.transformer));
                (None, Some(feeder.name.clone()), direct)
            }
        };
        let own_rating = match target {
            Target::Transformer(index, side) => plant.transformers[index].rated_a(side),
            Target::Feeder(index) => plant.feeders[index].rated_a,
        };
        let whole = Quantity::whole;
        let phases = Place::PHASES;
        Some(CircuitPlan {
            side,
            feeder,
            form,
            volts,
            rated_a: own_rating,
            neutral_a: rating.as_ref().and_then(|rating| rating.neutral_a),
            serves_motors: rating.as_ref().is_some_and(|rating| rating.serves_motors),
            three_phase_only: self.three_phase_only(target),
            behind_delta_wye: self.behind_delta_wye(side, form),
            impedance: side.and_then(|_| self.impedance()),
            direct,
            every,
            ln: self.spots(target, Measurand::VoltageLn, phases),
            ll: self.spots(target, Measurand::VoltageLl, Place::LINES),
            amperes: self.spots(target, Measurand::Current, phases),
            neutral: self.spot(target, whole(Measurand::NeutralCurrent)),
            neutral_expected: self.spot(target, whole(Measurand::NeutralExpected)),
            neutral_unexplained: self.spot(target, whole(Measurand::NeutralUnexplained)),
            watts: self.spots(target, Measurand::Power, phases),
            watts_total: self.spot(target, whole(Measurand::Power)),
            vars: self.spots(target, Measurand::ReactivePower, phases),
            vars_total: self.spot(target, whole(Measurand::ReactivePower)),
            volt_degrees: self.spots(target, Measurand::VoltageAngle, phases),
            ampere_degrees: self.spots(target, Measurand::CurrentAngle, phases),
            volt_thd: self.spots(target, Measurand::VoltageThd, phases),
            current_thd: self.spots(target, Measurand::CurrentThd, phases),
            orders: ORDERS.map(|order| self.order(target, Measurand::CurrentHarmonic, order)),
            orders_a: ORDERS.map(|order| self.order(target, Measurand::CurrentHarmonicAmperes, order)),
            triplen: self.spots(target, Measurand::TriplenCurrent, phases),
            even: self.spots(target, Measurand::EvenCurrent, phases),
            volt_unbalance: self.spot(target, whole(Measurand::VoltageUnbalance)),
            current_unbalance: self.spot(target, whole(Measurand::CurrentUnbalance)),
            u2: self.spot(target, whole(Measurand::VoltageNegativeSequence)),
            u0: self.spot(target, whole(Measurand::VoltageZeroSequence)),
            contact_heat: PARTS.map(|place| self.spot(target, Quantity::at(Measurand::ContactHeat, place))),
            terminations: self.sets(target),
        })
    }

    /// Whether every circuit of a feeder that is known is marked so.
    fn three_phase_only(&self, target: Target) -> bool {
        let Target::Feeder(index) = target else { return false };
        let mut circuits = self.plant.circuits.iter().filter(|circuit| circuit.feeder == index).peekable();
        circuits.peek().is_some() && circuits.all(|circuit| circuit.marks.contains(&Mark::ThreePhaseOnly))
    }

    /// Whether it is a wye that a delta on the source side feeds.
    fn behind_delta_wye(&self, side: Option<SideOf>, form: WiringForm) -> bool {
        let primary = self.plant.transformers[self.transformer].primary.form;
        let delta = matches!(primary, WiringForm::Delta | WiringForm::CornerGroundedDelta { .. });
        side != Some(SideOf::Primary) && form == WiringForm::Wye && delta
    }

    /// The transformer's impedance, per unit.
    fn impedance(&self) -> Option<f64> {
        self.plant.transformers[self.transformer].impedance_percent.map(|percent| percent / 100.0)
    }

    fn order(&mut self, target: Target, what: Measurand, order: u8) -> Trio {
        Place::PHASES.map(|place| self.spot(target, Quantity::numbered(what, place, order)))
    }

    fn sets(&mut self, target: Target) -> Vec<TerminationSet> {
        let numbers = Measurand::Termination.facts().numbers.range();
        let set = |number| {
            let mut part = |what, place| self.spot(target, Quantity::numbered(what, place, number));
            TerminationSet {
                number,
                temperature: PARTS.map(|place| part(Measurand::Termination, place)),
                excess: PARTS.map(|place| part(Measurand::TerminationExcess, place)),
            }
        };
        let known = |set: &TerminationSet| set.temperature.iter().any(Option::is_some);
        numbers.map(set).filter(known).collect()
    }

    fn unit(&mut self) -> UnitPlan {
        let transformer = &self.plant.transformers[self.transformer];
        let load = Target::Transformer(self.transformer, SideOf::Secondary);
        let source = Target::Transformer(self.transformer, SideOf::Primary);
        let whole = Quantity::whole;
        let mut either = |quantity| self.spot(load, quantity).or_else(|| self.spot(source, quantity));
        let mut trio = |what| Place::PHASES.map(|place| either(Quantity::at(what, place)));
        let winding = trio(Measurand::Winding);
        let winding_expected = trio(Measurand::WindingExpected);
        let winding_residual = trio(Measurand::WindingResidual);
        let second_order = trio(Measurand::SecondOrder);
        let mut tones = |what| TONES.map(|tone| either(Quantity::numbered(what, Place::Whole, tone)));
        let sound_tones = tones(Measurand::SoundToneExcess);
        let vibration_tones = tones(Measurand::VibrationToneExcess);
        let air = self.air().first().copied();
        let ambient = air.map(|input| Spot::Column(self.input(input)));
        let enclosure = self.first_of(Measurand::Enclosure).first().copied();
        let core = self.first_of(Measurand::Core).first().copied();
        let fans = self.first_of(Measurand::FanRunning);
        let mut either = |what| {
            let quantity = whole(what);
            self.spot(load, quantity).or_else(|| self.spot(source, quantity))
        };
        UnitPlan {
            kva: transformer.kva,
            phases: transformer.phases,
            rated_rise_k: transformer.rated_rise_k,
            insulation_class_c: transformer.insulation_class_c.map(f64::from),
            cooling: Some(transformer.cooling),
            fan_gain: super::heat::fan_gain(transformer).unwrap_or(1.0),
            impedance_percent: transformer.impedance_percent,
            x_over_r: transformer.x_over_r,
            open_bank: transformer.is_open_bank(),
            winding,
            winding_expected,
            winding_residual,
            top_oil: either(Measurand::TopOil),
            top_oil_expected: either(Measurand::TopOilExpected),
            top_oil_residual: either(Measurand::TopOilResidual),
            hot_spot: either(Measurand::HotSpot),
            ambient,
            enclosure,
            core,
            fan_shortfall: either(Measurand::FanShortfall),
            fans,
            load_time_left: either(Measurand::LoadTimeLeft),
            permissible_load: either(Measurand::PermissibleLoad),
            spectrum_loading: either(Measurand::SpectrumLoading),
            loading_kva: either(Measurand::LoadingKva),
            loading_phase: either(Measurand::LoadingPhase),
            tap_volts: either(Measurand::TapVoltage),
            excitation: either(Measurand::Excitation),
            second_order,
            sound_level: either(Measurand::SoundLevel),
            sound_tones,
            vibration_tones,
        }
    }

    /// What the transformer's own sensors measure, of each number.
    fn first_of(&mut self, what: Measurand) -> Vec<Spot> {
        let of_meter = |(local, meter): (usize, &MeterPlan)| -> Vec<(usize, usize)> {
            let series = meter.series.iter().enumerate().filter(|(_, quantity)| quantity.what == what);
            series.map(|(index, _)| (local, meter.first_slot + index)).collect()
        };
        let found: Vec<(usize, usize)> = self.own_meters().flat_map(of_meter).collect();
        found.into_iter().map(|input| Spot::Column(self.input(input))).collect()
    }
}
