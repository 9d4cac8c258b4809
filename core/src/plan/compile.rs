//! From a plant to its plan: which meter belongs to which scope, and whether the plant holds together.

use super::scope::ScopeBuilder;
use super::{MeterRef, Plan, ScopePlan, SupplyPlan, Unfit};
use crate::input::Part;
use crate::output::{Matter, Rule, Subject};
use crate::plant::{AppliesTo, Meter, Plant, Target};

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
            let made = scope.add_grid(plant, index, meters.len(), &mut not_judged);
            let first = scope.meters.len() - made;
            meters.extend((first..first + made).map(|local| MeterRef { scope: index, local }));
            scope.watch_supply(plant, index);
            scope.place_meters(plant, index);
            scope.watch_together(plant, index);
            scopes.push(scope.finish(plant.recording));
        }
        scopes.push(site_scope(plant));
        super::supply::place_flags(plant, &meters, &mut scopes);
        let parallel = super::parallel::groups(plant, &mut scopes);
        let quality = super::quality::sides(plant, &scopes);
        not_judged.extend(super::gaps::gaps(plant, &scopes));
        Ok(Self {
            site: plant.site.clone(),
            meters: meters.into_boxed_slice(),
            scopes: scopes.into_boxed_slice(),
            supply: SupplyPlan::of(plant),
            parallel,
            quality,
            not_judged,
        })
    }
}

fn site_scope(plant: &Plant) -> ScopePlan {
    let mut scope = ScopeBuilder::new("site".to_owned(), None);
    let channels = plant.channels.iter().map(|name| Part::Channel(name.clone()));
    let parts: Vec<Part> = Part::FIXED.into_iter().chain(channels).collect();
    let compiled = parts.into_iter().map(|part| {
        let subject =
            Subject { transformer: None, feeder: None, meter: None, matter: Matter::Part(part.clone()) };
        let (key, priority) = (part.key(), part.priority());
        let subject = scope.subject(key.clone(), subject);
        (part, scope.alarm(&key, subject, Rule::Broken, priority, false))
    });
    let parts: Vec<_> = compiled.collect();
    ScopePlan { parts: parts.into_boxed_slice(), ..scope.finish(plant.recording) }
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
