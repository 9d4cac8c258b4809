//! Collects the plan of one scope: its meters, alarms and the subjects of its alerts.

use super::limits::{self, Whose};
use super::study::{Across, across_meters};
use super::{
    AlarmIx, AlarmPlan, FedPlan, GRID_STEP, GridPlan, MeterPlan, NotJudged, RecordingPlan, ScopePlan,
    SubjectIx, SubjectPlan, demand, formulas,
};
use crate::alarm::work::Work;
use crate::defaults::Rating;
use crate::input::MeterTrouble;
use crate::measurand::{Measurand, Quantity, Source};
use crate::output::{Matter, Rule, Subject};
use crate::plant::{Around, Meter, PlannedWork, Plant, Priority, SideOf, StampedBy, SupplyFrom, Target};
use crate::reading::MeterId;
use crate::time::Span;

/// Collects one scope.
pub(super) struct ScopeBuilder {
    name: String,
    pub(super) transformer: Option<String>,
    pub(super) meters: Vec<MeterPlan>,
    pub(super) slots: usize,
    grid: Option<GridPlan>,
    alarms: Vec<AlarmPlan>,
    subjects: Vec<SubjectPlan>,
    pub(super) fed: Vec<FedPlan>,
    pub(super) things: Vec<SupplyFrom>,
    flood: Option<AlarmIx>,
    below: Vec<(String, Box<[String]>)>,
    works: Vec<Work>,
    /// What each meter measures; nothing for one made here.
    targets: Vec<Option<Target>>,
}

impl ScopeBuilder {
    pub(super) fn new(name: String, transformer: Option<String>) -> Self {
        Self {
            name,
            transformer,
            meters: Vec::new(),
            slots: 0,
            grid: None,
            alarms: Vec::new(),
            subjects: Vec::new(),
            fed: Vec::new(),
            things: Vec::new(),
            flood: None,
            below: Vec::new(),
            works: Vec::new(),
            targets: Vec::new(),
        }
    }

    pub(super) fn finish(mut self, around: Around) -> ScopePlan {
        let targets = self.targets;
        for (local, meter) in self.meters.iter_mut().enumerate() {
            let same = |other: &usize| *other != local && targets[*other] == targets[local];
            meter.beside = (0..targets.len()).filter(same).filter(|_| targets[local].is_some()).collect();
        }
        // Findings are not recorded, so a grid without meters of its own keeps no recording waiting.
        let judged = self.grid.iter().filter(|grid| !grid.meters.is_empty());
        let across = judged.flat_map(|grid| &grid.inputs).map(|(local, _)| *local);
        ScopePlan {
            recording: RecordingPlan::new(around, &self.meters, across),
            name: self.name,
            transformer: self.transformer,
            meters: self.meters.into_boxed_slice(),
            slots: self.slots,
            grid: self.grid,
            parts: Box::default(),
            flags: Box::default(),
            fed: self.fed.into_boxed_slice(),
            things: self.things.into_boxed_slice(),
            flood: self.flood,
            below: self.below.into_boxed_slice(),
            works: self.works.into_boxed_slice(),
            alarms: self.alarms.into_boxed_slice(),
            subjects: self.subjects.into_boxed_slice(),
        }
    }

    /// What is told together: floods of alarms, planned work on the transformer and its feeders.
    pub(super) fn watch_together(&mut self, plant: &Plant, transformer: usize) {
        let key = "flood".to_owned();
        let subject = Subject {
            transformer: self.transformer.clone(),
            feeder: None,
            meter: None,
            matter: Matter::Flood,
        };
        let subject = self.subject(key.clone(), subject);
        self.flood = Some(self.alarm(&key, subject, Rule::Flood, Priority::High, false));
        let own = |index: &usize| plant.feeders[*index].fed_by == transformer;
        let below = (0..plant.feeders.len()).filter(own).map(|above| {
            let through = (0..plant.feeders.len()).filter(own).filter(|below| is_below(plant, *below, above));
            let names = through.map(|below| plant.feeders[below].name.clone());
            (plant.feeders[above].name.clone(), names.collect())
        });
        self.below = below.collect();
        let works = plant.works.iter().filter_map(|planned| {
            let on = match planned.on {
                SupplyFrom::Transformer(index) if index == transformer => None,
                SupplyFrom::Feeder(index) if own(&index) => Some(plant.feeders[index].name.clone()),
                _ => return None,
            };
            let PlannedWork { from, until, by, why, .. } = planned.clone();
            Some(Work { on, from, until, by, why })
        });
        self.works = works.collect();
    }

    pub(super) fn subject(&mut self, key: String, subject: Subject) -> SubjectIx {
        if let Some(found) = self.subjects.iter().position(|known| known.key == key) {
            return found;
        }
        self.subjects.push(SubjectPlan { key, subject, alarms: Vec::new() });
        self.subjects.len() - 1
    }

    pub(super) fn alarm(
        &mut self,
        subject_key: &str,
        subject: SubjectIx,
        rule: Rule,
        priority: Priority,
        latch: bool,
    ) -> AlarmIx {
        let key = format!("{subject_key}/{}", rule.key());
        self.alarms.push(AlarmPlan { key, subject, rule, priority, latch, over: None });
        let index = self.alarms.len() - 1;
        self.subjects[subject].alarms.push(index);
        index
    }

    /// The alarm judges means over so long.
    pub(super) fn judges_means(&mut self, alarm: AlarmIx, over: Option<Span>) {
        self.alarms[alarm].over = over;
    }

    /// What an alert about one quantity of a meter is about, with its key.
    pub(super) fn quantity_subject(&mut self, meter: &MeterPlan, quantity: Quantity) -> (String, SubjectIx) {
        let key = format!("{}/{quantity}", meter.name);
        let subject = Subject {
            transformer: self.transformer.clone(),
            feeder: meter.feeder.clone(),
            meter: Some(meter.name.clone()),
            matter: Matter::Quantity(quantity),
        };
        let subject = self.subject(key.clone(), subject);
        (key, subject)
    }

    /// What an alert about how fast a quantity rises is about, with its key.
    pub(super) fn rate_subject(&mut self, meter: &MeterPlan, quantity: Quantity) -> (String, SubjectIx) {
        let key = format!("{}/{quantity} rate", meter.name);
        let subject = Subject {
            transformer: self.transformer.clone(),
            feeder: meter.feeder.clone(),
            meter: Some(meter.name.clone()),
            matter: Matter::Rate(quantity),
        };
        let subject = self.subject(key.clone(), subject);
        (key, subject)
    }

    pub(super) fn add_meter(&mut self, plant: &Plant, number: usize, not_judged: &mut Vec<NotJudged>) {
        let meter = &plant.meters[number];
        let rating = limits::rating(plant, meter);
        let computed = formulas::of_meter(&meter.points, self.slots, &rating);
        let lively: Vec<usize> = meter
            .points
            .iter()
            .enumerate()
            .filter(|(_, point)| point.what.facts().source == Source::Lively)
            .map(|(index, _)| index)
            .collect();
        let computed_quantities = computed.iter().map(|(quantity, _)| *quantity);
        let mut series: Vec<Quantity> = meter.points.iter().copied().chain(computed_quantities).collect();
        let metered = formulas::metered(meter, series.len(), &rating);
        series.extend(metered.map(|_| Quantity::whole(Measurand::MeteredPower)));
        let demand = demand::of_meter(meter, &mut series, &rating);
        let mut compiled = MeterPlan {
            id: MeterId(number as u32),
            name: meter.name.clone(),
            feeder: match meter.measures {
                Target::Feeder(index) => Some(plant.feeders[index].name.clone()),
                Target::Transformer(..) => None,
            },
            every: meter.every,
            wait: meter.wait,
            stamped_by: meter.stamped_by,
            points: meter.points.len(),
            series: series.into_boxed_slice(),
            first_slot: self.slots,
            formulas: computed.into_iter().map(|(_, formula)| formula).collect(),
            own_ratios: formulas::own_ratios(&meter.points, self.slots, &rating),
            fitting: None,
            metered,
            demand,
            volts: volts(&meter.points, &rating),
            thing: 0,
            volts_by: None,
            of_total: meter.of_total.clone().into_boxed_slice(),
            rolls_over_at: meter.rolls_over_at.clone().into_boxed_slice(),
            windows: Box::default(),
            rolling: Box::default(),
            limits: Box::default(),
            silent: Box::default(),
            frozen: None,
            beside: Box::default(),
            troubles: Box::default(),
            lively: lively.into_boxed_slice(),
            absent_after: meter.silent_after,
            absent: Box::default(),
        };
        self.slots += compiled.series.len();
        self.watch_meter_itself(&mut compiled, meter);
        self.watch_points(&mut compiled);
        self.watch_fitting(&mut compiled, meter, &rating);
        let whose = Whose { meter: Some(number), measures: meter.measures };
        self.add_limits(plant, whose, &mut compiled, &rating, not_judged);
        self.targets.push(Some(meter.measures));
        self.meters.push(compiled);
    }

    fn watch_meter_itself(&mut self, compiled: &mut MeterPlan, meter: &Meter) {
        let subject = Subject {
            transformer: self.transformer.clone(),
            feeder: compiled.feeder.clone(),
            meter: Some(meter.name.clone()),
            matter: Matter::Meter,
        };
        let key = meter.name.clone();
        let subject = self.subject(key.clone(), subject);
        // Journal, low and high at 1, 7.5 and 60 times the first step: 2 min, 15 min and 2 h by default (common practice).
        let steps = [(2, Priority::Journal), (15, Priority::Low), (120, Priority::High)];
        compiled.silent = steps
            .into_iter()
            .zip(1u8..)
            .map(|((halves, priority), level)| {
                let after = Span(meter.silent_after.0.saturating_mul(halves) / 2);
                (after, self.alarm(&key, subject, Rule::Silent { level }, priority, false))
            })
            .collect();
        if let (Some(after), false) = (meter.frozen_after, compiled.lively.is_empty()) {
            compiled.frozen = Some((after, self.alarm(&key, subject, Rule::Frozen, Priority::Low, false)));
        }
        // Low: what makes the meter blind makes it silent too, and that alarm rises by itself (common practice).
        let trouble =
            |trouble| (trouble, self.alarm(&key, subject, Rule::Trouble(trouble), Priority::Low, false));
        compiled.troubles = MeterTrouble::ALL.into_iter().map(trouble).collect();
    }

    /// Each point that a live meter always gives has an alarm for its absence.
    fn watch_points(&mut self, compiled: &mut MeterPlan) {
        let mut absent = Vec::new();
        for point in (0..compiled.points).filter(|point| is_always_given(compiled.series[*point])) {
            let (key, subject) = self.quantity_subject(compiled, compiled.series[point]);
            absent.push((point, self.alarm(&key, subject, Rule::Absent, Priority::Low, false)));
        }
        compiled.absent = absent.into_boxed_slice();
    }

    /// Adds the meters that take what is computed across meters; says how many.
    pub(super) fn add_grid(
        &mut self,
        plant: &Plant,
        transformer: usize,
        id: usize,
        not_judged: &mut Vec<NotJudged>,
    ) -> usize {
        let Some(Across { grid, mut formulas, made, notes }) =
            across_meters(plant, transformer, &self.meters)
        else {
            return 0;
        };
        let told = notes.into_iter().map(|(quantity, reason)| NotJudged {
            meter: format!("{} across meters", self.name),
            quantity,
            reason: reason.into(),
        });
        not_judged.extend(told);
        let count = made.len();
        let themselves = |(local, _): &(usize, usize)| self.meters[*local].stamped_by == StampedBy::Meter;
        let stamped_by =
            if grid.inputs.iter().all(themselves) { StampedBy::Meter } else { StampedBy::Receipt };
        for (number, (of, series)) in made.into_iter().enumerate() {
            let of = of.map(|local| &self.meters[local]);
            let name = match of {
                None => format!("{} across meters", self.name),
                Some(meter) => format!("{} to {} across meters", self.name, meter.name),
            };
            let plant_meter = of.and_then(|meter| plant.meters.get(meter.id.0 as usize));
            let (measures, rating) = match plant_meter {
                Some(meter) => (meter.measures, limits::rating(plant, meter)),
                None => (
                    Target::Transformer(transformer, SideOf::Secondary),
                    limits::rating_of_transformer(plant, transformer),
                ),
            };
            let mut compiled = MeterPlan {
                id: MeterId((id + number) as u32),
                name,
                feeder: of.and_then(|meter| meter.feeder.clone()),
                every: GRID_STEP,
                wait: Span::ZERO,
                stamped_by,
                points: 0,
                series: series.into_boxed_slice(),
                first_slot: self.slots,
                // Those of the formulas are all the transformer's.
                formulas: std::mem::take(&mut formulas).into_boxed_slice(),
                own_ratios: None,
                fitting: None,
                metered: None,
                demand: None,
                volts: Box::default(),
                thing: 0,
                volts_by: None,
                of_total: Box::default(),
                rolls_over_at: Box::default(),
                windows: Box::default(),
                rolling: Box::default(),
                limits: Box::default(),
                silent: Box::default(),
                frozen: None,
                beside: Box::default(),
                troubles: Box::default(),
                lively: Box::default(),
                absent_after: Span::ZERO,
                absent: Box::default(),
            };
            self.slots += compiled.series.len();
            let whose = Whose { meter: None, measures };
            self.add_limits(plant, whose, &mut compiled, &rating, not_judged);
            self.targets.push(None);
            self.meters.push(compiled);
        }
        self.grid = Some(grid);
        count
    }
}

/// Whether a feeder is normally fed through another.
fn is_below(plant: &Plant, feeder: usize, above: usize) -> bool {
    let mut at = feeder;
    // No chain is longer than there are feeders; a ring is refused by the configuration.
    for _ in 0..plant.feeders.len() {
        match plant.feeders.get(at).and_then(|feeder| feeder.supplies.first()).map(|supply| supply.from) {
            Some(SupplyFrom::Feeder(next)) if next == above => return true,
            Some(SupplyFrom::Feeder(next)) => at = next,
            _ => return false,
        }
    }
    false
}

/// A meter's volts, each with what is nominal for it.
fn volts(points: &[Quantity], rating: &Rating) -> Box<[(usize, f64)]> {
    let nominal = |quantity: &Quantity| match quantity.what {
        Measurand::VoltageLn | Measurand::VoltageLl => {
            rating.wiring.and_then(|(form, volts)| form.nominal_volts(volts, *quantity))
        }
        _ => None,
    };
    let all = points.iter().enumerate().filter_map(|(index, quantity)| Some((index, nominal(quantity)?)));
    all.filter(|(_, nominal)| *nominal > 0.0).collect()
}

/// Whether a live meter gives it at any load.
fn is_always_given(quantity: Quantity) -> bool {
    quantity.what.facts().source != Source::Sometimes
}
