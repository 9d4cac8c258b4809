//! The one line for a person with a phone: priority, where, what, the number and its limit, since when, how often.
//!
//! The first 140 characters stand alone and the whole is in the 7-bit alphabet. Long names lose their middle
//! before anything else is lost.

use super::Site;
use super::alphabet::{clipped, plain};
use super::cause;
use super::cause_line;
use super::flood;
use super::health;
use super::message::value_now;
use super::names;
use super::speech::Speech;
use super::supply;
use super::time::{duration, durations};
use super::unit::Scale;
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::measurand::{Measurand, Numbers, Quantity, Unit};
use kvarden_core::output::{AlertRevision, Held, Matter, Recurred, Revised, Rule, Subject};
use kvarden_core::plant::{Bound, Priority};

/// What stands alone: what a phone shows of a message without opening it, with room for a sender's mark.
pub(super) const STANDS_ALONE: usize = 140;
/// The shortest that names are made, in the order in which they give way: site, feeder or meter, transformer.
const SHORTEST_NAMES: [usize; 3] = [10, 12, 14];
/// The longest name of a person in the line.
const MOST_PERSON: usize = 40;

/// The line.
pub(super) fn line(revision: &AlertRevision, site: &Site) -> String {
    let Said { first, rest } = said(revision, site);
    let head = head(revision, site, STANDS_ALONE.saturating_sub(plain(&first).chars().count()));
    plain(&format!("{head}{first}{rest}"))
}

/// What it is about, in words: `voltage unbalance`, `current phase B`, `meter silent`.
pub(super) fn what(revision: &AlertRevision, speech: Speech) -> String {
    match (&revision.subject.matter, revision.rule) {
        (Matter::Quantity(quantity), _) => named(*quantity, speech),
        (Matter::Rate(quantity), _) => speech.with("line-rate-of", &[("what", &named(*quantity, speech))]),
        (Matter::Part(part), _) => health::of_part(part, speech).what,
        (Matter::Meter, rule) => health::of_meter(rule, speech).what,
        (Matter::Supply(_), _) => speech.say("line-supply"),
        (Matter::Cause(cause, place), _) => cause::likely(*cause, *place, speech),
        (Matter::Flood, _) => speech.say("line-flood"),
        (Matter::Work, _) => speech.say("line-work"),
    }
}

/// The essential part, and what may be cut.
struct Said {
    first: String,
    rest: String,
}

fn said(revision: &AlertRevision, site: &Site) -> Said {
    let speech = site.speech;
    let at = site.moment(revision.at, revision.at);
    let topic = || topic(revision, speech);
    let shown = cause_line::of(revision).filter(|_| revision.subject.matter != Matter::Flood);
    let mut known = String::new();
    let first = match &revision.why {
        Revised::Merged { into } => cause_line::merged(&topic(), into, speech),
        Revised::Released { by, note } => cause_line::released(&topic(), (by, note), &at, speech),
        Revised::NoLongerWatched => speech.with("line-gone", &[("what", &topic())]),
        Revised::Closed => speech.with("line-closed", &[("over", &over(revision, site, None)), ("at", &at)]),
        Revised::SupplyLost => speech.with("line-by-itself-no-more", &[("topic", &topic()), ("at", &at)]),
        _ if is_latched(revision.state) && shown.is_some() => {
            shown.map(|cause| cause_line::resting(&cause.facts, speech)).unwrap_or_default()
                + &waits(revision.state, speech)
        }
        _ if is_over(revision.state) => {
            let when = (revision.why == Revised::Returned).then_some(at.as_str());
            over(revision, site, when) + &waits(revision.state, speech)
        }
        _ => match shown {
            Some(cause) => {
                let (first, rest) = cause_line::standing(revision, &cause.facts, site);
                known = rest;
                first
            }
            None => standing(revision, site),
        },
    };
    let tells_cause = shown.is_some() && !is_over(revision.state);
    let elsewhere = revision.fed.as_ref().map(|other| supply::behind(&revision.subject, other, speech));
    let (often, values) = if tells_cause {
        (known, String::new())
    } else {
        (how_often(revision, site), about_values(revision, site))
    };
    let rest = [elsewhere.unwrap_or_default(), often, values, news(revision, site), where_to(revision, site)];
    let rest = rest.concat();
    Said { first, rest }
}

/// Priority and place in at most `room` characters where names can be made so short.
fn head(revision: &AlertRevision, site: &Site, room: usize) -> String {
    let subject = &supply::charged(&revision.subject, revision.fed.as_ref());
    // The keys stand here in full, so that the test of the files finds them.
    let priority = match revision.priority {
        Priority::Urgent => site.speech.say("line-urgent"),
        Priority::High => site.speech.say("line-high"),
        Priority::Low => site.speech.say("line-low"),
        Priority::Journal => site.speech.say("line-journal"),
    };
    let transformer = subject.transformer.as_deref().map(plain);
    let below = subject.feeder.as_deref().map(plain);
    let mut names = [Some(plain(&site.name)), below, transformer];
    let [site, below, transformer] = loop {
        let length = |name: &Option<String>| name.as_ref().map_or(0, |name| name.chars().count() + 2);
        let over = (priority.len() + 2 + names.iter().map(length).sum::<usize>()).saturating_sub(room);
        let longer = names.iter_mut().zip(SHORTEST_NAMES).find_map(|(name, shortest)| {
            name.as_mut()
                .filter(|name| over > 0 && name.chars().count() > shortest)
                .map(|name| (name, shortest))
        });
        let Some((name, shortest)) = longer else { break names };
        *name = clipped(name, name.chars().count().saturating_sub(over).max(shortest));
    };
    let transformer = transformer.map(|name| format!(" {name}")).unwrap_or_default();
    let below = below.map(|name| format!(", {name}")).unwrap_or_default();
    format!("{priority} {}{transformer}{below}: ", site.unwrap_or_default())
}

/// The condition as it stands: what, number, limit, since when.
fn standing(revision: &AlertRevision, site: &Site) -> String {
    let speech = site.speech;
    let since = site.moment(revision.since, revision.at);
    let lasts = |what: &str| speech.with("line-since", &[("what", what), ("since", &since)]);
    match (&revision.subject.matter, revision.rule) {
        (Matter::Quantity(quantity), Rule::Absent) => {
            speech.with("line-absent", &[("what", &named(*quantity, speech)), ("since", &since)])
        }
        (Matter::Quantity(quantity), Rule::Nameplate) => {
            let scale = Scale { what: quantity.what, shows: site.shows };
            let shown = |value: Option<f64>| match value {
                Some(value) => amount(value, scale, None, speech),
                None => speech.say("not-known"),
            };
            let (value, limit) = (shown(value_now(revision)), shown(revision.setpoint));
            let what = named(*quantity, speech);
            let parts = [("what", what.as_str()), ("value", &value), ("limit", &limit), ("since", &since)];
            speech.with("line-nameplate", &parts)
        }
        (Matter::Rate(quantity), _) => rate(revision, *quantity, &since, site),
        (Matter::Quantity(quantity), rule) => {
            let scale = Scale { what: quantity.what, shows: site.shows };
            let number = match rule {
                // Between two excursions the value at this moment says nothing: the worst does.
                Rule::Recurrence { bound } => worst(revision, scale, bound, speech),
                _ => value_now(revision).map(|value| amount(value, scale, revision.setpoint, speech)),
            };
            let number = number.unwrap_or_else(|| speech.say("not-measured"));
            lasts(&format!(
                "{} {number}{}",
                named(*quantity, speech),
                in_brackets(&limit(revision, scale, speech))
            ))
        }
        (Matter::Meter, rule) => {
            let said = health::of_meter(rule, speech);
            lasts(&format!("{} {}", topic(revision, speech), said.stands)) + &said.cost
        }
        (Matter::Part(part), _) => {
            let said = health::of_part(part, speech);
            lasts(&said.stands) + &said.cost
        }
        (Matter::Supply(other), _) => lasts(&supply::fed(other, speech)),
        (Matter::Cause(..) | Matter::Work, _) => lasts(&what(revision, speech)),
        (Matter::Flood, _) => flood::standing(revision, site),
    }
}

/// How fast it rises or falls: `winding temperature phase A rises by 22.0 K/h (limit 20.0 K/h over 30 min)`.
pub(super) fn rate(revision: &AlertRevision, quantity: Quantity, since: &str, site: &Site) -> String {
    let speech = site.speech;
    let scale = Scale { what: quantity.what, shows: site.shows };
    let (unit, decimals) = (plain(scale.per_hour()), usize::from(quantity.what.facts().decimals));
    let falls = revision.rule.bound() == Some(Bound::Low);
    let sign = if falls { -1.0 } else { 1.0 };
    let shown = |value: Option<f64>| match value.map(|value| scale.read_difference(sign * value)) {
        Some(value) => format!("{} {unit}", speech.digits(&format!("{value:.decimals$}"))),
        None => speech.say("not-known"),
    };
    let (now, limit) = (shown(value_now(revision)), shown(revision.setpoint));
    let limit = match revision.over.map(duration) {
        Some(over) => speech.with("line-rate-over", &[("limit", &limit), ("over", &over)]),
        None => limit,
    };
    let what = named(quantity, speech);
    let parts = [("what", what.as_str()), ("now", &now), ("limit", &limit), ("since", since)];
    if falls { speech.with("line-falls", &parts) } else { speech.with("line-rises", &parts) }
}

/// The condition is over: what is seen now, and since when if that is known.
fn over(revision: &AlertRevision, site: &Site, when: Option<&str>) -> String {
    let speech = site.speech;
    let since = when.map(|when| format!(" {}", speech.with("line-since-when", &[("when", when)])));
    let since = since.unwrap_or_default();
    let topic = topic(revision, speech);
    let parts = [("topic", topic.as_str()), ("since", &since)];
    match (&revision.subject.matter, revision.rule) {
        (Matter::Quantity(quantity), _) if is_heat(quantity.what) && is_latched(revision.state) => {
            speech.with("line-cooler", &parts)
        }
        (Matter::Quantity(_) | Matter::Rate(_), _) if is_latched(revision.state) => {
            speech.with("line-within-latched", &parts)
        }
        (Matter::Quantity(_), Rule::Recurrence { .. }) => match revision.recurred {
            Some(recurred) => {
                let latest = site.moment(recurred.latest, revision.at);
                speech.with("line-not-again-after", &[("topic", &topic), ("latest", &latest)])
            }
            None => speech.with("line-not-again", &[("topic", &topic)]),
        },
        (Matter::Quantity(_), Rule::Absent) => speech.with("line-values-again", &parts),
        (Matter::Quantity(_), Rule::Nameplate) => speech.with("line-fits", &parts),
        (Matter::Quantity(_) | Matter::Rate(_), _) => speech.with("line-within", &parts),
        (Matter::Meter, rule) => format!("{topic} {}{since}", health::of_meter(rule, speech).over),
        (Matter::Part(part), _) => format!("{}{since}", health::of_part(part, speech).over),
        (Matter::Supply(other), _) => {
            speech.with("line-no-longer-fed", &[("fed", &supply::fed(other, speech)), ("since", &since)])
        }
        (Matter::Cause(..), _) => speech.with("line-shows-no-more", &parts),
        (Matter::Work, _) => speech.with("line-ended", &parts),
        (Matter::Flood, _) => flood::over(revision, site),
    }
}

/// What a person still has to do about a condition that is over.
fn waits(state: AlarmState, speech: Speech) -> String {
    let said = match state {
        AlarmState::ReturnedUnacknowledged => speech.say("line-wants-acknowledging"),
        AlarmState::LatchedUnacknowledged => speech.say("line-wants-both"),
        AlarmState::LatchedAcknowledged => speech.say("line-wants-releasing"),
        _ => return String::new(),
    };
    format!("; {said}")
}

fn how_often(revision: &AlertRevision, site: &Site) -> String {
    let Some(Recurred { times, since, shortest, longest, .. }) = revision.recurred else {
        return String::new();
    };
    let speech = site.speech;
    let (times, lengths) = (times.to_string(), durations(shortest, longest, speech));
    let first = site.moment(since, revision.at);
    let stands = !is_over(revision.state) && revision.why != Revised::NoLongerWatched;
    if stands && first == site.moment(revision.since, revision.at) {
        format!(", {}", speech.with("line-times", &[("times", &times), ("lengths", &lengths)]))
    } else {
        let parts = [("times", times.as_str()), ("first", &first), ("lengths", &lengths)];
        format!("; {}", speech.with("line-times-since", &parts))
    }
}

/// After it is over: how bad it was. While it stands and the worst was worse than now: the worst.
fn about_values(revision: &AlertRevision, site: &Site) -> String {
    let Matter::Quantity(Quantity { what, .. }) = revision.subject.matter else { return String::new() };
    let (Rule::Level { bound, .. } | Rule::Recurrence { bound }) = revision.rule else {
        return String::new();
    };
    let speech = site.speech;
    let scale = Scale { what, shows: site.shows };
    let Some(worst) = worst(revision, scale, bound, speech) else { return String::new() };
    let was = |worst: &str| format!("; {}", speech.with("line-was", &[("worst", worst)]));
    if revision.why == Revised::NoLongerWatched || is_over(revision.state) {
        let since = site.moment(revision.since, revision.at);
        let worst = format!("{worst}{}", in_brackets(&limit(revision, scale, speech)));
        return was(&speech.with("line-since", &[("what", &worst), ("since", &since)]));
    }
    let shown = |value: Option<f64>| value.map(|value| amount(value, scale, revision.setpoint, speech));
    match revision.rule {
        Rule::Level { .. } if shown(value_now(revision)) != shown(revision.peak) => was(&worst),
        _ => String::new(),
    }
}

/// Where to go, for those who do not know the names.
fn where_to(revision: &AlertRevision, site: &Site) -> String {
    let subject = supply::charged(&revision.subject, revision.fed.as_ref());
    let location = site.whereabouts.location(&subject).filter(|_| revision.open);
    let at = |location| site.speech.with("line-at", &[("place", &clipped(location, MOST_PERSON))]);
    location.map(|location| format!("; {}", at(location))).unwrap_or_default()
}

/// Why there is a new revision, where the line does not say it already.
fn news(revision: &AlertRevision, site: &Site) -> String {
    let speech = site.speech;
    let by = |key: &str, by: &str| speech.with(key, &[("person", &clipped(by, MOST_PERSON))]);
    let meter = meter_behind(revision, speech).unwrap_or_default();
    let news = match &revision.why {
        // Who reads this may never have been told of it before: it must be right as a first word too.
        Revised::Worse => Some(speech.say("line-worse")),
        Revised::Milder => Some(speech.say("line-milder")),
        Revised::Acknowledged { by: person } => Some(by("line-acknowledged", person)),
        Revised::Shelved { by, until } => {
            let (person, until) = (clipped(by, MOST_PERSON), site.moment(*until, revision.at));
            Some(speech.with("line-shelved", &[("person", &person), ("until", &until)]))
        }
        Revised::Unshelved if !is_over(revision.state) => Some(speech.say("line-unshelved")),
        Revised::OutOfService { by: person } => Some(by("line-out-of-service", person)),
        Revised::Chattering => Some(speech.say("line-chatters")),
        Revised::Calm | Revised::Stands { after: Held::Chattering } => Some(speech.say("line-calm")),
        Revised::WorkBegun => Some(speech.say("line-work-begun")),
        Revised::Stands { after: Held::Work } => Some(speech.say("line-work-over-stands")),
        Revised::Stands { after: Held::Flood } => Some(speech.say("line-flood-over-stands")),
        Revised::SupplyLost => Some(speech.say("line-supply-lost")),
        Revised::Opened | Revised::Explained if revision.subject.matter == Matter::Flood => {
            Some(speech.say("flood-held"))
        }
        Revised::Instead => Some(speech.say("line-instead")),
        Revised::NoLongerWatched => Some(speech.say("line-says-nothing")),
        _ => cause_line::news(revision, speech),
    };
    let news = news.map(|news| format!("; {news}")).unwrap_or_default();
    format!("{meter}{news}")
}

/// What the sentence is about.
fn topic(revision: &AlertRevision, speech: Speech) -> String {
    match (&revision.subject.matter, revision.subject.meter.as_deref()) {
        (Matter::Quantity(quantity), _) => named(*quantity, speech),
        (
            Matter::Part(_)
            | Matter::Rate(_)
            | Matter::Supply(_)
            | Matter::Cause(..)
            | Matter::Flood
            | Matter::Work,
            _,
        ) => what(revision, speech),
        // A meter that is named like its feeder was just named.
        (Matter::Meter, Some(meter)) if Some(meter) != revision.subject.feeder.as_deref() => {
            own_meter(meter, &revision.subject, speech)
        }
        (Matter::Meter, _) => speech.say("line-meter"),
    }
}

/// Which of the transformer's own meters gave the value: the sides differ.
fn meter_behind(revision: &AlertRevision, speech: Speech) -> Option<String> {
    let subject = &revision.subject;
    let own = matches!(subject.matter, Matter::Quantity(_) | Matter::Rate(_)) && subject.feeder.is_none();
    let meter = subject.meter.as_deref().filter(|_| own)?;
    Some(format!("; {}", own_meter(meter, subject, speech)))
}

/// A meter by its name, where what is computed across meters has one of ours.
fn own_meter(meter: &str, subject: &Subject, speech: Speech) -> String {
    let name = names::meter(meter, subject.transformer.as_deref(), speech);
    speech.with("where-meter", &[("name", &clipped(&name, MOST_PERSON))])
}

/// A quantity with its place: `current phase B`.
pub fn named(quantity: Quantity, speech: Speech) -> String {
    let words = names::measurand(quantity.what, speech);
    let number = quantity.number.to_string();
    let mut said = match (quantity.what.facts().numbers, quantity.number) {
        (Numbers::Orders, _) => speech.with("name-order", &[("what", words), ("order", &number)]),
        (_, 0) => words.to_owned(),
        (_, _) => format!("{words} #{number}"),
    };
    if let Some(place) = names::place(quantity.place, speech) {
        said.push(' ');
        said.push_str(&place);
    }
    said
}

/// The limit that was passed: `limit 3.0 %`; empty where there is none.
pub(super) fn limit(revision: &AlertRevision, scale: Scale, speech: Speech) -> String {
    let Some(setpoint) = revision.setpoint else { return String::new() };
    let amount = scale.with_unit(&setpoint_digits(setpoint, scale), speech);
    let low = matches!(
        revision.rule,
        Rule::Level { bound: Bound::Low, .. } | Rule::Recurrence { bound: Bound::Low }
    );
    let parts = [("limit", amount.as_str())];
    let said = if low { speech.with("line-low-limit", &parts) } else { speech.with("line-limit", &parts) };
    match revision.over.map(duration) {
        Some(over) => speech.with("line-mean-of", &[("over", &over), ("limit", &said)]),
        None => said,
    }
}

fn in_brackets(words: &str) -> String {
    if words.is_empty() { String::new() } else { format!(" ({words})") }
}

/// The worst value: `up to 4.1 %`, or `down to 98.2 V` where low is bad.
pub(super) fn worst(revision: &AlertRevision, scale: Scale, bound: Bound, speech: Speech) -> Option<String> {
    let peak = revision.peak.filter(|peak| peak.is_finite())?;
    let amount = amount(peak, scale, revision.setpoint, speech);
    let parts = [("amount", amount.as_str())];
    Some(match bound {
        Bound::High => speech.with("line-up-to", &parts),
        Bound::Low => speech.with("line-down-to", &parts),
    })
}

/// A value with its unit, rounded as the table of measurands says. Where that would show a value past the limit
/// as equal to the limit, one decimal more.
pub(super) fn amount(value: f64, scale: Scale, setpoint: Option<f64>, speech: Speech) -> String {
    if !value.is_finite() {
        return speech.say("not-measured");
    }
    let (value, setpoint) = (scale.read(value), setpoint.map(|setpoint| scale.read(setpoint)));
    let decimals = usize::from(scale.what.facts().decimals);
    let digits = format!("{value:.decimals$}");
    let blurred = setpoint.is_some_and(|setpoint| {
        digits == format!("{setpoint:.decimals$}") && (value - setpoint).abs() > f64::EPSILON
    });
    scale.with_unit(&if blurred { format!("{value:.*}", decimals + 1) } else { digits }, speech)
}

/// A setpoint as its owner wrote it, to thousandths, with no fewer decimals than the measurand's.
fn setpoint_digits(setpoint: f64, scale: Scale) -> String {
    let setpoint = scale.read(setpoint);
    let least = usize::from(scale.what.facts().decimals);
    let exact = format!("{setpoint:.3}");
    let needed = exact.trim_end_matches('0').split('.').nth(1).map_or(0, str::len);
    format!("{setpoint:.*}", needed.max(least))
}

fn is_heat(what: Measurand) -> bool {
    matches!(what.facts().unit, Unit::Celsius | Unit::Kelvin)
}

pub(super) fn is_latched(state: AlarmState) -> bool {
    matches!(state, AlarmState::LatchedUnacknowledged | AlarmState::LatchedAcknowledged)
}

fn is_over(state: AlarmState) -> bool {
    is_latched(state) || matches!(state, AlarmState::Normal | AlarmState::ReturnedUnacknowledged)
}
