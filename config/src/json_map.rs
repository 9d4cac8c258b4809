//! Reader of JSON maps: which place of an MQTT payload, or which topic, means what.

use crate::fault::Fault;
use crate::keys::{JSON_MAP, JSON_POINT, JSON_TIME};
use crate::maps::{Map, quantity, read, whole_points};
use crate::mqtt_settings::{JsonPoint, TimeField, TimeForm};
use crate::names::is_new;
use crate::notes::notes;
use crate::problem::Problem;
use crate::section::Section;
use crate::topics::{pointer, topic};
use crate::values::{choice, factor, offset, span, yes_or_no};
use kvarden_core::measurand::Kind;
use kvarden_core::time::Span;

/// How long the order of stamped readings is settled if the map does not say.
const WAIT: Span = Span::seconds(3);
/// The longest wait: judgement on a meter is that much late.
const LONGEST_WAIT: Span = Span::minutes(5);

/// A JSON map.
pub(crate) type JsonMap = Map<JsonPoint, Frame>;

/// What a JSON map says of a payload as a whole.
#[derive(Clone)]
pub(crate) struct Frame {
    pub(crate) readings: Option<String>,
    pub(crate) quoted: bool,
    /// Where the time stands, and how long its order is settled.
    pub(crate) time: Option<(TimeField, Span)>,
}

impl JsonMap {
    /// Whether each value has a topic of its own.
    pub(crate) fn has_topics(&self) -> bool {
        self.points.iter().any(|point| point.topic.is_some())
    }
}

/// Reads a JSON map.
pub(crate) fn json_map(name: &str, text: &str) -> (Option<JsonMap>, Vec<Problem>) {
    read(name, text, &JSON_MAP, |s| {
        let readings = s.optional("readings", pointer);
        let quoted = s.or("quoted", false, yes_or_no);
        let time = s.table("time", &JSON_TIME, time_field);
        if s.has("wait") && !s.has("time") {
            let message =
                "`wait` has no meaning without `time`: readings in order of receipt need none".to_owned();
            s.fault("wait", Fault::new(message, "this value", "add `time`, or leave `wait` out"));
        }
        if s.has("readings") && !s.has("time") {
            let message =
                "`readings` needs `time`: of several readings in one message each has its own".to_owned();
            s.fault("readings", Fault::new(message, "this value", "add `time`, or leave `readings` out"));
        }
        let wait = s.or("wait", WAIT, span(Span::ZERO..=LONGEST_WAIT));
        let (mut seen, mut places) = (Vec::new(), Vec::new());
        let points = s.tables("point", &JSON_POINT, |s| {
            let quantity = quantity(s, &mut seen);
            let noted = notes(s, quantity.map(|quantity| quantity.what));
            let mut point = json_point(s, &mut places)?;
            point.flag = quantity.is_some_and(|quantity| quantity.what.kind() == Kind::Flag);
            let (unit, notes) = noted?;
            (point.scale, point.offset) = unit.after(point.scale, point.offset);
            Some((quantity?, (point, notes)))
        });
        let (quantities, points, notes) = whole_points(s, points)?;
        topics_fit(s, &points);
        let frame = Frame { readings: readings?, quoted: quoted?, time: time?.zip(wait) };
        Some(Map { quantities, points, notes, more: frame })
    })
}

fn json_point(s: &mut Section<'_>, places: &mut Vec<(Option<String>, String)>) -> Option<JsonPoint> {
    let topic = s.optional("topic", topic);
    let pointer = if s.has("topic") {
        s.or("pointer", String::new(), pointer)
    } else {
        s.required("pointer", "\"/values/current_a\"", pointer)
    };
    let scale = s.or("scale", 1.0, factor);
    let offset = s.or("offset", 0.0, offset);
    let (topic, pointer) = (topic?, pointer?);
    if !is_new(places, (topic.clone(), pointer.clone())) {
        let (key, message) = match &topic {
            Some(topic) => {
                ("topic", format!("two points read the same place \"{pointer}\" of the topic \"{topic}\""))
            }
            None => ("pointer", format!("two points read the same place \"{pointer}\"")),
        };
        s.fault(key, Fault::new(message, "used before", "give each point the place of its own value"));
    }
    Some(JsonPoint { topic, pointer, scale: scale?, offset: offset?, flag: false })
}

/// A topic for each value, or none for any; and then what a payload tells is one value, with the time of receipt.
fn topics_fit(s: &mut Section<'_>, points: &[JsonPoint]) {
    let with = points.iter().filter(|point| point.topic.is_some()).count();
    if with == 0 {
        return;
    }
    let help = "give each [[point]] its `topic`, or none of them";
    if with < points.len() {
        let message = format!("{with} of {} points have a `topic` of their own", points.len());
        s.fault("point", Fault::new(message, "these", help));
    }
    for key in ["time", "readings"] {
        if s.has(key) {
            let message = format!("`{key}` has no meaning where each value has a topic of its own");
            let help = format!("leave `{key}` out: the time of receipt counts");
            s.fault(key, Fault::new(message, "this value", help));
        }
    }
}

fn time_field(s: &mut Section<'_>) -> Option<TimeField> {
    let forms = [
        ("rfc3339", TimeForm::Rfc3339),
        ("unix-s", TimeForm::UnixSeconds),
        ("unix-ms", TimeForm::UnixMillis),
        ("unix-us", TimeForm::UnixMicros),
    ];
    let pointer = s.required("pointer", "\"/t\"", pointer);
    let form = s.required("form", "\"rfc3339\"", choice(&forms));
    Some(TimeField { pointer: pointer?, form: form? })
}
