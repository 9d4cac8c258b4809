//! Default limits on what harmonics do.

use super::{level, limit};
use crate::electrical::permissible::KnownBound;
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
