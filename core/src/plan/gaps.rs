//! What is not judged although its owner may expect it, and what would mend that.

use super::contacts::why_no_heat;
use super::{MeterPlan, NotJudged, Reason, ScopePlan, Why};
use crate::electrical::loss::most_other_stray;
use crate::electrical::permissible::{Weights, factor_bounds};
use crate::electrical::spectrum::Spectrum;
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::plant::{Kind, Plant, SideOf, Target, Transformer};

/// Everything of a compiled plant that its owner may miss, for `check`.
pub(super) fn gaps(plant: &Plant, scopes: &[ScopePlan]) -> Vec<NotJudged> {
    let mut gaps: Vec<NotJudged> =
        scopes.iter().flat_map(|scope| &scope.meters).flat_map(|meter| of_meter(plant, meter)).collect();
    for scope in scopes {
        let reasons =
            scope.meters.iter().filter_map(|meter| Some((meter, why_no_heat(plant, scope, meter)?)));
        gaps.extend(reasons.map(|(meter, reason)| NotJudged {
            meter: meter.name.clone(),
            quantity: Quantity::at(Measurand::ContactHeat, Place::A),
            reason: reason.into(),
        }));
    }
    // What a meter of logged files gives is known only to the replay.
    if plant.meters.iter().all(|meter| !meter.points.is_empty()) {
        gaps.extend(limits_on_nothing(plant, scopes));
    }
    gaps
}

fn of_meter(plant: &Plant, meter: &MeterPlan) -> Vec<NotJudged> {
    let measures = plant.meters.get(meter.id.0 as usize).map(|meter| meter.measures);
    let three_phases =
        measures.and_then(|target| plant.wiring(target)).is_none_or(|(form, _)| form.phases() == 3);
    let has = |what: Measurand| meter.series.iter().any(|quantity| quantity.what == what);
    let gap = |what: Measurand, reason: Reason| NotJudged {
        meter: meter.name.clone(),
        quantity: Quantity::whole(what),
        reason,
    };
    let mut gaps = Vec::new();
    if has(Measurand::Current) && !has(Measurand::LoadingPhase) {
        gaps.push(gap(Measurand::LoadingPhase, Why::CarriesUnknown.into()));
    }
    if let Some(Target::Transformer(index, _)) = measures
        && let kind = plant.transformers[index].kind
        && !kind.carries_its_kva()
    {
        let why = if kind == Kind::Autotransformer { Why::Autotransformer } else { Why::BuckBoost };
        gaps.push(gap(Measurand::LoadingKva, why.into()));
    }
    let has_volts = has(Measurand::VoltageLn) || has(Measurand::VoltageLl);
    if three_phases && has_volts && !has(Measurand::VoltageUnbalance) {
        gaps.push(gap(Measurand::VoltageUnbalance, Why::LineVolts.into()));
    }
    gaps.extend(
        harmonics_reason(plant, meter, measures).map(|reason| gap(Measurand::SpectrumLoading, reason)),
    );
    if three_phases && has(Measurand::VoltageAngle) && !has(Measurand::VoltageZeroSequence) {
        gaps.push(gap(Measurand::VoltageZeroSequence, Why::VoltsWithAngles.into()));
    }
    if three_phases && has(Measurand::CurrentAngle) && !has(Measurand::CurrentNegativeSequence) {
        let known = has(Measurand::CurrentPositiveSequence);
        let why = if known { Why::LittleUnknown } else { Why::AmperesWithAngles };
        gaps.push(gap(Measurand::CurrentNegativeSequence, why.into()));
    }
    if has(Measurand::Winding)
        && !meter.limits.iter().any(|limit| of(meter, limit.series) == Measurand::Winding && !limit.rate)
    {
        gaps.push(NotJudged {
            quantity: Quantity::at(Measurand::Winding, Place::A),
            ..gap(Measurand::Winding, Why::NoWindingLimit.into())
        });
    }
    gaps
}

/// Why a transformer's loading with its harmonics is not told although its meter knows something of them.
fn harmonics_reason(plant: &Plant, meter: &MeterPlan, measures: Option<Target>) -> Option<Reason> {
    let points = &meter.series[..meter.points];
    let has = |what: Measurand| points.iter().any(|quantity| quantity.what == what);
    let is_told = meter.series.iter().any(|quantity| quantity.what == Measurand::SpectrumLoading);
    let orders = has(Measurand::CurrentHarmonic) || has(Measurand::CurrentHarmonicAmperes);
    match measures? {
        Target::Transformer(..) if is_told => None,
        Target::Transformer(_, SideOf::Primary) if orders => Some(Why::SupplySideOrders.into()),
        Target::Transformer(index, SideOf::Secondary)
            if has(Measurand::CurrentThd) && !orders && plant.transformers[index].kind.carries_its_kva() =>
        {
            // A round figure for the example, in the middle of what such loads have.
            let example = 30.0;
            let bounds = factor_bounds(example, Spectrum::HIGHEST).ok()?;
            Some(Reason::with(
                Why::ThdAlone,
                &[
                    ("example", example, 0),
                    ("least", bounds.least, 1),
                    ("most", bounds.most, 0),
                    ("falling", bounds.most_if_falling, 0),
                ],
            ))
        }
        Target::Transformer(index, SideOf::Secondary)
            if has(Measurand::KFactor) && !orders && plant.transformers[index].kind.carries_its_kva() =>
        {
            Some(k_factor_reason(&plant.transformers[index]))
        }
        _ => None,
    }
}

fn of(meter: &MeterPlan, series: usize) -> Measurand {
    meter.series[series].what
}

/// Limits of the owner's that apply to nothing that is measured. They are known by where they stand in the file.
fn limits_on_nothing(plant: &Plant, scopes: &[ScopePlan]) -> Vec<NotJudged> {
    let in_force = |limit: &crate::plant::Limit| {
        let mut meters = scopes.iter().flat_map(|scope| &scope.meters);
        meters.any(|meter| {
            let mut limits = meter.limits.iter();
            limits.any(|known| of(meter, known.series) == limit.on && known.origin == limit.origin)
        })
    };
    let unused = plant.limits.iter().filter(|limit| !limit.levels.is_empty() && !in_force(limit));
    unused
        .map(|limit| NotJudged {
            meter: limit.origin.clone(),
            quantity: Quantity::numbered(
                limit.on,
                limit.place.unwrap_or(Place::Whole),
                limit.number.unwrap_or_default(),
            ),
            reason: Why::GivenByNone.into(),
        })
        .collect()
}

/// What a K-factor would say of this unit if the meter was told its rated amperes: at them K is the loss factor (UL 1561, from memory).
fn k_factor_reason(unit: &Transformer) -> Reason {
    // A usual figure for the example: the least K-rating that is made.
    let example = 4.0;
    let weights = most_other_stray(example).map(|other_stray| Weights { eddy: example, other_stray });
    let carried = unit
        .spectrum_bound()
        .zip(weights)
        .and_then(|(known, weights)| known.bounded.permissible_pu(weights).ok());
    carried.map_or_else(
        || Why::KFactorAlone.into(),
        |carried| {
            let figures =
                [("example", example, 0), ("carried", 100.0 * carried, 0), ("half", example / 4.0, 0)];
            Reason::with(Why::KFactorOfThisUnit, &figures)
        },
    )
}
