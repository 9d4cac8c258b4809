//! What things are called, by language: quantities, signs, families of causes, states of switches, places. In English the tables
//! of core have the words; each further language is a file of them.

use super::speech::{COUNT, Speech};
use kvarden_core::diagnosis::{Family, Sign};
use kvarden_core::measurand::Measurand;
use kvarden_core::phases::Place;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::LazyLock;

/// The built-in files, in the order of the languages; English has none.
const TEXTS: [&str; COUNT] = ["", include_str!("names.de.toml")];

static NAMES: LazyLock<[Book; COUNT]> = LazyLock::new(|| {
    TEXTS.map(|text| toml::from_str(text).expect("each built-in text is read by a test of this file"))
});

/// Words by the written form of what they name.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct Book {
    measurand: BTreeMap<String, String>,
    sign: BTreeMap<String, String>,
    family: BTreeMap<String, String>,
    /// Of a state that core names in English.
    state: BTreeMap<String, String>,
    /// Of a unit that is a word.
    unit: BTreeMap<String, String>,
}

/// The word for `key`, or that of core.
fn or_core(
    book: fn(&'static Book) -> &'static BTreeMap<String, String>,
    key: &str,
    core: &'static str,
    speech: Speech,
) -> &'static str {
    book(speech.of_each(&NAMES)).get(key).map_or(core, String::as_str)
}

/// A measurand.
pub(super) fn measurand(what: Measurand, speech: Speech) -> &'static str {
    or_core(|book| &book.measurand, what.key(), what.facts().words, speech)
}

/// A sign of a cause.
pub(super) fn sign(sign: Sign, speech: Speech) -> &'static str {
    or_core(|book| &book.sign, sign.key(), sign.words(), speech)
}

/// The unit of a sign, as it is written.
pub(super) fn unit_of(sign: Sign, speech: Speech) -> &'static str {
    or_core(|book| &book.unit, sign.unit(), sign.unit(), speech)
}

/// A family of causes.
pub(super) fn family(family: Family, speech: Speech) -> &'static str {
    or_core(|book| &book.family, family.key(), family.words(), speech)
}

/// How a switch, a fan or another state stands.
pub(super) fn state(what: Measurand, on: bool, speech: Speech) -> &'static str {
    let (when_on, when_off) = what.state_words();
    let core = if on { when_on } else { when_off };
    or_core(|book| &book.state, core, core, speech)
}

/// A phase, a pair of lines or the neutral; nothing for the whole.
pub(super) fn place(place: Place, speech: Speech) -> Option<String> {
    let key = match place {
        Place::Whole => return None,
        Place::A => "where-place-A",
        Place::B => "where-place-B",
        Place::C => "where-place-C",
        Place::N => "where-place-N",
        Place::AB => "where-place-AB",
        Place::BC => "where-place-BC",
        Place::CA => "where-place-CA",
    };
    Some(speech.say(key))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::advice::NEVER;
    use crate::words::alphabet::plain;

    /// Every name that core has, in every language, and no other.
    #[test]
    fn every_name_stands_in_every_language_once_and_in_the_seven_bit_alphabet() {
        let measurands: Vec<&str> = Measurand::ALL.iter().map(|what| what.key()).collect();
        let signs: Vec<&str> = Sign::ALL.iter().map(|sign| sign.key()).collect();
        let families: Vec<&str> = Family::ALL.iter().map(|family| family.key()).collect();
        let mut states: Vec<&str> =
            Measurand::ALL.iter().flat_map(|what| <[&str; 2]>::from(what.state_words())).collect();
        let mut units: Vec<&str> =
            Sign::ALL.iter().map(|sign| sign.unit()).filter(|unit| unit.len() > 2).collect();
        for list in [&mut states, &mut units] {
            list.sort_unstable();
            list.dedup();
        }
        for (language, book) in NAMES.iter().enumerate().skip(1) {
            let written = [&book.measurand, &book.sign, &book.family, &book.state, &book.unit];
            for (mut named, written) in
                [measurands.clone(), signs.clone(), families.clone(), states.clone(), units.clone()]
                    .into_iter()
                    .zip(written)
            {
                named.sort_unstable();
                assert_eq!(named, written.keys().map(String::as_str).collect::<Vec<_>>(), "{language}");
                let mut words: Vec<&String> = written.values().collect();
                assert!(words.iter().all(|words| plain(words) == **words && !words.is_empty()));
                words.sort_unstable();
                words.dedup();
                assert_eq!(words.len(), written.len(), "two things of one name");
            }
        }
        assert!(TEXTS.iter().all(|text| !NEVER.iter().any(|word| text.to_lowercase().contains(word))));
    }
}
