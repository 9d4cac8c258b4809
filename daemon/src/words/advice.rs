//! What to check next and the cautions, kept as data in `advice.toml`; here it is only found.

use super::speech::{COUNT, Speech};
use kvarden_core::input::Part;
use kvarden_core::output::{Matter, Rule, Subject};
use serde::Deserialize;
use std::sync::LazyLock;

/// The most things to check in one message: more is not read on a phone.
pub const MOST_CHECKS: usize = 6;

/// What advice never says, whatever the fault; held by tests over all that is built in.
#[cfg(test)]
pub(super) const NEVER: &[&str] = &[
    "tighten",
    "torque",
    "reset",
    "reclose",
    "re-close",
    "open the cover",
    "remove the cover",
    "take the cover off",
    "raise the setting",
    "raise the setpoint",
    "safe",
    "de-energ",
    "deenerg",
    // In German.
    "nachziehen",
    "nachgezogen",
    "festziehen",
    "anziehen",
    "drehmoment",
    "zurücksetz",
    "zurückgesetzt",
    "rückstellen",
    "wiedereinschalt",
    "wieder einschalt",
    "wiederzuschalt",
    "deckel öffnen",
    "deckel abnehmen",
    "abdeckung öffnen",
    "abdeckung abnehmen",
    "grenzwert erhöhen",
    "grenzwert anheben",
    "einstellung erhöhen",
    "sicherheitshalber",
    "gefahrlos",
    "ungefährlich",
    "sicher ",
    "sicher.",
    "sicher,",
];

/// The built-in texts, in the order of the languages.
const TEXTS: [&str; COUNT] = [include_str!("advice.toml"), include_str!("advice.de.toml")];

static ADVICE: LazyLock<[Book; COUNT]> = LazyLock::new(|| {
    TEXTS.map(|text| toml::from_str(text).expect("each built-in text is read by a test of this file"))
});

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Book {
    caution: Cautions,
    advice: Vec<Entry>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Cautions {
    short: String,
    long: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    #[serde(rename = "for")]
    answers: Vec<String>,
    check: Vec<String>,
}

/// The usual cautions in a form for a phone.
pub fn caution(speech: Speech) -> &'static str {
    &speech.of_each(&ADVICE).caution.short
}

/// The usual cautions in full, for the digest.
pub fn caution_in_full(speech: Speech) -> &'static str {
    &speech.of_each(&ADVICE).caution.long
}

/// What to check next about `subject` after an alarm by `rule`, the least invasive first.
pub fn check(subject: &Subject, rule: Rule, speech: Speech) -> Vec<&'static str> {
    let first = match rule {
        Rule::Recurrence { .. } => found("recurrence", speech).unwrap_or_default(),
        _ => &[],
    };
    let own = keys(subject, rule).iter().find_map(|key| found(key, speech)).unwrap_or_default();
    first.iter().chain(own).take(MOST_CHECKS).map(String::as_str).collect()
}

/// Under which names an answer may stand, the closest first.
fn keys(subject: &Subject, rule: Rule) -> Vec<String> {
    match (&subject.matter, rule) {
        (
            Matter::Quantity(quantity) | Matter::Rate(quantity),
            Rule::Level { bound, .. } | Rule::Recurrence { bound },
        ) => {
            let key = quantity.what.key();
            vec![format!("{key}.{}", bound.key()), key.to_owned(), "other".to_owned()]
        }
        (Matter::Part(Part::Channel(_)), _) => vec!["broken.channel".to_owned()],
        (Matter::Part(part), _) => vec![format!("broken.{}", part.key().replace(' ', "_"))],
        (Matter::Flood, _) => vec!["flood".to_owned()],
        (Matter::Cause(..) | Matter::Work, _) => Vec::new(),
        (_, Rule::Trouble(trouble)) => vec![format!("trouble.{}", trouble.key().replace(' ', "_"))],
        (_, Rule::Frozen) => vec!["frozen".to_owned()],
        (_, Rule::Absent) => vec!["absent".to_owned()],
        (_, Rule::Supply) => vec!["supply".to_owned()],
        (_, Rule::Nameplate) => vec!["nameplate".to_owned()],
        _ => vec!["silent".to_owned()],
    }
}

fn found(key: &str, speech: Speech) -> Option<&'static [String]> {
    let entry = speech
        .of_each(&ADVICE)
        .advice
        .iter()
        .find(|entry| entry.answers.iter().any(|answer| answer == key))?;
    Some(&entry.check)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::alphabet::plain;
    use kvarden_core::input::MeterTrouble;
    use kvarden_core::measurand::Measurand;
    use kvarden_core::plant::Bound;

    const FIXED: [&str; 8] =
        ["flood", "recurrence", "other", "silent", "frozen", "absent", "supply", "nameplate"];

    const ENGLISH: Speech = Speech::ENGLISH;

    #[test]
    fn every_language_answers_the_same_with_as_much() {
        let english = &ADVICE[0];
        for book in ADVICE.iter() {
            let answers = |book: &Book| -> Vec<(Vec<String>, usize)> {
                book.advice.iter().map(|entry| (entry.answers.clone(), entry.check.len())).collect()
            };
            assert_eq!(answers(book), answers(english));
            for said in book.advice.iter().flat_map(|entry| &entry.check) {
                assert!(said.len() <= 260, "too long for a phone: {said}");
                assert_eq!(&plain(said), said, "not in the 7-bit alphabet");
            }
            assert!(book.caution.short.len() <= 300 && plain(&book.caution.short) == book.caution.short);
        }
    }

    /// The cautions that the trade asks for, in each language: who may, the arc, the equipment, proving dead, and what decides.
    #[test]
    fn every_language_has_the_usual_cautions() {
        let named = [
            ["Qualified persons", "arc-flash boundary", "PPE", "Prove dead", "Local codes"],
            [
                "Elektrofachkräfte",
                "Störlichtbogen",
                "PSA",
                "Spannungsfreiheit feststellen",
                "rtliche Vorschriften",
            ],
        ];
        for (book, named) in ADVICE.iter().zip(named) {
            for word in named {
                assert!(book.caution.short.contains(word), "{word}");
            }
            assert!(book.caution.long.len() > 500);
        }
    }

    #[test]
    fn the_built_in_advice_is_complete_and_bounded() {
        for entry in &ADVICE[0].advice {
            assert!((1..=MOST_CHECKS).contains(&entry.check.len()), "{:?}", entry.answers);
            assert!(
                entry.check.iter().all(|said| said.len() <= 200),
                "too long for a phone: {:?}",
                entry.answers
            );
        }
        for key in FIXED {
            assert!(found(key, ENGLISH).is_some(), "{key}");
        }
        let of_program = |matter| Subject { transformer: None, feeder: None, meter: None, matter };
        for part in Part::FIXED.into_iter().chain([Part::Channel("mqtt".to_owned())]) {
            assert!(
                !check(&of_program(Matter::Part(part.clone())), Rule::Broken, ENGLISH).is_empty(),
                "{part:?}"
            );
        }
        let silent = check(&of_program(Matter::Meter), Rule::Silent { level: 1 }, ENGLISH);
        for trouble in MeterTrouble::ALL {
            let own = check(&of_program(Matter::Meter), Rule::Trouble(trouble), ENGLISH);
            assert!(!own.is_empty() && own != silent, "{trouble:?}");
        }
        assert!(caution(ENGLISH).len() <= 250);
        assert!(caution_in_full(ENGLISH).contains("no protective device"));
    }

    #[test]
    fn every_name_in_the_advice_is_known() {
        let parts = Part::FIXED.map(|part| part.key().replace(' ', "_"));
        let troubles = MeterTrouble::ALL.map(|trouble| trouble.key().replace(' ', "_"));
        let mut seen = Vec::new();
        for name in ADVICE[0].advice.iter().flat_map(|entry| &entry.answers) {
            let (key, side) = name.split_once('.').unwrap_or((name, ""));
            let known = FIXED.contains(&name.as_str())
                || (key == "broken" && (side == "channel" || parts.iter().any(|part| part == side)))
                || (key == "trouble" && troubles.iter().any(|trouble| trouble == side))
                || (Measurand::from_key(key).is_some() && ["", "high", "low"].contains(&side));
            assert!(known, "{name}");
            assert!(!seen.contains(&name), "{name} stands twice");
            seen.push(name);
        }
    }

    #[test]
    fn every_measurand_with_a_default_limit_has_advice_of_its_own() {
        use Measurand::{
            CurrentUnbalance, LoadingKva, LoadingPhase, NeutralCurrent, Termination, VoltageLl, VoltageLn,
            VoltageThd, VoltageUnbalance, Winding, WindingRise,
        };
        for what in [
            CurrentUnbalance,
            LoadingKva,
            LoadingPhase,
            NeutralCurrent,
            Termination,
            VoltageLl,
            VoltageLn,
            VoltageThd,
            VoltageUnbalance,
            Winding,
            WindingRise,
        ] {
            let named = [Bound::High, Bound::Low]
                .iter()
                .any(|bound| found(&format!("{}.{}", what.key(), bound.key()), ENGLISH).is_some());
            assert!(named || found(what.key(), ENGLISH).is_some(), "{what:?}");
        }
    }

    #[test]
    fn no_built_in_text_says_what_advice_never_says() {
        for text in TEXTS.map(str::to_lowercase) {
            for word in NEVER {
                assert!(!text.contains(word), "the advice says {word:?}");
            }
        }
    }

    #[test]
    fn heat_is_answered_first_by_taking_load_off_and_smoke_before_that() {
        let load = |line: &str| line.starts_with("Take load off") && line.contains("by normal switching");
        for key in ["termination_c", "termination_rise_k", "ambient_c"] {
            assert!(
                found(key, ENGLISH).and_then(|check| check.first()).is_some_and(|first| load(first)),
                "{key}"
            );
        }
        for key in ["winding_c", "winding_rise_k"] {
            let check = found(key, ENGLISH).unwrap();
            assert!(check[0].starts_with("Smell, smoke") && check[0].contains("keep people away"), "{key}");
            assert!(load(&check[1]), "{key}");
        }
    }
}
