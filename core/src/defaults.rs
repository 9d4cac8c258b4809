//! The limits that a site gets when its owner sets none, each with where its numbers come from.

use crate::electrical::ratings::UTILIZATION_VOLTAGE;
use crate::measurand::{Measurand, Quantity};
use crate::plant::{
    AppliesTo, Bound, Condition, Cooling, Level, Limit, Priority, Recurs, TripPoints, WiringForm,
};
use crate::time::Span;

use Priority::{High, Journal, Low, Urgent};

/// What is known of the thing that a meter sits on: the base for its default limits.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Rating {
    /// Rated line current in amperes.
    pub rated_a: Option<f64>,
    /// Rated current of the neutral in amperes.
    pub neutral_a: Option<f64>,
    /// Power in kVA that may pass through, for a transformer's own meter.
    pub kva: Option<f64>,
    /// Nominal line-to-line volts, for three phases.
    pub nominal_ll_v: Option<f64>,
    /// Volts of the form, see [`Side`](crate::plant::Side), and how it is connected.
    pub wiring: Option<(WiringForm, f64)>,
    /// Rated average winding rise in kelvin.
    pub rated_rise_k: Option<f64>,
    /// Insulation class in °C.
    pub insulation_class_c: Option<u16>,
    /// How it is cooled.
    pub cooling: Option<Cooling>,
    /// The maker's own trip points.
    pub trip_points: TripPoints,
    /// Whether motors hang on it.
    pub serves_motors: bool,
    /// Whether it is an open delta or open wye.
    pub open_bank: bool,
}

const RECURS: Recurs =
    Recurs { times: 3, within: Span::hours(6), shortest: Span::seconds(2), priority: High };

/// The default limits on one quantity of something rated so. Empty where nothing can be said.
///
/// Sources stand in each limit's `origin`. "C84.1", "IEEE 519" and "EN 50160" values are those of the standards
/// as the limits table of the guide lists them; everything else is common practice, no source.
pub fn default_limits(on: Quantity, rating: &Rating) -> Vec<Limit> {
    let nominal = rating.wiring.and_then(|(form, volts)| form.nominal_volts(volts, on));
    match on.what {
        Measurand::VoltageUnbalance => vec![voltage_unbalance(rating)],
        Measurand::CurrentUnbalance => vec![current_unbalance()],
        Measurand::VoltageThd => vec![voltage_thd()],
        // The first order is the fundamental itself.
        Measurand::VoltageHarmonic if on.number > 1 => vec![voltage_harmonic()],
        Measurand::LoadingKva => vec![loading(on.what)],
        Measurand::LoadingPhase => vec![loading_phase()],
        Measurand::NeutralCurrent => rating.neutral_a.map(neutral_current).into_iter().collect(),
        Measurand::VoltageLl | Measurand::VoltageLn => {
            nominal.map(|nominal| supply(on.what, nominal)).unwrap_or_default()
        }
        Measurand::Winding => winding(rating).into_iter().collect(),
        Measurand::WindingRise => winding_rise(rating).into_iter().collect(),
        Measurand::TopOil => vec![top_oil()],
        Measurand::Termination => vec![termination()],
        Measurand::NeutralToEarth => vec![earth_side(on.what, 3.0, 0.3)],
        Measurand::BondingCurrent => vec![earth_side(on.what, 1.0, 0.2)],
        Measurand::CoreStrapCurrent => vec![earth_side(on.what, 0.3, 0.05)],
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
        rate: false,
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

fn voltage_unbalance(rating: &Rating) -> Limit {
    let minute = Span::seconds(60);
    // A motor's windings take several times a small unbalance of volts as an unbalance of currents, so it asks for more.
    let (mut levels, mut origin) = if rating.serves_motors {
        (
            vec![mean_level(1.0, Journal, minute), mean_level(2.0, High, minute)],
            "motors are fed: 1 % common practice, 2 % common practice and EN 50160, 5 % common practice"
                .to_owned(),
        )
    } else {
        (
            vec![mean_level(2.0, Low, minute), mean_level(3.0, High, minute)],
            "2 % common practice and EN 50160, 3 % ANSI C84.1, 5 % common practice".to_owned(),
        )
    };
    levels.push(level(5.0, Urgent, Span::seconds(30)));
    if rating.open_bank {
        origin.push_str("; an open bank unbalances by itself as its load grows");
    }
    Limit {
        recurs: Some(RECURS),
        ..limit(Measurand::VoltageUnbalance, levels, 0.3, Span::minutes(2), &origin)
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

fn voltage_harmonic() -> Limit {
    let levels = vec![mean_level(3.0, Journal, Span::minutes(5)), mean_level(5.0, Low, Span::minutes(5))];
    let origin = "one order: 5 % IEEE 519 up to 1 kV, rest common practice";
    limit(Measurand::VoltageHarmonic, levels, 0.3, Span::minutes(5), origin)
}

/// Volts and amperes of the earth side that call for a look at the next visit.
fn earth_side(on: Measurand, setpoint: f64, deadband: f64) -> Limit {
    limit(
        on,
        vec![mean_level(setpoint, Low, Span::minutes(5))],
        deadband,
        Span::minutes(10),
        "common practice",
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

fn neutral_current(neutral_a: f64) -> Limit {
    let rated_a = tenth(neutral_a);
    let levels =
        vec![level(rated_a, High, Span::minutes(10)), level(tenth(1.25 * rated_a), Urgent, Span::minutes(5))];
    let origin = "rating of the neutral, 1.25 times it common practice";
    limit(Measurand::NeutralCurrent, levels, 0.03 * rated_a, Span::minutes(10), origin)
}

fn supply(on: Measurand, nominal: f64) -> Vec<Limit> {
    let half_minute = Span::seconds(30);
    let (a, b) = (UTILIZATION_VOLTAGE.a, UTILIZATION_VOLTAGE.b);
    // Range B ends at 127/120 = 1.0583: nearer to 1.06 than a meter's own error, and than any useful deadband. So the
    // two are one step, at the range's end and with the higher priority.
    let high = vec![
        level(tenth(a.1 * nominal), Journal, half_minute),
        level(tenth(b.1 * nominal), High, half_minute),
        level(tenth(1.10 * nominal), Urgent, Span::minutes(1)),
    ];
    let low = vec![
        level(tenth(a.0 * nominal), Journal, half_minute),
        level(tenth(b.0 * nominal), Low, half_minute),
        level(tenth(0.80 * nominal), Urgent, Span::minutes(1)),
    ];
    let origin = "ANSI C84.1 utilization ranges A and B, rest common practice";
    // Half of what parts the two nearest steps, 1.05 and 1.0583 (common practice, no source).
    let (deadband, off_delay) = (0.004 * nominal, Span::seconds(60));
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

/// The maker's own trip points win over any table.
fn winding(rating: &Rating) -> Option<Limit> {
    let minute = Span::seconds(60);
    let TripPoints { warn_c, trip_c } = rating.trip_points;
    let (levels, origin): (Vec<Level>, _) = if warn_c.is_some() || trip_c.is_some() {
        let points = [(warn_c, High), (trip_c, Urgent)];
        let levels = points.into_iter().filter_map(|(point, priority)| Some(level(point?, priority, minute)));
        (levels.collect(), "the maker's own trip points")
    } else if rating.cooling.is_some_and(Cooling::is_liquid) {
        (
            vec![level(120.0, High, minute), level(140.0, Urgent, minute)],
            "hot spot of a liquid-filled unit, common practice",
        )
    } else {
        let of_class = |(class, ..): &&(u16, f64, f64)| Some(*class) == rating.insulation_class_c;
        let (_, high, urgent) = *DRY_WINDING.iter().find(of_class)?;
        (vec![level(high, High, minute), level(urgent, Urgent, minute)], "insulation class, common practice")
    };
    Some(Limit { latch: true, ..limit(Measurand::Winding, levels, 3.0, Span::minutes(5), origin) })
}

/// Largest usual average rise of a class in kelvin: dry types of North America, and for classes that only IEC has, its
/// table. Sources: public class tables; 130, 180 and 185 from memory of C57.12.01 and UL 1561.
const LARGEST_RISE: &[(u16, f64)] = &[
    (105, 55.0),
    (120, 75.0),
    (130, 60.0),
    (150, 80.0),
    (155, 100.0),
    (180, 115.0),
    (185, 115.0),
    (200, 130.0),
    (220, 150.0),
];

fn winding_rise(rating: &Rating) -> Option<Limit> {
    let (rise, origin) = match rating.rated_rise_k {
        Some(rise) => (rise, "rated rise and 15 K, common practice".to_owned()),
        None if rating.cooling.is_some_and(Cooling::is_liquid) => return None,
        None => {
            let class = rating.insulation_class_c?;
            let (_, rise) = LARGEST_RISE.iter().find(|(known, _)| *known == class)?;
            (
                *rise,
                format!(
                    "rise not given, so the largest usual one of class {class} is taken, {rise} K; 15 K common practice"
                ),
            )
        }
    };
    let levels = vec![level(rise + 15.0, Low, Span::minutes(10))];
    Some(limit(Measurand::WindingRise, levels, 3.0, Span::minutes(10), &origin))
}

fn top_oil() -> Limit {
    let minute = Span::seconds(60);
    let levels = vec![level(95.0, High, minute), level(105.0, Urgent, minute)];
    Limit { latch: true, ..limit(Measurand::TopOil, levels, 3.0, Span::minutes(5), "common practice") }
}

fn termination() -> Limit {
    let levels = vec![level(90.0, High, Span::minutes(5)), level(105.0, Urgent, Span::minutes(1))];
    Limit { latch: true, ..limit(Measurand::Termination, levels, 2.0, Span::minutes(10), "common practice") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phases::Place;

    fn rating() -> Rating {
        Rating {
            rated_a: Some(208.0),
            neutral_a: Some(208.0),
            kva: Some(75.0),
            nominal_ll_v: Some(208.0),
            wiring: Some((WiringForm::Wye, 208.0)),
            rated_rise_k: Some(115.0),
            insulation_class_c: Some(220),
            cooling: Some(Cooling::Dry),
            ..Rating::default()
        }
    }

    fn quantities() -> impl Iterator<Item = Quantity> {
        Measurand::ALL
            .iter()
            .flat_map(|what| what.facts().places.list().iter().map(|place| Quantity::at(*what, *place)))
    }

    #[test]
    fn every_default_ladder_rises_in_setpoint_and_priority() {
        for motors in [false, true] {
            let rating = Rating { serves_motors: motors, ..rating() };
            for limit in quantities().flat_map(|quantity| default_limits(quantity, &rating)) {
                assert!(!limit.levels.is_empty());
                for pair in limit.levels.windows(2) {
                    assert!(limit.bound.is_past(pair[1].setpoint, pair[0].setpoint), "{limit:?}");
                    assert!(pair[1].priority > pair[0].priority, "{limit:?}");
                }
            }
        }
    }

    /// A level clears when the value has come back by the deadband: were the next milder one nearer than that, an alarm
    /// of the higher level would stand on while the milder one is not even reached.
    #[test]
    fn the_steps_of_a_default_ladder_lie_further_apart_than_its_deadband() {
        for limit in quantities().flat_map(|quantity| default_limits(quantity, &rating())) {
            for pair in limit.levels.windows(2) {
                let apart = (pair[1].setpoint - pair[0].setpoint).abs();
                assert!(apart > limit.deadband, "{} apart, deadband {}: {limit:?}", apart, limit.deadband);
            }
        }
    }

    #[test]
    fn without_a_nameplate_value_there_is_no_limit_rather_than_a_guess() {
        let rating = Rating::default();
        assert!(default_limits(Quantity::at(Measurand::Winding, Place::A), &rating).is_empty());
        assert!(default_limits(Quantity::at(Measurand::WindingRise, Place::A), &rating).is_empty());
        assert!(default_limits(Quantity::at(Measurand::VoltageLl, Place::AB), &rating).is_empty());
        assert!(default_limits(Quantity::whole(Measurand::NeutralCurrent), &rating).is_empty());
    }

    fn setpoints(what: Measurand, rating: &Rating) -> Vec<(f64, Priority)> {
        let quantity = what.quantities().last().expect("each has a place");
        let limits = default_limits(quantity, rating);
        limits.iter().flat_map(|limit| &limit.levels).map(|level| (level.setpoint, level.priority)).collect()
    }

    /// The table of the guide: class 220 has 190/205 °C; makers' own points win (common practice).
    #[test]
    fn the_makers_trip_points_win_over_the_table() {
        assert_eq!(setpoints(Measurand::Winding, &rating()), [(190.0, High), (205.0, Urgent)]);
        let trip_points = TripPoints { warn_c: Some(180.0), trip_c: Some(200.0) };
        let own = Rating { trip_points, ..rating() };
        assert_eq!(setpoints(Measurand::Winding, &own), [(180.0, High), (200.0, Urgent)]);
        let only_trip = Rating { trip_points: TripPoints { warn_c: None, ..trip_points }, ..rating() };
        assert_eq!(setpoints(Measurand::Winding, &only_trip), [(200.0, Urgent)]);
    }

    /// Public class table: class 220 is built for 150 K at the most, class 150 for 80 K.
    #[test]
    fn a_rise_that_is_not_given_is_the_largest_of_its_class_and_said_so() {
        for (class, rise) in [(220, 150.0), (150, 80.0)] {
            let rating = Rating { rated_rise_k: None, insulation_class_c: Some(class), ..rating() };
            assert_eq!(setpoints(Measurand::WindingRise, &rating), [(rise + 15.0, Low)]);
            let quantity = Quantity::at(Measurand::WindingRise, Place::A);
            assert!(default_limits(quantity, &rating)[0].origin.contains("rise not given"));
        }
    }

    /// The table of the guide: 2 %, 3 % (2 % where it serves motors), 5 %; 1 % for the digest where motors are fed.
    #[test]
    fn motors_ask_for_better_balanced_volts() {
        let plain = setpoints(Measurand::VoltageUnbalance, &rating());
        assert_eq!(plain, [(2.0, Low), (3.0, High), (5.0, Urgent)]);
        let motors = setpoints(Measurand::VoltageUnbalance, &Rating { serves_motors: true, ..rating() });
        assert_eq!(motors, [(1.0, Journal), (2.0, High), (5.0, Urgent)]);
    }
}
