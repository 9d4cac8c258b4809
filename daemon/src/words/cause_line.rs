//! The line for a phone once the cause is known: the number, how often, since when, and the cause within what stands alone.

use super::Site;
use super::alphabet::{clipped, plain};
use super::cause;
use super::code::code;
use super::speech::Speech;
use super::text::{amount, is_latched, limit, named, rate, what, worst};
use super::time::durations;
use super::unit::Scale;
use kvarden_core::diagnosis::{Family, Finding};
use kvarden_core::output::{AlertRevision, Matter, NamedCause, Recurred, Revised, Rule};
use kvarden_core::plant::Bound;
use kvarden_core::time::EventTime;

/// The longest note of a person in the line.
const MOST_NOTE: usize = 80;

/// The cause, where people should read of it: it stands, or is what the alert waits for.
pub(super) fn of(revision: &AlertRevision) -> Option<&NamedCause> {
    revision.cause.as_deref().filter(|cause| cause.stands || is_latched(revision.state))
}

/// What is said first and what may be cut, of an alert whose cause shows.
pub(super) fn standing(revision: &AlertRevision, facts: &Finding, site: &Site) -> (String, String) {
    let speech = site.speech;
    let since = site.moment(revision.since, revision.at);
    let often = how_often(revision, facts, site);
    let often = often.unwrap_or_else(|| format!(" {}", speech.with("line-since-when", &[("when", &since)])));
    let likely = cause::sentence(facts, revision.subject.feeder.as_deref(), speech);
    let (number, rest) = match revision.subject.matter {
        Matter::Quantity(quantity) => {
            let scale = Scale { what: quantity.what, shows: site.shows };
            let bound = revision.rule.bound().unwrap_or(Bound::High);
            let value = || revision.value.map(|value| amount(value, scale, revision.setpoint, speech));
            let number = worst(revision, scale, bound, speech).or_else(value).unwrap_or_default();
            (format!("{} {number}", named(quantity, speech)), limit(revision, scale, speech))
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
        _ => (what(revision, speech), String::new()),
    };
    let rest = if rest.is_empty() { rest } else { format!("; {rest}") };
    (format!("{}{often}. {likely}", plain(number.trim_end())), rest)
}

/// Nothing of it shows, and a person must still say what was found.
pub(super) fn resting(facts: &Finding, speech: Speech) -> String {
    let likely = cause::likely(facts.cause, facts.place, speech);
    let parts = [("cause", likely.as_str())];
    match facts.cause.family() {
        Family::Connection => speech.with("line-resting-connection", &parts),
        _ => speech.with("line-resting", &parts),
    }
}

/// A person has closed it.
pub(super) fn released(topic: &str, (by, note): (&str, &str), at: &str, speech: Speech) -> String {
    let (by, note) = (clipped(by, MOST_NOTE / 2), clipped(note, MOST_NOTE));
    speech.with("line-released", &[("topic", topic), ("at", at), ("person", &by), ("note", &note)])
}

/// Another alert tells of it from now on.
pub(super) fn merged(topic: &str, into: &str, speech: Speech) -> String {
    speech.with("line-merged", &[("topic", topic), ("code", &code(into))])
}

/// `, 31 times since 13:10, 2-9 s each`.
fn how_often(revision: &AlertRevision, facts: &Finding, site: &Site) -> Option<String> {
    let speech = site.speech;
    let said = |times: u32, since: EventTime, lengths: &str| {
        let (times, first) = (times.to_string(), site.moment(since, revision.at));
        let parts = [("times", times.as_str()), ("first", &first), ("lengths", lengths)];
        format!(", {}", speech.with("line-times-since", &parts))
    };
    if let Some(pattern) = &facts.pattern {
        let lengths = durations(pattern.shortest, pattern.longest, speech);
        return Some(match pattern.times {
            1 => {
                let first = site.moment(pattern.since, revision.at);
                format!(", {}", speech.with("line-once", &[("first", &first), ("lengths", &lengths)]))
            }
            times => said(times, pattern.since, &lengths),
        });
    }
    let Recurred { times, since, shortest, longest, .. } = revision.recurred?;
    Some(said(times, since, &durations(shortest, longest, speech)))
}

/// Why there is a new revision, as far as the cause is the reason.
pub(super) fn news(revision: &AlertRevision, speech: Speech) -> Option<String> {
    match revision.why {
        Revised::Explained => Some(speech.say("line-explained")),
        Revised::CauseOver => {
            let facts = &revision.cause.as_deref()?.facts;
            let likely = cause::likely(facts.cause, facts.place, speech);
            Some(speech.with("line-cause-over", &[("cause", &likely)]))
        }
        _ => None,
    }
}
