//! What several meters together allow: which of their values the grid takes, and what is made of them there.

use super::formulas;
use super::reason::Why;
use super::{GridPlan, MeterPlan};
use crate::diagnosis::DiagnosisPlan;
use crate::formula::Formula;
use crate::measurand::{Kind, Measurand, Quantity};
use crate::phases::Place;
use crate::plant::{Plant, SideOf, Target};
use crate::study::{DemandCurrentPlan, DemandPhase, StudyPlan};

/// Inputs of the grid while it is planned. Everything is planned twice: first it is learned what is wanted, then each
/// input has its column, those of one meter side by side.
#[derive(Debug, Default)]
struct Inputs {
    wanted: Vec<(usize, usize)>,
    sorted: bool,
}

impl Inputs {
    /// The column of an input, a meter (local) and the slot of the row. While it is learned what is wanted, any.
    fn column(&mut self, input: (usize, usize)) -> usize {
        match self.wanted.iter().position(|known| *known == input) {
            Some(column) if self.sorted => column,
            Some(_) => 0,
            None => {
                self.wanted.push(input);
                0
            }
        }
    }

    fn sort(&mut self) {
        self.wanted.sort_unstable();
        self.sorted = true;
    }
}

/// What is computed across the meters of one transformer, as it is being planned.
pub(super) struct Draft<'a> {
    pub(super) plant: &'a Plant,
    pub(super) transformer: usize,
    pub(super) meters: &'a [MeterPlan],
    inputs: Inputs,
    formulas: Vec<Formula>,
    /// Of each meter made here: the transformer's first, then those of feeders, by their meter (local).
    made: Vec<(Option<usize>, Vec<Quantity>)>,
    /// How many series the first two of a plan's passes found in each, so that those of one lie side by side.
    known: Vec<usize>,
    /// What can't be told, and why.
    pub(super) notes: Vec<(Quantity, Why)>,
}

/// What is computed across the meters of one transformer.
pub(super) struct Across {
    pub(super) grid: GridPlan,
    pub(super) formulas: Vec<Formula>,
    /// The series of each meter made here, and the meter (local) whose feeder it is of.
    pub(super) made: Vec<(Option<usize>, Vec<Quantity>)>,
    /// What can't be told, and why.
    pub(super) notes: Vec<(Quantity, Why)>,
}

/// Plans what the meters of a transformer allow together; `None`: nothing.
pub(super) fn across_meters(plant: &Plant, transformer: usize, meters: &[MeterPlan]) -> Option<Across> {
    let mut draft = Draft {
        plant,
        transformer,
        meters,
        inputs: Inputs::default(),
        formulas: Vec::new(),
        made: Vec::new(),
        known: Vec::new(),
        notes: Vec::new(),
    };
    draft.all();
    draft.inputs.sort();
    draft.known = draft.made.iter().map(|(_, series)| series.len()).collect();
    let (study, diagnosis) = draft.all();
    let Draft { inputs: Inputs { wanted, .. }, formulas, mut made, notes, .. } = draft;
    if wanted.is_empty() {
        return None;
    }
    if made.iter().all(|(_, series)| series.is_empty()) {
        made.clear();
    }
    let first = |local: usize| wanted.partition_point(|(meter, _)| *meter < local);
    let columns: Box<[_]> = (0..meters.len()).map(|local| first(local)..first(local + 1)).collect();
    let made_meters = meters.len()..meters.len() + made.len();
    let is_angle = |&(local, slot): &(usize, usize)| {
        let meter: &MeterPlan = &meters[local];
        meter.series[slot - meter.first_slot].what.kind() == Kind::Angle
    };
    let (angles, inputs) = (wanted.iter().map(is_angle).collect(), wanted.into_boxed_slice());
    let grid = GridPlan { inputs, angles, columns, meters: made_meters, study, diagnosis };
    Some(Across { grid, formulas, made, notes })
}

impl Draft<'_> {
    fn all(&mut self) -> (StudyPlan, DiagnosisPlan) {
        self.formulas.clear();
        self.made.clear();
        self.made.push((None, Vec::new()));
        self.notes.clear();
        // Those of the formulas come first, one each.
        formulas::across_meters(self);
        let study = StudyPlan {
            heat: self.heat(),
            demand_current: self.demand_current(),
            terminations: self.terminations().into_boxed_slice(),
            ways: self.ways().into_boxed_slice(),
            hum: self.hum(),
        };
        let diagnosis = self.diagnosis();
        (study, diagnosis)
    }

    /// The first meter (local) of a meter's feeder, which gives the name; `None`: it is the transformer's own.
    fn first_of_feeder(&self, local: usize) -> Option<usize> {
        let feeder = self.meters[local].feeder.as_ref()?;
        self.meters.iter().position(|meter| meter.feeder.as_ref() == Some(feeder))
    }

    /// Whether the meter made here for what a meter (local) sits on has this already.
    pub(super) fn has_made(&self, local: usize, quantity: Quantity) -> bool {
        let of = self.first_of_feeder(local);
        self.made.iter().any(|(known, series)| *known == of && series.contains(&quantity))
    }

    /// The place of what is made already in the rows of all meters made here: of the transformer, or of the feeder of a meter
    /// (local).
    pub(super) fn made_place(&self, local: Option<usize>, quantity: Quantity) -> Option<usize> {
        let of = match local {
            None => None,
            Some(local) => Some(self.first_of_feeder(local)?),
        };
        let number = self.made.iter().position(|(known, _)| *known == of)?;
        let index = self.made[number].1.iter().position(|known| *known == quantity)?;
        Some(self.known.iter().take(number).sum::<usize>() + index)
    }

    /// A series that a model writes, of the meter made here for what a meter (local) sits on; its place in the rows of all
    /// meters made here.
    pub(super) fn made(&mut self, local: usize, quantity: Quantity) -> usize {
        self.add(self.first_of_feeder(local), quantity)
    }

    fn add(&mut self, of: Option<usize>, quantity: Quantity) -> usize {
        let number = self.made.iter().position(|(known, _)| *known == of).unwrap_or_else(|| {
            self.made.push((of, Vec::new()));
            self.made.len() - 1
        });
        self.made[number].1.push(quantity);
        let before: usize = self.known.iter().take(number).sum();
        before + self.made[number].1.len() - 1
    }

    /// The meters of the transformer itself, without those of its feeders, with their number (local).
    pub(super) fn own_meters(&self) -> impl Iterator<Item = (usize, &MeterPlan)> {
        self.meters.iter().enumerate().filter(|(_, meter)| meter.feeder.is_none())
    }

    /// The sensors in the air around the transformer: those of the first of all meters that has any.
    pub(super) fn air(&self) -> Vec<(usize, usize)> {
        let of_meter = |(local, meter): (usize, &MeterPlan)| -> Vec<(usize, usize)> {
            formulas::ambients(&meter.series).map(|index| (local, meter.first_slot + index)).collect()
        };
        let all = self.meters.iter().enumerate().map(of_meter);
        all.into_iter().find(|air| !air.is_empty()).unwrap_or_default()
    }

    /// The column of an input: a meter (local) and the slot of the row.
    pub(super) fn input(&mut self, input: (usize, usize)) -> usize {
        self.inputs.column(input)
    }

    /// Whether this is computed here already.
    pub(super) fn has(&self, quantity: Quantity) -> bool {
        self.made[0].1.contains(&quantity)
    }

    /// A series that a formula over the columns gives.
    pub(super) fn formula(&mut self, quantity: Quantity, formula: Formula) {
        self.formulas.push(formula);
        self.series(quantity);
    }

    /// A series that a model writes; its place in the row of the grid's meter.
    pub(super) fn series(&mut self, quantity: Quantity) -> usize {
        self.add(None, quantity)
    }

    /// The meter (local) of one side that gives the most phase currents, and their slots.
    pub(super) fn currents(&self, side: SideOf) -> Option<(usize, Vec<(Place, usize)>)> {
        let of_side = |meter: &MeterPlan| {
            let measures = self.plant.meters.get(meter.id.0 as usize).map(|meter| meter.measures);
            measures == Some(Target::Transformer(self.transformer, side))
        };
        let given = |meter: &MeterPlan| -> Vec<(Place, usize)> {
            let places = Place::PHASES.into_iter();
            places
                .filter_map(|place| Some((place, slot(meter, Quantity::at(Measurand::Current, place))?)))
                .collect()
        };
        let meters = self.own_meters().filter(|(_, meter)| of_side(meter));
        // Of equals the first, as the owner lists them.
        let all = meters.map(|(local, meter)| (local, given(meter))).filter(|(_, slots)| !slots.is_empty());
        all.reduce(|best, other| if other.1.len() > best.1.len() { other } else { best })
    }

    /// The demand current of the load side, where a meter gives its harmonics, and the total demand distortion of each phase.
    fn demand_current(&mut self) -> Option<DemandCurrentPlan> {
        let transformer = &self.plant.transformers[self.transformer];
        let rated_a = transformer.rated_a(SideOf::Secondary).filter(|rated| *rated > 0.0)?;
        let inputs = |meter: &MeterPlan, place: Place| {
            let at = |what| slot(meter, Quantity::at(what, place));
            Some((place, at(Measurand::Current)?, at(Measurand::DistortionCurrent)?))
        };
        let measures = Target::Transformer(self.transformer, SideOf::Secondary);
        let (local, found) = self.own_meters().find_map(|(local, meter)| {
            let of = self.plant.meters.get(meter.id.0 as usize).filter(|of| of.measures == measures);
            let places = Place::PHASES.into_iter().filter_map(|place| inputs(meter, place));
            let found: Vec<_> = of.map(|_| places.collect()).unwrap_or_default();
            let power = slot(meter, Quantity::whole(Measurand::Power));
            (!found.is_empty()).then_some((local, (found, power)))
        })?;
        let (found, power) = found;
        let power = power.map(|power| self.input((local, power)));
        let phases = found.into_iter().map(|(place, current, harmonics)| DemandPhase {
            current: self.input((local, current)),
            harmonics: self.input((local, harmonics)),
            tdd: self.series(Quantity::at(Measurand::CurrentTdd, place)),
        });
        let phases = phases.collect();
        let demand = self.series(Quantity::whole(Measurand::TddDemand));
        let known = self.series(Quantity::whole(Measurand::TddDemandKnown));
        Some(DemandCurrentPlan { phases, power, rated_a, demand, known })
    }
}

/// The slot of a meter's series.
pub(super) fn slot(meter: &MeterPlan, quantity: Quantity) -> Option<usize> {
    meter.series.iter().position(|known| *known == quantity).map(|index| meter.first_slot + index)
}
