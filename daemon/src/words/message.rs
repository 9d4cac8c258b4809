//! What a person or another program is told about one revision of an alert, in its written form.

use super::Site;
use super::advice;
use super::alphabet::clipped;
use super::cause::{self, CauseTold};
use super::code::code;
use super::speech::Speech;
use super::supply;
use super::text;
use super::time::rfc3339;
use kvarden_core::diagnosis::Family;
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::output::{AlertRevision, Matter, NamedCause, Recurred, Revised, Rule, Subject};
use kvarden_core::phases::Place;
use kvarden_core::plant::Priority;
use kvarden_core::time::EventTime;
use serde::{Deserialize, Serialize};

/// The written form's number. Fields may be added under it; a changed meaning gives a new one.
pub const FORMAT: u32 = 1;

/// The longest message in bytes of JSON: below the 10 KiB that common MQTT clients take by default.
pub const MOST_BYTES: usize = 8 * 1024;

/// The longest name inside a message; a longer one loses its middle.
const MOST_NAME: usize = 80;

/// One revision of one alert, as it is told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Message {
    /// [`FORMAT`].
    pub format: u32,
    /// `<book>:<alert>:<revision>`: the same however often it is sent.
    pub id: String,
    /// The alert.
    pub alert: String,
    /// Its short code, see [`super::code()`].
    pub code: String,
    /// Which revision of it.
    pub revision: u32,
    /// Place among the messages of this channel, without gaps; filled in at sending.
    pub sequence: Option<i64>,
    /// `open` or `closed`.
    pub state: String,
    /// The alarm's state in words.
    pub alarm_state: String,
    /// `urgent`, `high`, `low` or `journal`.
    pub priority: String,
    /// How soon somebody should go: `go now`, `this shift`, `next visit`, `for the record`.
    #[serde(default)]
    pub act: String,
    /// The site.
    pub site: String,
    /// The transformer; none for the program's own parts.
    pub transformer: Option<String>,
    /// The feeder, if it is about one.
    pub feeder: Option<String>,
    /// What feeds the feeder, in words, where that is not the transformer that normally does; `transformer` is then the
    /// one that does now, if one alone does and that is known.
    #[serde(default)]
    pub fed: Option<String>,
    /// The meter; none for the program's own parts.
    pub meter: Option<String>,
    /// Where the feeder or transformer is, as the configuration says it.
    #[serde(default)]
    pub location: Option<String>,
    /// Whom to call, as the configuration says it.
    #[serde(default)]
    pub call: Option<String>,
    /// What there is as a spare for the transformer, as the configuration says it.
    #[serde(default)]
    pub spare: Option<String>,
    /// What the transformer feeds, as the configuration says it.
    #[serde(default)]
    pub feeds: Option<String>,
    /// What stands on the transformer's lugs, as the configuration says it, where the cause is a connection.
    #[serde(default)]
    pub lugs: Option<String>,
    /// What it is about, in words.
    pub what: String,
    /// The measurand's key, if it is about one.
    pub measurand: Option<String>,
    /// `A`, `B`, `C`, `N`, `AB`, `BC`, `CA`; none for the whole.
    pub place: Option<String>,
    /// The order of a harmonic, or which of several; none where there is only one.
    #[serde(default)]
    pub number: Option<u8>,
    /// The value at this moment; none where it is not known.
    pub value: Option<f64>,
    /// Unit of value, setpoint and peak.
    pub unit: Option<String>,
    /// The limit in force.
    pub setpoint: Option<f64>,
    /// The worst value since it opened.
    pub peak: Option<f64>,
    /// Since when, local, RFC 3339.
    pub since: String,
    /// When this revision was made, local, RFC 3339.
    pub at: String,
    /// How often lately, where it comes and goes.
    pub recurred: Option<Often>,
    /// The cause, where it is known.
    #[serde(default)]
    pub cause: Option<CauseTold>,
    /// What to check next, the least invasive first.
    pub check: Vec<String>,
    /// The usual cautions.
    pub caution: String,
    /// One line for a person with a phone.
    pub text: String,
    /// Why it is told now and to whom, in a letter to a person.
    #[serde(default)]
    pub told: Option<Told>,
    /// Why nobody is told of it and it stands in the program's own log alone: `work`, `flood`, `chattering`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub held: Option<String>,
}

/// Why a person is told.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told {
    /// `new`, `worse`, `cause`, `reminder`, `next in line`, `hand-over`, `came again`, `still holds`, `cleared`, `no longer watched`.
    pub why: String,
    /// When the next reminder follows, local, RFC 3339.
    pub next_reminder: Option<String>,
    /// Who.
    pub person: Option<String>,
    /// In which language.
    pub language: Option<String>,
}

/// How often it came lately.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Often {
    /// How many times.
    pub times: u32,
    /// Start of the first, local, RFC 3339.
    pub since: String,
    /// Length of the shortest in seconds.
    pub shortest_s: f64,
    /// Length of the longest in seconds.
    pub longest_s: f64,
}

/// The message about one revision of an alert. Its JSON is never longer than [`MOST_BYTES`] unless the alert's
/// own id is: names lose their middle, then advice is left out from its end, and it says how much.
pub fn message(revision: &AlertRevision, site: &Site) -> Message {
    // A feeder that hangs elsewhere is told with what feeds it: who is called, and where to go, follow from that.
    let subject = &supply::charged(&revision.subject, revision.fed.as_ref());
    let quantity = match subject.matter {
        Matter::Quantity(quantity) | Matter::Rate(quantity) => Some(quantity),
        _ => None,
    };
    let name = |name: &Option<String>| name.as_deref().map(|name| clipped(name, MOST_NAME));
    let note = |note: Option<&str>| note.map(|note| clipped(note, MOST_NAME));
    let mut message = Message {
        format: FORMAT,
        id: format!("{}:{}:{}", site.book, revision.alert, revision.revision),
        alert: revision.alert.clone(),
        code: code(&revision.alert),
        revision: revision.revision,
        sequence: None,
        state: if revision.open { "open" } else { "closed" }.to_owned(),
        alarm_state: revision.state.words().to_owned(),
        priority: revision.priority.key().to_owned(),
        act: act(revision.priority).to_owned(),
        site: clipped(&site.name, MOST_NAME),
        transformer: name(&subject.transformer),
        feeder: name(&subject.feeder),
        fed: revision.fed.as_ref().map(|other| clipped(&supply::fed(other, site.speech), MOST_NAME)),
        meter: name(&subject.meter),
        location: note(site.whereabouts.location(subject)),
        call: note(site.whereabouts.call(subject)),
        spare: note(site.whereabouts.spare(subject)),
        feeds: note(site.whereabouts.feeds(subject)),
        lugs: note(site.whereabouts.lugs(subject).filter(|_| is_of_lugs(revision))),
        what: text::what(revision, site.speech),
        measurand: quantity.map(|quantity| quantity.what.key().to_owned()),
        place: quantity.and_then(place),
        number: quantity.map(|quantity| quantity.number).filter(|number| *number > 0),
        value: value_now(revision).and_then(rounded),
        unit: quantity.map(|quantity| unit_of(&subject.matter, quantity).to_owned()),
        setpoint: revision.setpoint.and_then(rounded),
        peak: revision.peak.and_then(rounded),
        since: rfc3339(revision.since, &site.zone),
        at: rfc3339(revision.at, &site.zone),
        recurred: revision.recurred.map(|recurred| often(&recurred, site)),
        cause: revision.cause.as_deref().map(|cause| cause::told(cause, revision.at, site.reads())),
        check: if revision.open { owned(&check(revision, subject, site.speech)) } else { Vec::new() },
        caution: advice::caution(site.speech).to_owned(),
        text: text::line(revision, site),
        told: None,
        held: revision.held.map(|held| held.key().to_owned()),
    };
    shorten(&mut message, site.speech);
    message
}

/// A message that only tries a channel: it tells of no alert. `alert` is what stands in an alert's place, with the person for
/// whom it is.
pub fn trial(site: &Site, (alert, person): (&str, Option<&str>), text: &str, at: EventTime) -> Message {
    let at = rfc3339(at, &site.zone);
    Message {
        format: FORMAT,
        id: format!("{}:{alert}:1", site.book),
        alert: alert.to_owned(),
        code: code(alert),
        revision: 1,
        sequence: None,
        state: super::letter::TEST.to_owned(),
        alarm_state: super::letter::TEST.to_owned(),
        priority: Priority::Low.key().to_owned(),
        act: act(Priority::Journal).to_owned(),
        site: clipped(&site.name, MOST_NAME),
        transformer: None,
        feeder: None,
        fed: None,
        meter: None,
        location: None,
        call: None,
        spare: None,
        feeds: None,
        lugs: None,
        what: "test of the channel".to_owned(),
        measurand: None,
        place: None,
        number: None,
        value: None,
        unit: None,
        setpoint: None,
        peak: None,
        since: at.clone(),
        at,
        recurred: None,
        cause: None,
        check: Vec::new(),
        caution: advice::caution(site.speech).to_owned(),
        text: super::alphabet::plain(text),
        told: Some(Told {
            why: super::letter::TEST.to_owned(),
            next_reminder: None,
            person: person.map(str::to_owned),
            language: None,
        }),
        held: None,
    }
}

impl Message {
    /// The person to whom it is told; none on channels that have no addressee.
    pub fn person(&self) -> Option<&str> {
        self.told.as_ref()?.person.as_deref()
    }

    /// Its JSON, on one line.
    pub fn json(&self) -> String {
        serde_json::to_string(self).expect("a struct of texts and finite numbers always has a JSON form")
    }
}

/// The value, unless it is left from an earlier revision: an alert closes by a clock or a person, not by a value.
pub(super) fn value_now(revision: &AlertRevision) -> Option<f64> {
    let stale = matches!(revision.why, Revised::Closed | Revised::NoLongerWatched);
    revision.value.filter(|_| !stale)
}

/// What to check next: about the cause, where it is known and shows or is all that is left.
fn check(revision: &AlertRevision, subject: &Subject, speech: Speech) -> Vec<&'static str> {
    let cause = revision.cause.as_deref().filter(|cause| cause.stands || revision.rule == Rule::Cause);
    cause.map_or_else(
        || advice::check(subject, revision.rule, speech),
        |cause| cause::check(cause.facts.cause, speech),
    )
}

/// Whether it is about the lugs: a connection is its cause, or a termination its quantity.
fn is_of_lugs(revision: &AlertRevision) -> bool {
    let connection = |cause: &NamedCause| cause.facts.cause.family() == Family::Connection;
    let by_cause = revision.cause.as_deref().is_some_and(connection);
    let what = match &revision.subject.matter {
        Matter::Quantity(quantity) | Matter::Rate(quantity) => Some(quantity.what),
        _ => None,
    };
    let of_termination = |what| {
        use Measurand::{ContactHeat, Termination, TerminationExcess, TerminationRise};
        matches!(what, Termination | TerminationRise | TerminationExcess | ContactHeat)
    };
    by_cause || what.is_some_and(of_termination)
}

/// How soon somebody should go.
fn act(priority: Priority) -> &'static str {
    match priority {
        Priority::Urgent => "go now",
        Priority::High => "this shift",
        Priority::Low => "next visit",
        Priority::Journal => "for the record",
    }
}

/// The unit of value, setpoint and peak: of a rate that of the quantity, an hour.
pub(crate) fn unit_of(matter: &Matter, quantity: Quantity) -> &'static str {
    let unit = quantity.what.facts().unit;
    if matches!(matter, Matter::Rate(_)) { unit.per_hour() } else { unit.symbol() }
}

fn place(quantity: Quantity) -> Option<String> {
    (quantity.place != Place::Whole).then(|| quantity.place.key().to_owned())
}

/// To thousandths: no meter here knows more. What is not finite has no JSON form and is absent.
fn rounded(value: f64) -> Option<f64> {
    let rounded = (value * 1000.0).round() / 1000.0;
    rounded.is_finite().then_some(rounded)
}

fn often(recurred: &Recurred, site: &Site) -> Often {
    Often {
        times: recurred.times,
        since: rfc3339(recurred.since, &site.zone),
        shortest_s: recurred.shortest.as_seconds(),
        longest_s: recurred.longest.as_seconds(),
    }
}

fn owned(texts: &[&str]) -> Vec<String> {
    texts.iter().map(|text| (*text).to_owned()).collect()
}

/// Leaves out advice from its end until the message fits.
fn shorten(message: &mut Message, speech: Speech) {
    let mut left_out = 0;
    while message.json().len() > MOST_BYTES && message.check.len() > usize::from(left_out > 0) {
        if left_out > 0 {
            message.check.pop();
        }
        message.check.pop();
        left_out += 1;
        message.check.push(speech.with("check-more", &[("count", &left_out.to_string())]));
    }
}
