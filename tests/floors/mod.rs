//! Floors: bare loops over the same libraries, run as processes of their own (`daemon floor NAME …`).

mod csv_reading;
mod fleet;
mod subscriber;

use rumqttc::QoS;
use std::path::Path;

/// Runs the floor that the words name.
pub(crate) fn run(words: &[String]) {
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words[..] {
        ["fleet", ports, registers, seconds, slot_ms] => {
            let ports: Vec<u16> = ports.split(',').map(number).collect();
            alone(fleet::run(&ports, number(registers), number(seconds), number(slot_ms)));
        }
        ["subscriber", port, qos] => {
            let qos = if qos == "0" { QoS::AtMostOnce } else { QoS::AtLeastOnce };
            alone(subscriber::run(number(port), qos));
        }
        ["csv", file] => csv_reading::run(Path::new(file)),
        _ => panic!("no such floor: {words:?}"),
    }
}

fn alone(floor: impl Future<Output = ()>) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    runtime.expect("the system gives a runtime").block_on(floor);
}

fn number<T: std::str::FromStr>(word: &str) -> T {
    word.parse().unwrap_or_else(|_| panic!("not a number for a floor: {word}"))
}
