//! Benchmarks within one process: the monitor against a bare pane loop, its allocations, and the store.
//!
//! `cargo bench -p kvarden-tests` runs them with the others; `-- store` (or another part of a section's name) runs
//! one. Nothing is asserted: the figures are for people.

mod complete;
mod formulas;
mod store;

#[path = "../../floors/chunks.rs"]
mod chunks;
#[path = "../shared/figures.rs"]
mod figures;
#[path = "../../floors/panes.rs"]
mod panes;
#[path = "../shared/plant.rs"]
mod plant;

use figures::{Figures, RUNS, heading, is_wanted, line, short_or};
use kvarden_core::input::Input;
use kvarden_core::measurand::Quantity;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::Output;
use kvarden_core::plan::Plan;
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::EventTime;
use std::sync::Arc;
use std::time::Instant;

/// Readings that differ; they come again and again.
const DIFFERENT: usize = 997;
/// A time to begin with, a whole minute.
const BEGIN_MS: i64 = 1_789_999_980_000;

fn main() {
    println!("within one process: median [least–largest] of {RUNS} runs");
    if is_wanted("monitor") {
        // Panes of one minute row and of two windows: at 1 Hz the windows' panes hold so many readings.
        monitor(["10m", "1h"], [60, 10, 60]);
        monitor(["1m", "10m"], [60, 1, 10]);
        allocations();
    }
    if is_wanted("formulas") {
        formulas::run();
    }
    if is_wanted("complete") {
        complete::run();
    }
    if is_wanted("store") {
        store::run();
    }
}

fn one_meter(windows: [&str; 2]) -> Monitor {
    let (configuration, problems) = kvarden_config::parse(
        "kvarden.toml",
        &plant::config(1, windows, |_| "mqtt = { topic = \"a\", map = \"map.toml\" }".to_owned())
            .replace("[tell]", "[broker]\naddress = \"127.0.0.1:1883\"\n[tell]"),
        &|_| Ok(map()),
    );
    assert!(problems.is_empty(), "{}", kvarden_config::render(&problems));
    let plant = configuration.expect("without a problem there is a configuration").plant;
    Monitor::new(Arc::new(Plan::new(&plant).expect("the plant comes from a checked configuration")))
}

fn map() -> String {
    let point = |(at, quantity): (usize, &Quantity)| {
        format!("[[point]]\npointer = \"/{at}\"\n{}\n", plant::key(*quantity))
    };
    plant::quantities().iter().enumerate().map(point).collect()
}

fn readings() -> Vec<Vec<f64>> {
    let ordinary: Vec<f64> = plant::quantities().iter().copied().map(plant::ordinary).collect();
    let swing = |at: usize| 1.0 + 0.005 * (at as f64).sin();
    (0..DIFFERENT).map(|at| ordinary.iter().map(|value| value * swing(at)).collect()).collect()
}

/// Feeds a monitor with readings at 1 Hz.
struct Feed {
    monitor: Monitor,
    readings: Vec<Vec<Sample>>,
    second: usize,
    out: Vec<Output>,
}

impl Feed {
    fn new(windows: [&str; 2]) -> Self {
        let samples =
            readings().iter().map(|values| values.iter().copied().map(Sample::new).collect()).collect();
        Self { monitor: one_meter(windows), readings: samples, second: 0, out: Vec::with_capacity(64) }
    }

    fn next(&mut self) {
        let at = EventTime(BEGIN_MS + 1000 * self.second as i64);
        let values = &self.readings[self.second % DIFFERENT];
        self.monitor.observe(at, Input::Reading(Reading { meter: MeterId(0), at, values }), &mut self.out);
        self.second += 1;
        self.out.clear();
    }
}

fn monitor(windows: [&str; 2], panes: [u32; 3]) {
    let rounds = short_or(100_000, 400_000);
    let values = plant::quantities().len();
    let [one, other] = windows;
    heading(&format!(
        "monitor: readings of {values} values, windows of {one} and {other} on each, ns a reading"
    ));
    let readings = readings();
    let timed = |work: &mut dyn FnMut()| {
        let begun = Instant::now();
        work();
        begun.elapsed().as_secs_f64() * 1e9 / rounds as f64
    };
    let floor: Figures = (0..RUNS).map(|_| timed(&mut || panes::run(&readings, rounds, &panes))).collect();
    line("floor: pushes to the same panes", format!("{floor:.0} ns"));
    let mut feed = Feed::new(windows);
    let whole: Figures = (0..RUNS).map(|_| timed(&mut || (0..rounds).for_each(|_| feed.next()))).collect();
    let each = whole.median() / values as f64;
    line("Monitor::observe", format!("{whole:.0} ns, {each:.1} ns a value"));
    line("the monitor against the floor", whole.over(&floor));
}

fn allocations() {
    let mut feed = Feed::new(["10m", "1h"]);
    (0..600).for_each(|_| feed.next());
    // A minute closes with its first reading: the seconds after it are quiet.
    feed.next();
    let quiet = allocation_counter::measure(|| (0..50).for_each(|_| feed.next()));
    line("allocations in 50 quiet readings", quiet.count_total);
}
