//! One MQTT payload to the values of one meter, and their time if the payload tells it.

use super::json::{Malformed, Pointers};
use super::pointer::BadPointer;
use jiff::Timestamp;
use kvarden_config::{MqttSpec, TimeForm};
use kvarden_core::reading::Sample;
use kvarden_core::time::EventTime;

/// The last moment that a time can mean: the end of the year 9999, in milliseconds since the Unix epoch.
const LAST_MOMENT: f64 = 253_402_300_799_999.0;

/// How the payloads of one meter are read; compiled once.
#[derive(Debug, Clone)]
pub struct PayloadReader {
    pointers: Pointers,
    /// Scale and offset of each point.
    points: Box<[(f64, f64)]>,
    time: Option<TimeForm>,
}

/// What a payload gave besides the values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Told {
    /// Its own time, if the map says where that stands.
    pub at: Option<EventTime>,
    /// How many wanted values were there but are no finite number; they are absent.
    pub not_numbers: usize,
}

/// Why a payload was refused as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// Not a document that can be read.
    Malformed(Malformed),
    /// The map says where the time stands, but there is none that can be read.
    NoTime,
}

impl Refusal {
    /// A short fixed phrase for people.
    pub fn phrase(self) -> &'static str {
        match self {
            Self::Malformed(Malformed::TooLarge) => "payload refused: too large",
            Self::Malformed(Malformed::TooDeep) => "payload refused: nested too deep",
            Self::Malformed(Malformed::NotJson) => "payload refused: not JSON",
            Self::NoTime => "payload refused: no readable time",
        }
    }
}

impl PayloadReader {
    /// Compiles the map of a meter.
    ///
    /// # Errors
    /// A pointer that is none; the configuration lets none through.
    pub fn new(spec: &MqttSpec) -> Result<Self, BadPointer> {
        let values = spec.points.iter().map(|point| point.pointer.as_str());
        let time = spec.time.as_ref().map(|field| field.pointer.as_str());
        Ok(Self {
            pointers: Pointers::new(values.chain(time))?,
            points: spec.points.iter().map(|point| (point.scale, point.offset)).collect(),
            time: spec.time.as_ref().map(|field| field.form),
        })
    }

    /// How many values a payload gives.
    pub fn points(&self) -> usize {
        self.points.len()
    }

    /// Reads a payload into `values`, one per point: absent is what is not there, `null`, or no finite number.
    /// Numbers written as texts are none: "1,5" can be read in two ways.
    ///
    /// # Errors
    /// A payload that is refused as a whole; then `values` must not be used.
    pub fn read(&self, payload: &[u8], values: &mut [Sample]) -> Result<Told, Refusal> {
        values.fill(Sample::ABSENT);
        let (mut time, mut not_numbers) = (None, 0);
        let take = |at: usize, text| match (self.points.get(at), values.get_mut(at)) {
            (Some((scale, offset)), Some(value)) => {
                *value = number(text).map(|number| number * scale + offset).into();
                not_numbers += usize::from(!value.is_present() && text != "null");
            }
            _ => time = Some(text),
        };
        self.pointers.read(payload, take).map_err(Refusal::Malformed)?;
        let at = match self.time {
            None => None,
            Some(form) => Some(time.and_then(|text| moment(form, text)).ok_or(Refusal::NoTime)?),
        };
        Ok(Told { at, not_numbers })
    }
}

/// A JSON number; the text has been read as JSON before.
fn number(text: &str) -> Option<f64> {
    if !text.starts_with(|first: char| first == '-' || first.is_ascii_digit()) {
        return None;
    }
    fast_float2::parse(text).ok().filter(|number: &f64| number.is_finite())
}

fn moment(form: TimeForm, text: &str) -> Option<EventTime> {
    let milliseconds = match form {
        TimeForm::Rfc3339 => {
            let stamp: Timestamp = text.strip_prefix('"')?.strip_suffix('"')?.parse().ok()?;
            return Some(EventTime(stamp.as_millisecond()));
        }
        TimeForm::UnixSeconds => number(text)? * 1000.0,
        TimeForm::UnixMillis => number(text)?,
    };
    let moment = milliseconds.round();
    (0.0..=LAST_MOMENT).contains(&moment).then_some(EventTime(moment as i64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_config::{JsonPoint, TimeField};

    fn reader(time: Option<TimeForm>) -> PayloadReader {
        let point = |pointer: &str, scale| JsonPoint { pointer: pointer.to_owned(), scale, offset: 0.0 };
        let time = time.map(|form| TimeField { pointer: "/t".to_owned(), form });
        let points = vec![point("/v/a", 1.0), point("/v/b", 0.5)];
        PayloadReader::new(&MqttSpec { topic: "cannery/mp3".to_owned(), time, points }).unwrap()
    }

    fn check(payload: &str, expected: [Option<f64>; 2], not_numbers: usize) {
        let mut values = [Sample::new(99.0); 2];
        let told = reader(None).read(payload.as_bytes(), &mut values).unwrap();
        assert_eq!((values.map(Sample::get), told.not_numbers), (expected, not_numbers), "{payload}");
    }

    #[test]
    fn numbers_are_taken_and_scaled() {
        check(r#"{"v":{"a":207.9,"b":-4}}"#, [Some(207.9), Some(-2.0)], 0);
        check(r#"{"x":[1,{"y":2}],"v":{"b":1e2,"c":0,"a":-0}}"#, [Some(-0.0), Some(50.0)], 0);
    }

    #[test]
    fn what_is_missing_or_null_is_absent() {
        check(r#"{"v":{"a":207.9}}"#, [Some(207.9), None], 0);
        check(r#"{"v":{"a":null,"b":1}}"#, [None, Some(0.5)], 0);
        check(r#"{"v":7}"#, [None, None], 0);
        check("[]", [None, None], 0);
    }

    #[test]
    fn what_is_no_finite_number_is_absent_and_counted() {
        check(r#"{"v":{"a":"1,5","b":"2.5"}}"#, [None, None], 2);
        check(r#"{"v":{"a":1e999,"b":1}}"#, [None, Some(0.5)], 1);
        check(r#"{"v":{"a":true,"b":[1]}}"#, [None, None], 2);
        check(r#"{"v":{"a":"NaN","b":{"x":-1e999}}}"#, [None, None], 2);
    }

    fn time(form: TimeForm, text: &str) -> Option<i64> {
        let payload = format!("{{\"t\":{text},\"v\":{{\"a\":1}}}}");
        let told = reader(Some(form)).read(payload.as_bytes(), &mut [Sample::ABSENT; 2]);
        match told {
            Ok(told) => Some(told.at.unwrap().0),
            Err(Refusal::NoTime) => None,
            Err(other) => panic!("{other:?}"),
        }
    }

    #[test]
    fn each_form_of_time_means_the_same_moment() {
        let moment = Some(1_773_064_931_250);
        assert_eq!(time(TimeForm::Rfc3339, "\"2026-03-09T14:02:11.25Z\""), moment);
        assert_eq!(time(TimeForm::Rfc3339, "\"2026-03-09T08:02:11.25-06:00\""), moment);
        assert_eq!(time(TimeForm::UnixSeconds, "1773064931.25"), moment);
        assert_eq!(time(TimeForm::UnixMillis, "1773064931250"), moment);
    }

    #[test]
    fn a_payload_without_a_readable_time_is_refused_if_its_map_asks_for_one() {
        for text in ["\"2026-03-09T14:02:11\"", "\"yesterday\"", "1773064931", "null", "\"\""] {
            assert_eq!(time(TimeForm::Rfc3339, text), None, "{text}");
        }
        for text in ["\"1773064931\"", "-5", "1e300", "1e999", "null"] {
            assert_eq!(time(TimeForm::UnixSeconds, text), None, "{text}");
        }
        let refused = reader(Some(TimeForm::UnixMillis)).read(b"{}", &mut [Sample::ABSENT; 2]);
        assert_eq!(refused, Err(Refusal::NoTime));
    }

    #[test]
    fn a_payload_that_is_no_json_is_refused_with_its_reason() {
        let refused = reader(None).read(b"hello", &mut [Sample::ABSENT; 2]).unwrap_err();
        assert_eq!(refused.phrase(), "payload refused: not JSON");
    }
}
