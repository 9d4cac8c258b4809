//! What a healthy transformer would show, against the simulated one: Larkspur Cannery integrates its own circuits and warm
//! bodies and shares nothing with the model. Virtual time; every reading goes through the monitor.

use kvarden_core::input::{Deed, Input, Order};
use kvarden_core::measurand::Quantity;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::Output;
use kvarden_core::plan::Plan;
use kvarden_core::plant::{
    Around, Cooling, Meter, Plant, Side, SideOf, StampedBy, Target, Transformer, WiringForm,
};
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::{EventTime, Span};
use kvarden_demo::scenario::{Fault, Scenario};
use kvarden_demo::site::Site;
use kvarden_demo::work::Working;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Thursday, 5 March 2026, midnight in Denver.
const THURSDAY: i64 = 1_772_694_000_000;
const HOUR: i64 = 3_600_000;
const DAY: i64 = 24 * HOUR;
/// A site has lived so long before its first moment: scenarios of the room hold from then on.
const BEFORE: i64 = THURSDAY - 2 * DAY;
const RISE_K: f64 = 115.0;

fn quantity(key: &str) -> Quantity {
    Quantity::from_key(key).expect("a key of the table")
}

const POINTS: [(&str, &str); 3] = [
    ("T2 secondary", "current_a.A current_a.B current_a.C"),
    (
        "T2 sensors",
        "winding_c.A winding_c.B winding_c.C termination_c.A termination_c.B termination_c.C ambient_c",
    ),
    ("T2 fans", "fan_running"),
];

fn plant(cooling: Cooling) -> Plant {
    let fans = matches!(cooling, Cooling::DryFan);
    let meter = |(name, points): (&str, &str)| Meter {
        name: name.to_owned(),
        measures: Target::Transformer(0, SideOf::Secondary),
        points: points.split(' ').map(quantity).collect(),
        rolls_over_at: Vec::new(),
        of_total: Vec::new(),
        fingerprint: 1,
        every: Span::seconds(10),
        wait: Span::ZERO,
        stamped_by: StampedBy::Receipt,
        silent_after: Span::minutes(5),
        frozen_after: None,
    };
    let side = |volts, form| Side { volts, form, rated_a: None };
    Plant {
        site: "Larkspur Cannery".to_owned(),
        transformers: vec![Transformer {
            cooling,
            rated_rise_k: Some(RISE_K),
            insulation_class_c: Some(220),
            ..Transformer::new("T2", 75.0, side(480.0, WiringForm::Delta), side(208.0, WiringForm::Wye))
        }],
        feeders: Vec::new(),
        circuits: Vec::new(),
        sources: Vec::new(),
        states: Vec::new(),
        meters: POINTS.into_iter().take(if fans { 3 } else { 2 }).map(meter).collect(),
        limits: Vec::new(),
        channels: Vec::new(),
        recording: Around::USUAL,
    }
}

/// The least and the largest value of each series across meters, and the alarms that rose.
#[derive(Debug, Default)]
struct Seen {
    extremes: BTreeMap<String, (f64, f64)>,
    raised: Vec<String>,
}

impl Seen {
    /// Furthest from 0.
    fn most(&self, key: &str) -> f64 {
        let (least, most) = self.extremes.get(key).unwrap_or_else(|| panic!("{key} is computed: {self:?}"));
        least.abs().max(most.abs())
    }

    fn windings(&self) -> [f64; 3] {
        ["A", "B", "C"].map(|place| self.most(&format!("winding_residual_k.{place}")))
    }
}

struct Watch {
    site: Site,
    monitor: Monitor,
    fans_until: i64,
}

impl Watch {
    fn new(working: Working, cooling: Cooling, scenarios: Vec<Scenario>) -> Self {
        let plan = Plan::new(&plant(cooling)).expect("a fit plant");
        let site = Site::new(11, THURSDAY, working, scenarios);
        Self { site, monitor: Monitor::new(Arc::new(plan)), fans_until: 0 }
    }

    /// Lets the site live until then, and tells what was seen after `from`.
    fn until(&mut self, to: i64, from: i64) -> Seen {
        let (mut seen, mut out) = (Seen::default(), Vec::new());
        while self.site.at() < to {
            let now = EventTime(self.site.at());
            for (index, (name, points)) in POINTS.iter().enumerate() {
                let meter = MeterId(index as u32);
                if self.monitor.meter(meter).is_none_or(|known| known.name != *name) {
                    continue;
                }
                let shown = self.site.reading(name);
                let value = |key: &str| {
                    let (what, place) = key.split_once('.').unwrap_or((key, ""));
                    match &shown {
                        Some(reading) => reading.value(what, place),
                        None => Some(f64::from(u8::from(now.0 < self.fans_until))),
                    }
                };
                let values: Vec<Sample> = points.split(' ').map(|key| value(key).into()).collect();
                self.monitor.observe(
                    now,
                    Input::Reading(Reading { meter, at: now, values: &values }),
                    &mut out,
                );
            }
            for output in out.drain(..) {
                self.note(&output, from, &mut seen);
            }
            self.site.advance(now.0 + 10_000);
        }
        seen
    }

    fn note(&self, output: &Output, from: i64, seen: &mut Seen) {
        match output {
            Output::Minute(closed) if closed.minute.0 >= from => {
                let meter = self.monitor.meter(closed.meter).expect("a meter of the plan");
                for (pane, quantity) in closed.panes.iter().zip(&meter.series) {
                    if let Some(mean) =
                        pane.mean().filter(|_| meter.points == 0 || quantity.what.is_computed())
                    {
                        let known = seen.extremes.entry(quantity.to_string()).or_insert((mean, mean));
                        *known = (known.0.min(mean), known.1.max(mean));
                    }
                }
            }
            Output::Alarm(change) if change.at.0 >= from => {
                seen.raised.push(format!("{} {}", change.alarm, change.to.words()));
            }
            _ => {}
        }
    }

    /// Learns over four days; Ines accepts what was learned.
    fn learned(mut self) -> Self {
        let seen = self.until(THURSDAY + 4 * DAY, THURSDAY);
        let (_, learned, _) = self.monitor.heat_learned().next().expect("T2 has a model");
        let calibration = learned.calibration.unwrap_or_else(|| panic!("{:?} {seen:?}", learned.refused));
        assert_eq!(calibration.accepted, None, "it waits");
        let order = Order {
            number: 1,
            by: "Ines".to_owned(),
            alert: "T2".to_owned(),
            what: Deed::Calibration { accept: true },
        };
        let mut out = Vec::new();
        self.monitor.observe(EventTime(self.site.at()), Input::Person(order), &mut out);
        assert!(out.iter().any(|output| matches!(output, Output::Answer(answer) if answer.result.is_ok())));
        self
    }
}

/// Monday to Wednesday after the four days of learning: two shifts, pauses and nights, as load steps.
fn healthy_in_a_room(warmer_k: f64) {
    let room = vec![Scenario::from(BEFORE, Fault::Room { warmer_k })];
    let mut watch = Watch::new(Working::Calendar, Cooling::Dry, room).learned();
    let seen = watch.until(THURSDAY + 7 * DAY, THURSDAY + 4 * DAY);
    for residual in seen.windings() {
        assert!(residual <= 5.0, "a healthy residual stays within 5 K: {seen:?}");
    }
    let (coldest, warmest) = seen.extremes["winding_expected_c.A"];
    assert!(warmest - coldest > 30.0, "the load made steps: {coldest} to {warmest} °C");
    assert_eq!(seen.raised, Vec::<String>::new());
}

#[test]
fn the_healthy_residual_stays_within_5_kelvin_in_a_cold_room() {
    healthy_in_a_room(-20.0);
}

#[test]
fn the_healthy_residual_stays_within_5_kelvin_in_a_hot_room() {
    healthy_in_a_room(12.0);
}

/// How much warmer B's termination gets than those of A and C.
fn termination_spread(seen: &Seen) -> f64 {
    let most = |place: &str| seen.extremes[&format!("termination_rise_k.{place}")].1;
    most("B") - most("A").max(most("C"))
}

#[test]
fn a_blocked_vent_shows_in_the_windings_and_a_hot_lug_does_not() {
    let (lug, vent) = (THURSDAY + 4 * DAY + 8 * HOUR, THURSDAY + 5 * DAY + 8 * HOUR);
    let scenarios = vec![
        Scenario::between(lug, lug + 12 * HOUR, Fault::HotLug { ohms: 0.02 }),
        Scenario::from(vent, Fault::BlockedCooling { left: 0.4 }),
    ];
    let mut watch = Watch::new(Working::Calendar, Cooling::Dry, scenarios).learned();
    let before = watch.until(lug, lug - 6 * HOUR);
    let hot_lug = watch.until(lug + 12 * HOUR, lug + 2 * HOUR);
    assert!(hot_lug.windings().iter().all(|residual| *residual <= 5.0), "{hot_lug:?}");
    assert!(termination_spread(&hot_lug) > termination_spread(&before) + 5.0, "{before:?} {hot_lug:?}");
    let between = watch.until(vent, vent - 4 * HOUR);
    let coming = watch.until(vent + 5 * HOUR, vent);
    let blocked = watch.until(vent + 10 * HOUR, vent + 5 * HOUR);
    assert!(blocked.windings().iter().all(|residual| *residual > 0.15 * RISE_K), "all three: {blocked:?}");
    assert!(
        (termination_spread(&blocked) - termination_spread(&between)).abs() < 5.0,
        "{between:?} {blocked:?}"
    );
    let told = |place: &str| {
        let alarm = format!("winding_residual_k.{place}/high level 2");
        coming.raised.iter().chain(&blocked.raised).any(|line| line.contains(&alarm))
    };
    assert!(["A", "B", "C"].into_iter().all(told), "after two hours it is told: {coming:?} {blocked:?}");
}

/// 125 % of the rating, which only fans allow. They stop after eight hours.
#[test]
fn a_failed_fan_shows_in_what_fans_should_do_and_not_in_the_windings() {
    let fails = THURSDAY + 8 * HOUR;
    let scenarios = vec![
        Scenario::from(BEFORE, Fault::Overload { factor: 1.75 }),
        Scenario::between(BEFORE, fails, Fault::Fans { times: 16.0 / 9.0 }),
    ];
    let mut watch = Watch::new(Working::MidShift, Cooling::DryFan, scenarios);
    watch.fans_until = fails;
    let running = watch.until(fails, THURSDAY + 5 * HOUR);
    let failed = watch.until(fails + 5 * HOUR, fails + 3 * HOUR);
    assert!(running.most("fan_shortfall_k") < 0.01, "{running:?}");
    assert!(failed.most("fan_shortfall_k") > 0.3 * RISE_K, "{failed:?}");
    // By the nameplate alone: no calibration is accepted here.
    assert!(failed.windings().iter().all(|residual| *residual < 0.15 * RISE_K), "{failed:?}");
}
