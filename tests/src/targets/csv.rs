//! Bytes as a logged file of a meter, in every form of time and with each delimiter.

use jiff::tz::TimeZone;
use kvarden::replay::logged::LogFile;
use kvarden_config::{LogColumn, LogSpec, LogTime, Notes};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::phases::Place;
use kvarden_core::time::Span;
use std::io::{Cursor, Read};
use std::path::PathBuf;

/// Reads the bytes to their end. Every value in hand is a real number or absent, and no row is read twice.
pub(super) fn run(bytes: &[u8]) {
    let zone = TimeZone::get("America/Denver").expect("the zone of the examples is built in");
    for time_form in [LogTime::Rfc3339, LogTime::UnixSeconds, LogTime::UnixMillis, LogTime::Local] {
        for delimiter in [b',', b';', b'\t'] {
            let log = log(time_form, delimiter);
            let open = || Ok(Box::new(Cursor::new(bytes.to_vec())) as Box<dyn Read + Send>);
            match LogFile::of(&log, &zone, &open) {
                Ok(file) => read_through(file, bytes.len()),
                Err(error) => assert!(!error.to_string().is_empty()),
            }
        }
    }
}

fn read_through(mut file: LogFile, bytes: usize) {
    assert!(file.every() > Span::ZERO, "{:?} from row to row", file.every());
    let mut rows = 0usize;
    while file.at().is_some() {
        rows += 1;
        assert!(rows <= bytes, "more rows than bytes");
        let present = file.values().iter().filter_map(|sample| sample.get());
        assert!(present.clone().count() > 0, "a row without a value is no reading");
        assert!(present.clone().all(f64::is_finite));
        if file.go_on().is_err() {
            break;
        }
    }
    assert!(file.bad_times() as usize + rows <= bytes.max(1));
}

fn log(time_form: LogTime, delimiter: u8) -> LogSpec {
    let column = |column: &str, quantity, factor, offset| LogColumn {
        column: column.into(),
        quantity,
        factor,
        offset,
        notes: Notes::default(),
    };
    LogSpec {
        file: PathBuf::from("T2.csv"),
        meter: 0,
        time_column: "time".into(),
        time_form,
        delimiter,
        every: None,
        columns: vec![
            column("Ua", Quantity::at(Measurand::VoltageLn, Place::A), 1000.0, 0.0),
            column("Ia", Quantity::at(Measurand::Current, Place::A), 1.0, 0.0),
            column("Amb", Quantity::whole(Measurand::Ambient), 5.0 / 9.0, -32.0 * 5.0 / 9.0),
        ],
    }
}
