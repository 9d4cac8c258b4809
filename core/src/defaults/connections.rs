//! Limits on connections and on what drives the core.

use super::{level, limit, mean_level};
use crate::electrical::excitation::STEADY_SECOND_PERCENT;
use crate::measurand::Measurand;
use crate::plant::{Limit, Priority};
use crate::time::Span;

use Priority::{High, Low, Urgent};

/// Over like parts, at rated current; without 40 % of load there is no value. What lies below the first step stands in the
/// digest's figures: sensors differ by a kelvin, and the correction to rated current makes more of that.
pub(super) fn termination_excess() -> Limit {
    let minutes = Span::minutes(30);
    let levels =
        vec![level(4.0, Low, minutes), level(15.0, High, minutes), level(40.0, Urgent, Span::minutes(10))];
    let origin = "4 and 15 K over like parts ANSI/NETA Table 100.18, 40 K common practice";
    let limit = limit(Measurand::TerminationExcess, levels, 0.5, Span::minutes(30), origin);
    Limit { latch: true, ..limit }
}

/// Beyond what was learned, on one phase only, at the current of the week.
pub(super) fn contact_heat() -> Limit {
    let minutes = Span::minutes(15);
    let levels = vec![level(10.0, Low, minutes), level(25.0, High, minutes), level(60.0, Urgent, minutes)];
    let limit = limit(Measurand::ContactHeat, levels, 2.0, Span::hours(1), "common practice");
    Limit { latch: true, ..limit }
}

pub(super) fn excitation() -> Limit {
    let levels = vec![mean_level(100.0, Low, Span::minutes(5))];
    let origin = "105 % of the tap's volts at rated load, 110 % without, IEEE C57.12.00/.01 from memory";
    limit(Measurand::Excitation, levels, 0.5, Span::minutes(10), origin)
}

/// A steady one; energising and motors that start have a short one.
pub(super) fn second_order() -> Limit {
    let levels = vec![mean_level(STEADY_SECOND_PERCENT, Low, Span::hours(1))];
    let origin = "a steady second order points to dc or half-wave load, common practice";
    limit(Measurand::SecondOrder, levels, 0.1, Span::minutes(30), origin)
}
