//! What an alarm is about, in words for lists and tables.

use super::health;
use super::speech::Speech;
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
    named(quantity, Speech::ENGLISH)
}

/// Where and what: `T2, MP-3: voltage unbalance`.
pub(super) fn words_in(subject: &Subject, speech: Speech) -> String {
    let Subject { transformer, feeder, meter, .. } = subject;
    let meter = meter.as_deref().map(|name| super::names::meter(name, transformer.as_deref(), speech));
    let mut names: Vec<&str> = Vec::new();
    for name in [transformer, feeder, &meter].into_iter().flatten() {
        if !names.contains(&name.as_str()) {
            names.push(name);
        }
    }
    let what = match &subject.matter {
        Matter::Quantity(quantity) => named(*quantity, speech),
        Matter::Rate(quantity) => speech.with("line-rate-of", &[("what", &named(*quantity, speech))]),
        Matter::Meter => speech.say("line-meter"),
        Matter::Part(part) => health::of_part(part, speech).what,
        Matter::Supply(other) => supply::fed(other, speech),
        Matter::Cause(cause, place) => super::cause::likely(*cause, *place, speech),
        Matter::Flood => speech.say("line-flood"),
        Matter::Work => speech.say("line-work"),
    };
    if names.is_empty() { what } else { format!("{}: {what}", names.join(", ")) }
}

/// What a meter's own alarm says, in a word or two: `gives no values`.
pub fn trouble(rule: Rule) -> String {
    health::of_meter(rule, Speech::ENGLISH).listed
}

/// Where, what and by which rule, in English: `T2, MP-3: voltage unbalance, comes and goes`.
pub fn alarm(subject: &Subject, rule: Rule) -> String {
    alarm_in(subject, rule, Speech::ENGLISH)
}

/// [`alarm`] in the words of a language.
pub(super) fn alarm_in(subject: &Subject, rule: Rule, speech: Speech) -> String {
    let level = |key: &str, level: u8| speech.with(key, &[("level", &level.to_string())]);
    let rule = match rule {
        Rule::Level { bound: Bound::High, level: number } => level("listed-above", number),
        Rule::Level { bound: Bound::Low, level: number } => level("listed-below", number),
        Rule::Recurrence { .. } => speech.say("listed-comes-and-goes"),
        Rule::Absent => speech.say("listed-absent"),
        Rule::Nameplate => speech.say("listed-nameplate"),
        Rule::Silent { .. } | Rule::Frozen | Rule::Trouble(_) => health::of_meter(rule, speech).listed,
        Rule::Broken => match &subject.matter {
            Matter::Part(part) => health::of_part(part, speech).listed,
            _ => speech.say("listed-broken"),
        },
        Rule::Supply | Rule::Cause | Rule::Flood | Rule::Work => return words_in(subject, speech),
    };
    format!("{} {rule}", words_in(subject, speech))
}
