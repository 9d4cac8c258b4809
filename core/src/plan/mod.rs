//! The plant compiled once: names to slots. All look-ups by name happen here and nowhere else.

mod formulas;
mod limits;

use crate::formula::Formula;
use crate::input::Part;
use crate::measurand::{Quantity, Source};
use crate::output::{Matter, Rule, Subject};
use crate::plant::{AppliesTo, Bound, Meter, Plant, Priority, SideOf, StampedBy, Target};
use crate::reading::MeterId;
use crate::time::Span;
use limits::Whose;

/// Index of an alarm within its scope.
pub type AlarmIx = usize;
/// Index of a subject (what one alert is about) within its scope.
pub type SubjectIx = usize;

/// Judgement across meters runs on a grid of this step.
pub const GRID_STEP: Span = Span::seconds(10);

/// The compiled plant.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Name of the site.
    pub site: String,
    /// By [`MeterId`]: where each meter's place is. Meters made here (across meters) come last.
    pub meters: Box<[MeterRef]>,
    /// One per transformer, and a last one for the program itself.
    pub scopes: Box<[ScopePlan]>,
    /// What can't be judged and why, for `check`.
    pub not_judged: Vec<NotJudged>,
}

/// Where a meter's place is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MeterRef {
    /// Which scope.
    pub scope: usize,
    /// Which meter of that scope.
    pub local: usize,
}

/// Something that can't be judged, with the reason.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotJudged {
    /// Which meter.
    pub meter: String,
    /// Which quantity.
    pub quantity: Quantity,
    /// Why, and what would mend it.
    pub reason: String,
}

/// One transformer with its feeders and sensors. Scopes share nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct ScopePlan {
    /// Its name in ids: the transformer's, or "site".
    pub name: String,
    /// The transformer; `None` for the program itself.
    pub transformer: Option<String>,
    /// Its meters.
    pub meters: Box<[MeterPlan]>,
    /// Length of the row of values.
    pub slots: usize,
    /// Judgement across meters, if anything needs it.
    pub grid: Option<GridPlan>,
    /// Parts whose health is an alarm: part and alarm.
    pub parts: Box<[(Part, AlarmIx)]>,
    /// Its alarms.
    pub alarms: Box<[AlarmPlan]>,
    /// What its alerts are about.
    pub subjects: Box<[SubjectPlan]>,
}

/// A meter, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterPlan {
    /// Its id.
    pub id: MeterId,
    /// Its name.
    pub name: String,
    /// The feeder that it measures.
    pub feeder: Option<String>,
    /// How often it gives values.
    pub every: Span,
    /// How long its readings wait for their order.
    pub wait: Span,
    /// Whose clock stamps it.
    pub stamped_by: StampedBy,
    /// How many points a reading has.
    pub points: usize,
    /// What each column means: its points, then what is computed from them.
    pub series: Box<[Quantity]>,
    /// Slot of its first series in the row.
    pub first_slot: usize,
    /// One per computed series, in order.
    pub formulas: Box<[Formula]>,
    /// Rolling windows: series and length.
    pub windows: Box<[(usize, Span)]>,
    /// Its limits.
    pub limits: Box<[LimitPlan]>,
    /// Steps of silence; empty for a meter made here.
    pub silent: Box<[(Span, AlarmIx)]>,
    /// Frozen after so long, and its alarm.
    pub frozen: Option<(Span, AlarmIx)>,
    /// Points whose last digit always moves on a live meter.
    pub lively: Box<[usize]>,
}

/// A limit on one series, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitPlan {
    /// Which series of the meter.
    pub series: usize,
    /// Which way.
    pub bound: Bound,
    /// In the measurand's unit.
    pub deadband: f64,
    /// Before it clears.
    pub off_delay: Span,
    /// Judged only while this series is above this value.
    pub when: Option<(usize, f64)>,
    /// The ladder, mildest first.
    pub levels: Box<[LevelPlan]>,
    /// The rule for intermittent faults.
    pub recurs: Option<RecursPlan>,
    /// What its alert is about.
    pub subject: SubjectIx,
    /// Where its numbers come from.
    pub origin: String,
}

/// A level, compiled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelPlan {
    /// In the measurand's unit.
    pub setpoint: f64,
    /// Before it rises.
    pub on_delay: Span,
    /// Which window of the meter; `None`: each value.
    pub window: Option<usize>,
    /// Its alarm.
    pub alarm: AlarmIx,
}

/// A recurrence rule, compiled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecursPlan {
    /// How many.
    pub times: u32,
    /// Within.
    pub within: Span,
    /// Shorter ones don't count.
    pub shortest: Span,
    /// Its alarm.
    pub alarm: AlarmIx,
}

/// Judgement across meters.
#[derive(Debug, Clone, PartialEq)]
pub struct GridPlan {
    /// Values that it needs: the meter (local) and the slot of the row.
    pub inputs: Box<[(usize, usize)]>,
    /// The meter (local) that takes the results.
    pub meter: usize,
}

/// An alarm, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmPlan {
    /// Its key within the scope, by names.
    pub key: String,
    /// What its alert is about.
    pub subject: SubjectIx,
    /// By which rule it rises.
    pub rule: Rule,
    /// How soon a person must act.
    pub priority: Priority,
    /// Whether it stays until a named person releases it.
    pub latch: bool,
}

/// What one alert is about.
#[derive(Debug, Clone, PartialEq)]
pub struct SubjectPlan {
    /// Its key within the scope, by names.
    pub key: String,
    /// The facts for people.
    pub subject: Subject,
    /// Its alarms.
    pub alarms: Vec<AlarmIx>,
}

/// Why a plant can't be compiled. A plant from the configuration reader never gives one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Unfit {
    /// A feeder, meter or limit names a thing by an index that does not exist.
    NoSuchThing {
        /// Who names it.
        who: String,
    },
    /// A point that the measurand table does not allow, or the same point twice.
    BadPoint {
        /// Which meter.
        meter: String,
        /// Which point.
        point: Quantity,
    },
}

impl std::fmt::Display for Unfit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoSuchThing { who } => write!(f, "{who} names something that the plant does not have"),
            Self::BadPoint { meter, point } => {
                write!(f, "meter {meter} can't have the point {point}, or has it twice")
            }
        }
    }
}

impl std::error::Error for Unfit {}

impl Plan {
    /// Compiles a plant.
    ///
    /// # Errors
    /// [`Unfit`] when the plant contradicts itself.
    pub fn new(plant: &Plant) -> Result<Self, Unfit> {
        check(plant)?;
        let mut meters: Vec<MeterRef> =
            plant.meters.iter().map(|_| MeterRef { scope: usize::MAX, local: usize::MAX }).collect();
        let mut not_judged = Vec::new();
        let mut scopes = Vec::new();
        for (index, transformer) in plant.transformers.iter().enumerate() {
            let mut scope = ScopeBuilder::new(transformer.name.clone(), Some(transformer.name.clone()));
            for (number, meter) in plant.meters.iter().enumerate() {
                if transformer_of(plant, meter) == index {
                    meters[number] = MeterRef { scope: index, local: scope.meters.len() };
                    scope.add_meter(plant, number, &mut not_judged);
                }
            }
            if scope.add_grid(plant, index, meters.len(), &mut not_judged) {
                meters.push(MeterRef { scope: index, local: scope.meters.len() - 1 });
            }
            scopes.push(scope.finish());
        }
        scopes.push(site_scope(plant));
        Ok(Self {
            site: plant.site.clone(),
            meters: meters.into_boxed_slice(),
            scopes: scopes.into_boxed_slice(),
            not_judged,
        })
    }

    /// The meter with this id, if there is one.
    pub fn meter(&self, id: MeterId) -> Option<&MeterPlan> {
        let place = self.meters.get(id.0 as usize)?;
        self.scopes.get(place.scope)?.meters.get(place.local)
    }

    /// The id of the meter with this name.
    pub fn meter_by_name(&self, name: &str) -> Option<MeterId> {
        self.scopes
            .iter()
            .flat_map(|scope| &scope.meters)
            .find(|meter| meter.name == name)
            .map(|meter| meter.id)
    }
}

fn site_scope(plant: &Plant) -> ScopePlan {
    let mut scope = ScopeBuilder::new("site".to_owned(), None);
    let channels = plant.channels.iter().map(|name| Part::Channel(name.clone()));
    let parts: Vec<Part> = [Part::Broker, Part::Store].into_iter().chain(channels).collect();
    let compiled = parts.into_iter().map(|part| {
        let subject =
            Subject { transformer: None, feeder: None, meter: None, matter: Matter::Part(part.clone()) };
        let key = part.key();
        let subject = scope.subject(key.clone(), subject);
        (part, scope.alarm(&key, subject, Rule::Broken, Priority::High, false))
    });
    let parts: Vec<_> = compiled.collect();
    ScopePlan { parts: parts.into_boxed_slice(), ..scope.finish() }
}

fn check(plant: &Plant) -> Result<(), Unfit> {
    let no_such = |who: &str| Unfit::NoSuchThing { who: who.to_owned() };
    for feeder in &plant.feeders {
        plant.transformers.get(feeder.fed_by).ok_or_else(|| no_such(&feeder.name))?;
    }
    for meter in &plant.meters {
        match meter.measures {
            Target::Transformer(index, _) => plant.transformers.get(index).map(|_| ()),
            Target::Feeder(index) => plant.feeders.get(index).map(|_| ()),
        }
        .ok_or_else(|| no_such(&meter.name))?;
        for (number, point) in meter.points.iter().enumerate() {
            if !point.is_allowed() || point.what.is_computed() || meter.points[..number].contains(point) {
                return Err(Unfit::BadPoint { meter: meter.name.clone(), point: *point });
            }
        }
    }
    for limit in &plant.limits {
        match limit.of {
            AppliesTo::Everywhere => Some(()),
            AppliesTo::Transformer(index) => plant.transformers.get(index).map(|_| ()),
            AppliesTo::Feeder(index) => plant.feeders.get(index).map(|_| ()),
            AppliesTo::Meter(index) => plant.meters.get(index).map(|_| ()),
        }
        .ok_or_else(|| no_such(&format!("the limit on {}", limit.on.key())))?;
    }
    Ok(())
}

fn transformer_of(plant: &Plant, meter: &Meter) -> usize {
    match meter.measures {
        Target::Transformer(index, _) => index,
        Target::Feeder(index) => plant.feeders[index].fed_by,
    }
}

/// Collects one scope.
struct ScopeBuilder {
    name: String,
    transformer: Option<String>,
    meters: Vec<MeterPlan>,
    slots: usize,
    grid: Option<GridPlan>,
    alarms: Vec<AlarmPlan>,
    subjects: Vec<SubjectPlan>,
}

impl ScopeBuilder {
    fn new(name: String, transformer: Option<String>) -> Self {
        Self {
            name,
            transformer,
            meters: Vec::new(),
            slots: 0,
            grid: None,
            alarms: Vec::new(),
            subjects: Vec::new(),
        }
    }

    fn finish(self) -> ScopePlan {
        ScopePlan {
            name: self.name,
            transformer: self.transformer,
            meters: self.meters.into_boxed_slice(),
            slots: self.slots,
            grid: self.grid,
            parts: Box::default(),
            alarms: self.alarms.into_boxed_slice(),
            subjects: self.subjects.into_boxed_slice(),
        }
    }

    fn subject(&mut self, key: String, subject: Subject) -> SubjectIx {
        if let Some(found) = self.subjects.iter().position(|known| known.key == key) {
            return found;
        }
        self.subjects.push(SubjectPlan { key, subject, alarms: Vec::new() });
        self.subjects.len() - 1
    }

    fn alarm(
        &mut self,
        subject_key: &str,
        subject: SubjectIx,
        rule: Rule,
        priority: Priority,
        latch: bool,
    ) -> AlarmIx {
        let key = format!("{subject_key}/{}", rule.key());
        self.alarms.push(AlarmPlan { key, subject, rule, priority, latch });
        let index = self.alarms.len() - 1;
        self.subjects[subject].alarms.push(index);
        index
    }

    fn add_meter(&mut self, plant: &Plant, number: usize, not_judged: &mut Vec<NotJudged>) {
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
        let series: Vec<Quantity> =
            meter.points.iter().copied().chain(computed.iter().map(|(quantity, _)| *quantity)).collect();
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
            windows: Box::default(),
            limits: Box::default(),
            silent: Box::default(),
            frozen: None,
            lively: lively.into_boxed_slice(),
        };
        self.slots += compiled.series.len();
        self.watch_meter_itself(&mut compiled, meter);
        let whose = Whose { meter: Some(number), measures: meter.measures };
        self.add_limits(plant, whose, &mut compiled, &rating, not_judged);
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
    }

    /// Adds what is computed across meters. Says whether anything was.
    fn add_grid(
        &mut self,
        plant: &Plant,
        transformer: usize,
        id: usize,
        not_judged: &mut Vec<NotJudged>,
    ) -> bool {
        let Some((inputs, computed)) = formulas::across_meters(&self.meters) else { return false };
        let (series, formulas): (Vec<Quantity>, Vec<Formula>) = computed.into_iter().unzip();
        let mut compiled = MeterPlan {
            id: MeterId(id as u32),
            name: format!("{} across meters", self.name),
            feeder: None,
            every: GRID_STEP,
            wait: Span::ZERO,
            stamped_by: StampedBy::Meter,
            points: 0,
            series: series.into_boxed_slice(),
            first_slot: self.slots,
            formulas: formulas.into_boxed_slice(),
            windows: Box::default(),
            limits: Box::default(),
            silent: Box::default(),
            frozen: None,
            lively: Box::default(),
        };
        self.slots += compiled.series.len();
        let rating = limits::rating_of_transformer(plant, transformer);
        let whose = Whose { meter: None, measures: Target::Transformer(transformer, SideOf::Secondary) };
        self.add_limits(plant, whose, &mut compiled, &rating, not_judged);
        self.grid = Some(GridPlan { inputs: inputs.into_boxed_slice(), meter: self.meters.len() });
        self.meters.push(compiled);
        true
    }
}
