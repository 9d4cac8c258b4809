//! Bytes as the payload of an MQTT message, in every form of map.

use kvarden::acquire::{MOST_READINGS, PayloadReader};
use kvarden_config::{JsonPoint, MqttSpec, TimeField, TimeForm};
use kvarden_core::reading::Sample;
use serde_json::Value;

const POINTERS: [&str; 3] = ["/v/a", "/v/b", ""];

/// Reads the bytes. Every value in hand is a real number or absent, every time lies between 1970 and the year 9999,
/// there are no more readings than allowed, and a number is the one that `serde_json` finds in the built document.
pub(super) fn run(bytes: &[u8]) {
    let forms = [TimeForm::Rfc3339, TimeForm::UnixSeconds, TimeForm::UnixMillis, TimeForm::UnixMicros];
    for time in forms.map(Some).into_iter().chain([None]) {
        for readings in [None, Some("/data"), Some("")] {
            for quoted in [false, true] {
                read(bytes, time, readings, quoted);
            }
        }
    }
}

fn read(bytes: &[u8], time: Option<TimeForm>, readings: Option<&str>, quoted: bool) {
    let point = |pointer: &str| JsonPoint {
        topic: None,
        pointer: pointer.to_owned(),
        scale: 1.0,
        offset: 0.0,
        flag: false,
    };
    let spec = MqttSpec {
        topic: "cannery/mp3/values".to_owned(),
        named: None,
        qos: None,
        readings: readings.map(str::to_owned),
        quoted,
        time: time.map(|form| TimeField { pointer: "/t".to_owned(), form }),
        points: POINTERS.map(point).to_vec(),
    };
    let reader = PayloadReader::new(&spec).expect("the pointers are well formed");
    let built: Option<Value> = serde_json::from_slice(bytes).ok();
    let mut values = [Sample::ABSENT; POINTERS.len()];
    let mut count = 0;
    let outcome = reader.read(bytes, &mut values, |told, values| {
        count += 1;
        let Ok(told) = told else { return };
        assert_eq!(told.at.is_some(), time.is_some(), "a time is given where the map asks for one");
        assert!(told.at.is_none_or(|at| at.0 < 253_402_300_800_000), "{told:?}");
        assert!(values.iter().filter_map(|value| value.get()).all(f64::is_finite));
        if let (None, Some(built)) = (readings, &built) {
            for (pointer, value) in POINTERS.iter().zip(values) {
                if let Some(number) = built.pointer(pointer).and_then(Value::as_f64) {
                    assert_eq!(value.get(), Some(number), "{pointer}");
                }
            }
        }
    });
    assert!(count <= MOST_READINGS);
    if let Err(refusal) = outcome {
        assert!(!refusal.phrase().is_empty() && count == 0);
    }
}
