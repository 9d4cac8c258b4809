//! A monitor that watches a world, and what it says of heat.

use kvarden_core::input::{Deed, Input, Order};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::monitor::Monitor;
use kvarden_core::output::Output;
use kvarden_core::plan::Plan;
use kvarden_core::plant::{Around, Feeder, Meter, Plant, Side, StampedBy, Target, Transformer, WiringForm};
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::{EventTime, Span};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Thursday, 5 March 2026, midnight in Denver.
pub(crate) const THURSDAY: i64 = 1_772_694_000_000;
pub(crate) const HOUR: i64 = 3_600_000;
pub(crate) const DAY: i64 = 24 * HOUR;
/// Readings come so often.
const STEP: i64 = 10_000;

/// What stands before the meters.
pub(crate) trait World {
    fn advance(&mut self, to: i64);
    fn value(&self, meter: &str, quantity: Quantity) -> Option<f64>;
}

pub(crate) fn side(volts: f64, form: WiringForm) -> Side {
    Side { volts, form, rated_a: None }
}

pub(crate) fn plant(
    transformer: Transformer,
    feeders: Vec<Feeder>,
    meters: &[(&str, Target, &str)],
) -> Plant {
    let meter = |(name, measures, points): &(&str, Target, &str)| Meter {
        name: (*name).to_owned(),
        measures: *measures,
        points: points.split(' ').map(|key| Quantity::from_key(key).expect("a key of the table")).collect(),
        rolls_over_at: Vec::new(),
        of_total: Vec::new(),
        fingerprint: 1,
        every: Span(STEP),
        wait: Span::ZERO,
        stamped_by: StampedBy::Receipt,
        silent_after: Span::minutes(5),
        frozen_after: None,
    };
    Plant {
        site: "Larkspur Cannery".to_owned(),
        transformers: vec![transformer],
        feeders,
        circuits: Vec::new(),
        sources: Vec::new(),
        states: Vec::new(),
        meters: meters.iter().map(meter).collect(),
        limits: Vec::new(),
        works: Vec::new(),
        channels: Vec::new(),
        recording: Around::USUAL,
    }
}

/// All that shows a fault of heat, in kelvin, and in watts for a connection between two meters.
const RESIDUALS: [Measurand; 5] = [
    Measurand::WindingResidual,
    Measurand::TopOilResidual,
    Measurand::TerminationExcess,
    Measurand::ContactHeat,
    Measurand::FanShortfall,
];

/// What was seen for a while.
#[derive(Debug, Default)]
pub(crate) struct Seen {
    /// The least and the largest minute's mean of everything that is computed.
    pub(crate) extremes: BTreeMap<String, (f64, f64)>,
    /// Alarms about heat that rose.
    pub(crate) raised: Vec<String>,
}

impl Seen {
    /// Furthest from 0.
    pub(crate) fn most(&self, key: &str) -> f64 {
        let (least, most) = self.extremes.get(key).unwrap_or_else(|| panic!("{key} is computed: {self:?}"));
        least.abs().max(most.abs())
    }

    /// Every residual that there is, and how far it shows something.
    pub(crate) fn residuals(&self) -> BTreeMap<&str, f64> {
        let is_residual =
            |key: &str| Quantity::from_key(key).is_some_and(|quantity| RESIDUALS.contains(&quantity.what));
        let residuals = self.extremes.keys().filter(|key| is_residual(key));
        residuals.map(|key| (key.as_str(), self.shown(key))).collect()
    }

    /// How far a residual shows something: either way from 0, but of a termination only upwards, since one that lies below
    /// its only peer is not hot.
    fn shown(&self, key: &str) -> f64 {
        if key.starts_with("termination") { self.extremes[key].1 } else { self.most(key) }
    }

    /// The residuals are these and no others, and all of them are quiet but those of `own`, each of which goes past its
    /// figure.
    pub(crate) fn only(&self, all: &str, own: &[(&str, f64)]) {
        let residuals = self.residuals();
        let mut names: Vec<&str> = all.split_whitespace().collect();
        names.sort_unstable();
        assert_eq!(residuals.keys().copied().collect::<Vec<_>>(), names);
        for (key, most) in &residuals {
            let told = own.iter().find(|(own, _)| own == key);
            match told {
                Some((_, past)) => assert!(most > past, "{key} shows it: {residuals:?}"),
                None => assert!(*most <= quiet(key), "{key} shows nothing: {residuals:?}"),
            }
        }
    }
}

/// What a residual may show of a healthy unit: 5 K, and of a connection the first step of its limit, 10 W.
fn quiet(key: &str) -> f64 {
    if key.starts_with("contact_heat_w") { 10.0 } else { 5.0 }
}

pub(crate) struct Watch<W> {
    pub(crate) world: W,
    pub(crate) monitor: Monitor,
    points: Vec<(String, Vec<Quantity>)>,
    now: i64,
}

impl<W: World> Watch<W> {
    pub(crate) fn new(world: W, plant: &Plant, from: i64) -> Self {
        let plan = Plan::new(plant).expect("a fit plant");
        let points = plant.meters.iter().map(|meter| (meter.name.clone(), meter.points.clone())).collect();
        Self { world, monitor: Monitor::new(Arc::new(plan)), points, now: from }
    }

    /// Lets the world go on until then, and tells what was seen after `from`.
    pub(crate) fn until(&mut self, to: i64, from: i64) -> Seen {
        let (mut seen, mut out) = (Seen::default(), Vec::new());
        while self.now < to {
            let now = EventTime(self.now);
            for (index, (name, points)) in self.points.iter().enumerate() {
                let values: Vec<Sample> =
                    points.iter().map(|quantity| self.world.value(name, *quantity).into()).collect();
                let reading = Reading { meter: MeterId(index as u32), at: now, values: &values };
                self.monitor.observe(now, Input::Reading(reading), &mut out);
            }
            for output in out.drain(..) {
                self.note(&output, from, &mut seen);
            }
            self.now += STEP;
            self.world.advance(self.now);
        }
        seen
    }

    fn note(&self, output: &Output, from: i64, seen: &mut Seen) {
        match output {
            Output::Minute(closed) if closed.minute.0 >= from => {
                let meter = self.monitor.meter(closed.meter).expect("a meter of the plan");
                for (pane, quantity) in closed.panes.iter().zip(&meter.series) {
                    if let Some(mean) = pane.mean().filter(|_| quantity.what.is_computed()) {
                        let known = seen.extremes.entry(quantity.to_string()).or_insert((mean, mean));
                        *known = (known.0.min(mean), known.1.max(mean));
                    }
                }
            }
            Output::Alarm(change) if change.at.0 >= from => {
                let line = format!("{} {}", change.alarm, change.to.words());
                let of_heat =
                    ["winding", "top_oil", "termination", "contact", "fan", "hot_spot", "load_time"];
                if of_heat.iter().any(|key| line.contains(key)) {
                    seen.raised.push(line);
                }
            }
            _ => {}
        }
    }

    /// Learns until then; Ines accepts what was learned.
    pub(crate) fn learned(mut self, until: i64) -> Self {
        let seen = self.until(until, 0);
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
        self.monitor.observe(EventTime(self.now), Input::Person(order), &mut out);
        assert!(out.iter().any(|output| matches!(output, Output::Answer(answer) if answer.result.is_ok())));
        self
    }
}
