//! What is not judged, in words: of what, and why.

use super::names;
use super::speech::Speech;
use kvarden_core::plan::{NotJudged, Plan, Reason, ReasonFigure, Why};
use kvarden_core::plant::Condition;

/// Of which meter, or of which limit of the configuration: `MP-3`, `the limit of kvarden.toml line 47`.
pub fn whose(one: &NotJudged, plan: &Plan, speech: Speech) -> String {
    if one.reason.why == Why::GivenByNone {
        return speech.with("gap-of-limit", &[("place", &line(&one.meter, speech))]);
    }
    let scope = plan.scopes.iter().find(|scope| scope.meters.iter().any(|meter| meter.name == one.meter));
    names::meter(&one.meter, scope.and_then(|scope| scope.transformer.as_deref()), speech)
}

/// A line of a file, as the origin of a limit says it.
fn line(origin: &str, speech: Speech) -> String {
    match origin.rsplit_once(" line ") {
        Some((file, line)) => speech.with("gap-line", &[("file", file), ("line", line)]),
        None => origin.to_owned(),
    }
}

/// Why, and what would mend it.
pub fn reason(reason: &Reason, speech: Speech) -> String {
    let condition = |Condition { on, above }: &Condition| {
        let value = format!("{} {}", speech.digits(&above.to_string()), on.facts().unit.symbol());
        speech.with("gap-condition", &[("what", on.key()), ("value", &value)])
    };
    let conditions = reason.conditions.iter().map(condition);
    let conditions =
        conditions.reduce(|first, last| speech.with("list-or", &[("first", &first), ("last", &last)]));
    let words = names::reason(reason.why, speech).replace("{conditions}", &conditions.unwrap_or_default());
    reason.figures.iter().fold(words, |words, ReasonFigure { name, value, decimals }| {
        let digits = speech.digits(&format!("{value:.*}", usize::from(*decimals)));
        words.replace(&format!("{{{name}}}"), &digits)
    })
}

/// Several places of one measurand: all of a few; of many, as of harmonics, the first and the last.
pub fn places(places: &[String], speech: Speech) -> String {
    match places {
        [first, .., last] if places.len() > 20 => {
            let count = places.len().to_string();
            speech.with("gap-places", &[("first", first), ("last", last), ("count", &count)])
        }
        _ => places.join(" "),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::measurand::Measurand;

    fn of(why: Why) -> Reason {
        let figure = |name, value, decimals| ReasonFigure { name, value, decimals };
        Reason {
            figures: vec![
                figure("example", 30.0, 0),
                figure("least", 1.24, 1),
                figure("most", 207.0, 0),
                figure("falling", 12.6, 0),
                figure("carried", 71.2, 0),
                figure("half", 1.0, 0),
            ],
            conditions: vec![
                Condition { on: Measurand::LoadingKva, above: 12.5 },
                Condition { on: Measurand::Current, above: 5.0 },
            ],
            ..why.into()
        }
    }

    /// What core says by itself and what is said here are one.
    #[test]
    fn english_is_what_core_says_and_no_place_of_a_figure_is_left_open() {
        for why in Why::ALL {
            let reason = of(*why);
            assert_eq!(super::reason(&reason, Speech::ENGLISH), reason.to_string(), "{}", why.key());
            for speech in Speech::all() {
                assert!(!super::reason(&reason, speech).contains(['{', '}']), "{}", why.key());
            }
        }
    }

    #[test]
    fn conditions_and_figures_are_said_in_the_language() {
        let german = Speech::of(Some("de"));
        let said = super::reason(&of(Why::ConditionsAbsent), german);
        assert!(
            said.contains("loading_kva_percent über 12,5 % liegt oder current_a über 5 A liegt"),
            "{said}"
        );
        let said = super::reason(&of(Why::ThdAlone), german);
        assert!(said.contains("bei 30 %") && said.contains("zwischen 1,2 und 207"), "{said}");
        assert_eq!(line("kvarden.toml line 47", german), "kvarden.toml Zeile 47");
        assert_eq!(line("kvarden.toml line 47", Speech::ENGLISH), "kvarden.toml line 47");
        let many: Vec<String> = (2..=40).map(|order| format!("A.{order}")).collect();
        assert_eq!(places(&many, german), "A.2 bis A.40, zusammen 39");
    }
}
