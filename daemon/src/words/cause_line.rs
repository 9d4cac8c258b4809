//! The line for a phone once the cause is known: the number, how often, since when, and the cause within what stands alone.

use super::Site;
use super::alphabet::{clipped, plain};
use super::cause;
use super::code::code;
use super::text::{amount, is_latched, limit, named, rate, what, worst};
use super::time::{durations, moment};
use super::unit::Scale;
use kvarden_core::diagnosis::{Family, Finding};
use kvarden_core::output::{AlertRevision, Matter, NamedCause, Recurred, Revised, Rule};
use kvarden_core::plant::Bound;

/// The longest note of a person in the line.
const MOST_NOTE: usize = 80;

/// The cause, where people should read of it: it stands, or is what the alert waits for.
pub(super) fn of(revision: &AlertRevision) -> Option<&NamedCause> {
    revision.cause.as_deref().filter(|cause| cause.stands || is_latched(revision.state))
}

/// What is said first and what may be cut, of an alert whose cause shows.
pub(super) fn standing(revision: &AlertRevision, facts: &Finding, site: &Site) -> (String, String) {
    let since = moment(revision.since, revision.at, &site.zone);
    let often = how_often(revision, facts, site).unwrap_or_else(|| format!(" since {since}"));
    let likely = cause::sentence(facts, revision.subject.feeder.as_deref());
    let (number, rest) = match revision.subject.matter {
        Matter::Quantity(quantity) => {
            let scale = Scale { what: quantity.what, shows: site.shows };
            let bound = revision.rule.bound().unwrap_or(Bound::High);
            let value = || revision.value.map(|value| amount(value, scale, revision.setpoint));
            let number = worst(revision, scale, bound).or_else(value).unwrap_or_default();
            (format!("{} {number}", named(quantity)), limit(revision, scale))
        }
        Matter::Cause(..) => {
            let first = facts.evidence.first();
            let number =
                first.map(|first| cause::evidence(first, revision.subject.feeder.as_deref(), site.reads()));
            let Some(number) = number else { return (format!("{likely}{often}"), String::new()) };
            (number, String::new())
        }
        Matter::Rate(quantity) if revision.rule != Rule::Cause => {
            return (format!("{}. {likely}", rate(revision, quantity, &since, site)), String::new());
        }
        _ => (what(revision), String::new()),
    };
    let rest = if rest.is_empty() { rest } else { format!(";{}", rest.replace(['(', ')'], "")) };
    (format!("{}{often}. {likely}", plain(number.trim_end())), rest)
}

/// Nothing of it shows, and a person must still say what was found.
pub(super) fn resting(facts: &Finding) -> String {
    let likely = cause::likely(facts.cause, facts.place);
    match facts.cause.family() {
        Family::Connection => format!("{likely}: cooler because the load fell, the fault remains"),
        _ => format!("{likely}: nothing of it shows now, the fault may remain"),
    }
}

/// A person has closed it.
pub(super) fn released(topic: &str, by: &str, note: &str, at: &str) -> String {
    let (by, note) = (clipped(by, MOST_NOTE / 2), clipped(note, MOST_NOTE));
    format!("{topic} closed at {at} by {by}: {note}")
}

/// Another alert tells of it from now on.
pub(super) fn merged(topic: &str, into: &str) -> String {
    format!("{topic} is one fault with alert {} and told there from now on; nothing is over", code(into))
}

/// `, 31 times since 13:10, 2-9 s each`.
fn how_often(revision: &AlertRevision, facts: &Finding, site: &Site) -> Option<String> {
    if let Some(pattern) = &facts.pattern {
        let first = moment(pattern.since, revision.at, &site.zone);
        let lengths = durations(pattern.shortest, pattern.longest);
        return Some(match pattern.times {
            1 => format!(", once at {first}, for {lengths}"),
            times => format!(", {times} times since {first}, {lengths} each"),
        });
    }
    let Recurred { times, since, shortest, longest, .. } = revision.recurred?;
    let first = moment(since, revision.at, &site.zone);
    Some(format!(", {times} times since {first}, {} each", durations(shortest, longest)))
}

/// Why there is a new revision, as far as the cause is the reason.
pub(super) fn news(revision: &AlertRevision) -> Option<String> {
    match revision.why {
        Revised::Explained => Some("; told now because its cause is known".to_owned()),
        Revised::CauseOver => {
            let facts = &revision.cause.as_deref()?.facts;
            let likely = cause::likely(facts.cause, facts.place);
            Some(format!("; {likely}, told before as the cause, no longer shows"))
        }
        _ => None,
    }
}
