//! Which limit is in force on which series: the owner's nearest, else the default.

use super::scope::ScopeBuilder;
use super::{LevelPlan, LimitPlan, MeterPlan, NotJudged, Reason, RecursPlan, RollingPlan};
use crate::context::Gate;
use crate::defaults::{Rating, default_limits};
use crate::measurand::{Kind, Quantity};
use crate::output::Rule;
use crate::plant::{
    AppliesTo, Bound, Condition, Limit, Mark, Meter, Plant, Priority, SideOf, Taps, Target, Transformer,
};

/// The base for default limits of what a meter sits on.
pub(super) fn rating(plant: &Plant, meter: &Meter) -> Rating {
    match meter.measures {
        Target::Transformer(index, side) => rating_of_side(plant, index, side),
        Target::Feeder(index) => {
            let feeder = &plant.feeders[index];
            let rating = Rating {
                rated_a: feeder.rated_a,
                neutral_a: feeder.rated_a,
                serves_motors: serves_motors(plant, index),
                open_bank: plant.transformers[feeder.fed_by].is_open_bank(),
                ..Rating::default()
            };
            with_volts(plant, meter.measures, rating)
        }
    }
}

/// The base for default limits of a transformer's load side.
pub(super) fn rating_of_transformer(plant: &Plant, index: usize) -> Rating {
    rating_of_side(plant, index, SideOf::Secondary)
}

fn rating_of_side(plant: &Plant, index: usize, side: SideOf) -> Rating {
    let transformer = &plant.transformers[index];
    let rated_a = transformer.rated_a(side);
    let neutral = match side {
        SideOf::Secondary => transformer.neutral_rating_percent.unwrap_or(usual_neutral_percent(transformer)),
        SideOf::Primary => FULL,
    };
    let mut feeders = plant.feeders.iter().enumerate().filter(|(_, feeder)| feeder.fed_by == index);
    let rating = Rating {
        rated_a,
        neutral_a: rated_a.map(|rated| rated * neutral / FULL),
        kva: transformer.through_kva(),
        tap_v: tap_volts(transformer, side),
        rated_rise_k: transformer.rated_rise_k,
        insulation_class_c: transformer.insulation_class_c,
        cooling: Some(transformer.cooling),
        trip_points: transformer.trip_points,
        // The lines of the supply side show nothing of the orders that circuit in a delta.
        bounded: (side == SideOf::Secondary).then(|| transformer.spectrum_bound()).flatten(),
        impedance_percent: transformer.impedance_percent,
        serves_motors: side == SideOf::Secondary && feeders.any(|(number, _)| serves_motors(plant, number)),
        open_bank: transformer.is_open_bank(),
        ..Rating::default()
    };
    with_volts(plant, Target::Transformer(index, side), rating)
}

/// The line volts that belong to a side: of the tap in use, if taps are known, else the rated ones. Nothing for units whose
/// volts to neutral are not those of a winding.
fn tap_volts(transformer: &Transformer, side: SideOf) -> Option<f64> {
    let own = transformer.side(side).volts;
    match side {
        SideOf::Primary => Some(transformer.taps.as_ref().and_then(Taps::present_volts).unwrap_or(own)),
        SideOf::Secondary => Some(own),
    }
    .filter(|_| transformer.kind == crate::plant::Kind::TwoWinding)
}

const FULL: f64 = 100.0;

/// Rating of a neutral in per cent of the line amperes, if the nameplate does not say it. Source: a K-rated unit's own
/// neutral has twice the line's (UL 1561, from memory); else as the lines.
fn usual_neutral_percent(transformer: &Transformer) -> f64 {
    if transformer.k_rating.is_some() { 2.0 * FULL } else { FULL }
}

/// Whether motors hang on a feeder.
fn serves_motors(plant: &Plant, feeder: usize) -> bool {
    plant
        .circuits
        .iter()
        .any(|circuit| circuit.feeder == feeder && circuit.marks.contains(&Mark::ServesMotors))
}

fn with_volts(plant: &Plant, target: Target, rating: Rating) -> Rating {
    let wiring = plant.wiring(target);
    let three = wiring.filter(|(form, _)| form.phases() == 3);
    Rating { wiring, nominal_ll_v: three.map(|(_, volts)| volts), ..rating }
}

/// The limits in force on one series, at most one for each way.
///
/// What the wiring form does by design has a limit only where the owner names the thing that it is on.
///
/// Each with whether it is a default.
fn in_force(plant: &Plant, whose: Whose, quantity: Quantity, rating: &Rating) -> Vec<(Limit, bool)> {
    if quantity.what.kind() == Kind::Counter {
        return Vec::new(); // It only counts up: any limit would be passed some day.
    }
    let by_design = rating.wiring.and_then(|(form, _)| form.why_not(quantity)).is_some();
    let mut defaults = if by_design { Vec::new() } else { default_limits(quantity, rating) };
    let mut found = Vec::new();
    for (bound, rate) in [(Bound::High, false), (Bound::Low, false), (Bound::High, true), (Bound::Low, true)]
    {
        let nearest = plant
            .limits
            .iter()
            .filter(|limit| limit.on == quantity.what && limit.bound == bound && limit.rate == rate)
            .filter(|limit| !limit.rate || quantity.what.kind() == Kind::Level)
            .filter(|limit| limit.place.is_none_or(|place| place == quantity.place))
            .filter(|limit| limit.number.is_none_or(|number| number == quantity.number))
            .filter(|limit| !(by_design && limit.of == AppliesTo::Everywhere))
            .filter_map(|limit| {
                let placed = u8::from(limit.place.is_some()) + u8::from(limit.number.is_some());
                Some((nearness(limit.of, whose)?, placed, limit))
            })
            .max_by_key(|(nearness, placed, _)| (*nearness, *placed));
        let limit = match nearest {
            Some((.., limit)) => Some((limit.clone(), false)),
            None => defaults
                .iter()
                .position(|limit| limit.bound == bound && limit.rate == rate)
                .map(|index| (defaults.swap_remove(index), true)),
        };
        found.extend(limit.filter(|(limit, _)| !limit.levels.is_empty()));
    }
    found
}

/// Whose series a limit would judge: of a meter of the plant, or (without one) made here across meters.
#[derive(Clone, Copy)]
pub(super) struct Whose {
    pub(super) meter: Option<usize>,
    pub(super) measures: Target,
}

/// How near a limit is meant; `None`: it is not meant.
fn nearness(of: AppliesTo, whose: Whose) -> Option<u8> {
    let (meant, nearness) = match (of, whose.measures) {
        (AppliesTo::Everywhere, _) => (true, 0),
        (AppliesTo::Transformer(index), Target::Transformer(at, _))
        | (AppliesTo::Feeder(index), Target::Feeder(at)) => (at == index, 1),
        (AppliesTo::Meter(index), _) => (whose.meter == Some(index), 2),
        _ => (false, 0),
    };
    meant.then_some(nearness)
}

impl ScopeBuilder {
    /// Compiles the limits in force on each series of a meter.
    pub(super) fn add_limits(
        &mut self,
        plant: &Plant,
        whose: Whose,
        meter: &mut MeterPlan,
        rating: &Rating,
        not_judged: &mut Vec<NotJudged>,
    ) {
        let mut windows = Vec::new();
        let mut compiled = Vec::new();
        for (series, quantity) in meter.series.iter().enumerate() {
            if let Some(reason) = rating.wiring.and_then(|(form, _)| form.why_not(*quantity)) {
                let reason = reason.into();
                not_judged.push(NotJudged { meter: meter.name.clone(), quantity: *quantity, reason });
            }
            for (limit, is_default) in in_force(plant, whose, *quantity, rating) {
                let gate = Gate::of(*quantity, is_default);
                let Some(when) = conditions(meter, &limit) else {
                    let reason = Reason::without(&limit.when);
                    not_judged.push(NotJudged { meter: meter.name.clone(), quantity: *quantity, reason });
                    continue;
                };
                compiled.push(self.compile(meter, series, limit, (when, gate), &mut windows));
            }
        }
        meter.windows = windows.into_boxed_slice();
        meter.limits = compiled.into_boxed_slice();
        meter.rolling = RollingPlan::of(meter);
    }

    fn compile(
        &mut self,
        meter: &MeterPlan,
        series: usize,
        limit: Limit,
        (when, gate): (Box<[(usize, f64)]>, Gate),
        windows: &mut Vec<(usize, crate::time::Span)>,
    ) -> LimitPlan {
        let quantity = meter.series[series];
        let (key, subject) = if limit.rate {
            self.rate_subject(meter, quantity)
        } else {
            self.quantity_subject(meter, quantity)
        };
        let bound = limit.bound;
        let levels: Box<[LevelPlan]> = limit
            .levels
            .iter()
            .zip(1u8..)
            .map(|(level, number)| LevelPlan {
                setpoint: level.setpoint,
                on_delay: level.on_delay,
                window: level.over.map(|length| window_for(windows, series, length)),
                alarm: self.alarm(
                    &key,
                    subject,
                    Rule::Level { bound, level: number },
                    level.priority,
                    // Nobody is asked to look at the journal, so nobody has to release it.
                    limit.latch && level.priority > Priority::Journal,
                ),
            })
            .collect();
        for (compiled, level) in levels.iter().zip(&limit.levels) {
            self.judges_means(compiled.alarm, level.over);
        }
        let recurs = limit.recurs.map(|rule| RecursPlan {
            times: rule.times,
            within: rule.within,
            shortest: rule.shortest,
            alarm: self.alarm(&key, subject, Rule::Recurrence { bound }, rule.priority, false),
        });
        LimitPlan {
            series,
            bound,
            rate: limit.rate,
            deadband: limit.deadband,
            off_delay: limit.off_delay,
            gate,
            when,
            each_value: recurs.is_some() || levels.iter().any(|level| level.window.is_none()),
            levels,
            recurs,
            subject,
            origin: limit.origin,
        }
    }
}

/// The limit's conditions on the series of a meter, as far as it gives them; `None`: there are some, and it gives none.
fn conditions(meter: &MeterPlan, limit: &Limit) -> Option<Box<[(usize, f64)]>> {
    let series = |condition: &Condition| {
        let on = Quantity::whole(condition.on);
        Some((meter.series.iter().position(|known| *known == on)?, condition.above))
    };
    let known: Box<[(usize, f64)]> = limit.when.iter().filter_map(series).collect();
    (limit.when.is_empty() || !known.is_empty()).then_some(known)
}

fn window_for(
    windows: &mut Vec<(usize, crate::time::Span)>,
    series: usize,
    length: crate::time::Span,
) -> usize {
    if let Some(found) = windows.iter().position(|known| *known == (series, length)) {
        return found;
    }
    windows.push((series, length));
    windows.len() - 1
}
