//! What is said of a meter itself and of the parts of the program: the words of each health alarm, kept as data in
//! `health.toml`, a file a language.

use super::alphabet::clipped;
use super::speech::{COUNT, Speech};
use super::time::{duration, rfc3339};
use jiff::tz::TimeZone;
use kvarden_core::input::{Certificate, Part};
use kvarden_core::output::Rule;
use kvarden_core::time::EventTime;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::LazyLock;

/// The longest name of a channel in a sentence.
const MOST_CHANNEL: usize = 40;
/// What stands for a name in the words.
const NAME: &str = "{name}";

/// The built-in texts, in the order of the languages.
const TEXTS: [&str; COUNT] = [include_str!("health.toml"), include_str!("health.de.toml")];

static CONDITIONS: LazyLock<[BTreeMap<String, Condition>; COUNT]> = LazyLock::new(|| {
    TEXTS.map(|text| toml::from_str(text).expect("each built-in text is read by a test of this file"))
});

/// The words about one condition. A sentence is `<stands> since 13:10<cost>`; for a meter its name stands first.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Condition {
    /// What it is about, alone: `meter silent`, `store`.
    pub(super) what: String,
    /// While it holds.
    pub(super) stands: String,
    /// What that costs.
    pub(super) cost: String,
    /// When it is over.
    pub(super) over: String,
    /// In a list, after the subject's name.
    pub(super) listed: String,
}

fn condition(key: &str, speech: Speech) -> Condition {
    // Never absent in what is built in: a test of this file looks for each key in each language.
    speech.of_each(&CONDITIONS).get(key).cloned().unwrap_or_default()
}

/// Of a meter itself. Any rule that is not about a meter is told as silence: nothing is known of it.
pub(super) fn of_meter(rule: Rule, speech: Speech) -> Condition {
    match rule {
        Rule::Frozen => condition("frozen", speech),
        Rule::Trouble(trouble) => condition(trouble.key(), speech),
        _ => condition("silent", speech),
    }
}

/// Of a part of the program or of its surroundings.
pub(super) fn of_part(part: &Part, speech: Speech) -> Condition {
    let Part::Channel(name) = part else { return condition(&part.key(), speech) };
    let name = clipped(name, MOST_CHANNEL);
    let Condition { what, stands, cost, over, listed } = condition("channel", speech);
    let with = |words: String| words.replace(NAME, &name);
    Condition { what: with(what), stands: with(stands), cost, over: with(over), listed }
}

/// When a certificate ends, as told at `now`.
pub fn certificate_end(whose: Certificate, end: EventTime, now: EventTime) -> String {
    let (what, day) = (certificate(whose), rfc3339(end, &TimeZone::UTC));
    let day = &day[..day.len().min("2026-12-16".len())];
    if end > now {
        format!("{what}: ends on {day}, in {}", duration(end - now))
    } else {
        format!("{what}: ended on {day}")
    }
}

/// Whose certificate.
fn certificate(whose: Certificate) -> String {
    of_part(&Part::Certificate(whose), Speech::ENGLISH).what
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::advice::NEVER;
    use crate::words::alphabet::plain;
    use kvarden_core::input::MeterTrouble;

    #[test]
    fn every_condition_has_its_words_in_every_language_and_no_other_stands_there() {
        let mut keys: Vec<String> = ["silent", "frozen", "channel"].map(str::to_owned).into();
        keys.extend(MeterTrouble::ALL.map(|trouble| trouble.key().to_owned()));
        keys.extend(Part::FIXED.iter().map(kvarden_core::input::Part::key));
        keys.sort_unstable();
        for book in CONDITIONS.iter() {
            assert_eq!(book.keys().cloned().collect::<Vec<_>>(), keys);
            for (key, said) in book {
                for words in [&said.what, &said.stands, &said.over, &said.listed] {
                    let shown = words.replace(NAME, "mail");
                    assert!(!words.is_empty() && plain(&shown) == shown, "{key}: {words}");
                    assert_eq!(words.contains(NAME), key == "channel" && *words != said.listed, "{key}");
                }
                assert!(said.cost.starts_with(", "), "{key}: {}", said.cost);
            }
        }
        assert!(TEXTS.iter().all(|text| !NEVER.iter().any(|word| text.to_lowercase().contains(word))));
    }
}
