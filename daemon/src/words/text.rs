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
use super::supply;
use super::time::{duration, durations, moment};
use super::unit::Scale;
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::measurand::{Measurand, Numbers, Quantity, Unit};
use kvarden_core::output::{AlertRevision, Held, Matter, Recurred, Revised, Rule};
use kvarden_core::phases::Place;
use kvarden_core::plant::Bound;

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
pub(super) fn what(revision: &AlertRevision) -> String {
    match (&revision.subject.matter, revision.rule) {
        (Matter::Quantity(quantity), _) => named(*quantity),
        (Matter::Rate(quantity), _) => format!("rate of {}", named(*quantity)),
        (Matter::Part(part), _) => health::of_part(part).what.into_owned(),
        (Matter::Meter, rule) => health::of_meter(rule).what.into_owned(),
        (Matter::Supply(_), _) => "supply".to_owned(),
        (Matter::Cause(cause, place), _) => cause::likely(*cause, *place),
        (Matter::Flood, _) => "alarm flood".to_owned(),
        (Matter::Work, _) => "planned work".to_owned(),
    }
}

/// The essential part, and what may be cut.
struct Said {
    first: String,
    rest: String,
}

fn said(revision: &AlertRevision, site: &Site) -> Said {
    let at = moment(revision.at, revision.at, &site.zone);
    let shown = cause_line::of(revision).filter(|_| revision.subject.matter != Matter::Flood);
    let mut known = String::new();
    let first = match &revision.why {
        Revised::Merged { into } => cause_line::merged(&topic(revision), into),
        Revised::Released { by, note } => cause_line::released(&topic(revision), by, note, &at),
        Revised::NoLongerWatched => {
            format!("{} no longer watched: removed from the configuration", topic(revision))
        }
        Revised::Closed => format!("{}, closed at {at}", over(revision, site, None)),
        Revised::SupplyLost => format!("{} no longer told by itself since {at}", topic(revision)),
        _ if is_latched(revision.state) && shown.is_some() => {
            shown.map(|cause| cause_line::resting(&cause.facts)).unwrap_or_default() + waits(revision.state)
        }
        _ if is_over(revision.state) => {
            let when = (revision.why == Revised::Returned).then_some(at.as_str());
            over(revision, site, when) + waits(revision.state)
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
    let elsewhere = revision.fed.as_ref().map(|other| supply::behind(&revision.subject, other));
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
    let priority = revision.priority.key().to_uppercase();
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
    let since = moment(revision.since, revision.at, &site.zone);
    match (&revision.subject.matter, revision.rule) {
        (Matter::Quantity(quantity), Rule::Absent) => {
            format!("{} gives no value since {since}, nothing is judged by it", named(*quantity))
        }
        (Matter::Quantity(quantity), Rule::Nameplate) => {
            let shown = |value: Option<f64>| {
                value.map_or_else(
                    || "not known".to_owned(),
                    |value| amount(value, Scale { what: quantity.what, shows: site.shows }, None),
                )
            };
            format!(
                "{} {} does not fit the nameplate (limit {}) since {since}; the limits of this meter wait for values that fit",
                named(*quantity),
                shown(value_now(revision)),
                shown(revision.setpoint)
            )
        }
        (Matter::Rate(quantity), _) => rate(revision, *quantity, &since, site),
        (Matter::Quantity(quantity), rule) => {
            let scale = Scale { what: quantity.what, shows: site.shows };
            let number = match rule {
                // Between two excursions the value at this moment says nothing: the worst does.
                Rule::Recurrence { bound } => worst(revision, scale, bound),
                _ => value_now(revision).map(|value| amount(value, scale, revision.setpoint)),
            };
            let number = number.unwrap_or_else(|| "not measured".to_owned());
            format!("{} {number}{} since {since}", named(*quantity), limit(revision, scale))
        }
        (Matter::Meter, rule) => {
            let said = health::of_meter(rule);
            format!("{} {} since {since}{}", topic(revision), said.stands, said.cost)
        }
        (Matter::Part(part), _) => {
            let said = health::of_part(part);
            format!("{} since {since}{}", said.stands, said.cost)
        }
        (Matter::Supply(other), _) => format!("{} since {since}", supply::fed(other)),
        (Matter::Cause(..) | Matter::Work, _) => format!("{} since {since}", what(revision)),
        (Matter::Flood, _) => flood::standing(revision, site),
    }
}

/// How fast it rises or falls: `winding temperature phase A rises by 22.0 K/h (limit 20.0 K/h over 30 min)`.
pub(super) fn rate(revision: &AlertRevision, quantity: Quantity, since: &str, site: &Site) -> String {
    let scale = Scale { what: quantity.what, shows: site.shows };
    let (unit, decimals) = (plain(scale.per_hour()), usize::from(quantity.what.facts().decimals));
    let way = if revision.rule.bound() == Some(Bound::Low) { "falls" } else { "rises" };
    let sign = if way == "falls" { -1.0 } else { 1.0 };
    let shown = |value: Option<f64>| {
        let read = |value| scale.read_difference(sign * value);
        value.map_or_else(|| "not known".to_owned(), |value| format!("{:.decimals$} {unit}", read(value)))
    };
    let over = revision.over.map(|over| format!(" over {}", duration(over))).unwrap_or_default();
    let (now, limit) = (shown(value_now(revision)), shown(revision.setpoint));
    format!("{} {way} by {now} (limit {limit}{over}) since {since}", named(quantity))
}

/// The condition is over: what is seen now, and since when if that is known.
fn over(revision: &AlertRevision, site: &Site, when: Option<&str>) -> String {
    let since = when.map(|when| format!(" since {when}")).unwrap_or_default();
    let topic = topic(revision);
    match (&revision.subject.matter, revision.rule) {
        (Matter::Quantity(quantity), _) if is_heat(quantity.what) && is_latched(revision.state) => {
            format!("{topic} cooler now{since}, the fault may remain")
        }
        (Matter::Quantity(_) | Matter::Rate(_), _) if is_latched(revision.state) => {
            format!("{topic} back within limits{since}, the fault may remain")
        }
        (Matter::Quantity(_), Rule::Recurrence { .. }) => match revision.recurred {
            Some(recurred) => {
                format!("{topic} not seen again after {}", moment(recurred.latest, revision.at, &site.zone))
            }
            None => format!("{topic} not seen again"),
        },
        (Matter::Quantity(_), Rule::Absent) => format!("{topic} gives values again{since}"),
        (Matter::Quantity(_), Rule::Nameplate) => format!("{topic} fits the nameplate{since}"),
        (Matter::Quantity(_) | Matter::Rate(_), _) => format!("{topic} back within limits{since}"),
        (Matter::Meter, rule) => format!("{topic} {}{since}", health::of_meter(rule).over),
        (Matter::Part(part), _) => format!("{}{since}", health::of_part(part).over),
        (Matter::Supply(other), _) => format!("no longer {}{since}", supply::fed(other)),
        (Matter::Cause(..), _) => format!("{topic} no longer shows{since}"),
        (Matter::Work, _) => format!("{topic} ended{since}"),
        (Matter::Flood, _) => flood::over(revision, site),
    }
}

/// What a person still has to do about a condition that is over.
fn waits(state: AlarmState) -> &'static str {
    match state {
        AlarmState::ReturnedUnacknowledged => "; still to be acknowledged",
        AlarmState::LatchedUnacknowledged => "; to be acknowledged and released",
        AlarmState::LatchedAcknowledged => "; to be released with a note",
        _ => "",
    }
}

fn how_often(revision: &AlertRevision, site: &Site) -> String {
    let Some(Recurred { times, since, shortest, longest, .. }) = revision.recurred else {
        return String::new();
    };
    let lengths = durations(shortest, longest);
    let first = moment(since, revision.at, &site.zone);
    let stands = !is_over(revision.state) && revision.why != Revised::NoLongerWatched;
    if stands && first == moment(revision.since, revision.at, &site.zone) {
        format!(", {times} times, {lengths} each")
    } else {
        format!("; {times} times since {first}, {lengths} each")
    }
}

/// After it is over: how bad it was. While it stands and the worst was worse than now: the worst.
fn about_values(revision: &AlertRevision, site: &Site) -> String {
    let Matter::Quantity(Quantity { what, .. }) = revision.subject.matter else { return String::new() };
    let (Rule::Level { bound, .. } | Rule::Recurrence { bound }) = revision.rule else {
        return String::new();
    };
    let scale = Scale { what, shows: site.shows };
    let Some(worst) = worst(revision, scale, bound) else { return String::new() };
    if revision.why == Revised::NoLongerWatched || is_over(revision.state) {
        let since = moment(revision.since, revision.at, &site.zone);
        return format!("; was {worst}{} since {since}", limit(revision, scale));
    }
    let shown = |value: Option<f64>| value.map(|value| amount(value, scale, revision.setpoint));
    match revision.rule {
        Rule::Level { .. } if shown(value_now(revision)) != shown(revision.peak) => format!("; was {worst}"),
        _ => String::new(),
    }
}

/// Where to go, for those who do not know the names.
fn where_to(revision: &AlertRevision, site: &Site) -> String {
    let subject = supply::charged(&revision.subject, revision.fed.as_ref());
    let location = site.whereabouts.location(&subject).filter(|_| revision.open);
    location.map(|location| format!("; at: {}", clipped(location, MOST_PERSON))).unwrap_or_default()
}

/// Why there is a new revision, where the line does not say it already.
fn news(revision: &AlertRevision, site: &Site) -> String {
    let person = |by: &String| clipped(by, MOST_PERSON);
    let meter = meter_behind(revision).unwrap_or_default();
    let news = match &revision.why {
        // Who reads this may never have been told of it before: it must be right as a first word too.
        Revised::Worse => "; told now because it got worse or came back".to_owned(),
        Revised::Milder => "; milder than before, not over".to_owned(),
        Revised::Acknowledged { by } => format!("; acknowledged by {}", person(by)),
        Revised::Shelved { by, until } => {
            let until = moment(*until, revision.at, &site.zone);
            format!("; shelved by {} until {until}: no messages, recording goes on", person(by))
        }
        Revised::Unshelved if !is_over(revision.state) => {
            "; told again: no longer shelved or out of service".to_owned()
        }
        Revised::OutOfService { by } => {
            format!("; taken out of service by {}: no messages, recording goes on", person(by))
        }
        Revised::Chattering => "; rises again and again: held down until it is calm".to_owned(),
        Revised::Calm | Revised::Stands { after: Held::Chattering } => {
            "; calm again, and it stands".to_owned()
        }
        Revised::WorkBegun => {
            "; planned work has begun: nothing more of it is told until that ends".to_owned()
        }
        Revised::Stands { after: Held::Work } => {
            "; told now: planned work has ended and it stands".to_owned()
        }
        Revised::Stands { after: Held::Flood } => {
            "; told now: the alarm flood is over and it stands".to_owned()
        }
        Revised::SupplyLost => "; it follows from the loss of the supply above".to_owned(),
        Revised::Opened | Revised::Explained if revision.subject.matter == Matter::Flood => {
            flood::held().to_owned()
        }
        Revised::Instead => "; told now instead of what was told before of this meter".to_owned(),
        Revised::NoLongerWatched => "; this says nothing about the fault".to_owned(),
        _ => cause_line::news(revision).unwrap_or_default(),
    };
    format!("{meter}{news}")
}

/// What the sentence is about.
fn topic(revision: &AlertRevision) -> String {
    match (&revision.subject.matter, revision.subject.meter.as_deref()) {
        (Matter::Quantity(quantity), _) => named(*quantity),
        (
            Matter::Part(_)
            | Matter::Rate(_)
            | Matter::Supply(_)
            | Matter::Cause(..)
            | Matter::Flood
            | Matter::Work,
            _,
        ) => what(revision),
        // A meter that is named like its feeder was just named.
        (Matter::Meter, Some(meter)) if Some(meter) != revision.subject.feeder.as_deref() => {
            format!("meter {}", clipped(meter, MOST_PERSON))
        }
        (Matter::Meter, _) => "meter".to_owned(),
    }
}

/// Which of the transformer's own meters gave the value: the sides differ.
fn meter_behind(revision: &AlertRevision) -> Option<String> {
    let subject = &revision.subject;
    let own = matches!(subject.matter, Matter::Quantity(_) | Matter::Rate(_)) && subject.feeder.is_none();
    let meter = subject.meter.as_deref().filter(|_| own)?;
    Some(format!("; meter {}", clipped(meter, MOST_PERSON)))
}

pub(super) fn named(quantity: Quantity) -> String {
    let place = match quantity.place {
        Place::Whole => "",
        Place::A => " phase A",
        Place::B => " phase B",
        Place::C => " phase C",
        Place::N => " neutral",
        Place::AB => " lines A-B",
        Place::BC => " lines B-C",
        Place::CA => " lines C-A",
    };
    let facts = quantity.what.facts();
    match (facts.numbers, quantity.number) {
        (Numbers::Orders, order) => format!("{} order {order}{place}", facts.words),
        (_, 0) => format!("{}{place}", facts.words),
        (_, number) => format!("{} #{number}{place}", facts.words),
    }
}

pub(super) fn limit(revision: &AlertRevision, scale: Scale) -> String {
    let Some(setpoint) = revision.setpoint else { return String::new() };
    let side = match revision.rule {
        Rule::Level { bound: Bound::Low, .. } | Rule::Recurrence { bound: Bound::Low } => "low limit",
        _ => "limit",
    };
    let mean = revision.over.map(|over| format!("mean of {}, ", duration(over))).unwrap_or_default();
    format!(" ({mean}{side} {})", scale.with_unit(&setpoint_digits(setpoint, scale)))
}

/// The worst value: `up to 4.1 %`, or `down to 98.2 V` where low is bad.
pub(super) fn worst(revision: &AlertRevision, scale: Scale, bound: Bound) -> Option<String> {
    let direction = match bound {
        Bound::High => "up to",
        Bound::Low => "down to",
    };
    let peak = revision.peak?;
    peak.is_finite().then(|| format!("{direction} {}", amount(peak, scale, revision.setpoint)))
}

/// A value with its unit, rounded as the table of measurands says. Where that would show a value past the limit
/// as equal to the limit, one decimal more.
pub(super) fn amount(value: f64, scale: Scale, setpoint: Option<f64>) -> String {
    if !value.is_finite() {
        return "not measured".to_owned();
    }
    let (value, setpoint) = (scale.read(value), setpoint.map(|setpoint| scale.read(setpoint)));
    let decimals = usize::from(scale.what.facts().decimals);
    let digits = format!("{value:.decimals$}");
    let blurred = setpoint.is_some_and(|setpoint| {
        digits == format!("{setpoint:.decimals$}") && (value - setpoint).abs() > f64::EPSILON
    });
    scale.with_unit(&if blurred { format!("{value:.*}", decimals + 1) } else { digits })
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
