//! Reader of `[tell.urgent]`, `[tell.high]` and `[tell.low]`: how people are told, by priority; and whether each of them can be.

use crate::fault::{Fault, listed};
use crate::keys::TELL_RULE;
use crate::people_settings::{PersonSpec, RotaSpec, RuleSpec, TellingSpec, Way};
use crate::section::Section;
use crate::values::{choice, span, span_or_never};
use kvarden_core::plant::Priority;
use kvarden_core::time::Span;

/// The shortest wait for a reminder or for the next in line: less leaves nobody the time to come to a telephone.
const SHORTEST_WAIT: Span = Span::minutes(1);
/// The longest: later it is another day's work.
const LONGEST_WAIT: Span = Span::hours(24);
/// The longest wait for a cause.
const LONGEST_FOR_CAUSE: Span = Span::hours(4);

/// The rule of a priority where its owner says nothing else (common practice, no source). What is low is told by the digest.
fn usual(priority: Priority, by: Vec<Way>) -> RuleSpec {
    let rule = |again, next_in_line, wait_for_cause| RuleSpec { by, again, next_in_line, wait_for_cause };
    match priority {
        Priority::Urgent => rule(Some(Span::minutes(15)), Some(Span::minutes(30)), Span::ZERO),
        Priority::High => rule(Some(Span::hours(2)), None, Span::minutes(5)),
        Priority::Low | Priority::Journal => rule(None, None, Span::minutes(15)),
    }
}

/// How people are told where `[tell]` says nothing of it. `open`: the ways that the file opens. Without any nobody is told.
pub(crate) fn telling_default(open: &[Way]) -> TellingSpec {
    let usual = |priority| (!open.is_empty()).then(|| usual(priority, open.to_vec()));
    TellingSpec { urgent: usual(Priority::Urgent), high: usual(Priority::High), low: None }
}

/// The rules in `[tell]`.
pub(crate) fn telling(s: &mut Section<'_>, open: &[Way]) -> Option<TellingSpec> {
    let default = telling_default(open);
    let mut rule = |priority: Priority| {
        s.table(priority.key(), &TELL_RULE, |s| rule(s, usual(priority, open.to_vec()), open))
    };
    let (urgent, high, low) = (rule(Priority::Urgent), rule(Priority::High), rule(Priority::Low));
    Some(TellingSpec {
        urgent: urgent?.or(default.urgent),
        high: high?.or(default.high),
        low: low?.or(default.low),
    })
}

fn rule(s: &mut Section<'_>, usual: RuleSpec, open: &[Way]) -> Option<RuleSpec> {
    let known = Way::ALL.map(|way| (way.key(), way));
    let by = if s.has("by") {
        s.list("by", |value| {
            let way = choice(&known)(value)?;
            if open.contains(&way) {
                return Ok(way);
            }
            let message = format!("people are told by {0}, but there is no [{0}]", way.key());
            Err(Fault::new(message, "leads nowhere", format!("add a [{}], or leave it out", way.key())))
        })
    } else {
        Some(usual.by)
    };
    if let Some([]) = by.as_deref() {
        let message = "by this rule nobody is told".to_owned();
        let ways = Way::ALL.map(|way| format!("\"{}\"", way.key())).join(", ");
        let help = format!("write by = [{ways}], or those of them that you have");
        s.fault("by", Fault::new(message, "no way to a person", help));
    }
    let wait = || span_or_never(SHORTEST_WAIT..=LONGEST_WAIT);
    let again = s.or("again", usual.again, wait());
    let next_in_line = s.or("next_in_line", usual.next_in_line, wait());
    let wait_for_cause = s.or("wait_for_cause", usual.wait_for_cause, span(Span::ZERO..=LONGEST_FOR_CAUSE));
    Some(RuleSpec { by: by?, again: again?, next_in_line: next_in_line?, wait_for_cause: wait_for_cause? })
}

/// Tells of everyone who may be on duty and whom a rule can't reach, and of ways and rules that lead to nobody.
pub(crate) fn check_reach(
    root: &mut Section<'_>,
    people: &[PersonSpec],
    rota: Option<&RotaSpec>,
    telling: &TellingSpec,
    open: &[Way],
) {
    for way in open.iter().filter(|way| !people.iter().any(|person| person.has(**way))) {
        let key = way.key();
        let value = if *way == Way::Webhook { "true" } else { "…" };
        let message = format!("[{key}] leads to nobody: no person is reached by it");
        root.fault(
            key,
            Fault::new(
                message,
                "used by nobody",
                format!("add {key} = {value} to a [[person]], or leave [{key}] out"),
            ),
        );
    }
    let places: Vec<_> =
        root.peek("person").iter().filter_map(|table| table.get("name").map(toml::Spanned::span)).collect();
    if places.len() != people.len() {
        return;
    }
    for (index, (person, at)) in people.iter().zip(places).enumerate() {
        let on_duty = rota.is_none_or(|rota| {
            rota.weeks.contains(&index) || rota.exceptions.iter().any(|exception| exception.person == index)
        });
        let lost = [Priority::Urgent, Priority::High, Priority::Low].into_iter().find_map(|priority| {
            let rule = telling.rule(priority)?;
            (!rule.by.iter().any(|way| person.has(*way))).then_some((priority, rule))
        });
        if let (true, Some((priority, rule))) = (on_duty, lost) {
            let ways = listed(rule.by.iter().map(|way| way.key()));
            let message = format!(
                "what is {} can't be told to \"{}\": it is told by {ways}",
                priority.key(),
                person.name
            );
            let help = format!(
                "give this person one of them, or add another way to `by` of [tell.{}]",
                priority.key()
            );
            root.fault_at(at, Fault::new(message, "can't be told", help));
        }
    }
}
