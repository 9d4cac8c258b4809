//! The limits that a site gets when its owner sets none, each with where its numbers come from.

use crate::electrical::ratings::UTILIZATION_VOLTAGE;
use crate::measurand::Measurand;
use crate::plant::{AppliesTo, Bound, Condition, Cooling, Level, Limit, Priority, Recurs};
use crate::time::Span;

use Priority::{High, Journal, Low, Urgent};

/// What is known of the thing that a meter sits on: the base for its default limits.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Rating {
    /// Rated line current in amperes.
    pub rated_a: Option<f64>,
    /// Rated power in kVA, for a transformer's own meter.
    pub kva: Option<f64>,
    /// Nominal line-to-line volts.
    pub nominal_ll_v: Option<f64>,
    /// Nominal line-to-neutral volts, for a wye side.
    pub nominal_ln_v: Option<f64>,
    /// Rated average winding rise in kelvin.
    pub rated_rise_k: Option<f64>,
    /// Insulation class in °C.
    pub insulation_class_c: Option<u16>,
    /// How it is cooled.
    pub cooling: Option<Cooling>,
}

const RECURS: Recurs =
    Recurs { times: 3, within: Span::hours(6), shortest: Span::seconds(2), priority: High };

/// The default limits on one measurand of something rated so. Empty where nothing can be said.
///
/// Sources stand in each limit's `origin`. "C84.1", "IEEE 519" and "EN 50160" values are those of the standards
/// as the limits table of the guide lists them; everything else is common practice, no source.
pub fn default_limits(on: Measurand, rating: &Rating) -> Vec<Limit> {
    match on {
        Measurand::VoltageUnbalance => vec![voltage_unbalance()],
        Measurand::CurrentUnbalance => vec![current_unbalance()],
        Measurand::VoltageThd => vec![voltage_thd()],
        Measurand::LoadingKva => vec![loading(on)],
        Measurand::LoadingPhase => vec![loading_phase()],
        Measurand::NeutralCurrent => rating.rated_a.map(neutral_current).into_iter().collect(),
        Measurand::VoltageLl => rating.nominal_ll_v.map(|nominal| supply(on, nominal)).unwrap_or_default(),
        Measurand::VoltageLn => rating.nominal_ln_v.map(|nominal| supply(on, nominal)).unwrap_or_default(),
        Measurand::Winding => winding(rating).into_iter().collect(),
        Measurand::WindingRise => rating.rated_rise_k.map(winding_rise).into_iter().collect(),
        Measurand::Termination => vec![termination()],
        _ => Vec::new(),
    }
}

fn limit(on: Measurand, levels: Vec<Level>, deadband: f64, off_delay: Span, origin: &str) -> Limit {
    Limit {
        on,
        of: AppliesTo::Everywhere,
        place: None,
        number: None,
        bound: Bound::High,
        levels,
        deadband,
        off_delay,
        when: None,
        recurs: None,
        latch: false,
        origin: format!("default: {origin}"),
    }
}

fn level(setpoint: f64, priority: Priority, on_delay: Span) -> Level {
    Level { setpoint, priority, on_delay, over: None }
}

fn mean_level(setpoint: f64, priority: Priority, on_delay: Span) -> Level {
    Level { setpoint, priority, on_delay, over: Some(Span::minutes(10)) }
}

fn voltage_unbalance() -> Limit {
    let levels = vec![
        mean_level(2.0, Low, Span::seconds(60)),
        mean_level(3.0, High, Span::seconds(60)),
        level(5.0, Urgent, Span::seconds(30)),
    ];
    let origin = "2 % common practice and EN 50160, 3 % ANSI C84.1, 5 % common practice";
    Limit {
        recurs: Some(RECURS),
        ..limit(Measurand::VoltageUnbalance, levels, 0.3, Span::minutes(2), origin)
    }
}

fn current_unbalance() -> Limit {
    let levels = vec![level(30.0, Low, Span::minutes(5))];
    let when = Some(Condition { on: Measurand::LoadingPhase, above: 80.0 });
    Limit { when, ..limit(Measurand::CurrentUnbalance, levels, 3.0, Span::minutes(5), "common practice") }
}

fn voltage_thd() -> Limit {
    let levels = vec![
        mean_level(5.0, Journal, Span::minutes(5)),
        mean_level(8.0, Low, Span::minutes(5)),
        mean_level(10.0, High, Span::minutes(30)),
    ];
    limit(
        Measurand::VoltageThd,
        levels,
        0.5,
        Span::minutes(5),
        "8 % IEEE 519 up to 1 kV, rest common practice",
    )
}

fn loading(on: Measurand) -> Limit {
    let levels = vec![
        level(80.0, Journal, Span::minutes(10)),
        level(100.0, Low, Span::hours(2)),
        level(110.0, High, Span::hours(1)),
    ];
    limit(on, levels, 3.0, Span::minutes(10), "nameplate; delays common practice")
}

fn loading_phase() -> Limit {
    let mut limit = loading(Measurand::LoadingPhase);
    limit.levels.push(level(125.0, Urgent, Span::minutes(10)));
    limit
}

/// To a tenth: a setpoint that a person can read out.
fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

fn neutral_current(rated_a: f64) -> Limit {
    let rated_a = tenth(rated_a);
    let levels =
        vec![level(rated_a, High, Span::minutes(10)), level(tenth(1.25 * rated_a), Urgent, Span::minutes(5))];
    let origin = "neutral rated as the lines, 1.25 times it common practice";
    limit(Measurand::NeutralCurrent, levels, 0.03 * rated_a, Span::minutes(10), origin)
}

fn supply(on: Measurand, nominal: f64) -> Vec<Limit> {
    let half_minute = Span::seconds(30);
    let (a, b) = (UTILIZATION_VOLTAGE.a, UTILIZATION_VOLTAGE.b);
    let high = vec![
        level(tenth(a.1 * nominal), Journal, half_minute),
        level(tenth(b.1 * nominal), Low, half_minute),
        level(tenth(1.06 * nominal), High, half_minute),
        level(tenth(1.10 * nominal), Urgent, Span::minutes(1)),
    ];
    let low = vec![
        level(tenth(a.0 * nominal), Journal, half_minute),
        level(tenth(b.0 * nominal), Low, half_minute),
        level(tenth(0.80 * nominal), Urgent, Span::minutes(1)),
    ];
    let origin = "ANSI C84.1 utilization ranges A and B, rest common practice";
    let (deadband, off_delay) = (0.005 * nominal, Span::seconds(60));
    // Motors that start dip the voltage many times a day: counted for the digest, not told.
    let recurs = Some(Recurs { priority: Journal, ..RECURS });
    vec![
        limit(on, high, deadband, off_delay, origin),
        Limit { bound: Bound::Low, recurs, ..limit(on, low, deadband, off_delay, origin) },
    ]
}

/// Sensor in the winding duct of a dry type, by class: high and urgent in °C (common practice, no source).
const DRY_WINDING: &[(u16, f64, f64)] = &[
    (105, 90.0, 100.0),
    (130, 110.0, 120.0),
    (150, 130.0, 145.0),
    (155, 130.0, 145.0),
    (180, 150.0, 170.0),
    (185, 150.0, 170.0),
    (200, 170.0, 185.0),
    (220, 190.0, 205.0),
];

fn winding(rating: &Rating) -> Option<Limit> {
    let (high, urgent) = match rating.cooling {
        Some(Cooling::Liquid) => (120.0, 140.0),
        _ => DRY_WINDING
            .iter()
            .find(|(class, ..)| Some(*class) == rating.insulation_class_c)
            .map(|(_, high, urgent)| (*high, *urgent))?,
    };
    let minute = Span::seconds(60);
    let levels = vec![level(high, High, minute), level(urgent, Urgent, minute)];
    let origin = "insulation class, common practice; the maker's own trip points win where they are given";
    Some(Limit { latch: true, ..limit(Measurand::Winding, levels, 3.0, Span::minutes(5), origin) })
}

fn winding_rise(rated_rise_k: f64) -> Limit {
    let levels = vec![level(rated_rise_k + 15.0, Low, Span::minutes(10))];
    limit(Measurand::WindingRise, levels, 3.0, Span::minutes(10), "rated rise and 15 K, common practice")
}

fn termination() -> Limit {
    let levels = vec![level(90.0, High, Span::minutes(5)), level(105.0, Urgent, Span::minutes(1))];
    Limit { latch: true, ..limit(Measurand::Termination, levels, 2.0, Span::minutes(10), "common practice") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_default_ladder_rises_in_setpoint_and_priority() {
        let rating = Rating {
            rated_a: Some(208.0),
            kva: Some(75.0),
            nominal_ll_v: Some(208.0),
            nominal_ln_v: Some(120.0),
            rated_rise_k: Some(115.0),
            insulation_class_c: Some(220),
            cooling: Some(Cooling::Dry),
        };
        for measurand in Measurand::ALL {
            for limit in default_limits(*measurand, &rating) {
                assert!(!limit.levels.is_empty());
                for pair in limit.levels.windows(2) {
                    assert!(limit.bound.is_past(pair[1].setpoint, pair[0].setpoint), "{limit:?}");
                    assert!(pair[1].priority > pair[0].priority, "{limit:?}");
                }
            }
        }
    }

    #[test]
    fn without_a_nameplate_value_there_is_no_limit_rather_than_a_guess() {
        let rating = Rating::default();
        assert!(default_limits(Measurand::Winding, &rating).is_empty());
        assert!(default_limits(Measurand::VoltageLl, &rating).is_empty());
        assert!(default_limits(Measurand::NeutralCurrent, &rating).is_empty());
    }
}
