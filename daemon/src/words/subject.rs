//! What an alarm is about, in words for lists and tables.

use super::health;
use super::supply;
use super::text::named;
use kvarden_core::measurand::Quantity;
use kvarden_core::output::{Matter, Rule, Subject};
use kvarden_core::plant::Bound;

/// The quantity, where it is about one.
pub fn quantity(subject: &Subject) -> Option<Quantity> {
    match subject.matter {
        Matter::Quantity(quantity) => Some(quantity),
        Matter::Rate(_)
        | Matter::Meter
        | Matter::Part(_)
        | Matter::Supply(_)
        | Matter::Cause(..)
        | Matter::Flood
        | Matter::Work => None,
    }
}

/// A quantity with its place: `current phase B`.
pub fn quantity_words(quantity: Quantity) -> String {
    named(quantity)
}

/// Where and what: `T2, MP-3: voltage unbalance`.
pub fn words(subject: &Subject) -> String {
    let place = [&subject.transformer, &subject.feeder, &subject.meter].into_iter().flatten();
    let mut names: Vec<&str> = Vec::new();
    for name in place {
        if !names.contains(&name.as_str()) {
            names.push(name);
        }
    }
    let what = match &subject.matter {
        Matter::Quantity(quantity) => named(*quantity),
        Matter::Rate(quantity) => format!("rate of {}", named(*quantity)),
        Matter::Meter => "meter".to_owned(),
        Matter::Part(part) => health::of_part(part).what.into_owned(),
        Matter::Supply(other) => supply::fed(other),
        Matter::Cause(cause, place) => super::cause::likely(*cause, *place),
        Matter::Flood => "alarm flood".to_owned(),
        Matter::Work => "planned work".to_owned(),
    };
    if names.is_empty() { what } else { format!("{}: {what}", names.join(", ")) }
}

/// What a meter's own alarm says, in a word or two: `gives no values`.
pub fn trouble(rule: Rule) -> &'static str {
    health::of_meter(rule).listed
}

/// Where, what and by which rule: `T2, MP-3: voltage unbalance, comes and goes`.
pub fn alarm(subject: &Subject, rule: Rule) -> String {
    let rule = match rule {
        Rule::Level { bound: Bound::High, level } => format!("above limit {level}"),
        Rule::Level { bound: Bound::Low, level } => format!("below low limit {level}"),
        Rule::Recurrence { .. } => "comes and goes".to_owned(),
        Rule::Absent => "gives no value".to_owned(),
        Rule::Nameplate => "does not fit the nameplate".to_owned(),
        Rule::Silent { .. } | Rule::Frozen | Rule::Trouble(_) => health::of_meter(rule).listed.to_owned(),
        Rule::Broken => match &subject.matter {
            Matter::Part(part) => health::of_part(part).listed.to_owned(),
            _ => "does not work".to_owned(),
        },
        Rule::Supply | Rule::Cause | Rule::Flood | Rule::Work => return words(subject),
    };
    format!("{} {rule}", words(subject))
}
