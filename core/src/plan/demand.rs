//! From which of a meter's values its demand is taken.

use super::formulas::MOST_POWER;
use crate::defaults::Rating;
use crate::demand::{DemandPlan, PowerFrom};
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::plant::Meter;

/// The demand of a meter; its series are added to those of the meter. `None` where it gives neither energy nor power.
pub(super) fn of_meter(meter: &Meter, series: &mut Vec<Quantity>, rating: &Rating) -> Option<DemandPlan> {
    let place = |quantity: Quantity| series.iter().position(|known| *known == quantity);
    let whole = |what| place(Quantity::whole(what));
    let end_of =
        |point: usize| meter.rolls_over_at.iter().find(|(known, _)| *known == point).map(|(_, end)| *end);
    let from = if let Some(taken) = whole(Measurand::EnergyImport) {
        let most = Measurand::DemandBlock.range().1;
        PowerFrom::Counters {
            taken: (taken, end_of(taken)),
            given: whole(Measurand::EnergyExport).map(|given| (given, end_of(given))),
            most_w: rating.kva.map_or(most, |kva| (MOST_POWER * 1000.0 * kva).min(most)),
        }
    } else if let Some(power) = whole(Measurand::Power) {
        PowerFrom::Power([power].into())
    } else {
        let phases = Place::PHASES.map(|phase| place(Quantity::at(Measurand::Power, phase)));
        PowerFrom::Power(phases.into_iter().collect::<Option<Box<[usize]>>>()?)
    };
    let loadings: Box<[usize]> =
        [Measurand::LoadingKva, Measurand::LoadingPhase].into_iter().filter_map(whole).collect();
    let mut add = |what| {
        series.push(Quantity::whole(what));
        series.len() - 1
    };
    Some(DemandPlan {
        from,
        block: add(Measurand::DemandBlock),
        sliding: add(Measurand::DemandSliding),
        load_factor: add(Measurand::LoadFactor),
        loading: (!loadings.is_empty()).then(|| (loadings, add(Measurand::HeadroomWeek))),
    })
}
