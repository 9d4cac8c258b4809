//! Minute rows of a run against numpy: the raw messages as they were published on one side, the store's rows on the
//! other, and a script that shares no code with either.
//!
//! Seen to fail: a value that stands for the whole of a gap of up to four and a half intervals.

use kvarden_core::time::EventTime;
use kvarden_tests::broker::{Mosquitto, Voice};
use kvarden_tests::modbus_server::{part, python};
use kvarden_tests::program::{Daemon, PATIENCE, text};
use kvarden_tests::site::{Site, point};
use kvarden_tests::wait::{Chance, run_to_end, wait_for};
use serde_json::json;
use std::fmt::Write;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

const MINUTES: i64 = 9;
const POINTS: [&str; 4] = ["voltage_ll_v.AB", "voltage_ll_v.BC", "voltage_ll_v.CA", "ambient_c"];

fn site(broker: &Mosquitto) -> Site {
    let config = format!(
        r#"
[[meter]]
name = "T2 secondary"
measures = {{ transformer = "T2", side = "secondary" }}
mqtt = {{ topic = "cannery/t2", map = "maps/t2.toml", every = "1s" }}
frozen_after = "never"
[broker]
address = "127.0.0.1:{}"
[tell]
mqtt = false
"#,
        broker.port()
    );
    let time = "time = { pointer = \"/t\", form = \"unix-ms\" }\nwait = \"3s\"\n";
    let place = |(index, quantity): (usize, &&str)| point(quantity, &format!("pointer = \"/v/{index}\""));
    let map: String = std::iter::once(time.to_owned()).chain(POINTS.iter().enumerate().map(place)).collect();
    Site::new(&config, &[("maps/t2.toml", &map)])
}

/// About a reading a second with jitter, some a second and a half apart, some gaps of many seconds, an empty minute,
/// and values that are absent or can't be real.
fn published(begin: i64, chance: &mut Chance) -> Vec<(i64, Vec<Option<f64>>)> {
    let mut rows = Vec::new();
    let mut at = begin + 137;
    while at < begin + MINUTES * 60_000 {
        let volts = |chance: &mut Chance| match chance.below(40) {
            0 => None,
            1 => Some(-1.0),
            _ => Some(200.0 + 12.0 * chance.share()),
        };
        let mut values: Vec<Option<f64>> = (0..3).map(|_| volts(chance)).collect();
        // The sensor of the hall's air gives nothing in the fifth minute.
        let away = (at - begin) / 60_000 == 4;
        values.push((!away).then(|| 18.0 + chance.share()));
        rows.push((at, values));
        at += match chance.below(25) {
            0 => 1500,
            1 => 1501,
            2 => 4000 + chance.below(9000) as i64,
            _ => 850 + chance.below(300) as i64,
        };
        // The seventh minute is empty.
        if (at - begin) / 60_000 == 6 {
            at = begin + 7 * 60_000 + chance.below(900) as i64;
        }
    }
    rows
}

#[test]
fn minute_rows_are_what_numpy_makes_of_the_published_values() {
    let seed = 20_261_125;
    let broker = Mosquitto::start();
    let site = site(&broker);
    let daemon = Daemon::watching(&site);
    let mut voice = Voice::on(&broker, "cannery/t2");
    let now =
        SystemTime::now().duration_since(UNIX_EPOCH).expect("the clock is past 1970").as_millis() as i64;
    let begin = (now / 60_000 - MINUTES - 2) * 60_000;
    wait_for("the daemon hears of T2", PATIENCE, || {
        voice.say(
            &json!({ "t": begin - 120_000 + daemon.status().readings as i64, "v": [208, 208, 208, 20] }),
        );
        (daemon.status().readings > 0).then_some(())
    });

    let rows = published(begin, &mut Chance(seed));
    let before = daemon.status().readings;
    for (at, values) in &rows {
        voice.say(&json!({ "t": at, "v": values }));
    }
    // One more closes the last minute.
    voice.say(&json!({ "t": begin + (MINUTES + 1) * 60_000, "v": [208, 208, 208, 20] }));
    voice.finish();
    let all = before + rows.len() as u64 + 1;
    wait_for("all messages are taken", PATIENCE, || (daemon.status().readings >= all).then_some(()));
    // The last ones wait for their order.
    std::thread::sleep(Duration::from_secs(5));
    daemon.stop();

    let mut raw = format!("at_ms,{}", POINTS.join(","));
    for (at, values) in &rows {
        let cells = values.iter().map(|value| value.map(|value| value.to_string()).unwrap_or_default());
        let _ = write!(raw, "\n{at},{}", cells.collect::<Vec<_>>().join(","));
    }
    std::fs::write(site.path("raw.csv"), raw + "\n").expect("a file can be written");
    let exported = export(&site, begin);
    assert_eq!(exported.lines().filter(|line| line.contains("voltage_ll_v.AB")).count(), 8, "{exported}");
    std::fs::write(site.path("minutes.csv"), &exported).expect("a file can be written");
    agree(&site, true);

    // The comparison can fail: a mean that is one part in ten thousand off is seen.
    let line = exported.lines().nth(1).expect("there are rows");
    let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
    cells[2] = (cells[2].parse::<f64>().expect("a mean") * 1.0001).to_string();
    std::fs::write(site.path("minutes.csv"), exported.replacen(line, &cells.join(","), 1)).expect("a file");
    agree(&site, false);
}

fn export(site: &Site, begin: i64) -> String {
    let store = site.store();
    let runs = store.minutes("T2 secondary", EventTime(begin), EventTime(begin + MINUTES * 60_000));
    let mut csv = "minute_ms,series,mean,min,max,count,covered_ms\n".to_owned();
    for run in runs.expect("the rows can be read") {
        for (minute, panes) in &run.rows {
            for (series, pane) in run.series.iter().zip(panes) {
                let number = |value: Option<f64>| value.map(|value| value.to_string()).unwrap_or_default();
                let (mean, min, max) = (number(pane.mean), number(pane.min), number(pane.max));
                let _ = writeln!(
                    csv,
                    "{},{series},{mean},{min},{max},{},{}",
                    minute.0, pane.count, pane.covered_ms
                );
            }
        }
    }
    csv
}

fn agree(site: &Site, expected: bool) {
    let (raw, minutes) = (site.path("raw.csv"), site.path("minutes.csv"));
    let output = run_to_end(python("numpy").arg(part("minutes.py")).args([raw, minutes]));
    let said = format!("{}{}", text(&output.stdout), text(&output.stderr));
    assert_eq!(output.status.success(), expected, "{said}");
    if expected {
        println!("{said}");
    } else {
        assert!(said.contains("differs"), "{said}");
    }
}
