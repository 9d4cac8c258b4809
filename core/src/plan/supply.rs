//! Who feeds whom, compiled: flags of meters to states, and the alarms that tell of another supply.

use super::scope::ScopeBuilder;
use super::{AlarmIx, MeterRef, Plan, ScopePlan};
use crate::measurand::Measurand;
use crate::output::{Matter, Rule, Subject};
use crate::plant::{Feeder, Plant, Priority, SourceKind, Supply, SupplyFrom};
use crate::supply::{Fed, OtherSupply, StateNow, Ways};

/// Who feeds whom.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SupplyPlan {
    /// The plant's states: name and what each is.
    pub states: Box<[(String, Measurand)]>,
    /// Names of its sources.
    pub sources: Box<[String]>,
    /// What each of them is.
    pub kinds: Box<[SourceKind]>,
    /// Names of its transformers.
    pub transformers: Box<[String]>,
    /// What may feed each of them, the normal one first.
    pub above: Box<[Box<[Supply]>]>,
    /// Its feeders.
    pub feeders: Box<[Feeder]>,
}

/// A flag of a meter that is a state of the plant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FlagPlan {
    /// Which meter of the scope.
    pub meter: usize,
    /// Which of its points.
    pub point: usize,
    /// Which state of the plant.
    pub state: usize,
}

/// Something of which states decide what feeds it.
#[derive(Debug, Clone, PartialEq)]
pub struct FedPlan {
    /// Its name.
    pub name: String,
    /// What may feed it, the normal one first.
    pub supplies: Box<[Supply]>,
    /// One alarm for each supply but the normal one.
    pub others: Box<[AlarmIx]>,
    /// The alarm that more than one feeds it.
    pub several: AlarmIx,
    /// The alarm that nothing feeds it.
    pub nothing: AlarmIx,
    /// The alarm that it is not known what feeds it.
    pub not_known: AlarmIx,
}

impl FedPlan {
    /// All its alarms.
    pub fn alarms(&self) -> impl Iterator<Item = AlarmIx> + '_ {
        self.others.iter().copied().chain([self.several, self.nothing, self.not_known])
    }
}

impl SupplyPlan {
    /// Of a plant.
    pub(super) fn of(plant: &Plant) -> Self {
        Self {
            states: plant.states.iter().map(|state| (state.name.clone(), state.flag.what)).collect(),
            sources: plant.sources.iter().map(|source| source.name.clone()).collect(),
            kinds: plant.sources.iter().map(|source| source.kind).collect(),
            transformers: plant.transformers.iter().map(|unit| unit.name.clone()).collect(),
            above: plant.transformers.iter().map(|unit| unit.supplies.clone().into()).collect(),
            feeders: plant.feeders.iter().cloned().collect(),
        }
    }

    /// Who may feed whom.
    pub(crate) fn ways(&self) -> Ways<'_> {
        Ways { feeders: &self.feeders, transformers: &self.above }
    }

    /// The name of what feeds.
    pub fn name(&self, from: SupplyFrom) -> &str {
        let name = match from {
            SupplyFrom::Source(index) => self.sources.get(index),
            SupplyFrom::Transformer(index) => self.transformers.get(index),
            SupplyFrom::Feeder(index) => self.feeders.get(index).map(|feeder| &feeder.name),
        };
        name.map_or("", String::as_str)
    }

    /// A state as it is.
    pub fn state(&self, index: usize, on: Option<bool>) -> Option<StateNow> {
        let (name, what) = self.states.get(index)?.clone();
        Some(StateNow { name, what, on })
    }
}

impl Plan {
    /// By scope, a number that it shares with those scopes whose meters read the states by which its things are fed, or the
    /// other way round, and with those that run in parallel with it. They go on from the same input after a restart: what one
    /// reads decides what is told of the other.
    pub fn linked(&self) -> Box<[usize]> {
        let mut groups: Box<[usize]> = (0..self.scopes.len()).collect();
        for group in &self.parallel {
            let ties =
                group.ties.iter().map(|tie| [tie.units.0, tie.units.1].map(|unit| group.units[unit].scope));
            for ([one, other], tie) in ties.zip(&group.ties) {
                join(&mut groups, one, other);
                if let Some((reader, _)) = tie.state.as_ref().and_then(|state| state.flag) {
                    join(&mut groups, one, reader);
                }
            }
        }
        let supply = &self.supply;
        if supply.states.is_empty() {
            return groups;
        }
        let mut readers = vec![None; supply.states.len()];
        for (scope, plan) in self.scopes.iter().enumerate() {
            plan.flags.iter().for_each(|flag| readers[flag.state] = Some(scope));
        }
        let transformers = supply.above.iter().enumerate().map(|(scope, ways)| (scope, &**ways));
        let feeders = supply.feeders.iter().map(|feeder| (feeder.fed_by, feeder.supplies.as_slice()));
        for (scope, way) in
            transformers.chain(feeders).flat_map(|(scope, ways)| ways.iter().map(move |way| (scope, way)))
        {
            let above = match way.from {
                SupplyFrom::Source(_) => None,
                SupplyFrom::Transformer(index) => Some(index),
                SupplyFrom::Feeder(index) => supply.feeders.get(index).map(|feeder| feeder.fed_by),
            };
            let reader = way.when.and_then(|when| readers.get(when.state).copied().flatten());
            for other in above.into_iter().chain(reader) {
                join(&mut groups, scope, other);
            }
        }
        groups
    }
}

fn join(groups: &mut [usize], one: usize, other: usize) {
    let (Some(one), Some(other)) = (groups.get(one).copied(), groups.get(other).copied()) else { return };
    groups.iter_mut().filter(|group| **group == one.max(other)).for_each(|group| *group = one.min(other));
}

impl ScopeBuilder {
    /// Notes what each meter sits on, and by which meter's volts it is known that they came back.
    pub(super) fn place_meters(&mut self, plant: &Plant, transformer: usize) {
        let feeders = plant.feeders.iter().enumerate().filter(|(_, feeder)| feeder.fed_by == transformer);
        let (numbers, names): (Vec<usize>, Vec<&str>) =
            feeders.map(|(number, feeder)| (number, feeder.name.as_str())).unzip();
        let feeders = numbers.into_iter().map(SupplyFrom::Feeder);
        self.things = std::iter::once(SupplyFrom::Transformer(transformer)).chain(feeders).collect();
        for meter in &mut self.meters {
            let place =
                meter.feeder.as_deref().and_then(|name| names.iter().position(|known| *known == name));
            meter.thing = place.map_or(0, |place| place + 1);
        }
        let by = |local: usize| {
            let with_volts = |of: usize| {
                let mut meters = self.meters.iter().enumerate();
                meters.find(|(_, meter)| meter.thing == of && !meter.volts.is_empty()).map(|(by, _)| by)
            };
            let meter = &self.meters[local];
            let own = (!meter.volts.is_empty()).then_some(local);
            own.or_else(|| with_volts(meter.thing)).or_else(|| with_volts(0))
        };
        let all: Vec<Option<usize>> = (0..self.meters.len()).map(by).collect();
        for (meter, by) in self.meters.iter_mut().zip(all) {
            meter.volts_by = by;
        }
    }

    /// The transformer and the feeders that it feeds normally, as far as states decide what feeds them.
    pub(super) fn watch_supply(&mut self, plant: &Plant, transformer: usize) {
        let names = SupplyPlan::of(plant);
        let unit = &plant.transformers[transformer];
        let feeders = plant.feeders.iter().filter(|feeder| feeder.fed_by == transformer);
        let things = std::iter::once((None, unit.name.as_str(), &unit.supplies))
            .chain(feeders.map(|feeder| (Some(feeder.name.clone()), feeder.name.as_str(), &feeder.supplies)));
        for (feeder, name, supplies) in things.filter(|(.., supplies)| is_decided(supplies)) {
            let mut alarm = |by: Fed, states: Vec<StateNow>| {
                let key = match &by {
                    Fed::By(other) => format!("supply of {name}/by {other}{}", words(&states)),
                    Fed::Several => format!("supply of {name}/several"),
                    Fed::Nothing => format!("supply of {name}/nothing"),
                    Fed::NotKnown => format!("supply of {name}/not known"),
                };
                let subject = Subject {
                    transformer: self.transformer.clone(),
                    feeder: feeder.clone(),
                    meter: None,
                    matter: Matter::Supply(OtherSupply { by, states }),
                };
                let subject = self.subject(key.clone(), subject);
                self.alarm(&key, subject, Rule::Supply, Priority::Journal, false)
            };
            let others = supplies.iter().skip(1).map(|supply| {
                let state = supply.when.and_then(|when| names.state(when.state, Some(when.on)));
                alarm(Fed::By(names.name(supply.from).to_owned()), state.into_iter().collect())
            });
            let others: Box<[AlarmIx]> = others.collect();
            let (several, nothing) = (alarm(Fed::Several, Vec::new()), alarm(Fed::Nothing, Vec::new()));
            let not_known = alarm(Fed::NotKnown, Vec::new());
            let (name, supplies) = (name.to_owned(), supplies.clone().into_boxed_slice());
            self.fed.push(FedPlan { name, supplies, others, several, nothing, not_known });
        }
    }
}

/// Whether states decide which of these feeds.
fn is_decided(supplies: &[Supply]) -> bool {
    supplies.iter().any(|supply| supply.when.is_some())
}

/// The states in a key: two ways may come from one thing.
fn words(states: &[StateNow]) -> String {
    let word =
        |state: &StateNow| format!(" {} {}", state.name, if state.on == Some(true) { "on" } else { "off" });
    states.iter().map(word).collect()
}

/// Gives each scope the flags of its meters that are states.
pub(super) fn place_flags(plant: &Plant, meters: &[MeterRef], scopes: &mut [ScopePlan]) {
    let mut flags = vec![Vec::new(); scopes.len()];
    for (state, facts) in plant.states.iter().enumerate() {
        let Some(place) = meters.get(facts.meter) else { continue };
        let series = &scopes[place.scope].meters[place.local].series;
        if let Some(point) = series.iter().position(|known| *known == facts.flag) {
            flags[place.scope].push(FlagPlan { meter: place.local, point, state });
        }
    }
    for (scope, mut flags) in scopes.iter_mut().zip(flags) {
        flags.sort_by_key(|flag| flag.meter);
        scope.flags = flags.into_boxed_slice();
    }
}
