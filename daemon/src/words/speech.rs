//! The words by which a person is told, by language: Fluent messages in `texts/`, built in. A further language is a
//! further file there, with a line in `FILES`.

use fluent_bundle::concurrent::FluentBundle;
use fluent_bundle::{FluentArgs, FluentResource};
use std::sync::LazyLock;
use unic_langid::LanguageIdentifier;

/// How many languages there are. What is built in by language stands in an array of so many, so that none can be forgotten.
pub(super) const COUNT: usize = 2;

/// The languages with their texts, English first: it stands in where a language is not known.
const FILES: [(&str, [&str; 2]); COUNT] = [
    ("en", [include_str!("texts/en.ftl"), include_str!("texts/digest.en.ftl")]),
    ("de", [include_str!("texts/de.ftl"), include_str!("texts/digest.de.ftl")]),
];

static BOOKS: LazyLock<Vec<FluentBundle<FluentResource>>> =
    LazyLock::new(|| FILES.iter().map(|(language, texts)| book(language, texts)).collect());

fn book(language: &str, texts: &[&str]) -> FluentBundle<FluentResource> {
    let language: LanguageIdentifier =
        language.parse().expect("a test of this file reads each built-in language");
    let mut bundle = FluentBundle::new_concurrent(vec![language]);
    // Marks of direction around names would be shown as rubbish by old phones.
    bundle.set_use_isolating(false);
    for text in texts {
        // What could be read stands even where a line is wrong; a test of this file finds the line.
        let resource = FluentResource::try_new((*text).to_owned()).unwrap_or_else(|(resource, _)| resource);
        bundle.add_resource_overriding(resource);
    }
    bundle
}

/// A language that a person reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Speech(usize);

impl Speech {
    /// English.
    pub const ENGLISH: Self = Self(0);

    /// All of them, English first.
    #[cfg(test)]
    pub(super) fn all() -> impl Iterator<Item = Self> {
        (0..COUNT).map(Self)
    }

    /// The parts of the digest's words between what is put in, as far as they are long enough to be known again, by key.
    #[cfg(test)]
    pub(super) fn sentences(self) -> impl Iterator<Item = (String, String)> {
        let lines = FILES[self.0].1[1].lines().filter_map(|line| line.split_once(" = "));
        let parts = lines.flat_map(|(key, words)| {
            let parts = words.split('{').flat_map(|part| part.split('}'));
            parts.map(|part| (key.to_owned(), part.trim().to_owned()))
        });
        parts.filter(|(_, part)| part.chars().count() >= 10 && !part.starts_with('$'))
    }

    /// What belongs to this language, of what is kept for each.
    pub(super) fn of_each<T>(self, all: &[T; COUNT]) -> &T {
        &all[self.0]
    }

    /// Digits with the sign before decimals that its readers write.
    pub(super) fn digits(self, digits: &str) -> String {
        digits.replace('.', &self.say("decimal-sign"))
    }

    /// Of a person with this language, as the configuration names it; English where it is not spoken here.
    pub fn of(language: Option<&str>) -> Self {
        let known = |language: &str| FILES.iter().position(|(name, _)| *name == language);
        Self(language.and_then(known).unwrap_or(0))
    }

    /// Its name, as pages state it.
    pub fn language(self) -> &'static str {
        FILES[self.0].0
    }

    /// The words under a key.
    pub fn say(self, key: &str) -> String {
        self.with(key, &[])
    }

    /// The words under a key, with what belongs in them.
    pub fn with(self, key: &str, parts: &[(&str, &str)]) -> String {
        let mut args = FluentArgs::new();
        for (name, words) in parts {
            args.set(*name, *words);
        }
        let book = &BOOKS[self.0];
        let Some(pattern) = book.get_message(key).and_then(|message| message.value()) else {
            // Never so in what is built in: a test of this file looks for each key in each language.
            return key.to_owned();
        };
        book.format_pattern(pattern, Some(&args), &mut Vec::new()).into_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::advice::NEVER;
    use std::collections::{BTreeMap, BTreeSet};

    /// The keys of a language with the variables of each.
    fn keys(texts: &[&str]) -> BTreeMap<String, BTreeSet<String>> {
        let mut keys: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
        let mut last = String::new();
        for line in texts
            .iter()
            .flat_map(|text| text.lines())
            .filter(|line| !line.starts_with('#') && !line.trim().is_empty())
        {
            let head =
                line.split_once(" = ").filter(|_| line.starts_with(|sign: char| sign.is_ascii_lowercase()));
            if let Some((key, _)) = head {
                key.clone_into(&mut last);
                assert!(keys.insert(last.clone(), BTreeSet::new()).is_none(), "{key} stands twice");
            }
            let variables = line.match_indices("{ $").map(|(at, _)| {
                line[at + 3..]
                    .split(|sign: char| !sign.is_alphanumeric())
                    .next()
                    .unwrap_or_default()
                    .to_owned()
            });
            keys.entry(last.clone()).or_default().extend(variables);
        }
        keys
    }

    #[test]
    fn every_language_has_every_key_with_the_same_parts_and_no_other() {
        let english = keys(&FILES[0].1);
        assert!(english.len() > 40, "the keys were read");
        for (index, (language, texts)) in FILES.iter().enumerate() {
            for text in texts {
                assert!(FluentResource::try_new((*text).to_owned()).is_ok(), "{language} can be read whole");
            }
            assert_eq!(keys(texts), english, "{language}");
            for (key, parts) in &english {
                let parts: Vec<(&str, &str)> = parts.iter().map(|part| (part.as_str(), "X1")).collect();
                let said = Speech(index).with(key, &parts);
                assert!(
                    said != *key && !said.contains("{ $") && !said.contains("{$"),
                    "{language} {key}: {said}"
                );
                assert!(parts.is_empty() || said.contains("X1"), "{language} {key}: {said}");
            }
        }
    }

    /// Every key that the code asks for, read from the sources themselves.
    #[test]
    fn every_key_that_is_asked_for_stands_in_the_files() {
        let english = keys(&FILES[0].1);
        let sources = [
            include_str!("letter/mod.rs"),
            include_str!("text.rs"),
            include_str!("flood.rs"),
            include_str!("cause_line.rs"),
            include_str!("cause.rs"),
            include_str!("names.rs"),
            include_str!("subject.rs"),
            include_str!("supply.rs"),
            include_str!("time.rs"),
            include_str!("told.rs"),
            include_str!("unit.rs"),
            include_str!("message.rs"),
            include_str!("speech.rs"),
            include_str!("../explain.rs"),
            include_str!("../deliver/trial.rs"),
            include_str!("letter/html.rs"),
            include_str!("letter/text.rs"),
            include_str!("letter/picture.rs"),
            include_str!("../links/page.rs"),
            include_str!("../links/answer.rs"),
            include_str!("ageing.rs"),
            include_str!("asked.rs"),
            include_str!("gap.rs"),
            include_str!("parallel.rs"),
            include_str!("pattern.rs"),
            include_str!("digest/mod.rs"),
            include_str!("digest/ageing.rs"),
            include_str!("digest/chart.rs"),
            include_str!("digest/findings.rs"),
            include_str!("digest/html.rs"),
            include_str!("digest/html_figures.rs"),
            include_str!("digest/quality.rs"),
            include_str!("digest/said.rs"),
            include_str!("digest/text.rs"),
        ];
        let mut asked = BTreeSet::new();
        for source in sources {
            for call in [".say(\"", ".with(\""] {
                asked.extend(source.split(call).skip(1).filter_map(|rest| rest.split('"').next()));
            }
        }
        assert!(asked.len() > 30, "{asked:?}");
        for key in asked {
            assert!(english.contains_key(key), "{key} is asked for and stands nowhere");
        }
    }

    #[test]
    fn no_text_says_what_must_never_be_advised() {
        for (language, texts) in FILES {
            let text = texts.concat().to_lowercase();
            assert!(!NEVER.iter().any(|word| text.contains(word)), "{language}");
        }
    }
}
