//! What things are called, by language: quantities, signs, families of causes, states of switches, places. In English the tables
//! of core have the words; each further language is a file of them.

use super::speech::{COUNT, Speech};
use kvarden_core::diagnosis::{Family, Sign};
use kvarden_core::measurand::Measurand;
use kvarden_core::phases::Place;
use kvarden_core::plan::Why;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::LazyLock;

/// The built-in files, in the order of the languages; English has none.
const TEXTS: [&str; COUNT] = ["", include_str!("names.de.toml")];

static NAMES: LazyLock<[Book; COUNT]> = LazyLock::new(|| {
    TEXTS.map(|text| toml::from_str(text).expect("each built-in text is read by a test of this file"))
});

/// How the names end of what core computes across meters; no meter of a configuration may be called so.
const ACROSS_METERS: &str = " across meters";

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
    /// Why something is not judged.
    reason: BTreeMap<String, String>,
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

/// Why something is not judged; places of figures in braces.
pub(super) fn reason(why: Why, speech: Speech) -> &'static str {
    or_core(|book| &book.reason, why.key(), why.words(), speech)
}

/// A meter by its name. What is computed across meters has a name of ours, the rest is the site's: `MP-3`, `T2 across meters`.
pub(super) fn meter(name: &str, transformer: Option<&str>, speech: Speech) -> String {
    let Some(of) = name.strip_suffix(ACROSS_METERS) else { return name.to_owned() };
    let way = transformer.and_then(|from| Some((from, of.strip_prefix(from)?.strip_prefix(" to ")?)));
    match way {
        Some((from, to)) => speech.with("digest-across-way", &[("from", from), ("to", to)]),
        None => speech.with("digest-across", &[("name", of)]),
    }
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

    /// The figures of each reason, and no other, have their place in every language.
    #[test]
    fn every_reason_has_the_same_figures_in_every_language() {
        fn places(words: &str) -> Vec<&str> {
            let mut places: Vec<&str> =
                words.split('{').skip(1).filter_map(|rest| rest.split('}').next()).collect();
            places.sort_unstable();
            places
        }
        for speech in Speech::all() {
            for why in Why::ALL {
                assert_eq!(places(reason(*why, speech)), places(why.words()), "{}", why.key());
            }
        }
    }

    /// T2's own meter, the way from it to a feeder's meter, and meters of the site.
    #[test]
    fn what_is_computed_across_meters_is_called_so_in_each_language_and_other_names_stay() {
        let german = Speech::of(Some("de"));
        let of_t2 = |name, speech| meter(name, Some("T2"), speech);
        for name in ["T2 across meters", "T2 to MP-3 across meters", "MP-3", "across meters 2"] {
            assert_eq!(of_t2(name, Speech::ENGLISH), name);
        }
        assert_eq!(of_t2("T2 across meters", german), "T2 (mehrere Messgeräte)");
        assert_eq!(of_t2("T2 to MP-3 across meters", german), "T2 bis MP-3 (mehrere Messgeräte)");
        assert_eq!(of_t2("Hall to yard", german), "Hall to yard");
    }

    /// Every name that core has, in every language, and no other.
    #[test]
    fn every_name_stands_in_every_language_once_and_in_the_seven_bit_alphabet() {
        let measurands: Vec<&str> = Measurand::ALL.iter().map(|what| what.key()).collect();
        let signs: Vec<&str> = Sign::ALL.iter().map(|sign| sign.key()).collect();
        let reasons: Vec<&str> = Why::ALL.iter().map(|why| why.key()).collect();
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
            let written = [&book.measurand, &book.sign, &book.family, &book.state, &book.unit, &book.reason];
            for (mut named, written) in [&measurands, &signs, &families, &states, &units, &reasons]
                .map(Clone::clone)
                .into_iter()
                .zip(written)
            {
                named.sort_unstable();
                assert_eq!(named, written.keys().map(String::as_str).collect::<Vec<_>>(), "{language}");
                let mut words: Vec<&String> = written.values().collect();
                let shown = |words: &String| words.replace(['{', '}'], "");
                assert!(words.iter().all(|words| plain(&shown(words)) == shown(words) && !words.is_empty()));
                words.sort_unstable();
                words.dedup();
                assert_eq!(words.len(), written.len(), "two things of one name");
            }
        }
        assert!(TEXTS.iter().all(|text| !NEVER.iter().any(|word| text.to_lowercase().contains(word))));
    }
}
