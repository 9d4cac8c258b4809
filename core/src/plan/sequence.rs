//! Which figures of unbalance a meter's points allow.

use crate::defaults::Rating;
use crate::formula::sequence::{Figure, Phasors};
use crate::formula::{Formula, NetFlow};
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;

/// Voltage below this share of nominal is an interruption, not an unbalance (common practice, no source).
const VOLTAGE_FLOOR: f64 = 0.10;
/// Mean currents below this share of rated make large, harmless percentages (common practice, no source).
pub(super) const CURRENT_FLOOR: f64 = 0.20;
/// Currents below this share of rated are noise (common practice, no source).
const CURRENT_NOISE: f64 = 0.02;

/// Slots of three places of a measurand, if the meter has all of them.
type Trio<'a> = &'a dyn Fn(Measurand, [Place; 3]) -> Option<[usize; 3]>;

/// What can be told of unbalance from one meter's own points.
pub(super) fn of_meter(trio: Trio<'_>, rating: &Rating, flow: Option<NetFlow>) -> Vec<(Quantity, Formula)> {
    let mut computed = Vec::new();
    if let Some(nominal) = rating.nominal_ll_v {
        of_volts(trio, rating, nominal, &mut computed);
    }
    of_amperes(trio, rating, flow, &mut computed);
    computed
}

fn of_volts(trio: Trio<'_>, rating: &Rating, nominal: f64, computed: &mut Vec<(Quantity, Formula)>) {
    let lines = trio(Measurand::VoltageLl, Place::LINES);
    let floor = VOLTAGE_FLOOR * nominal / 3f64.sqrt();
    let phasors = trio(Measurand::VoltageLn, Place::PHASES)
        .zip(trio(Measurand::VoltageAngle, Place::PHASES))
        .map(|(magnitudes, angles)| Phasors { magnitudes, angles, floor, least_mean: floor });
    let figure = |figure| phasors.map(|of| Formula::Sequence { of, figure });
    let by_lines = |of| Formula::Unbalance { of, floor: VOLTAGE_FLOOR * nominal };
    let negative_by_lines = lines.map(|of| Formula::NegativeOfLines { of, floor: VOLTAGE_FLOOR * nominal });
    // Where volts to neutral float or differ by design, many meters give none that are worth adding.
    let fixed = Place::PHASES.iter().all(|place| {
        let to_neutral = Quantity::at(Measurand::VoltageLn, *place);
        rating.wiring.is_some_and(|(form, _)| form.why_not(to_neutral).is_none())
    });
    let by_phasors = figure(Figure::NegativePercent);
    let negative = if fixed { by_phasors.or(negative_by_lines) } else { negative_by_lines.or(by_phasors) };
    let rows = [
        (Measurand::VoltageUnbalance, lines.map(by_lines).or(figure(Figure::LinesDeviationPercent))),
        (Measurand::VoltageNegativeSequence, negative),
        (Measurand::VoltageZeroSequence, figure(Figure::ZeroPercent)),
        (Measurand::VoltagePositiveSequence, figure(Figure::Positive)),
    ];
    computed.extend(rows.into_iter().filter_map(|(what, formula)| Some((Quantity::whole(what), formula?))));
}

fn of_amperes(
    trio: Trio<'_>,
    rating: &Rating,
    flow: Option<NetFlow>,
    computed: &mut Vec<(Quantity, Formula)>,
) {
    let Some(magnitudes) = trio(Measurand::Current, Place::PHASES) else { return };
    if let Some(rated) = rating.rated_a {
        let (of, floor) = (magnitudes, CURRENT_FLOOR * rated);
        let formula = match flow {
            Some(flow) => Formula::CurrentUnbalance { of, floor, flow },
            None => Formula::Unbalance { of, floor },
        };
        computed.push((Quantity::whole(Measurand::CurrentUnbalance), formula));
    }
    let Some(angles) = trio(Measurand::CurrentAngle, Place::PHASES) else { return };
    let ratios = rating.rated_a.map(|rated| Phasors {
        magnitudes,
        angles,
        floor: CURRENT_NOISE * rated,
        least_mean: CURRENT_FLOOR * rated,
    });
    let positive = ratios.unwrap_or(Phasors { magnitudes, angles, floor: 0.0, least_mean: 0.0 });
    let rows = [
        (Measurand::CurrentNegativeSequence, Figure::NegativePercent, ratios),
        (Measurand::CurrentZeroSequence, Figure::ZeroPercent, ratios),
        (Measurand::CurrentPositiveSequence, Figure::Positive, Some(positive)),
    ];
    computed.extend(rows.into_iter().filter_map(|(what, figure, of)| {
        Some((Quantity::whole(what), Formula::Sequence { of: of?, figure }))
    }));
}
