//! Which computed quantities a meter's points allow, and which only several meters together allow.

mod harmonics;

use super::MeteredPlan;
use super::sequence::CURRENT_FLOOR;
use super::study::Draft;
use crate::defaults::Rating;
use crate::formula::{Formula, NetFlow, OwnRatios, PowerSource, SecondOrder};
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::plant::Meter;

/// What can be computed from one meter's own points. Slots count from `first`.
pub(super) fn of_meter(points: &[Quantity], first: usize, rating: &Rating) -> Vec<(Quantity, Formula)> {
    let slot =
        |quantity: Quantity| points.iter().position(|point| *point == quantity).map(|index| first + index);
    let trio = |what: Measurand, places: [Place; 3]| -> Option<[usize; 3]> {
        let [one, two, three] = places.map(|place| slot(Quantity::at(what, place)));
        Some([one?, two?, three?])
    };
    let mut computed = super::sequence::of_meter(&trio, rating, net_flow(points, first, rating));
    if let Some(kva) = rating.kva
        && let Some(power) = apparent(points, first)
    {
        computed.push((Quantity::whole(Measurand::LoadingKva), Formula::LoadingKva { power, kva }));
    }
    let phases: Vec<usize> =
        Place::PHASES.iter().filter_map(|place| slot(Quantity::at(Measurand::Current, *place))).collect();
    if let (false, Some(rated_a)) = (phases.is_empty(), rating.rated_a) {
        computed
            .push((Quantity::whole(Measurand::LoadingPhase), Formula::LoadingPhase { of: phases, rated_a }));
    }
    if let Some(neutral) = slot(Quantity::whole(Measurand::NeutralCurrent)) {
        let percent = rating.neutral_a.map(|rated_a| Formula::LoadingPhase { of: vec![neutral], rated_a });
        computed.extend(percent.map(|formula| (Quantity::whole(Measurand::NeutralLoading), formula)));
        let lines = rating.wiring.map_or(&Place::PHASES[..], |(form, _)| form.lines());
        let phases: Option<Vec<usize>> =
            lines.iter().map(|place| slot(Quantity::at(Measurand::Current, *place))).collect();
        if let (Some(phases), Some(rated)) = (phases, rating.rated_a) {
            let formula = Formula::NeutralOverPhase { neutral, phases, floor_a: CURRENT_FLOOR * rated };
            computed.push((Quantity::whole(Measurand::NeutralOverPhase), formula));
        }
    }
    of_loading(points, first, rating, &mut computed);
    of_core(points, first, rating, &mut computed);
    let ambients: Vec<usize> = ambients(points).map(|index| first + index).collect();
    if !ambients.is_empty() {
        for (index, point) in points.iter().enumerate() {
            if let Some(rise) = rise_of(*point) {
                let formula = Formula::Rise { hot: first + index, ambients: ambients.clone() };
                computed.push((rise, formula));
            }
        }
    }
    harmonics::append(points, first, rating, &mut computed);
    computed
}

/// Where the total apparent power of a meter comes from, the best that it gives.
fn apparent(points: &[Quantity], first: usize) -> Option<PowerSource> {
    let slot =
        |quantity: Quantity| points.iter().position(|point| *point == quantity).map(|index| first + index);
    let trio = |what: Measurand, places: [Place; 3]| -> Option<[usize; 3]> {
        let [one, two, three] = places.map(|place| slot(Quantity::at(what, place)));
        Some([one?, two?, three?])
    };
    let whole = |what| slot(Quantity::whole(what));
    let currents = trio(Measurand::Current, Place::PHASES);
    whole(Measurand::ApparentPower)
        .map(PowerSource::Total)
        .or_else(|| trio(Measurand::ApparentPower, Place::PHASES).map(PowerSource::Phases))
        .or_else(|| {
            whole(Measurand::Power)
                .zip(whole(Measurand::ReactivePower))
                .map(|(active, reactive)| PowerSource::ActiveReactive(active, reactive))
        })
        .or_else(|| {
            let volts = trio(Measurand::VoltageLn, Place::PHASES)?;
            currents.map(|amperes| PowerSource::VoltsAmperes(volts, amperes))
        })
        .or_else(|| {
            let volts = trio(Measurand::VoltageLl, Place::LINES)?;
            currents.map(|amperes| PowerSource::LineVoltsAmperes(volts, amperes))
        })
}

/// Rated power in VA: of a transformer by its kVA, of a feeder of three phases by its volts and amperes.
fn rated_va(rating: &Rating) -> Option<f64> {
    let of_feeder = || Some(3f64.sqrt() * rating.nominal_ll_v? * rating.rated_a?);
    rating.kva.map(|kva| 1000.0 * kva).or_else(of_feeder).filter(|rated| *rated > 0.0)
}

/// The net flow at a meter that gives its total active power.
pub(super) fn net_flow(points: &[Quantity], first: usize, rating: &Rating) -> Option<NetFlow> {
    let power = points.iter().position(|point| *point == Quantity::whole(Measurand::Power))?;
    let rated_a = rating.rated_a.filter(|rated| *rated > 0.0)?;
    Some(NetFlow { power: first + power, rated_va: rated_va(rating)?, rated_a })
}

/// What is made of the power factors and distortions of currents that a meter gives itself, if it gives any.
pub(super) fn own_ratios(points: &[Quantity], first: usize, rating: &Rating) -> Option<OwnRatios> {
    let all = points.iter().enumerate();
    let factors = all.filter(|(_, point)| point.what == Measurand::PowerFactor);
    let factors: Box<[usize]> = factors.map(|(index, _)| first + index).collect();
    let pair = |place| {
        let at =
            |what| points.iter().position(|point| *point == Quantity::at(what, place)).map(|at| first + at);
        Some((at(Measurand::CurrentThd)?, at(Measurand::Current)?))
    };
    let distortions: Box<[(usize, usize)]> = Place::PHASES.into_iter().filter_map(pair).collect();
    let flow = net_flow(points, first, rating).filter(|_| !distortions.is_empty());
    if factors.is_empty() && flow.is_none() {
        return None;
    }
    let (rated_va, apparent) = (rated_va(rating)?, apparent(points, first));
    Some(OwnRatios { rated_va, apparent, factors, flow, distortions })
}

/// Which of a meter's series are the air around the transformer: one sensor, or several that are numbered.
pub(super) fn ambients(series: &[Quantity]) -> impl Iterator<Item = usize> + '_ {
    let all = series.iter().enumerate().filter(|(_, quantity)| quantity.what == Measurand::Ambient);
    all.map(|(index, _)| index)
}

/// What is made of loadings: the headroom, and which way power flows.
fn of_loading(points: &[Quantity], first: usize, rating: &Rating, computed: &mut Vec<(Quantity, Formula)>) {
    let loadings = [Measurand::LoadingKva, Measurand::LoadingPhase].map(Quantity::whole);
    let of: Vec<usize> =
        loadings.into_iter().filter_map(|loading| computed_slot(points, first, computed, loading)).collect();
    if !of.is_empty() {
        computed.push((Quantity::whole(Measurand::Headroom), Formula::Headroom { of }));
    }
    let power = points.iter().position(|point| *point == Quantity::whole(Measurand::Power));
    if let (Some(power), Some(kva)) = (power, rating.kva) {
        let formula = Formula::NetPower { power: first + power, kva };
        computed.push((Quantity::whole(Measurand::NetPower), formula));
    }
}

/// What drives the core: volts against the tap in use, excitation, the second order of the currents.
fn of_core(points: &[Quantity], first: usize, rating: &Rating, computed: &mut Vec<(Quantity, Formula)>) {
    let slot =
        |quantity: Quantity| points.iter().position(|point| *point == quantity).map(|index| first + index);
    let of: Vec<usize> =
        Place::LINES.iter().filter_map(|place| slot(Quantity::at(Measurand::VoltageLl, *place))).collect();
    if let (false, Some(belong_v)) = (of.is_empty(), rating.tap_v) {
        let tap = first + points.len() + computed.len();
        computed.push((Quantity::whole(Measurand::TapVoltage), Formula::TapVoltage { of, belong_v }));
        let load = [Measurand::LoadingKva, Measurand::LoadingPhase]
            .into_iter()
            .find_map(|what| computed_slot(points, first, computed, Quantity::whole(what)));
        let frequency = slot(Quantity::whole(Measurand::Frequency));
        let formula = Formula::Excitation { tap, load, frequency };
        computed.push((Quantity::whole(Measurand::Excitation), formula));
    }
    // Of a feeder's loads a second order says nothing about a core.
    let Some(rated_a) = rating.rated_a.filter(|_| rating.kva.is_some()) else { return };
    for place in Place::PHASES {
        let second = |what| slot(Quantity::numbered(what, place, 2));
        let amperes = second(Measurand::CurrentHarmonicAmperes).map(SecondOrder::Amperes);
        let order = amperes.or_else(|| {
            let current = slot(Quantity::at(Measurand::Current, place))?;
            second(Measurand::CurrentHarmonic).map(|order| SecondOrder::Percent(order, current))
        });
        if let Some(order) = order {
            let formula = Formula::SecondOrder { order, rated_a };
            computed.push((Quantity::at(Measurand::SecondOrder, place), formula));
        }
    }
}

/// The slot of what is computed already.
fn computed_slot(
    points: &[Quantity],
    first: usize,
    computed: &[(Quantity, Formula)],
    quantity: Quantity,
) -> Option<usize> {
    let index = computed.iter().position(|(known, _)| *known == quantity)?;
    Some(first + points.len() + index)
}

/// More than so many times the rated power never flowed: a counter that jumps so far was replaced or set by hand
/// (common practice, no source).
pub(super) const MOST_POWER: f64 = 3.0;

/// The mean power by the meter's counter of energy taken. It stands beside the power that the meter gives itself and no
/// other formula reads it, so nothing counts twice.
pub(super) fn metered(meter: &Meter, power: usize, rating: &Rating) -> Option<MeteredPlan> {
    let energy = Quantity::whole(Measurand::EnergyImport);
    let counter = meter.points.iter().position(|point| *point == energy)?;
    let rolls_over_at = meter.rolls_over_at.iter().find(|(point, _)| *point == counter).map(|(_, end)| *end);
    let most = Measurand::MeteredPower.range().1;
    let most_w = rating.kva.map_or(most, |kva| (MOST_POWER * 1000.0 * kva).min(most));
    Some(MeteredPlan { counter, power, rolls_over_at, most_w })
}

fn rise_of(point: Quantity) -> Option<Quantity> {
    match point.what {
        Measurand::Winding => Some(Quantity { what: Measurand::WindingRise, ..point }),
        Measurand::Termination => Some(Quantity { what: Measurand::TerminationRise, ..point }),
        _ => None,
    }
}

/// What only several meters together allow: the rise of a transformer's windings and terminations whose module
/// has no ambient sensor, over the air that another module of the same transformer measures.
pub(super) fn across_meters(draft: &mut Draft<'_>) {
    let air = draft.air();
    if air.is_empty() {
        return;
    }
    let without_air = draft.own_meters().filter(|(_, meter)| ambients(&meter.series).next().is_none());
    let rises: Vec<_> = without_air
        .flat_map(|(local, meter)| {
            let rise = move |(index, point): (usize, &Quantity)| {
                Some((rise_of(*point)?, (local, meter.first_slot + index)))
            };
            meter.series.iter().enumerate().filter_map(rise)
        })
        .collect();
    for (rise, hot) in rises {
        if !draft.has(rise) {
            let ambients = air.iter().map(|input| draft.input(*input)).collect();
            let formula = Formula::Rise { hot: draft.input(hot), ambients };
            draft.formula(rise, formula);
        }
    }
}
