//! What was learned of a healthy transformer, from the command line: it waits for a named person, stays through kills and
//! changes of the configuration, and is dropped by nobody but a person.

use kvarden::store::{Batch, Options, Precious, Store};
use kvarden_core::input::Input;
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::monitor::Monitor;
use kvarden_core::plan::Plan;
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::{EventTime, Span};
use kvarden_tests::modbus_server::{Answer, serve};
use kvarden_tests::program::{Daemon, text};
use kvarden_tests::site::{Site, point};
use kvarden_tests::work::{BEGIN, tick};
use std::fs;
use std::sync::Arc;

/// Amperes of the three lines, windings and the air, as the meter shows them now.
const SHOWN: [f32; 7] = [100.0, 101.0, 99.0, 61.0, 61.5, 60.5, 25.0];
const POINTS: [&str; 7] =
    ["current_a.A", "current_a.B", "current_a.C", "winding_c.A", "winding_c.B", "winding_c.C", "ambient_c"];
const RATED_A: f64 = 208.2;
const RISE_K: f64 = 115.0;
/// This unit rises so many times as far as its nameplate says, with a time constant of so many minutes.
const FACTOR: f64 = 0.93;
const TAU_MIN: f64 = 47.0;

/// T2 with one meter for amperes, windings and air.
fn site() -> Site {
    let port = serve(|question| {
        let words =
            SHOWN.into_iter().flat_map(|value| [(value.to_bits() >> 16) as u16, value.to_bits() as u16]);
        Answer::Words(words.skip(usize::from(question.address)).take(usize::from(question.count)).collect())
    });
    let config = format!(
        r#"
[site]
name = "Larkspur Cannery"
timezone = "America/Denver"

[[transformer]]
name = "T2"
kva = 75
rated_rise_c = 115
insulation_class_c = 220
primary   = {{ volts = 480, form = "delta" }}
secondary = {{ volts = 208, form = "wye" }}

[[meter]]
name = "T2 secondary"
measures = {{ transformer = "T2", side = "secondary" }}
modbus = {{ address = "127.0.0.1:{port}", unit = 1, map = "maps/t2.toml", every = "1s" }}
frozen_after = "never"

[store]
folder = "data"
max_bytes = "32 MiB"
"#
    );
    let map: Vec<String> = (0..)
        .step_by(2)
        .zip(POINTS)
        .map(|(address, quantity)| point(quantity, &format!("address = {address}\nkind = \"f32\"")))
        .collect();
    Site::new("", &[("kvarden.toml", &config), ("maps/t2.toml", &map.concat())])
}

/// A store in which a monitor has left what it learned of T2 in four days: heat grows with the current squared, cooling with
/// the 1.25th power of the rise (IEEE C57.96's exponent 0.8, from memory), in steps of ten seconds.
fn learn(site: &Site) {
    let plan = Arc::new(Plan::new(&site.configuration().plant).expect("a fit plant"));
    let mut monitor = Monitor::new(Arc::clone(&plan));
    let (mut rise, mut out) = (0.1f64, Vec::new());
    let order = plan.meter(MeterId(0)).expect("T2 secondary").series[..7].to_vec();
    for step in 0..4 * 8640i64 {
        let load = if (6..22).contains(&(step / 360 % 24)) { 0.9 } else { 0.2 };
        rise += (load * load - rise.powf(1.25)) / TAU_MIN / 6.0;
        let value = |quantity: &Quantity| match quantity.what {
            Measurand::Current => load * RATED_A,
            Measurand::Winding => 25.0 + FACTOR * RISE_K * rise,
            _ => 25.0,
        };
        let values: Vec<Sample> = order.iter().map(|quantity| Sample::new(value(quantity))).collect();
        let at = BEGIN + Span::seconds(10 * step);
        monitor.observe(at, Input::Reading(Reading { meter: MeterId(0), at, values: &values }), &mut out);
        out.clear();
    }
    let (_, learned, _) = monitor.heat_learned().next().expect("T2 has a model");
    let calibration = learned.calibration.expect("a sound unit is learned");
    assert!(calibration.factors.iter().all(|factor| (factor - FACTOR).abs() < 0.01), "{calibration:?}");
    let scope = monitor.scopes().next().expect("T2");
    let body = serde_json::to_string(&monitor.precious(scope)).expect("it is written as JSON");
    let saved = Precious { scope: "T2".into(), number: 1, body };
    let batch = Batch { tail: vec![tick(1)], precious: vec![saved], ..Batch::default() };
    let opened = Store::open(&site.path("data"), Options { max_bytes: 32 << 20 }, EventTime(BEGIN.0 + 1));
    opened.expect("a store can be made").store.apply(&batch).expect("there is room");
}

/// What status says of it.
fn said(daemon: &Daemon) -> String {
    daemon.status().calibrations.concat()
}

/// Gives an order; whether it was carried out, and the answer.
fn order(daemon: &Daemon, words: &[&str]) -> (bool, String) {
    let output = daemon.run("calibration", words);
    (output.status.success(), text(&output.stdout) + &text(&output.stderr))
}

#[test]
fn a_calibration_waits_for_a_person_and_stays_until_a_person_drops_it() {
    let site = site();
    learn(&site);
    let mut daemon = Daemon::watching(&site);
    let waits = said(&daemon);
    assert!(
        waits.contains("a calibration waits for a person: 0.93, 0.93, 0.93 times the rated rise"),
        "{waits}"
    );
    assert!(
        waits.contains("goes by the nameplate") && waits.contains("kvarden calibration T2 --by NAME"),
        "{waits}"
    );
    let page = text(&daemon.run("status", &[]).stdout);
    assert!(page.contains("T2, insulation (class 220): ") && page.contains("of 180,000 h"), "{page}");

    for (words, why) in [
        (&["T9", "--by", "Ines"][..], "there is no transformer \"T9\""),
        (&["T2", "--by", " "], "every change has a named person"),
        (&["T2"], "--by"),
    ] {
        let (done, answer) = order(&daemon, words);
        assert!(!done && answer.contains(why), "{words:?}: {answer}");
    }
    assert_eq!(said(&daemon), waits, "nothing has changed");

    let (done, answer) = order(&daemon, &["T2", "--by", "Ines"]);
    assert!(done && answer.contains("the calibration of T2 is accepted by Ines"), "{answer}");
    let accepted = said(&daemon);
    assert!(accepted.contains("goes by the calibration that Ines accepted: 0.93, 0.93, 0.93"), "{accepted}");
    let (done, answer) = order(&daemon, &["T2", "--by", "Jonas"]);
    assert!(!done && answer.contains("no calibration of it waits"), "{answer}");

    daemon.kill();
    let mut daemon = Daemon::watching(&site);
    assert_eq!(said(&daemon), accepted, "after a kill");
    daemon.kill();
    // Another feeder: the scope has another plan, and what was learned of T2 is as it was.
    let config = fs::read_to_string(site.config()).expect("it was written");
    let changed = config + "\n[[feeder]]\nname = \"MP-3\"\nfed_by = \"T2\"\nrated_a = 100\n";
    fs::write(site.config(), changed).expect("it can be written");
    let mut daemon = Daemon::watching(&site);
    assert_eq!(said(&daemon), accepted, "with a changed configuration");

    let (done, answer) = order(&daemon, &["T2", "--by", "Jonas", "--drop"]);
    assert!(done && answer.contains("is dropped by Jonas and learned anew"), "{answer}");
    let (done, answer) = order(&daemon, &["T2", "--by", "Jonas", "--drop"]);
    assert!(!done && answer.contains("there is none to drop"), "{answer}");
    daemon.kill();
    let daemon = Daemon::watching(&site);
    assert!(
        !said(&daemon).contains("accepted") && !said(&daemon).contains("waits"),
        "it stays dropped: {}",
        said(&daemon)
    );
    daemon.stop();
}
