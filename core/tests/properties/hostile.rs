//! Whatever comes in, nothing panics, nothing hangs, and no number comes out that is not one.

use crate::afternoon::brisk_plan;
use crate::cannery::START;
use kvarden_core::input::{Deed, HealthFact, Input, Order, Part};
use kvarden_core::monitor::Monitor;
use kvarden_core::output::Output;
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::{EventTime, Span};
use proptest::prelude::*;

#[derive(Debug, Clone)]
enum Wild {
    Reading { meter: u32, stamp: i64, values: Vec<f64> },
    Order { pick: usize, deed: u8, until: i64 },
    Health { part: u8, works: bool },
    Resumed,
    Reclocked(i64),
    Advance,
    Reload,
}

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => 0.0f64..300.0,
        2 => any::<f64>(),
        1 => prop::sample::select(vec![f64::NAN, f64::INFINITY, f64::MAX, f64::MIN_POSITIVE, -0.0, 1e308]),
    ]
}

fn time() -> impl Strategy<Value = i64> {
    prop_oneof![
        12 => START.0..START.0 + 600_000,
        1 => any::<i64>(),
        1 => prop::sample::select(vec![i64::MIN, i64::MAX, 0, -1]),
    ]
}

fn wild() -> impl Strategy<Value = Wild> {
    prop_oneof![
        12 => (0u32..9, time(), prop::collection::vec(number(), 0..9))
            .prop_map(|(meter, stamp, values)| Wild::Reading { meter, stamp, values }),
        // Readings of the right shape, or most would end at the door.
        12 => (1u32..4, time(), prop::collection::vec(number(), 3))
            .prop_map(|(meter, stamp, values)| Wild::Reading { meter, stamp, values }),
        4 => (time(), prop::collection::vec(number(), 7))
            .prop_map(|(stamp, values)| Wild::Reading { meter: 4, stamp, values }),
        4 => (time(), number()).prop_map(|(stamp, value)| Wild::Reading { meter: 5, stamp, values: vec![value] }),
        2 => (any::<usize>(), 0u8..6, time()).prop_map(|(pick, deed, until)| Wild::Order { pick, deed, until }),
        1 => (0u8..4, any::<bool>()).prop_map(|(part, works)| Wild::Health { part, works }),
        1 => Just(Wild::Resumed),
        1 => time().prop_map(Wild::Reclocked),
        1 => Just(Wild::Advance),
        1 => Just(Wild::Reload),
    ]
}

fn do_it(monitor: &mut Monitor, now: EventTime, what: &Wild, out: &mut Vec<Output>) {
    match what {
        Wild::Reading { meter, stamp, values } => {
            let values: Vec<Sample> = values.iter().copied().map(Sample::new).collect();
            let reading = Reading { meter: MeterId(*meter), at: EventTime(*stamp), values: &values };
            monitor.observe(now, Input::Reading(reading), out);
        }
        Wild::Order { pick, deed, until } => {
            let open: Vec<String> = monitor.open_alerts().map(|revision| revision.alert.clone()).collect();
            let alert = open.get(pick % (open.len() + 1)).cloned().unwrap_or_else(|| "nothing".to_owned());
            let what = match deed {
                0 => Deed::Acknowledge,
                1 => Deed::Release { note: String::new() },
                2 => Deed::Shelve { until: EventTime(*until), reason: String::new() },
                3 => Deed::Unshelve,
                4 => Deed::Service { on: false },
                _ => Deed::Service { on: true },
            };
            let order = Order { number: 7, by: "Ines".to_owned(), alert, what };
            monitor.observe(now, Input::Person(order), out);
        }
        Wild::Health { part, works } => {
            let part = match part {
                0 => Part::Broker,
                1 => Part::Store,
                2 => Part::Channel("mqtt".to_owned()),
                3 => Part::Clock,
                4 => Part::Queue,
                _ => Part::Channel("pigeon".to_owned()),
            };
            monitor.observe(now, Input::Health(HealthFact::Part { part, works: *works }), out);
        }
        Wild::Resumed => monitor.observe(now, Input::Health(HealthFact::Resumed), out),
        Wild::Reclocked(by) => monitor.observe(now, Input::Reclocked { by: Span(*by) }, out),
        Wild::Advance => monitor.advance(now, out),
        Wild::Reload => monitor.reconfigure(brisk_plan(), out),
    }
}

/// Every number that an output carries.
fn numbers(output: &Output) -> Vec<f64> {
    let mut numbers: Vec<Option<f64>> = Vec::new();
    match output {
        Output::Alarm(change) => numbers.extend([change.value, change.peak, change.setpoint]),
        Output::Alert(revision) => numbers.extend([revision.value, revision.peak, revision.setpoint]),
        Output::Excursion(excursion) => numbers.extend([Some(excursion.peak), Some(excursion.setpoint)]),
        Output::Minute(closed) => {
            for pane in &closed.panes {
                numbers.extend([pane.mean(), pane.rms(), pane.min(), pane.max()]);
            }
        }
        Output::Refused(refused) => numbers.push(refused.value),
        Output::Answer(_) | Output::Finding(_) | Output::Recording(_) => {}
    }
    numbers.into_iter().flatten().collect()
}

proptest! {
    // Seen to fail when a floor or one and a half intervals could overflow, and (by never ending) when the grid took each step
    // of a stamp that was far ahead.
    #[test]
    fn nothing_panics_hangs_or_gives_what_is_no_number(
        script in prop::collection::vec((0i64..3000, wild()), 1..200),
        jump in time(),
    ) {
        let mut monitor = Monitor::new(brisk_plan());
        let mut now = START;
        let mut out = Vec::new();
        for (passed, what) in &script {
            now += Span(*passed);
            do_it(&mut monitor, now, what, &mut out);
        }
        monitor.advance(EventTime(jump), &mut out);
        for output in &out {
            prop_assert!(numbers(output).iter().all(|number| number.is_finite()), "{:?}", output);
        }
        prop_assert!(out.len() < 40 * (script.len() + 100), "{} outputs of {} inputs", out.len(), script.len());
    }
}
