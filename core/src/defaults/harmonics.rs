//! Default limits on what harmonics do.

use super::{level, limit, mean_level};
use crate::electrical::permissible::KnownBound;
use crate::electrical::standard::CurrentLimits;
use crate::measurand::Measurand;
use crate::plant::Limit;
use crate::plant::Priority::{High, Journal, Low};
use crate::time::Span;

/// Never urgent by itself: what may be carried is often assumed, and the temperature must agree.
pub(super) fn spectrum_loading(known: KnownBound) -> Limit {
    let levels = vec![
        level(90.0, Journal, Span::minutes(10)),
        level(100.0, Low, Span::hours(2)),
        level(110.0, High, Span::hours(1)),
    ];
    let origin = format!("IEEE C57.110 by {}; steps and delays common practice", known.by.words());
    limit(Measurand::SpectrumLoading, levels, 3.0, Span::minutes(10), &origin)
}

/// By the short-circuit current that the transformer's own impedance allows, over its rated current: a smaller demand would allow more,
/// a weak supply less. For the digest only: the table binds at the point of common coupling.
pub(super) fn current_tdd(impedance_percent: f64) -> Option<Limit> {
    let ratio = 100.0 / impedance_percent;
    let row = CurrentLimits::for_ratio(ratio)?;
    let levels = vec![mean_level(row.tdd, Journal, Span::minutes(5))];
    let origin = format!(
        "IEEE 519 Table 2 at I_SC/I_L {ratio:.0}, by the impedance with a strong supply and the rated current as demand; guidance inside a building"
    );
    Some(limit(Measurand::CurrentTdd, levels, 0.5, Span::minutes(10), &origin))
}

/// It is 0 within a fifth and 5 A of what the phases explain, so more than 5 A on the mean is steady.
pub(super) fn neutral_unexplained() -> Limit {
    let levels = vec![mean_level(5.0, Low, Span::minutes(10))];
    let origin = "a fifth and 5 A above what the phases explain, common practice";
    limit(Measurand::NeutralUnexplained, levels, 1.0, Span::minutes(10), origin)
}
