//! What a person reads of an alert in a mail or another message, in the order in which it matters at two in the
//! morning: the line; can it burn or hurt and is it to go now; since when; where; why; the first thing to do; what hangs
//! on it and whom to call; caution; how to say that it is seen, the case's number and the next reminder.
//!
//! It holds no percentile, no clause number, no confidence, no UTC and no raw tag. Layouts: [`text()`], [`html()`].

mod html;
mod picture;
mod text;

#[cfg(test)]
mod tests;

pub use html::{PICTURE, html};
pub use picture::{Picture, picture};
pub use text::{short, text};

use super::message::{Message, Often};
use super::names;
use super::speech::Speech;
use super::text::STANDS_ALONE;
use super::time::{duration, durations, moment_in};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use kvarden_core::time::{EventTime, Span};

/// Above this confidence a cause is called likely; below it, perhaps (common practice, no source).
const LIKELY: f64 = 0.6;
/// The most causes named as ruled out: more is not read on a phone.
const MOST_RULED_OUT: usize = 3;
/// The state of a message that only tries a channel.
pub const TEST: &str = "test";
/// The state of a message that is a sign of life.
pub const ALIVE: &str = "alive";

/// How one person is addressed.
#[derive(Debug, Clone, Copy)]
pub struct Reader<'a> {
    /// In which words.
    pub speech: Speech,
    /// In which zone: the site's.
    pub zone: &'a TimeZone,
    /// Who; none where a channel has no person.
    pub person: Option<&'a str>,
    /// Where to say that it is seen.
    pub link: Option<&'a str>,
}

impl Reader<'_> {
    fn moment(&self, at: EventTime, now: EventTime) -> String {
        moment_in(at, now, self.zone, self.speech)
    }
}

/// A letter before it is laid out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sheet {
    /// What a list of mails shows: the first of the line, in the 7-bit alphabet.
    pub subject: String,
    /// The whole in one line.
    pub line: String,
    /// `urgent`, `high`, `low`, `journal`.
    pub priority: String,
    /// The rest, in its order; what is not known is not there.
    pub parts: Vec<Part>,
    /// How to say that it is seen.
    pub seen: Option<Seen>,
    /// Case number, next reminder.
    pub foot: Vec<String>,
}

/// One question and its answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part {
    /// The question.
    pub head: String,
    /// Sentences.
    pub said: Vec<String>,
    /// What this part weighs.
    pub weight: Weight,
}

/// How a part is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// As most are.
    Plain,
    /// To be seen first.
    Strong,
    /// The caution.
    Caution,
}

/// How to say that it is seen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Seen {
    /// By a link.
    Link(String),
    /// By a command, in a sentence.
    Command(String),
}

/// The letter about one message.
pub fn sheet(message: &Message, reader: Reader<'_>) -> Sheet {
    let speech = reader.speech;
    let subject = subject(&message.text);
    if let Some(body) =
        [(TEST, "test-body"), (ALIVE, "alive-body")].iter().find(|(state, _)| message.state == *state)
    {
        let part = Part { head: String::new(), said: vec![speech.say(body.1)], weight: Weight::Plain };
        return Sheet {
            subject,
            line: message.text.clone(),
            priority: message.priority.clone(),
            parts: vec![part],
            seen: None,
            foot: Vec::new(),
        };
    }
    let open = message.state == "open";
    let now = read(&message.at);
    let parts = [
        (open, "danger-head", vec![danger(message, speech)], Weight::Strong),
        (open, "go-head", vec![go(message, speech)], Weight::Strong),
        (true, "since-head", since(message, reader, now), Weight::Plain),
        (true, "where-head", place(message, speech), Weight::Plain),
        (true, "cause-head", cause(message, speech), Weight::Plain),
        (open, "first-head", message.check.first().cloned().into_iter().collect(), Weight::Strong),
        (open, "who-head", who(message, speech), Weight::Plain),
        (open, "caution-head", vec![message.caution.clone()], Weight::Caution),
    ];
    let told = parts.into_iter().filter(|(wanted, _, said, _)| *wanted && !said.is_empty());
    Sheet {
        subject,
        line: message.text.clone(),
        priority: message.priority.clone(),
        parts: told.map(|(_, head, said, weight)| Part { head: speech.say(head), said, weight }).collect(),
        seen: waits(message).then(|| seen(message, reader)),
        foot: foot(message, reader, now),
    }
}

/// The first of a line that stands alone, cut where a word ends.
fn subject(line: &str) -> String {
    let line = super::alphabet::plain(line);
    let Some((cut, _)) = line.char_indices().nth(STANDS_ALONE) else { return line };
    let first = &line[..cut];
    let whole = first.rfind(' ').filter(|_| !line[cut..].starts_with(' ')).unwrap_or(cut);
    first[..whole].trim_end_matches([' ', ',', ';', ':']).to_owned()
}

/// Whether somebody is still to say that it is seen.
fn waits(message: &Message) -> bool {
    message.state == "open" && message.alarm_state.contains("unacknowledged")
}

fn seen(message: &Message, reader: Reader<'_>) -> Seen {
    if let Some(link) = reader.link {
        return Seen::Link(link.to_owned());
    }
    let someone = reader.speech.say("someone");
    let person = reader.person.unwrap_or(&someone);
    Seen::Command(reader.speech.with("seen-here", &[("code", &message.code), ("person", person)]))
}

fn danger(message: &Message, speech: Speech) -> String {
    let cause = message.cause.as_ref().map(|cause| cause.means.as_str()).filter(|means| !means.is_empty());
    if let Some(means) = cause {
        return means.to_owned();
    }
    let unit = message.unit.as_deref().unwrap_or_default();
    let about = |what: &str| message.measurand.as_deref().is_some_and(|key| key.contains(what));
    match () {
        () if message.transformer.is_none() && message.measurand.is_none() => speech.say("danger-part"),
        () if message.measurand.is_none() => speech.say("danger-meter"),
        () if ["°C", "K", "°F", "K/h"].contains(&unit) => speech.say("danger-heat"),
        () if unit == "V" || about("voltage") => speech.say("danger-volts"),
        () if unit == "A" || about("current") || about("loading") => speech.say("danger-amperes"),
        () => speech.say("danger-other"),
    }
}

fn go(message: &Message, speech: Speech) -> String {
    match message.priority.as_str() {
        "urgent" => speech.say("go-urgent"),
        "high" => speech.say("go-high"),
        "low" => speech.say("go-low"),
        _ => speech.say("go-journal"),
    }
}

fn since(message: &Message, reader: Reader<'_>, now: Option<EventTime>) -> Vec<String> {
    let speech = reader.speech;
    let (Some(begun), Some(now)) = (read(&message.since), now) else { return Vec::new() };
    let at = reader.moment(begun, now);
    let long = (now - begun).max(Span::ZERO);
    let began = if message.state == "open" && long >= Span::minutes(1) {
        speech.with("since", &[("since", &at), ("long", &duration(long))])
    } else {
        speech.with("since-began", &[("since", &at)])
    };
    let pattern = message.cause.as_ref().and_then(|cause| cause.pattern.as_deref());
    let often = match (pattern, &message.recurred) {
        (Some(pattern), _) => Some(sentence(pattern)),
        (None, Some(recurred)) => often(recurred, reader, now),
        (None, None) => None,
    };
    let worse = message.told.as_ref().is_some_and(|told| told.why == "worse");
    let worse = worse.then(|| speech.say("since-worse"));
    [Some(began), often, worse].into_iter().flatten().collect()
}

fn often(recurred: &Often, reader: Reader<'_>, now: EventTime) -> Option<String> {
    let first = reader.moment(read(&recurred.since)?, now);
    let span = |seconds: f64| Span((seconds * 1000.0) as i64);
    let lengths = durations(span(recurred.shortest_s), span(recurred.longest_s), reader.speech);
    let times = recurred.times.to_string();
    Some(reader.speech.with("since-often", &[("times", &times), ("since", &first), ("lengths", &lengths)]))
}

/// Transformer, feeder and place in one sentence, then where that is.
fn place(message: &Message, speech: Speech) -> Vec<String> {
    let named = |key: &str, name: &Option<String>| {
        name.as_deref().map(|name| {
            // The keys stand here in full, so that the test of the files finds them.
            match key {
                "transformer" => speech.with("where-transformer", &[("name", name)]),
                "feeder" => speech.with("where-feeder", &[("name", name)]),
                _ => {
                    let name = names::meter(name, message.transformer.as_deref(), speech);
                    speech.with("where-meter", &[("name", &name)])
                }
            }
        })
    };
    let own_meter = message.meter.clone().filter(|_| message.feeder.is_none());
    let at = message.cause.as_ref().filter(|cause| cause.stands).and_then(|cause| cause.place.as_deref());
    let open = message.state == "open";
    let at = at.or(message.place.as_deref()).map(|place| speech.say(&format!("where-place-{place}")));
    let whole = [
        named("transformer", &message.transformer),
        named("feeder", &message.feeder),
        named("meter", &own_meter),
        at,
    ];
    let whole: Vec<String> = whole.into_iter().flatten().collect();
    let whole = (!whole.is_empty()).then(|| sentence(&whole.join(", ")));
    let at = message.location.as_deref().map(|place| speech.with("where-at", &[("place", place)]));
    let fed = message.fed.as_deref().map(|fed| speech.with("where-fed", &[("fed", fed)]));
    let lugs = message.lugs.as_deref().filter(|_| open);
    let lugs = lugs.map(|marks| speech.with("where-lugs", &[("marks", marks)]));
    [whole, at, fed, lugs].into_iter().flatten().collect()
}

fn cause(message: &Message, speech: Speech) -> Vec<String> {
    let Some(cause) = &message.cause else {
        let asked = message.measurand.is_some() && message.state == "open";
        return if asked { vec![speech.say("cause-none")] } else { Vec::new() };
    };
    let named = [("cause", cause.likely.as_str())];
    let likely = match () {
        () if !cause.stands => speech.with("cause-rests", &named),
        () if cause.confidence >= LIKELY => speech.with("cause-likely", &named),
        () => speech.with("cause-perhaps", &named),
    };
    let proof = cause.proof.first().map(|number| speech.with("cause-proof", &[("number", number)]));
    // Each is written with "not" before it, for lists of their own.
    let not = speech.say("cause-not-before");
    let bare = |one: &'_ String| one.strip_prefix(&not).unwrap_or(one).trim_start().to_owned();
    let others: Vec<String> = cause.ruled_out.iter().take(MOST_RULED_OUT).map(bare).collect();
    let not = (!others.is_empty()).then(|| speech.with("cause-not", &[("others", &others.join("; "))]));
    [Some(likely), proof, not].into_iter().flatten().collect()
}

fn who(message: &Message, speech: Speech) -> Vec<String> {
    let shares =
        message.cause.as_ref().map(|cause| cause.shares.join(", ")).filter(|shares| !shares.is_empty());
    [
        message.feeds.as_deref().map(|feeds| speech.with("who-feeds", &[("feeds", feeds)])),
        shares.map(|shares| speech.with("who-shares", &[("shares", &shares)])),
        message.call.as_deref().map(|call| speech.with("who-call", &[("call", call)])),
        message.spare.as_deref().map(|spare| speech.with("who-spare", &[("spare", spare)])),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn foot(message: &Message, reader: Reader<'_>, now: Option<EventTime>) -> Vec<String> {
    let speech = reader.speech;
    let mut foot = Vec::new();
    let why = message.told.as_ref().map(|told| told.why.as_str());
    match why {
        Some("reminder") => foot.push(speech.say("why-reminder")),
        Some("next in line") => foot.push(speech.say("why-next")),
        _ => {}
    }
    foot.push(speech.with("foot-case", &[("code", &message.code)]));
    if waits(message) {
        let next = message.told.as_ref().and_then(|told| told.next_reminder.as_deref()).and_then(read);
        foot.push(match (next, now) {
            (Some(next), Some(now)) => speech.with("foot-next", &[("at", &reader.moment(next, now))]),
            _ => speech.say("foot-no-next"),
        });
    }
    foot
}

/// A moment as messages write it.
pub(super) fn read(stamp: &str) -> Option<EventTime> {
    stamp.parse::<Timestamp>().ok().map(|stamp| EventTime(stamp.as_millisecond()))
}

/// With a capital at its beginning and a full stop at its end.
fn sentence(words: &str) -> String {
    let mut signs = words.chars();
    let first = signs.next().map(|first| first.to_uppercase().collect::<String>()).unwrap_or_default();
    format!("{first}{}.", signs.as_str().trim_end_matches('.'))
}
