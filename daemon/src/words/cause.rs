//! A named cause in words. What is said of each stands in `causes.toml`; here it is found and put together with the facts.

use super::alphabet::{clipped, plain};
use super::names;
use super::pattern;
use super::speech::{COUNT, Speech};
use super::text::named;
use super::time::moment_in;
use super::unit::Scale;
use jiff::tz::TimeZone;
use kvarden_config::TemperatureUnit;
use kvarden_core::diagnosis::{Cause, Evidence, Figure, Finding, Lack, RuledOut, Share};
use kvarden_core::output::NamedCause;
use kvarden_core::phases::Place;
use kvarden_core::time::EventTime;
use serde::{Deserialize, Serialize};
use std::sync::LazyLock;

/// How people of a site read times and temperatures.
#[derive(Debug, Clone, Copy)]
pub struct Reads<'a> {
    /// The site's time zone.
    pub zone: &'a TimeZone,
    /// In which unit they read temperatures.
    pub shows: TemperatureUnit,
    /// In which language.
    pub speech: Speech,
}

impl Reads<'_> {
    /// A moment as they read it at `now`.
    pub(super) fn moment(&self, at: EventTime, now: EventTime) -> String {
        moment_in(at, now, self.zone, self.speech)
    }
}

/// The most things of a kind in one message: more is not read on a phone. All of them stand in `kvarden explain`.
const MOST: usize = 5;
/// The longest name in a sentence.
const MOST_NAME: usize = 40;
/// Above this confidence a cause is called likely; below it, perhaps (common practice, no source).
const LIKELY: f64 = 0.6;

/// The built-in texts, in the order of the languages.
const TEXTS: [&str; COUNT] = [include_str!("causes.toml"), include_str!("causes.de.toml")];

static CAUSES: LazyLock<[Book; COUNT]> = LazyLock::new(|| {
    TEXTS.map(|text| toml::from_str(text).expect("each built-in text is read by a test of this file"))
});

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Book {
    cause: Vec<Entry>,
    lack: Vec<Fit>,
    unseen: Unseen,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    #[serde(rename = "for")]
    answers: String,
    likely: String,
    means: String,
    check: Vec<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Fit {
    #[serde(rename = "for")]
    lack: Lack,
    fit: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Unseen {
    text: String,
}

/// A named cause as it is written in a message.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CauseTold {
    /// Id of the finding.
    pub finding: String,
    /// The family, as in `replay --json`.
    pub cause: String,
    /// Which of the family.
    pub variant: String,
    /// Whether it still shows.
    pub stands: bool,
    /// The feeder to which it is traced; none: the transformer itself.
    pub feeder: Option<String>,
    /// The phase, pair of lines or neutral to which it is traced.
    pub place: Option<String>,
    /// How sure, 0 to 1.
    pub confidence: f64,
    /// The cause in words.
    pub likely: String,
    /// Whether it can burn or hurt, and how soon to go.
    pub means: String,
    /// The numbers for it, the one that proves it first.
    pub proof: Vec<String>,
    /// What else could have been, each with the number that says it is not.
    pub ruled_out: Vec<String>,
    /// How it comes and goes.
    pub pattern: Option<String>,
    /// Which feeder has what share of it.
    pub shares: Vec<String>,
    /// What a sensor more would tell.
    pub lacks: Vec<String>,
}

/// A cause as a message tells it: of each list the first few.
pub(super) fn told(cause: &NamedCause, at: EventTime, reads: Reads<'_>) -> CauseTold {
    let NamedCause { finding, stands, facts } = cause;
    let few = |all: Vec<String>| all.into_iter().take(MOST).map(|one| plain(&one)).collect();
    CauseTold {
        finding: finding.clone(),
        cause: facts.cause.family().key().to_owned(),
        variant: facts.cause.key().to_owned(),
        stands: *stands,
        feeder: facts.feeder.as_deref().map(|name| clipped(name, 2 * MOST_NAME)),
        place: facts.place.filter(|place| *place != Place::Whole).map(|place| place.key().to_owned()),
        confidence: (facts.confidence * 100.0).round() / 100.0,
        likely: likely(facts.cause, facts.place, reads.speech),
        means: means(facts.cause, reads.speech).to_owned(),
        proof: few(proof(facts, reads)),
        ruled_out: few(ruled_out(facts, reads)),
        pattern: facts.pattern.as_ref().map(|known| plain(&pattern::sentence(known, at, reads))),
        shares: few(facts.shares.iter().map(|one| share(one, reads.speech)).collect()),
        lacks: few(lacks(facts, reads.speech)),
    }
}

/// The cause in words: `loose phase B connection`.
pub fn likely(cause: Cause, place: Option<Place>, speech: Speech) -> String {
    let phase = place.and_then(|place| names::place(place, speech));
    let phase = phase.map(|place| format!("{place} ")).unwrap_or_default();
    let text = entry(cause, speech).map_or(cause.words(), |entry| &entry.likely);
    text.replace("{phase}", &phase).trim_end().to_owned()
}

/// Whether it can burn or hurt, and how soon to go.
pub fn means(cause: Cause, speech: Speech) -> &'static str {
    entry(cause, speech).map_or("", |entry| &entry.means)
}

/// What to check next, the least invasive first.
pub fn check(cause: Cause, speech: Speech) -> Vec<&'static str> {
    entry(cause, speech).map(|entry| entry.check.iter().map(String::as_str).collect()).unwrap_or_default()
}

/// What meters cannot see, for where no cause is named.
pub fn unseen(speech: Speech) -> &'static str {
    speech.of_each(&CAUSES).unseen.text.trim_end()
}

/// What a sensor more would tell, and which to fit first.
pub fn lacks(facts: &Finding, speech: Speech) -> Vec<String> {
    let first = facts.meter_first.as_deref();
    let first = first.map_or_else(|| speech.say("lack-largest"), |name| clipped(name, MOST_NAME));
    facts.lacks.iter().map(|lack| fit(*lack, speech).replace("{first}", &first)).collect()
}

fn fit(lack: Lack, speech: Speech) -> &'static str {
    speech.of_each(&CAUSES).lack.iter().find(|known| known.lack == lack).map_or("", |known| &known.fit)
}

fn entry(cause: Cause, speech: Speech) -> Option<&'static Entry> {
    let key = format!("{} {}", cause.family().key(), cause.key());
    speech.of_each(&CAUSES).cause.iter().find(|entry| entry.answers == key)
}

/// `Likely loose phase B connection at MP-3`; the feeder is left out where it was just named.
pub(super) fn sentence(facts: &Finding, named: Option<&str>, speech: Speech) -> String {
    let feeder = facts.feeder.as_deref().filter(|feeder| Some(*feeder) != named);
    // What feeders show of something that lies at the transformer.
    let whole = (facts.feeder.is_none() && named.is_some()).then_some(facts.transformer.as_str());
    let cause = format!("{}{}", likely(facts.cause, facts.place, speech), at(whole.or(feeder), speech));
    let parts = [("cause", cause.as_str())];
    if facts.confidence >= LIKELY {
        speech.with("line-likely", &parts)
    } else {
        speech.with("line-perhaps", &parts)
    }
}

/// ` at MP-3`, or nothing.
fn at(name: Option<&str>, speech: Speech) -> String {
    let said = |name| format!(" {}", speech.with("name-at", &[("name", &clipped(name, MOST_NAME))]));
    name.map(said).unwrap_or_default()
}

/// In a list: `T2, MP-3: loose phase B connection since 13:10 (confidence 87 %)`.
pub fn listed(facts: &Finding, now: EventTime, reads: Reads<'_>) -> String {
    let feeder =
        facts.feeder.as_deref().map(|name| format!(", {}", clipped(name, MOST_NAME))).unwrap_or_default();
    let (since, sure) = (reads.moment(facts.since, now), 100.0 * facts.confidence);
    let likely = likely(facts.cause, facts.place, reads.speech);
    let transformer = clipped(&facts.transformer, MOST_NAME);
    format!("{transformer}{feeder}: {likely} since {since} (confidence {sure:.0} %)")
}

/// The numbers for it, the one that proves it first.
pub fn proof(facts: &Finding, reads: Reads<'_>) -> Vec<String> {
    let feeder = facts.feeder.as_deref();
    facts.evidence.iter().map(|one| evidence(one, feeder, reads)).collect()
}

/// What else could have been, each with the number that says it is not.
pub fn ruled_out(facts: &Finding, reads: Reads<'_>) -> Vec<String> {
    let said = |RuledOut { family, by }: &RuledOut| {
        let number = evidence(by, facts.feeder.as_deref(), reads);
        let family = names::family(*family, reads.speech);
        reads.speech.with("cause-is-not", &[("family", family), ("number", &number)])
    };
    facts.ruled_out.iter().map(said).collect()
}

/// A number: `winding above expected phase B 14.0 K, healthy 3.0 K`.
pub(super) fn evidence(one: &Evidence, named_feeder: Option<&str>, reads: Reads<'_>) -> String {
    let speech = reads.speech;
    let (what, value, against) = match one.figure {
        Figure::Quantity(quantity) => {
            let scale = Scale { what: quantity.what, shows: reads.shows };
            let decimals = usize::from(quantity.what.facts().decimals);
            let amount = |value: f64| scale.with_unit(&format!("{:.decimals$}", scale.read(value)), speech);
            (named(quantity, speech), amount(one.value), one.against.map(amount))
        }
        Figure::Sign(sign, place) => {
            let (decimals, unit) = (usize::from(sign.decimals()), plain(names::unit_of(sign, speech)));
            // Of what is so or not, the number says nothing.
            let flag = unit.is_empty() && decimals == 0;
            let amount = |value: f64| {
                let digits = || speech.digits(&format!("{value:.decimals$}"));
                if flag { String::new() } else { format!("{} {unit}", digits()).trim_end().to_owned() }
            };
            let place = if place == Place::Whole { String::new() } else { format!(" {place}") };
            (
                format!("{}{place}", names::sign(sign, speech)),
                amount(one.value),
                one.against.map(amount).filter(|_| !flag),
            )
        }
    };
    let feeder = one.feeder.as_deref().filter(|feeder| Some(*feeder) != named_feeder);
    let at = at(feeder, speech);
    let against = against.map(|against| format!(" {}", speech.with("cause-against", &[("value", &against)])));
    format!("{what}{at} {value}{}", against.unwrap_or_default()).trim_end().to_owned()
}

/// The share of one feeder: `MP-3 62 %`.
pub fn share(share: &Share, speech: Speech) -> String {
    let feeder = share.feeder.as_deref();
    let feeder = feeder.map_or_else(|| speech.say("share-not-metered"), |name| clipped(name, MOST_NAME));
    format!("{feeder} {:.0} %", share.percent)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::advice::{MOST_CHECKS, NEVER};

    const ENGLISH: Speech = Speech::ENGLISH;

    #[test]
    fn every_cause_has_its_words_in_every_language_and_nothing_else_stands_there() {
        let keys: Vec<String> =
            Cause::ALL.iter().map(|cause| format!("{} {}", cause.family().key(), cause.key())).collect();
        for speech in Speech::all() {
            let book = speech.of_each(&CAUSES);
            let written: Vec<&String> = book.cause.iter().map(|entry| &entry.answers).collect();
            assert_eq!(keys.iter().collect::<Vec<_>>(), written, "in the order of the table of causes");
            for (entry, english) in book.cause.iter().zip(&CAUSES[0].cause) {
                let said = [&entry.likely, &entry.means].into_iter().chain(&entry.check);
                assert!(
                    said.clone()
                        .all(|text| plain(&text.replace("{phase}", "")) == text.replace("{phase}", "")),
                    "{}",
                    entry.answers
                );
                assert!(
                    said.clone().all(|text| text.len() <= 260),
                    "too long for a phone: {}",
                    entry.answers
                );
                assert!((1..=MOST_CHECKS).contains(&entry.check.len()), "{}", entry.answers);
                assert!(entry.likely.len() <= 55, "{}", entry.likely);
                assert_eq!(entry.check.len(), english.check.len(), "{}", entry.answers);
                assert_eq!(
                    entry.likely.contains("{phase}"),
                    english.likely.contains("{phase}"),
                    "{}",
                    entry.answers
                );
            }
            for (lack, english) in book.lack.iter().zip(&CAUSES[0].lack) {
                assert_eq!(lack.lack, english.lack);
                assert_eq!(lack.fit.contains("{first}"), english.fit.contains("{first}"), "{:?}", lack.lack);
            }
            assert_eq!(book.lack.len(), CAUSES[0].lack.len());
        }
        for lack in [
            Lack::FeederMeters,
            Lack::Ambient,
            Lack::Terminations,
            Lack::Windings,
            Lack::Angles,
            Lack::Harmonics,
            Lack::Neutral,
            Lack::VoltsAtBothEnds,
            Lack::PrimaryMeter,
            Lack::States,
            Lack::FanState,
        ] {
            assert!(!fit(lack, ENGLISH).is_empty(), "{lack:?}");
        }
        assert!(unseen(ENGLISH).contains("without a sensor"));
        assert!(unseen(Speech::of(Some("de"))).contains("ohne Sensor"));
    }

    #[test]
    fn no_cause_advises_what_must_never_be_advised_and_heat_is_answered_by_taking_load_off() {
        // How each language names load, the normal way to switch, and to whom the last line leaves it.
        let words: [(&str, &str, &[&str]); COUNT] = [
            (
                "oad",
                "by normal switching",
                &["local codes", "local rules", "qualified persons", "licensed electrician"],
            ),
            (
                "Last",
                "betriebsmäßig",
                &[
                    "örtliche Vorschriften",
                    "örtlichen Vorschriften",
                    "örtlichen Regeln",
                    "Elektrofachkraft",
                    "Elektrofachkräfte",
                ],
            ),
        ];
        for (speech, (load, normally, defers)) in Speech::all().zip(words) {
            let text = speech.of_each(&TEXTS).to_lowercase();
            for word in NEVER {
                assert!(!text.contains(word), "{word}");
            }
            for entry in &speech.of_each(&CAUSES).cause {
                let (family, key) = entry.answers.split_once(' ').unwrap();
                let hot = ["overload", "loose-connection", "cooling"].contains(&family)
                    && !["repeated-peaks", "slow-growth"].contains(&key);
                assert!(
                    !hot || (entry.check[0].contains(load) && entry.check[0].contains(normally)),
                    "{key}"
                );
                let last = entry.check.last().unwrap();
                assert!(defers.iter().any(|word| last.contains(word)), "{last}");
            }
        }
    }

    #[test]
    fn a_place_is_named_as_people_say_it() {
        let said = |cause, place, language| likely(cause, place, Speech::of(Some(language)));
        assert_eq!(said(Cause::ConnectionSteady, Some(Place::B), "en"), "poor phase B connection");
        assert_eq!(said(Cause::ConnectionIntermittent, Some(Place::N), "en"), "loose neutral connection");
        assert_eq!(said(Cause::ConnectionSteady, None, "en"), "poor connection");
        assert_eq!(said(Cause::LostPhase, Some(Place::C), "en"), "lost phase C line");
        assert_eq!(said(Cause::OverloadPhase, Some(Place::B), "en"), "phase B overload, the others below");
        assert_eq!(said(Cause::ConnectionIntermittent, Some(Place::B), "de"), "lose Verbindung Phase B");
        assert_eq!(said(Cause::ConnectionIntermittent, None, "de"), "lose Verbindung");
    }
}
