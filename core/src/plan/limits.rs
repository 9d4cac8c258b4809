//! Which limit is in force on which series: the owner's nearest, else the default.

use super::scope::ScopeBuilder;
use super::{LevelPlan, LimitPlan, MeterPlan, NotJudged, RecursPlan};
use crate::defaults::{Rating, default_limits};
use crate::electrical::ratings::{rated_current_single_phase, rated_current_three_phase};
use crate::measurand::{Kind, Quantity};
use crate::output::Rule;
use crate::plant::{AppliesTo, Bound, Limit, Meter, Plant, Side, SideOf, Target, Transformer, WiringForm};

/// The base for default limits of what a meter sits on.
pub(super) fn rating(plant: &Plant, meter: &Meter) -> Rating {
    match meter.measures {
        Target::Transformer(index, side) => {
            let transformer = &plant.transformers[index];
            match side {
                SideOf::Secondary => rating_of_transformer(plant, index),
                SideOf::Primary => Rating {
                    rated_a: rated_current(transformer, transformer.primary),
                    ..volts(transformer, transformer.primary, rating_of_transformer(plant, index))
                },
            }
        }
        Target::Feeder(index) => {
            let feeder = &plant.feeders[index];
            let transformer = &plant.transformers[feeder.fed_by];
            let rating = Rating { rated_a: feeder.rated_a, ..Rating::default() };
            volts(transformer, transformer.secondary, rating)
        }
    }
}

/// The base for default limits of a transformer's load side.
pub(super) fn rating_of_transformer(plant: &Plant, index: usize) -> Rating {
    let transformer = &plant.transformers[index];
    let rating = Rating {
        rated_a: rated_current(transformer, transformer.secondary),
        kva: Some(transformer.kva),
        rated_rise_k: transformer.rated_rise_k,
        insulation_class_c: transformer.insulation_class_c,
        cooling: Some(transformer.cooling),
        ..Rating::default()
    };
    volts(transformer, transformer.secondary, rating)
}

/// Rated line current of one side.
fn rated_current(transformer: &Transformer, side: Side) -> Option<f64> {
    if transformer.phases == 1 {
        rated_current_single_phase(transformer.kva, side.volts)
    } else {
        rated_current_three_phase(transformer.kva, side.volts)
    }
}

fn volts(transformer: &Transformer, side: Side, rating: Rating) -> Rating {
    let wye = transformer.phases == 3 && side.form == WiringForm::Wye;
    Rating {
        nominal_ll_v: (transformer.phases == 3).then_some(side.volts),
        nominal_ln_v: wye.then(|| side.volts / 3f64.sqrt()),
        ..rating
    }
}

/// The limits in force on one series, at most one for each way.
fn in_force(plant: &Plant, whose: Whose, quantity: Quantity, rating: &Rating) -> Vec<Limit> {
    if quantity.what.kind() == Kind::Counter {
        return Vec::new(); // It only counts up: any limit would be passed some day.
    }
    let mut defaults = default_limits(quantity.what, rating);
    let mut found = Vec::new();
    for bound in [Bound::High, Bound::Low] {
        let nearest = plant
            .limits
            .iter()
            .filter(|limit| limit.on == quantity.what && limit.bound == bound)
            .filter(|limit| limit.place.is_none_or(|place| place == quantity.place))
            .filter(|limit| limit.number.is_none_or(|number| number == quantity.number))
            .filter_map(|limit| {
                let placed = u8::from(limit.place.is_some()) + u8::from(limit.number.is_some());
                Some((nearness(limit.of, whose)?, placed, limit))
            })
            .max_by_key(|(nearness, placed, _)| (*nearness, *placed));
        let limit = match nearest {
            Some((.., limit)) => Some(limit.clone()),
            None => defaults
                .iter()
                .position(|limit| limit.bound == bound)
                .map(|index| defaults.swap_remove(index)),
        };
        found.extend(limit.filter(|limit| !limit.levels.is_empty()));
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
            for limit in in_force(plant, whose, *quantity, rating) {
                let when = match limit.when {
                    None => None,
                    Some(condition) => {
                        let on = Quantity::whole(condition.on);
                        let Some(index) = meter.series.iter().position(|known| *known == on) else {
                            let reason = format!(
                                "judged only while {} is above {} {}, which this meter does not give; a feeder needs its rated_a",
                                on,
                                condition.above,
                                on.what.facts().unit.symbol()
                            );
                            not_judged.push(NotJudged {
                                meter: meter.name.clone(),
                                quantity: *quantity,
                                reason,
                            });
                            continue;
                        };
                        Some((index, condition.above))
                    }
                };
                compiled.push(self.compile(meter, series, limit, when, &mut windows));
            }
        }
        meter.windows = windows.into_boxed_slice();
        meter.limits = compiled.into_boxed_slice();
    }

    fn compile(
        &mut self,
        meter: &MeterPlan,
        series: usize,
        limit: Limit,
        when: Option<(usize, f64)>,
        windows: &mut Vec<(usize, crate::time::Span)>,
    ) -> LimitPlan {
        let quantity = meter.series[series];
        let (key, subject) = self.quantity_subject(meter, quantity);
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
                    limit.latch,
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
            deadband: limit.deadband,
            off_delay: limit.off_delay,
            when,
            each_value: recurs.is_some() || levels.iter().any(|level| level.window.is_none()),
            levels,
            recurs,
            subject,
            origin: limit.origin,
        }
    }
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
