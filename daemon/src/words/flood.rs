//! What is told of a flood of alarms: how many, the first of them, and the likely root.

use super::time::moment;
use super::{Site, cause, subject};
use kvarden_core::output::AlertRevision;

/// While it stands: how many rose since when, which was the first, and the fault that likely stands behind them.
pub(super) fn standing(revision: &AlertRevision, site: &Site) -> String {
    let since = moment(revision.since, revision.at, &site.zone);
    let Some(flood) = revision.flood.as_deref() else { return format!("alarm flood since {since}") };
    let first = subject::alarm(&flood.first.subject, flood.first.rule);
    let root = revision.cause.as_deref().map(|named| {
        let facts = &named.facts;
        let at = facts.feeder.as_deref().map(|feeder| format!(" at {feeder}")).unwrap_or_default();
        format!("; likely root: {}{at}", cause::likely(facts.cause, facts.place))
    });
    format!(
        "alarm flood, {} alarms since {since}, the first: {first}{}",
        flood.count,
        root.unwrap_or_default()
    )
}

/// What only urgent alarms do not wait for, while it stands.
pub(super) fn held() -> &'static str {
    "; other alarms are held back except urgent ones, see kvarden status"
}

/// When it is over.
pub(super) fn over(revision: &AlertRevision, site: &Site) -> String {
    let since = moment(revision.since, revision.at, &site.zone);
    let (count, open) = revision.flood.as_deref().map_or((0, 0), |flood| (flood.count, flood.open));
    let still = match open {
        0 => "no other alert is open".to_owned(),
        1 => "1 other alert is still open".to_owned(),
        open => format!("{open} other alerts are still open, see kvarden status"),
    };
    format!("alarm flood over, {count} alarms since {since}; {still}")
}
