//! What is told of a flood of alarms: how many, the first of them, and the likely root.

use super::{Site, cause, subject};
use kvarden_core::output::AlertRevision;

/// While it stands: how many rose since when, which was the first, and the fault that likely stands behind them.
pub(super) fn standing(revision: &AlertRevision, site: &Site) -> String {
    let speech = site.speech;
    let since = site.moment(revision.since, revision.at);
    let Some(flood) = revision.flood.as_deref() else {
        return speech.with("line-since", &[("what", &speech.say("line-flood")), ("since", &since)]);
    };
    let first = subject::alarm_in(&flood.first.subject, flood.first.rule, speech);
    let count = flood.count.to_string();
    let said = speech.with("flood-stands", &[("count", &count), ("since", &since), ("first", &first)]);
    let root = revision.cause.as_deref().map(|named| {
        let facts = &named.facts;
        let at = facts.feeder.as_deref().map(|feeder| speech.with("name-at", &[("name", feeder)]));
        let at = at.map(|at| format!(" {at}")).unwrap_or_default();
        let likely = format!("{}{at}", cause::likely(facts.cause, facts.place, speech));
        format!("; {}", speech.with("flood-root", &[("cause", &likely)]))
    });
    said + &root.unwrap_or_default()
}

/// When it is over.
pub(super) fn over(revision: &AlertRevision, site: &Site) -> String {
    let speech = site.speech;
    let since = site.moment(revision.since, revision.at);
    let (count, open) = revision.flood.as_deref().map_or((0, 0), |flood| (flood.count, flood.open));
    let still = match open {
        0 => speech.say("flood-none-open"),
        1 => speech.say("flood-one-open"),
        open => speech.with("flood-some-open", &[("count", &open.to_string())]),
    };
    let parts = [("count", count.to_string()), ("since", since), ("still", still)];
    speech.with("flood-over", &parts.each_ref().map(|(name, words)| (*name, words.as_str())))
}
