//! A random afternoon: what every meter shows second by second, when its messages arrive and what people order.

use crate::cannery::{AIR, MP3, SENSORS, T2, at, healthy, level, limit, meter, plan_of, plant, unbalanced};
use kvarden_core::input::{Deed, Input, Order};
use kvarden_core::measurand::Measurand;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::Output;
use kvarden_core::plan::Plan;
use kvarden_core::plant::{
    AppliesTo, Bound, Level, Limit, Meter, Plant, Priority, Recurs, StampedBy, Target,
};
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::{EventTime, Span};
use proptest::prelude::*;
use std::sync::Arc;

const SECONDS: i64 = 150;
const METERS: usize = KINDS + 1;
/// A meter whose values are of every kind.
const KINDS: usize = AIR + 1;

/// The hall with delays of seconds, so that an afternoon fits in three minutes.
pub(crate) fn brisk_plant() -> Plant {
    let mut plant = plant();
    for meter in &mut plant.meters {
        meter.silent_after = Span::seconds(25);
        meter.frozen_after = Some(Span::seconds(8));
    }
    // The thermometer speaks before the sensor module and may be late, so that it is not always heard first.
    (plant.meters[AIR].every, plant.meters[AIR].wait) = (Span::seconds(20), Span::seconds(3));
    plant.meters[AIR].stamped_by = StampedBy::Meter;
    let kinds =
        "energy_import_wh voltage_angle_deg.A current_harmonic_percent.A.5 breaker_closed.2 current_a.A";
    plant.meters.push(Meter {
        silent_after: Span::seconds(25),
        frozen_after: Some(Span::seconds(8)),
        rolls_over_at: vec![(0, COUNTER_END)],
        ..meter("MP-1 quality", Target::Feeder(0), kinds, 1)
    });
    let recurs =
        Recurs { times: 2, within: Span::seconds(40), shortest: Span::seconds(2), priority: Priority::High };
    let over = Some(Span::seconds(10));
    let unbalance = vec![
        Level { over, ..level(2.0, Priority::Low, 2) },
        level(3.0, Priority::High, 3),
        level(5.0, Priority::Urgent, 1),
    ];
    let rise = vec![level(130.0, Priority::High, 10)];
    plant.limits = vec![
        Limit { recurs: Some(recurs), ..limit(Measurand::VoltageUnbalance, unbalance, 0.3, 4) },
        Limit {
            recurs: Some(recurs),
            latch: true,
            ..limit(Measurand::Current, vec![level(80.0, Priority::High, 2)], 2.0, 3)
        },
        Limit { of: AppliesTo::Transformer(0), ..limit(Measurand::WindingRise, rise, 3.0, 10) },
        limit(Measurand::Termination, vec![level(90.0, Priority::Low, 0)], 2.0, 0),
        limit(Measurand::MeteredPower, vec![level(30_000.0, Priority::Low, 0)], 1000.0, 0),
        limit(Measurand::VoltageAngle, vec![Level { over, ..level(90.0, Priority::Low, 0) }], 2.0, 0),
        limit(Measurand::CurrentHarmonic, vec![level(80.0, Priority::Low, 2)], 2.0, 0),
        Limit {
            bound: Bound::Low,
            ..limit(Measurand::BreakerClosed, vec![level(0.5, Priority::High, 0)], 0.2, 0)
        },
    ];
    plant
}

pub(crate) fn brisk_plan() -> Arc<Plan> {
    plan_of(&brisk_plant())
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Mood {
    Well,
    Bad(f64),
    Absent,
    Impossible,
    Still,
    Quiet,
}

#[derive(Debug, Clone)]
pub(crate) struct Afternoon {
    /// Per meter: for so many seconds, this mood.
    moods: Vec<Vec<(i64, Mood)>>,
    /// Delay of each message of MP-3 and of the thermometer in milliseconds, less than its wait.
    pub(crate) delays: Vec<i64>,
    /// Second, which of the open alerts, which deed.
    orders: Vec<(i64, usize, u8)>,
}

pub(crate) fn afternoon(with_quiet: bool) -> impl Strategy<Value = Afternoon> {
    let bad = prop_oneof![Just(2.5), Just(3.5), Just(6.0)].prop_map(Mood::Bad);
    let silence = if with_quiet { Mood::Quiet } else { Mood::Absent };
    let mood = prop_oneof![
        4 => Just(Mood::Well),
        4 => bad,
        1 => Just(Mood::Absent),
        1 => Just(Mood::Impossible),
        1 => Just(Mood::Still),
        1 => Just(silence),
    ];
    let moods = prop::collection::vec(prop::collection::vec((1i64..40, mood), 1..24), METERS);
    let delays = prop::collection::vec(0i64..2990, SECONDS as usize);
    let orders = prop::collection::vec((0..SECONDS, any::<prop::sample::Index>(), 0u8..6), 0..8);
    (moods, delays, orders).prop_map(|(moods, delays, orders)| Afternoon {
        moods,
        delays,
        orders: orders.into_iter().map(|(second, pick, deed)| (second, pick.index(64), deed)).collect(),
    })
}

#[derive(Debug, Clone)]
pub(crate) enum Step {
    Reading { now: EventTime, meter: usize, stamp: EventTime, values: Vec<Sample> },
    Order { now: EventTime, pick: usize, deed: u8 },
}

impl Step {
    pub(crate) fn now(&self) -> EventTime {
        match self {
            Self::Reading { now, .. } | Self::Order { now, .. } => *now,
        }
    }
}

impl Step {
    /// The same, so much later.
    pub(crate) fn later(&self, by: Span) -> Self {
        let mut later = self.clone();
        match &mut later {
            Self::Reading { now, stamp, .. } => (*now, *stamp) = (*now + by, *stamp + by),
            Self::Order { now, .. } => *now += by,
        }
        later
    }
}

impl Afternoon {
    fn mood(&self, meter: usize, second: i64) -> Mood {
        let mut left = second;
        let found = self.moods[meter].iter().find(|(length, _)| {
            left -= length;
            left < 0
        });
        found.map_or(Mood::Well, |(_, mood)| *mood)
    }

    /// Everything that reaches the monitor, in the order of receipt. In each second the meters speak in the order
    /// that `first` begins.
    pub(crate) fn steps(&self, first: usize, delays: &[i64]) -> Vec<Step> {
        let mut steps = Vec::new();
        for second in 0..SECONDS {
            for meter in (0..METERS).map(|index| (index + first) % METERS) {
                let speaks = match meter {
                    SENSORS => second > 0 && second % 10 == 0,
                    AIR => second % 20 == 5,
                    _ => true,
                };
                let mood = self.mood(meter, second);
                if !speaks || mood == Mood::Quiet {
                    continue;
                }
                let delay = if [MP3, AIR].contains(&meter) { delays[second as usize] } else { 0 };
                let (stamp, now) = (at(second), at(second) + Span(delay));
                steps.push(Step::Reading { now, meter, stamp, values: values(meter, second, mood) });
            }
        }
        steps.extend(self.orders.iter().map(|(second, pick, deed)| Step::Order {
            now: at(*second),
            pick: *pick,
            deed: *deed,
        }));
        steps.sort_by_key(Step::now);
        steps
    }

    pub(crate) fn plain_steps(&self) -> Vec<Step> {
        self.steps(0, &self.delays)
    }
}

/// Where the counter rolls over.
const COUNTER_END: f64 = 1000.0;

fn kinds(second: i64) -> Vec<f64> {
    let counter = (second * 7 % COUNTER_END as i64) as f64;
    vec![counter, if second % 2 == 0 { 179.0 } else { -179.0 }, 20.0, 1.0, 30.0 + (second % 7) as f64 * 0.01]
}

fn values(meter: usize, second: i64, mood: Mood) -> Vec<Sample> {
    let shown = if mood == Mood::Still { 0 } else { second };
    let mut values = if meter == KINDS { kinds(shown) } else { healthy(meter, shown) };
    match mood {
        Mood::Bad(much) if meter == KINDS => {
            values[1..4].copy_from_slice(&[10.0 * much, 70.0 + 4.0 * much, 0.0]);
        }
        Mood::Bad(much) if meter == T2 => values[..3].copy_from_slice(&unbalanced(much)),
        Mood::Bad(much) if meter == SENSORS => values[..2].copy_from_slice(&[150.0 + 3.0 * much; 2]),
        Mood::Bad(much) => values[0] = 70.0 + 4.0 * much,
        // The thermometer has one point only: without it, its reading would be silence.
        Mood::Absent if meter == AIR => values[0] = 1.0e9,
        Mood::Absent => values[1..].fill(f64::NAN),
        Mood::Impossible => values[0] = 1.0e9,
        Mood::Well | Mood::Still | Mood::Quiet => {}
    }
    values.into_iter().map(Sample::new).collect()
}

pub(crate) fn apply(monitor: &mut Monitor, step: &Step, out: &mut Vec<Output>) {
    match step {
        Step::Reading { now, meter, stamp, values } => {
            let reading = Reading { meter: MeterId(*meter as u32), at: *stamp, values };
            monitor.observe(*now, Input::Reading(reading), out);
        }
        Step::Order { now, pick, deed } => {
            // What is open at this moment: the order may be due to something that this call itself advances.
            monitor.advance(*now, out);
            let open: Vec<String> = monitor.open_alerts().map(|revision| revision.alert.clone()).collect();
            let Some(alert) = (!open.is_empty()).then(|| open[pick % open.len()].clone()) else { return };
            let what = match deed {
                0 => Deed::Acknowledge,
                1 => Deed::Release { note: "looked at".to_owned() },
                2 => Deed::Shelve { until: *now + Span::seconds(30), reason: "known".to_owned() },
                3 => Deed::Unshelve,
                4 => Deed::Service { on: false },
                _ => Deed::Service { on: true },
            };
            let order = Order { number: 1, by: "Tomas".to_owned(), alert, what };
            monitor.observe(*now, Input::Person(order), out);
        }
    }
}

pub(crate) fn run(monitor: &mut Monitor, steps: &[Step]) -> Vec<Output> {
    let mut out = Vec::new();
    for step in steps {
        apply(monitor, step, &mut out);
    }
    out
}

/// The end of the afternoon: what waits at the door is let through, but nobody has fallen silent since.
pub(crate) fn end(monitor: &mut Monitor, out: &mut Vec<Output>) {
    monitor.advance(at(SECONDS) + Span::seconds(7), out);
}

/// All scopes as they are written to disk.
pub(crate) fn bytes(monitor: &Monitor) -> Vec<Vec<u8>> {
    let state = |scope| postcard::to_stdvec(&monitor.snapshot(scope)).expect("a snapshot can be written");
    monitor.scopes().map(state).collect()
}

/// Another process: reads what was written.
pub(crate) fn restarted(plan: Arc<Plan>, written: &[Vec<u8>], out: &mut Vec<Output>) -> Monitor {
    let mut monitor = Monitor::new(plan);
    for state in written {
        monitor.adopt(postcard::from_bytes(state).expect("it was written by us"), out);
    }
    monitor
}
