//! Default limits on voltages, and on volts and amperes of the earth side.

use super::{RECURS, Rating, first_figure, level, limit, mean_level, tenth};
use crate::electrical::ratings::UTILIZATION_VOLTAGE;
use crate::electrical::standard::{VOLTAGE_LIMITS, VoltageLimits};
use crate::measurand::Measurand;
use crate::plant::Priority::{High, Journal, Low, Urgent};
use crate::plant::{Bound, Limit, Recurs};
use crate::time::Span;

pub(super) fn voltage_unbalance(rating: &Rating) -> Limit {
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

/// The row of the standard for what a meter sits on, and its words. A bus of which no volts are known is taken as one of a
/// building.
fn bus(rating: &Rating) -> (&'static VoltageLimits, &'static str) {
    let [building, ..] = &VOLTAGE_LIMITS;
    let row = rating.wiring.and_then(|(_, volts)| VoltageLimits::for_volts(volts)).unwrap_or(building);
    (row, if row == building { "IEEE 519 up to 1 kV" } else { "IEEE 519 above 1 kV, from memory" })
}

/// For the digest at 5/8 of the standard's limit, high at 5/4 of it: the 5, 8 and 10 % of the guide up to 1 kV.
pub(super) fn voltage_thd(rating: &Rating) -> Limit {
    let (row, standard) = bus(rating);
    let levels = vec![
        mean_level(tenth(0.625 * row.thd), Journal, Span::minutes(5)),
        mean_level(row.thd, Low, Span::minutes(5)),
        mean_level(tenth(1.25 * row.thd), High, Span::minutes(30)),
    ];
    let origin = format!("{} % {standard}, rest common practice", row.thd);
    limit(Measurand::VoltageThd, levels, 0.5, Span::minutes(5), &origin)
}

/// For the digest at 3/5 of the standard's limit: the 3 and 5 % of the guide up to 1 kV.
pub(super) fn voltage_harmonic(rating: &Rating) -> Limit {
    let (row, standard) = bus(rating);
    let minutes = Span::minutes(5);
    let levels =
        vec![mean_level(tenth(0.6 * row.order), Journal, minutes), mean_level(row.order, Low, minutes)];
    let origin = format!("one order: {} % {standard}, rest common practice", row.order);
    limit(Measurand::VoltageHarmonic, levels, 0.3, minutes, &origin)
}

pub(super) fn supply(on: Measurand, nominal: f64) -> Vec<Limit> {
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
    let (deadband, off_delay) = (first_figure(0.004 * nominal), Span::seconds(60));
    // Motors that start dip the voltage many times a day: counted for the digest, not told.
    let recurs = Some(Recurs { priority: Journal, ..RECURS });
    vec![
        limit(on, high, deadband, off_delay, origin),
        Limit { bound: Bound::Low, recurs, ..limit(on, low, deadband, off_delay, origin) },
    ]
}

/// Volts and amperes of the earth side that call for a look at the next visit.
pub(super) fn earth_side(on: Measurand, setpoint: f64, deadband: f64) -> Limit {
    limit(
        on,
        vec![mean_level(setpoint, Low, Span::minutes(5))],
        deadband,
        Span::minutes(10),
        "common practice",
    )
}
