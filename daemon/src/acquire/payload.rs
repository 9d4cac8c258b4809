//! One MQTT payload to the values of one meter, and their time if the payload tells it.

use super::json::{Malformed, Pointers, elements};
use super::pointer::BadPointer;
use jiff::Timestamp;
use kvarden_config::{JsonPoint, MqttSpec, TimeForm};
use kvarden_core::reading::Sample;
use kvarden_core::time::EventTime;

/// The last moment that a time can mean: the end of the year 9999, in milliseconds since the Unix epoch.
const LAST_MOMENT: f64 = 253_402_300_799_999.0;
/// The most readings in one payload: a quarter of an hour of a meter that is read each second.
pub const MOST_READINGS: usize = 1000;

/// How payloads of one meter are read; compiled once.
#[derive(Debug, Clone)]
pub struct PayloadReader {
    /// To the list of readings, if a payload is one.
    list: Option<Pointers>,
    pointers: Pointers,
    points: Box<[Point]>,
    time: Option<TimeForm>,
    quoted: bool,
}

/// One value: its place among the meter's, and what makes it a value in the measurand's unit.
#[derive(Debug, Clone, Copy)]
struct Point {
    slot: usize,
    scale: f64,
    offset: f64,
    flag: bool,
}

/// What a reading gave besides the values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Told {
    /// Its own time, if the map says where that stands.
    pub at: Option<EventTime>,
    /// How many wanted values were there but are no finite number; they are absent.
    pub not_numbers: usize,
}

/// Why a payload, or one reading of it, was refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// Not a document that can be read.
    Malformed(Malformed),
    /// The map says where the time stands, but there is none that can be read.
    NoTime,
    /// The map says where the list of readings stands, but there is none.
    NoList,
    /// More than [`MOST_READINGS`].
    TooMany,
}

impl Refusal {
    /// A short fixed phrase for people.
    pub fn phrase(self) -> &'static str {
        match self {
            Self::Malformed(Malformed::TooLarge) => "payload refused: too large",
            Self::Malformed(Malformed::TooDeep) => "payload refused: nested too deep",
            Self::Malformed(Malformed::NotJson) => "payload refused: not JSON",
            Self::NoTime => "payload refused: no readable time",
            Self::NoList => "payload refused: no list of readings",
            Self::TooMany => "payload refused: too many readings",
        }
    }
}

impl PayloadReader {
    /// Compiles the map of a meter whose payloads give all of its values.
    ///
    /// # Errors
    /// A pointer that is none; the configuration lets none through.
    pub fn new(spec: &MqttSpec) -> Result<Self, BadPointer> {
        Self::of_points(spec, spec.points.iter().enumerate())
    }

    /// Compiles the map of a meter for one of its topics: those of its values, by their place, that are told there.
    ///
    /// # Errors
    /// A pointer that is none; the configuration lets none through.
    pub fn of_points<'a>(
        spec: &'a MqttSpec,
        points: impl Iterator<Item = (usize, &'a JsonPoint)> + Clone,
    ) -> Result<Self, BadPointer> {
        let values = points.clone().map(|(_, point)| point.pointer.as_str());
        let time = spec.time.as_ref().map(|field| field.pointer.as_str());
        let point = |(slot, point): (usize, &JsonPoint)| Point {
            slot,
            scale: point.scale,
            offset: point.offset,
            flag: point.flag,
        };
        Ok(Self {
            list: spec.readings.as_deref().map(|list| Pointers::new([list])).transpose()?,
            pointers: Pointers::new(values.chain(time))?,
            points: points.map(point).collect(),
            time: spec.time.as_ref().map(|field| field.form),
            quoted: spec.quoted,
        })
    }

    /// Reads a payload. For each reading in it, in order, the values are put into `values`, each in its place: absent
    /// is what is not there, `null`, or no finite number. Then `each` is called; the values mean nothing if it is told
    /// of a refusal.
    ///
    /// # Errors
    /// A payload that is refused as a whole.
    pub fn read(
        &self,
        payload: &[u8],
        values: &mut [Sample],
        mut each: impl FnMut(Result<Told, Refusal>, &mut [Sample]),
    ) -> Result<(), Refusal> {
        let Some(list) = &self.list else {
            let told = self.one(payload, values)?;
            each(Ok(told), values);
            return Ok(());
        };
        let mut found = None;
        list.read(payload, |_, text| found = Some(text)).map_err(Refusal::Malformed)?;
        let readings = found.and_then(|text| elements(text, MOST_READINGS)).ok_or(Refusal::NoList)?;
        if readings.len() > MOST_READINGS {
            return Err(Refusal::TooMany);
        }
        for reading in readings {
            each(self.one(reading.as_bytes(), values), values);
        }
        Ok(())
    }

    fn one(&self, reading: &[u8], values: &mut [Sample]) -> Result<Told, Refusal> {
        for point in &self.points {
            values[point.slot] = Sample::ABSENT;
        }
        let (mut time, mut not_numbers) = (None, 0);
        let take = |at: usize, text: &_| match self.points.get(at) {
            Some(point) => {
                let number = if point.flag { flag(text) } else { None }.or_else(|| self.number(text));
                let value = number.map(|number| number * point.scale + point.offset).into();
                values[point.slot] = value;
                not_numbers += usize::from(!value.is_present() && text != "null");
            }
            None => time = self.time.and_then(|form| moment(form, text)),
        };
        self.pointers.read(reading, take).map_err(Refusal::Malformed)?;
        if self.time.is_some() && time.is_none() {
            return Err(Refusal::NoTime);
        }
        Ok(Told { at: time, not_numbers })
    }

    /// A number, or if the map says so one written as a text: just as strictly, for "1,5" can be read in two ways.
    fn number(&self, text: &str) -> Option<f64> {
        match text.strip_prefix('"').and_then(|text| text.strip_suffix('"')) {
            Some(inner) if self.quoted && is_number(inner) => number(inner),
            Some(_) => None,
            None => number(text),
        }
    }
}

/// A JSON number; the text has been read as JSON before.
fn number(text: &str) -> Option<f64> {
    if !text.starts_with(|first: char| first == '-' || first.is_ascii_digit()) {
        return None;
    }
    fast_float2::parse(text).ok().filter(|number: &f64| number.is_finite())
}

/// JSON's own words for a state. Others ("on", "closed") can be read in two ways and are none.
fn flag(text: &str) -> Option<f64> {
    match text {
        "true" => Some(1.0),
        "false" => Some(0.0),
        _ => None,
    }
}

/// Whether a text is a JSON number and nothing else (RFC 8259 section 6).
fn is_number(text: &str) -> bool {
    let ends = |text: &str| text.ends_with(|last: char| last.is_ascii_digit());
    ends(text) && !text.starts_with(char::is_whitespace) && serde_json::from_str::<f64>(text).is_ok()
}

fn moment(form: TimeForm, text: &str) -> Option<EventTime> {
    let milliseconds = match form {
        TimeForm::Rfc3339 => {
            let stamp: Timestamp = text.strip_prefix('"')?.strip_suffix('"')?.parse().ok()?;
            return Some(EventTime(stamp.as_millisecond()));
        }
        TimeForm::UnixSeconds => number(text)? * 1000.0,
        TimeForm::UnixMillis => number(text)?,
        TimeForm::UnixMicros => number(text)? / 1000.0,
    };
    let moment = milliseconds.round();
    (0.0..=LAST_MOMENT).contains(&moment).then_some(EventTime(moment as i64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_config::TimeField;

    fn spec(time: Option<TimeForm>) -> MqttSpec {
        let point = |pointer: &str, scale| JsonPoint {
            topic: None,
            pointer: pointer.to_owned(),
            scale,
            offset: 0.0,
            flag: false,
        };
        MqttSpec {
            topic: "cannery/mp3".to_owned(),
            named: None,
            qos: None,
            readings: None,
            quoted: false,
            time: time.map(|form| TimeField { pointer: "/t".to_owned(), form }),
            points: vec![point("/v/a", 1.0), point("/v/b", 0.5)],
        }
    }

    type Seen = Result<(Option<i64>, usize, [Option<f64>; 2]), Refusal>;

    /// Each reading of a payload, or why it was refused.
    fn all(spec: &MqttSpec, payload: &str) -> Result<Vec<Seen>, Refusal> {
        let (mut values, mut seen) = ([Sample::new(99.0); 2], Vec::new());
        let reader = PayloadReader::new(spec).unwrap();
        reader.read(payload.as_bytes(), &mut values, |told, values| {
            let values = [values[0].get(), values[1].get()];
            seen.push(told.map(|told| (told.at.map(|at| at.0), told.not_numbers, values)));
        })?;
        Ok(seen)
    }

    fn check(payload: &str, expected: [Option<f64>; 2], not_numbers: usize) {
        assert_eq!(all(&spec(None), payload), Ok(vec![Ok((None, not_numbers, expected))]), "{payload}");
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

    /// Guard: `flag`. That a state is 0 or 1 and nothing between is seen to in core, which
    /// counts what is neither: `core/tests/logbook/kinds.rs`.
    #[test]
    fn true_and_false_are_the_states_of_a_flag_and_of_nothing_else() {
        let mut flags = spec(None);
        flags.points[0].flag = true;
        let read = |payload: &str| {
            let (_, not_numbers, values) = all(&flags, payload).unwrap()[0].unwrap();
            (values, not_numbers)
        };
        assert_eq!(read(r#"{"v":{"a":true,"b":1}}"#), ([Some(1.0), Some(0.5)], 0));
        assert_eq!(read(r#"{"v":{"a":false}}"#), ([Some(0.0), None], 0));
        assert_eq!(read(r#"{"v":{"a":1}}"#).0[0], Some(1.0));
        assert_eq!(read(r#"{"v":{"a":0}}"#).0[0], Some(0.0));
        assert_eq!(read(r#"{"v":{"a":null}}"#), ([None, None], 0));
        for other in ["\"true\"", "\"on\"", "\"ON\"", "\"closed\"", "\"\"", "[true]", "{\"x\":true}"] {
            assert_eq!(read(&format!("{{\"v\":{{\"a\":{other}}}}}")), ([None, None], 1), "{other}");
        }
        assert_eq!(read(r#"{"v":{"a":true,"b":true}}"#), ([Some(1.0), None], 1), "no flag is a number");
        // A contact that is closed while the breaker is open.
        (flags.points[0].scale, flags.points[0].offset) = (-1.0, 1.0);
        let turned = all(&flags, r#"{"v":{"a":true}}"#).unwrap()[0].unwrap().2[0];
        assert_eq!(turned, Some(0.0));
    }

    /// On a topic of its own, bare.
    #[test]
    fn a_plain_word_for_a_state_is_a_payload_where_a_flag_is_told() {
        let mut flags = spec(None);
        let point =
            JsonPoint { topic: Some("q2".to_owned()), pointer: String::new(), ..flags.points[0].clone() };
        flags.points = vec![JsonPoint { flag: true, scale: 1.0, ..point }];
        let one = |payload: &str| {
            let mut values = [Sample::ABSENT];
            let reader = PayloadReader::of_points(&flags, flags.points.iter().enumerate()).unwrap();
            reader.read(payload.as_bytes(), &mut values, |_, _| {})?;
            Ok(values[0].get())
        };
        assert_eq!((one("true"), one("false"), one("1")), (Ok(Some(1.0)), Ok(Some(0.0)), Ok(Some(1.0))));
        for payload in ["ON", "True", "yes", "open"] {
            assert_eq!(one(payload), Err(Refusal::Malformed(Malformed::NotJson)), "{payload}");
        }
    }

    fn time(form: TimeForm, text: &str) -> Option<i64> {
        match all(&spec(Some(form)), &format!("{{\"t\":{text},\"v\":{{\"a\":1}}}}")) {
            Ok(readings) => readings[0].unwrap().0,
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
        assert_eq!(time(TimeForm::UnixMicros, "1773064931250400"), moment);
    }

    #[test]
    fn a_payload_without_a_readable_time_is_refused_if_its_map_asks_for_one() {
        for text in ["\"2026-03-09T14:02:11\"", "\"yesterday\"", "1773064931", "null", "\"\""] {
            assert_eq!(time(TimeForm::Rfc3339, text), None, "{text}");
        }
        for text in ["\"1773064931\"", "-5", "1e300", "1e999", "null"] {
            assert_eq!(time(TimeForm::UnixSeconds, text), None, "{text}");
        }
        assert_eq!(all(&spec(Some(TimeForm::UnixMillis)), "{}"), Err(Refusal::NoTime));
    }

    #[test]
    fn a_payload_that_is_no_json_is_refused_with_its_reason() {
        assert_eq!(all(&spec(None), "hello").unwrap_err().phrase(), "payload refused: not JSON");
    }

    #[test]
    fn a_plain_number_is_a_payload() {
        let point = JsonPoint {
            topic: Some("volts/ab".to_owned()),
            pointer: String::new(),
            scale: 10.0,
            offset: 0.5,
            flag: false,
        };
        let spec = MqttSpec { points: vec![point], ..spec(None) };
        let reader = PayloadReader::of_points(&spec, spec.points.iter().map(|point| (1, point))).unwrap();
        let read = |payload: &str| {
            let mut values = [Sample::new(7.0), Sample::ABSENT];
            reader.read(payload.as_bytes(), &mut values, |told, _| assert_eq!(told.unwrap().at, None))?;
            assert_eq!(values[0].get(), Some(7.0), "another topic's value is left alone");
            Ok(values[1].get())
        };
        assert_eq!(read("208.1"), Ok(Some(2081.5)));
        assert_eq!(read(" -3e1\n"), Ok(Some(-299.5)));
        assert_eq!(read("null"), Ok(None));
        assert_eq!(read("1e999"), Ok(None));
        for payload in
            ["1,5", "+5", "05", ".5", "5.", "0x10", "5 A", "nan", "inf", "", "208.1 208.2", "\u{2212}5"]
        {
            assert_eq!(read(payload), Err(Refusal::Malformed(Malformed::NotJson)), "{payload}");
        }
    }

    /// Seen to fail with texts that the float parser takes ("05").
    #[test]
    fn numbers_in_quotes_are_taken_only_if_the_map_says_so_and_are_strict() {
        let quoted = MqttSpec { quoted: true, ..spec(None) };
        let read = |text: &str| {
            let payload = format!(r#"{{"v":{{"a":"{text}"}}}}"#);
            check(&payload, [None, None], 1);
            all(&quoted, &payload).unwrap()[0].unwrap().2[0]
        };
        assert_eq!(read("208.1"), Some(208.1));
        assert_eq!(read("-3e1"), Some(-30.0));
        for text in
            ["1,5", "+5", "05", ".5", "5.", " 5", "5 ", "5 A", "NaN", "inf", "1e999", "", "0x10", "\\u0035"]
        {
            assert_eq!(read(text), None, "{text:?}");
        }
    }

    #[test]
    fn each_reading_of_a_list_is_taken_in_order_with_its_own_time() {
        let list = MqttSpec { readings: Some("/data".to_owned()), ..spec(Some(TimeForm::UnixMillis)) };
        let payload =
            r#"{"data":[{"t":5,"v":{"a":1,"b":4}},{"v":{"a":2}},{"t":7,"v":{"b":6}},3,{"t":6,"v":{"a":9}}]}"#;
        let expected = vec![
            Ok((Some(5), 0, [Some(1.0), Some(2.0)])),
            Err(Refusal::NoTime),
            Ok((Some(7), 0, [None, Some(3.0)])),
            Err(Refusal::NoTime),
            Ok((Some(6), 0, [Some(9.0), None])),
        ];
        assert_eq!(all(&list, payload), Ok(expected));
        assert_eq!(all(&list, r#"{"data":[]}"#), Ok(vec![]));
        for payload in ["{}", r#"{"data":{}}"#, r#"{"data":null}"#, "[]"] {
            assert_eq!(all(&list, payload), Err(Refusal::NoList), "{payload}");
        }
        let bare = MqttSpec { readings: Some(String::new()), ..list };
        assert_eq!(all(&bare, r#"[{"t":5,"v":{"a":1}}]"#), Ok(vec![Ok((Some(5), 0, [Some(1.0), None]))]));
        let many = |count: usize| format!("[{}]", vec![r#"{"t":5}"#; count].join(","));
        assert_eq!(all(&bare, &many(MOST_READINGS)).unwrap().len(), MOST_READINGS);
        assert_eq!(all(&bare, &many(MOST_READINGS + 1)), Err(Refusal::TooMany));
    }
}
