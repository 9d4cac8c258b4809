//! Default limits on currents and loading.

use super::{first_figure, level, limit, mean_level, tenth};
use crate::measurand::Measurand;
use crate::plant::Priority::{High, Journal, Low, Urgent};
use crate::plant::{Condition, Limit};
use crate::time::Span;

pub(super) fn current_unbalance() -> Limit {
    let levels = vec![level(30.0, Low, Span::minutes(5))];
    let above_80 = |on| Condition { on, above: 80.0 };
    let when = vec![above_80(Measurand::LoadingPhase), above_80(Measurand::NeutralLoading)];
    Limit { when, ..limit(Measurand::CurrentUnbalance, levels, 3.0, Span::minutes(5), "common practice") }
}

pub(super) fn loading(on: Measurand) -> Limit {
    let levels = vec![
        level(80.0, Journal, Span::minutes(10)),
        level(100.0, Low, Span::hours(2)),
        level(110.0, High, Span::hours(1)),
    ];
    limit(on, levels, 3.0, Span::minutes(10), "nameplate; delays common practice")
}

pub(super) fn loading_phase() -> Limit {
    let mut limit = loading(Measurand::LoadingPhase);
    limit.levels.push(level(125.0, Urgent, Span::minutes(10)));
    limit
}

pub(super) fn neutral_current(neutral_a: f64) -> Limit {
    let rated_a = tenth(neutral_a);
    let levels =
        vec![level(rated_a, High, Span::minutes(10)), level(tenth(1.25 * rated_a), Urgent, Span::minutes(5))];
    let origin = "rating of the neutral, 1.25 times it common practice";
    // What the heat has done stays when the load goes: a person looks before it closes.
    let latch = true;
    Limit {
        latch,
        ..limit(Measurand::NeutralCurrent, levels, first_figure(0.03 * rated_a), Span::minutes(10), origin)
    }
}

/// Not latched: it comes and goes with the load, and harms nothing by itself.
pub(super) fn neutral_over_phase() -> Limit {
    let levels = vec![mean_level(100.0, Low, Span::minutes(5))];
    let when = vec![Condition { on: Measurand::LoadingPhase, above: 30.0 }];
    Limit { when, ..limit(Measurand::NeutralOverPhase, levels, 5.0, Span::minutes(10), "common practice") }
}
