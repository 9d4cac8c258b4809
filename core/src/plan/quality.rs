//! Which sides of transformers are held against the tables of IEEE 519, compiled: for the digest.

use super::ScopePlan;
use crate::electrical::standard::CurrentLimits;
use crate::measurand::Measurand;
use crate::plant::{Plant, SideOf, SourceKind, SupplyFrom, Target};
use crate::time::Span;

/// One side of a transformer whose meters give a distortion.
#[derive(Debug, Clone, PartialEq)]
pub struct QualityPlan {
    /// The transformer.
    pub transformer: String,
    /// Which side.
    pub side: SideOf,
    /// Its meters, each with how often it gives values; what is computed across meters is of the load side.
    pub meters: Box<[(String, Span)]>,
    /// Nominal volts between lines.
    pub volts: f64,
    /// Short-circuit current over demand current, where it is known: by the impedance with a strong supply, at the load side.
    pub short_circuit_ratio: Option<f64>,
    /// Whether it is the point of common coupling; else the tables are guidance.
    pub at_coupling: bool,
}

impl QualityPlan {
    /// The row of the table of currents, where it is known.
    pub fn currents(&self) -> Option<&'static CurrentLimits> {
        CurrentLimits::for_ratio(self.short_circuit_ratio?)
    }
}

/// The sides of a plant, by its scopes. None of a transformer that a generator or an island feeds normally: there the tables say
/// nothing (common practice, no source).
pub(super) fn sides(plant: &Plant, scopes: &[ScopePlan]) -> Box<[QualityPlan]> {
    let mut all = Vec::new();
    for (index, (unit, scope)) in plant.transformers.iter().zip(scopes).enumerate() {
        let normal = unit.supplies.first().map(|supply| supply.from);
        let own_source = match normal {
            Some(SupplyFrom::Source(source)) => {
                plant.sources.get(source).is_some_and(|source| source.kind != SourceKind::Utility)
            }
            _ => false,
        };
        for side in [SideOf::Primary, SideOf::Secondary].into_iter().filter(|_| !own_source) {
            let of_side = |number: u32| match plant.meters.get(number as usize) {
                Some(meter) => meter.measures == Target::Transformer(index, side),
                None => side == SideOf::Secondary,
            };
            let own = scope.meters.iter().filter(|meter| meter.feeder.is_none() && of_side(meter.id.0));
            let meters: Vec<(String, Span)> = own
                .filter(|meter| meter.series.iter().any(|quantity| is_distortion(quantity.what)))
                .map(|meter| (meter.name.clone(), meter.every))
                .collect();
            let ratio =
                unit.impedance_percent.filter(|_| side == SideOf::Secondary).map(|percent| 100.0 / percent);
            if !meters.is_empty() {
                all.push(QualityPlan {
                    transformer: unit.name.clone(),
                    side,
                    meters: meters.into_boxed_slice(),
                    volts: unit.side(side).volts,
                    short_circuit_ratio: ratio,
                    at_coupling: unit.coupling == Some(side),
                });
            }
        }
    }
    all.into_boxed_slice()
}

/// Whether the tables are held against it, or it is needed for that.
pub fn is_distortion(what: Measurand) -> bool {
    matches!(
        what,
        Measurand::VoltageThd
            | Measurand::VoltageHarmonic
            | Measurand::CurrentTdd
            | Measurand::CurrentThd
            | Measurand::CurrentHarmonic
            | Measurand::CurrentHarmonicAmperes
            | Measurand::TddDemand
    )
}
