//! A map with the wrong word order, or with a scale ten times too large, through the real decoding of real registers: the
//! numbers are told as not fitting the nameplate, and no limit judges them.
//!
//! The registers are IEEE 754 single numbers as `f32::to_be_bytes` gives them, high word first as the protocol has it.

use kvarden::acquire::registers::Decoder;
use kvarden_config::{SourceSpec, parse, render};
use kvarden_core::input::Input;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::{Change, ChangeKind, Output, Rule};
use kvarden_core::plan::Plan;
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::{EventTime, Span};
use std::io;
use std::sync::Arc;

const MAIN: &str = r#"
[site]
name = "Larkspur Cannery"
timezone = "America/Denver"

[[transformer]]
name = "T2"
kva = 75
primary = { volts = 480, form = "delta" }
secondary = { volts = 208, form = "wye" }

[[meter]]
name = "T2 secondary"
measures = { transformer = "T2" }
modbus = { address = "192.0.2.20:502", map = "map.toml" }
"#;

/// Three line-to-line voltages, in registers 0 to 5.
fn map(word_order: &str, scale: &str) -> String {
    let point = |(place, address): (&str, u16)| {
        format!(
            "[[point]]\nmeasurand = \"voltage_ll_v\"\nplace = \"{place}\"\naddress = {address}\nkind = \"f32\"\n\
             scale = {scale}\n"
        )
    };
    let points: String = [("AB", 0), ("BC", 2), ("CA", 4)].into_iter().map(point).collect();
    format!("word_order = \"{word_order}\"\n{points}")
}

/// What rises in ten minutes of these voltages, the first `good` seconds healthy, read through this map.
fn raised(map: &str, good: i64, volts: [f32; 3]) -> Vec<Change> {
    let (configuration, problems) = parse("kvarden.toml", MAIN, &|path| match path.to_str() {
        Some("map.toml") => Ok(map.to_owned()),
        _ => Err(io::Error::from(io::ErrorKind::NotFound)),
    });
    assert!(problems.is_empty(), "{}", render(&problems));
    let configuration = configuration.expect("it has no problems");
    let SourceSpec::Modbus(spec) = &configuration.sources[0] else { panic!("it is polled") };
    let decoders: Vec<Decoder> = spec.points.iter().map(Decoder::new).collect();
    let plan = Plan::new(&configuration.plant).expect("a plant from the reader is fit");
    let mut monitor = Monitor::new(Arc::new(plan));
    let mut out = Vec::new();
    let start = EventTime(1_767_225_600_000);
    for second in 0..600i64 {
        let shown = if second < good { [207.9, 208.3, 208.1] } else { volts };
        // The last digit moves, as on a live meter.
        let words: Vec<u16> = shown
            .into_iter()
            .flat_map(|volt| (volt + (second % 7) as f32 * 0.01).to_be_bytes())
            .collect::<Vec<u8>>()
            .chunks_exact(2)
            .map(|pair| u16::from_be_bytes([pair[0], pair[1]]))
            .collect();
        let values: Vec<Sample> = decoders
            .iter()
            .zip(&spec.points)
            .map(|(decoder, point)| decoder.sample(&words[usize::from(point.address)..][..2], &[]))
            .collect();
        let at = start + Span::seconds(second);
        let reading = Reading { meter: MeterId(0), at, values: &values };
        monitor.observe(at, Input::Reading(reading), &mut out);
    }
    let changes = out.into_iter().filter_map(|output| match output {
        Output::Alarm(change) if change.what == ChangeKind::Raised => Some(change),
        _ => None,
    });
    changes.collect()
}

const HEALTHY: [f32; 3] = [207.31, 208.47, 206.93];
/// One phase lost behind the meter: an urgent unbalance.
const ONE_LOST: [f32; 3] = [104.0, 208.1, 104.0];

fn limits(changes: &[Change]) -> usize {
    changes
        .iter()
        .filter(|change| matches!(change.rule, Rule::Level { .. } | Rule::Recurrence { .. }))
        .count()
}

#[test]
fn the_right_map_says_nothing_and_a_fault_after_that_is_judged_at_once() {
    assert!(raised(&map("high first", "1"), 0, HEALTHY).is_empty());
    let changes = raised(&map("high first", "1"), 1, ONE_LOST);
    assert!(limits(&changes) > 0, "{changes:#?}");
    assert!(changes.iter().all(|change| change.rule != Rule::Nameplate));
}

#[test]
fn swapped_words_and_a_scale_of_ten_are_told_and_not_judged() {
    for (map, why) in [(map("low first", "1"), "word order"), (map("high first", "10"), "scale")] {
        for volts in [HEALTHY, ONE_LOST] {
            let changes = raised(&map, 0, volts);
            let nameplate = changes.iter().filter(|change| change.rule == Rule::Nameplate).count();
            assert_eq!((nameplate, limits(&changes)), (1, 0), "{why}: {changes:#?}");
        }
    }
}
