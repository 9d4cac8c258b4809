//! Hum through the monitor: a tone is compared at like volts and load, learned first, and kept over a restart.

use kvarden_core::input::Input;
use kvarden_core::measurand::Quantity;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::Output;
use kvarden_core::plan::Plan;
use kvarden_core::plant::{Around, Meter, Plant, Side, SideOf, StampedBy, Target, Transformer, WiringForm};
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::{EventTime, Span};
use std::sync::Arc;

const START: EventTime = EventTime(1_767_225_600_000);

fn plan() -> Arc<Plan> {
    let side = |volts, form| Side { volts, form, rated_a: None };
    let secondary = Target::Transformer(0, SideOf::Secondary);
    let meter = |name: &str, points: &str| Meter {
        name: name.to_owned(),
        measures: secondary,
        points: points.split(' ').map(|key| Quantity::from_key(key).expect("a key")).collect(),
        rolls_over_at: Vec::new(),
        of_total: Vec::new(),
        fingerprint: 7,
        every: Span::seconds(10),
        wait: Span::ZERO,
        stamped_by: StampedBy::Receipt,
        silent_after: Span::minutes(2),
        frozen_after: None,
    };
    let unit = Transformer::new("T2", 75.0, side(480.0, WiringForm::Delta), side(208.0, WiringForm::Wye));
    let points = "voltage_ll_v.AB voltage_ll_v.BC voltage_ll_v.CA current_a.A current_a.B current_a.C";
    let plant = Plant {
        site: "Larkspur Cannery".to_owned(),
        transformers: vec![unit],
        feeders: Vec::new(),
        circuits: Vec::new(),
        sources: Vec::new(),
        states: Vec::new(),
        meters: vec![meter("T2 secondary", points), meter("T2 sound", "sound_tone_dba.1 sound_tone_dba.2")],
        limits: Vec::new(),
        works: Vec::new(),
        channels: vec!["log".to_owned()],
        recording: Around::USUAL,
    };
    Arc::new(Plan::new(&plant).expect("a fit plant"))
}

/// Excess of the first two multiples in the last whole minute.
fn hear(
    monitor: &mut Monitor,
    seconds: std::ops::Range<i64>,
    volts: f64,
    tones: [f64; 2],
) -> [Option<f64>; 2] {
    let begin = START + Span::seconds(seconds.start);
    let (mut out, mut last) = (Vec::new(), [None; 2]);
    for second in seconds.step_by(10) {
        let at = START + Span::seconds(second);
        let amperes = 100.0 + (second / 10 % 3) as f64;
        let values = [[volts; 3], [amperes; 3]].concat();
        for (meter, values) in [(0, values.as_slice()), (1, tones.as_slice())] {
            let values: Vec<Sample> = values.iter().copied().map(Sample::new).collect();
            let reading = Reading { meter: MeterId(meter), at, values: &values };
            monitor.observe(at, Input::Reading(reading), &mut out);
        }
        for output in out.drain(..) {
            let Output::Minute(closed) = output else { continue };
            // The minute in which this began is in part of before.
            if closed.minute < begin {
                continue;
            }
            let plan = monitor.meter(closed.meter).expect("a meter of the plan");
            for (pane, quantity) in closed.panes.iter().zip(&plan.series) {
                for (number, last) in (1..).zip(&mut last) {
                    if quantity.to_string() == format!("sound_tone_excess_dba.{number}") {
                        *last = pane.mean();
                    }
                }
            }
        }
    }
    last
}

#[test]
fn a_new_tone_is_told_at_like_volts_and_load() {
    let mut monitor = Monitor::new(plan());
    assert_eq!(hear(&mut monitor, 0..3500, 208.0, [38.0, 52.0]), [None; 2], "still learned");
    let near = |got: [Option<f64>; 2], want: [f64; 2]| {
        for (got, want) in got.into_iter().zip(want) {
            assert!((got.expect("it was learned") - want).abs() < 1e-9, "{got:?} {want}");
        }
    };
    near(hear(&mut monitor, 3500..7200, 208.0, [38.0, 52.0]), [0.0, 0.0]);
    // An odd multiple grows: a dc bias.
    near(hear(&mut monitor, 7200..8000, 208.0, [47.0, 52.5]), [9.0, 0.5]);
    // At other volts nothing is known yet.
    assert_eq!(hear(&mut monitor, 8000..9000, 216.0, [47.0, 60.0]), [None; 2]);
    let states: Vec<_> = monitor.scopes().map(|scope| monitor.snapshot(scope)).collect();
    let mut again = Monitor::new(plan());
    for state in states {
        let bytes = postcard::to_stdvec(&state).expect("it is written");
        again.adopt(postcard::from_bytes(&bytes).expect("it is read"), &mut Vec::new());
    }
    near(hear(&mut again, 9000..10_000, 208.0, [47.0, 52.0]), [9.0, 0.0]);
}
