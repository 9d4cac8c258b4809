//! `kvarden export` of what is known by hand: any meter, any span, minutes and tens; readings are looked at in `keeping.rs`.

use kvarden::store::{Batch, MinuteRow, Options, Store};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::phases::Place;
use kvarden_core::time::{EventTime, Span};
use kvarden_core::window::Pane;
use kvarden_tests::program::{kvarden, text};
use kvarden_tests::site::{Site, polled_feeder};
use kvarden_tests::wait::run_to_end;
use std::process::{Command, Output};
use std::sync::Arc;

/// 2026-11-24T20:00:00Z, 13:00 at the cannery.
const BEGIN: EventTime = EventTime(1_795_550_400_000);

/// Minute `number`: `value` in each second of the seconds that were measured, and in phase B nothing.
fn minute(meter: &str, number: i64, value: f64, seconds: i64) -> MinuteRow {
    let series: Arc<[Quantity]> =
        [Place::A, Place::B].map(|place| Quantity::at(Measurand::Current, place)).into();
    let mut pane = Pane::EMPTY;
    for _ in 0..seconds {
        pane.push(value, Span::seconds(1));
    }
    let minute = BEGIN + Span::minutes(number);
    MinuteRow {
        meter: meter.into(),
        series,
        minute,
        panes: [pane, Pane::EMPTY].into(),
        late: false,
        guessed: false,
    }
}

fn site() -> Site {
    let (site, _load) = polled_feeder("");
    let mut store = Store::open(&site.path("data"), Options::default(), BEGIN).expect("a new store").store;
    let mut minutes: Vec<MinuteRow> =
        (0..12).map(|number| minute("MP-3", number, number as f64, 60)).collect();
    minutes.push(minute("MP-3", 12, 7.0, 30));
    minutes.push(minute("MP-3", 20, 8.0, 60));
    minutes.push(minute("T2, \"north\"", 0, -0.25, 60));
    store.apply(&Batch { minutes, ..Batch::default() }).expect("there is room");
    site
}

fn export(site: &Site, meter: &str, span: [&str; 2], more: &[&str]) -> Output {
    let mut command = Command::new(kvarden());
    command.arg("export").arg(site.config()).args(["--meter", meter, "--from", span[0], "--to", span[1]]);
    run_to_end(command.args(more))
}

fn rows(output: &Output) -> Vec<Vec<String>> {
    assert!(output.status.success(), "{}", text(&output.stderr));
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(&output.stdout[..]);
    reader
        .records()
        .map(|row| row.expect("as wide as the head").iter().map(str::to_owned).collect())
        .collect()
}

#[test]
fn minutes_and_tens_of_any_meter_and_span_are_what_was_measured() {
    let site = site();
    let day = ["2026-11-24", "2026-11-25"];
    let minutes = rows(&export(&site, "MP-3", day, &[]));
    let figures = ["mean", "min", "max", "rms", "covered_percent"];
    let head: Vec<String> = ["current_a.A", "current_a.B"]
        .iter()
        .flat_map(|key| figures.map(|figure| format!("{key} {figure}")))
        .collect();
    assert_eq!(minutes[0], [&["meter", "local_time", "utc_time"].map(str::to_owned)[..], &head].concat());
    assert_eq!(minutes.len(), 1 + 14, "a minute without values has no row");
    let fourth = ["MP-3", "2026-11-24T13:03:00.000-07:00", "2026-11-24T20:03:00.000Z"];
    assert_eq!(minutes[4], [&fourth[..], &["3", "3", "3", "3", "100", "", "", "", "", "0"]].concat());
    assert_eq!(minutes[13][3..8], ["7", "7", "7", "7", "50"], "half of it was measured");
    assert_eq!(minutes[14][2], "2026-11-24T20:20:00.000Z");

    // Ten minutes of 0 to 9: by hand the mean is 4.5, the root of the mean of squares the root of 28.5.
    let tens = rows(&export(&site, "MP-3", day, &["--every", "10m", "--quantity", "current_a.A"]));
    assert_eq!(tens[1][3..6], ["4.5", "0", "9"], "{tens:?}");
    let rms: f64 = tens[1][6].parse().expect("a number");
    // Stored with so many digits that it is good to a thousandth.
    assert!((rms / 28.5f64.sqrt() - 1.0).abs() < 1e-3 && tens[1][7] == "100", "{tens:?}");
    // 10 and 11 for a minute each, 7 for half a minute: 24.5 of 2.5 minutes.
    assert_eq!((tens[2][3].as_str(), tens[2][7].as_str()), ("9.8", "25"), "{tens:?}");
    assert_eq!(tens.len(), 3, "the last ten is not over");

    // Local times, the end left out; and a name that needs quotes.
    let part = rows(&export(&site, "MP-3", ["2026-11-24T13:02", "2026-11-24T20:05:00Z"], &[]));
    let times: Vec<&str> = part[1..].iter().map(|row| &row[1][11..16]).collect();
    assert_eq!(times, ["13:02", "13:03", "13:04"]);
    let north = rows(&export(&site, "T2, \"north\"", day, &["--quantity", "current_a.A"]));
    assert_eq!((north[1][0].as_str(), north[1][3].as_str()), ("T2, \"north\"", "-0.25"));
}

#[test]
fn what_cannot_be_exported_is_said_with_what_can_be_done() {
    let site = site();
    let day = ["2026-11-24", "2026-11-25"];
    for (meter, span, more, words) in [
        ("MP-4", day, &[][..], "there are: MP-3"),
        ("MP-3", day, &["--quantity", "current_a.C"], "it has: current_a.A, current_a.B"),
        ("MP-3", ["2026-11-25", "2026-11-24"], &[], "--to must be later than --from"),
        ("MP-3", ["yesterday", "2026-11-24"], &[], "write 2026-11-24"),
        ("MP-3", day, &["--every", "2m"], "1m"),
    ] {
        let output = export(&site, meter, span, more);
        let said = text(&output.stderr);
        assert!(!output.status.success() && said.contains(words), "{said}");
        assert!(output.stdout.is_empty(), "nothing is written: {}", text(&output.stdout));
    }
    let nothing = export(&site, "MP-3", ["2025-01-01", "2025-01-02"], &[]);
    assert!(nothing.status.success() && text(&nothing.stderr).contains("nothing is stored"));
}
