//! A named cause in words. What is said of each stands in `causes.toml`; here it is found and put together with the facts.

use super::alphabet::{clipped, plain};
use super::text::named;
use super::time::{duration, durations, local, moment};
use super::unit::Scale;
use jiff::tz::TimeZone;
use kvarden_config::TemperatureUnit;
use kvarden_core::diagnosis::{Cause, Evidence, Figure, Finding, Lack, Pattern, RuledOut, Share};
use kvarden_core::output::NamedCause;
use kvarden_core::phases::Place;
use kvarden_core::time::{EventTime, Span};
use serde::{Deserialize, Serialize};
use std::fmt::Write;
use std::sync::LazyLock;

/// How people of a site read times and temperatures.
#[derive(Debug, Clone, Copy)]
pub struct Reads<'a> {
    /// The site's time zone.
    pub zone: &'a TimeZone,
    /// In which unit they read temperatures.
    pub shows: TemperatureUnit,
}

/// The most things of a kind in one message: more is not read on a phone. All of them stand in `kvarden explain`.
const MOST: usize = 5;
/// The longest name in a sentence.
const MOST_NAME: usize = 40;
/// Above this confidence a cause is called likely; below it, perhaps (common practice, no source).
const LIKELY: f64 = 0.6;
/// Hours of the day are named where so large a part of all starts lies in a few of them (common practice, no source).
const MOSTLY: f64 = 0.75;
/// Days of the week as they are said.
const WEEKDAYS: [&str; 7] =
    ["Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays"];
/// A few hours.
const FEW_HOURS: usize = 4;

/// The built-in text.
const TEXT: &str = include_str!("causes.toml");

static CAUSES: LazyLock<Book> =
    LazyLock::new(|| toml::from_str(TEXT).expect("the built-in causes.toml is read by a test of this file"));

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
        likely: likely(facts.cause, facts.place),
        means: means(facts.cause).to_owned(),
        proof: few(proof(facts, reads)),
        ruled_out: few(ruled_out(facts, reads)),
        pattern: facts.pattern.as_ref().map(|known| plain(&pattern(known, at, reads))),
        shares: few(facts.shares.iter().map(share).collect()),
        lacks: few(lacks(facts)),
    }
}

/// The cause in words: `loose phase B connection`.
pub fn likely(cause: Cause, place: Option<Place>) -> String {
    let phase = match place {
        None | Some(Place::Whole) => String::new(),
        Some(Place::N) => "neutral ".to_owned(),
        Some(place @ (Place::A | Place::B | Place::C)) => format!("phase {place} "),
        Some(place) => {
            let (one, other) = place.key().split_at(1);
            format!("lines {one}-{other} ")
        }
    };
    let text = entry(cause).map_or(cause.words(), |entry| &entry.likely);
    text.replace("{phase}", &phase).trim_end().to_owned()
}

/// Whether it can burn or hurt, and how soon to go.
pub fn means(cause: Cause) -> &'static str {
    entry(cause).map_or("", |entry| &entry.means)
}

/// What to check next, the least invasive first.
pub fn check(cause: Cause) -> Vec<&'static str> {
    entry(cause).map(|entry| entry.check.iter().map(String::as_str).collect()).unwrap_or_default()
}

/// What meters cannot see, for where no cause is named.
pub fn unseen() -> &'static str {
    CAUSES.unseen.text.trim_end()
}

/// What a sensor more would tell, and which to fit first.
pub fn lacks(facts: &Finding) -> Vec<String> {
    let first = facts.meter_first.as_deref();
    let first = first.map_or_else(|| "the largest".to_owned(), |name| clipped(name, MOST_NAME));
    facts.lacks.iter().map(|lack| fit(*lack).replace("{first}", &first)).collect()
}

fn fit(lack: Lack) -> &'static str {
    CAUSES.lack.iter().find(|known| known.lack == lack).map_or("", |known| &known.fit)
}

fn entry(cause: Cause) -> Option<&'static Entry> {
    let key = format!("{} {}", cause.family().key(), cause.key());
    CAUSES.cause.iter().find(|entry| entry.answers == key)
}

/// `Likely loose phase B connection at MP-3`; the feeder is left out where it was just named.
pub(super) fn sentence(facts: &Finding, named: Option<&str>) -> String {
    let how = if facts.confidence >= LIKELY { "Likely" } else { "Perhaps" };
    let feeder = facts.feeder.as_deref().filter(|feeder| Some(*feeder) != named);
    let at = feeder.map(|feeder| format!(" at {}", clipped(feeder, MOST_NAME))).unwrap_or_default();
    // What feeders show of something that lies at the transformer.
    let whole = facts.feeder.is_none() && named.is_some();
    let of = if whole { format!(" at {}", clipped(&facts.transformer, MOST_NAME)) } else { at };
    format!("{how} {}{of}", likely(facts.cause, facts.place))
}

/// In a list: `T2, MP-3: loose phase B connection since 13:10 (confidence 87 %)`.
pub fn listed(facts: &Finding, now: EventTime, reads: Reads<'_>) -> String {
    let feeder =
        facts.feeder.as_deref().map(|name| format!(", {}", clipped(name, MOST_NAME))).unwrap_or_default();
    let (since, sure) = (moment(facts.since, now, reads.zone), 100.0 * facts.confidence);
    let (transformer, likely) = (clipped(&facts.transformer, MOST_NAME), likely(facts.cause, facts.place));
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
        format!("not {}: {}", family.words(), evidence(by, facts.feeder.as_deref(), reads))
    };
    facts.ruled_out.iter().map(said).collect()
}

/// A number: `winding above expected phase B 14.0 K, healthy 3.0 K`.
pub(super) fn evidence(one: &Evidence, named_feeder: Option<&str>, reads: Reads<'_>) -> String {
    let (what, value, against) = match one.figure {
        Figure::Quantity(quantity) => {
            let scale = Scale { what: quantity.what, shows: reads.shows };
            let decimals = usize::from(quantity.what.facts().decimals);
            let amount = |value: f64| scale.with_unit(&format!("{:.decimals$}", scale.read(value)));
            (named(quantity), amount(one.value), one.against.map(amount))
        }
        Figure::Sign(sign, place) => {
            let (decimals, unit) = (usize::from(sign.decimals()), plain(sign.unit()));
            // Of what is so or not, the number says nothing.
            let flag = unit.is_empty() && decimals == 0;
            let amount = |value: f64| {
                if flag { String::new() } else { format!("{value:.decimals$} {unit}").trim_end().to_owned() }
            };
            let place = if place == Place::Whole { String::new() } else { format!(" {place}") };
            (format!("{}{place}", sign.words()), amount(one.value), one.against.map(amount).filter(|_| !flag))
        }
    };
    let feeder = one.feeder.as_deref().filter(|feeder| Some(*feeder) != named_feeder);
    let at = feeder.map(|feeder| format!(" at {}", clipped(feeder, MOST_NAME))).unwrap_or_default();
    let against = against.map(|against| format!(" against {against}")).unwrap_or_default();
    format!("{what}{at} {value}{against}").trim_end().to_owned()
}

/// The share of one feeder: `MP-3 62 %`.
pub fn share(share: &Share) -> String {
    let feeder =
        share.feeder.as_deref().map_or_else(|| "not metered".to_owned(), |name| clipped(name, MOST_NAME));
    format!("{feeder} {:.0} %", share.percent)
}

/// How it comes and goes, in a sentence: `31 times since 13:10, 2-9 s each, about every 12 min, mostly 11-13 h`.
pub fn pattern(pattern: &Pattern, at: EventTime, reads: Reads<'_>) -> String {
    let Pattern { times, since, shortest, longest, every, days, .. } = pattern;
    let mut said = format!(
        "{} since {}, {} each",
        if *times == 1 { "once".to_owned() } else { format!("{times} times") },
        moment(*since, at, reads.zone),
        durations(*shortest, *longest)
    );
    if let Some(every) = every {
        let _ = write!(said, ", about every {}", duration(*every));
    }
    if let Some((from, to)) = hours(pattern, reads) {
        let _ = write!(said, ", mostly {from}-{to} h");
    }
    if let Some(days) = weekdays(pattern, reads) {
        let _ = write!(said, ", mostly on {days}");
    }
    if let Some((latest, before)) = days.filter(|(latest, before)| latest > before) {
        let _ = write!(said, ", growing: {latest} in the latest day, {before} in the day before");
    }
    said
}

/// The few hours of the local day in which most of it began, if there are such.
fn hours(pattern: &Pattern, reads: Reads<'_>) -> Option<(usize, usize)> {
    if pattern.starts.len() < MOST {
        return None;
    }
    let mut counts = [0usize; 24];
    for start in &pattern.starts {
        counts[usize::try_from(local(*start, reads.zone).hour()).unwrap_or(0) % 24] += 1;
    }
    let enough = MOSTLY * pattern.starts.len() as f64;
    let within =
        |from: usize, length: usize| (from..from + length).map(|hour| counts[hour % 24]).sum::<usize>();
    (1..=FEW_HOURS).find_map(|length| {
        let best = (0..24).max_by_key(|from| (within(*from, length), 24 - *from))?;
        (within(best, length) as f64 >= enough).then_some((best, (best + length) % 24))
    })
}

/// The one or two weekdays on which most of it began, once it has gone on for longer than a week.
fn weekdays(pattern: &Pattern, reads: Reads<'_>) -> Option<String> {
    let (first, last) = (pattern.starts.first()?, pattern.starts.last()?);
    if pattern.starts.len() < MOST || *last - *first < Span::hours(24 * 8) {
        return None;
    }
    let mut counts = [0usize; 7];
    for start in &pattern.starts {
        counts[usize::from(local(*start, reads.zone).weekday().to_monday_zero_offset().unsigned_abs())] += 1;
    }
    let mut order: Vec<usize> = (0..7).collect();
    order.sort_by_key(|day| (std::cmp::Reverse(counts[*day]), *day));
    let enough = MOSTLY * pattern.starts.len() as f64;
    let few =
        (1..=2).find(|few| order[..*few].iter().map(|day| counts[*day]).sum::<usize>() as f64 >= enough)?;
    let mut days = order[..few].to_vec();
    days.sort_unstable();
    Some(days.iter().map(|day| WEEKDAYS[*day]).collect::<Vec<_>>().join(" and "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::advice::{MOST_CHECKS, NEVER};

    #[test]
    fn every_cause_has_its_words_and_nothing_else_stands_there() {
        let keys: Vec<String> =
            Cause::ALL.iter().map(|cause| format!("{} {}", cause.family().key(), cause.key())).collect();
        let written: Vec<&String> = CAUSES.cause.iter().map(|entry| &entry.answers).collect();
        assert_eq!(keys.iter().collect::<Vec<_>>(), written, "in the order of the table of causes");
        for entry in &CAUSES.cause {
            let said = [&entry.likely, &entry.means].into_iter().chain(&entry.check);
            assert!(
                said.clone().all(|text| plain(&text.replace("{phase}", "")) == text.replace("{phase}", ""))
            );
            assert!(said.clone().all(|text| text.len() <= 200), "too long for a phone: {}", entry.answers);
            assert!((1..=MOST_CHECKS).contains(&entry.check.len()), "{}", entry.answers);
            assert!(entry.likely.len() <= 55, "{}", entry.likely);
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
            assert!(!fit(lack).is_empty(), "{lack:?}");
        }
        assert!(unseen().contains("without a sensor"));
    }

    #[test]
    fn no_cause_advises_what_must_never_be_advised_and_heat_is_answered_by_taking_load_off() {
        let text = TEXT.to_lowercase();
        assert!(!NEVER.iter().any(|word| text.contains(word)));
        for entry in &CAUSES.cause {
            let (family, key) = entry.answers.split_once(' ').unwrap();
            let hot = ["overload", "loose-connection", "cooling"].contains(&family)
                && !["repeated-peaks", "slow-growth"].contains(&key);
            assert!(
                !hot || (entry.check[0].contains("oad") && entry.check[0].contains("by normal switching")),
                "{key}"
            );
            let last = entry.check.last().unwrap();
            let defers = ["local codes", "local rules", "qualified persons", "licensed electrician"];
            assert!(defers.iter().any(|word| last.contains(word)), "{}", entry.answers);
        }
    }

    #[test]
    fn a_place_is_named_as_people_say_it() {
        assert_eq!(likely(Cause::ConnectionSteady, Some(Place::B)), "poor phase B connection");
        assert_eq!(likely(Cause::ConnectionIntermittent, Some(Place::N)), "loose neutral connection");
        assert_eq!(likely(Cause::ConnectionSteady, None), "poor connection");
        assert_eq!(likely(Cause::LostPhase, Some(Place::C)), "lost phase C line");
        assert_eq!(likely(Cause::OverloadPhase, Some(Place::B)), "phase B overload, the others below");
    }
}
