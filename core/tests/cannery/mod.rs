//! The packing hall of Larkspur Cannery: T2 with three feeders, a sensor module and a thermometer, and a hand that
//! reads every meter once a second and keeps a log of what the monitor says.
#![allow(
    dead_code,
    unreachable_pub,
    reason = "each test binary has the hall as a module and uses its own part of it"
)]

use kvarden_core::input::{Deed, HealthFact, Input, Order};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::monitor::Monitor;
use kvarden_core::output::{AlertRevision, Answer, Change, ChangeKind, Denial, Matter, Output, Subject};
use kvarden_core::plan::Plan;
use kvarden_core::plant::{
    AppliesTo, Around, Bound, Feeder, Level, Limit, Meter, Plant, Priority, Recurs, Side, SideOf, StampedBy,
    Target, Transformer, WiringForm,
};
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::{EventTime, Span};
use std::sync::Arc;

/// Midnight (UTC) of a winter's day: second 0 of every story.
pub const START: EventTime = EventTime(1_767_225_600_000);

/// The meters, by their index in the plant.
pub const T2: usize = 0;
pub const MP1: usize = 1;
pub const MP2: usize = 2;
/// Speaks like a meter behind a broker: stamps its own readings, which wait 3 s for their order.
pub const MP3: usize = 3;
/// Windings and terminations, every 10 s, without an ambient sensor.
pub const SENSORS: usize = 4;
/// Ambient only, every 5 min.
pub const AIR: usize = 5;

pub const UNBALANCE: &str = "T2 secondary/voltage_unbalance_percent";

pub fn at(second: i64) -> EventTime {
    START + Span::seconds(second)
}

fn quantities(keys: &str) -> Vec<Quantity> {
    keys.split_whitespace().map(|key| Quantity::from_key(key).expect("a key of the table")).collect()
}

pub fn meter(name: &str, measures: Target, points: &str, every: i64) -> Meter {
    Meter {
        name: name.to_owned(),
        measures,
        points: quantities(points),
        rolls_over_at: Vec::new(),
        of_total: Vec::new(),
        fingerprint: 7,
        every: Span::seconds(every),
        wait: Span::ZERO,
        stamped_by: StampedBy::Receipt,
        silent_after: Span::seconds(every.max(40) * 3),
        frozen_after: Some(Span::minutes(5)),
    }
}

pub fn level(setpoint: f64, priority: Priority, on_delay: i64) -> Level {
    Level { setpoint, priority, on_delay: Span::seconds(on_delay), over: None }
}

pub fn limit(on: Measurand, levels: Vec<Level>, deadband: f64, off_delay: i64) -> Limit {
    Limit {
        on,
        of: AppliesTo::Everywhere,
        place: None,
        number: None,
        bound: Bound::High,
        levels,
        rate: false,
        deadband,
        off_delay: Span::seconds(off_delay),
        when: Vec::new(),
        recurs: None,
        latch: false,
        origin: "this test".to_owned(),
    }
}

/// Voltage unbalance judged on each value, with recurrence; MP-1 over 80 A latches; the rest are defaults.
fn own_limits() -> Vec<Limit> {
    let recurs = Some(Recurs {
        times: 3,
        within: Span::hours(6),
        shortest: Span::seconds(2),
        priority: Priority::High,
    });
    let ladder =
        vec![level(2.0, Priority::Low, 60), level(3.0, Priority::High, 60), level(5.0, Priority::Urgent, 30)];
    vec![
        Limit { recurs, ..limit(Measurand::VoltageUnbalance, ladder, 0.3, 120) },
        Limit {
            of: AppliesTo::Feeder(0),
            latch: true,
            ..limit(Measurand::Current, vec![level(80.0, Priority::High, 10)], 2.0, 10)
        },
    ]
}

pub fn plant() -> Plant {
    let currents = "current_a.A current_a.B current_a.C";
    let feeder = |name: &str| Feeder { rated_a: Some(100.0), ..Feeder::new(name, 0) };
    let side = |volts, form| Side { volts, form, rated_a: None };
    let secondary = Target::Transformer(0, SideOf::Secondary);
    let volts = "voltage_ll_v.AB voltage_ll_v.BC voltage_ll_v.CA";
    let silent = |minutes| Span::minutes(minutes);
    Plant {
        site: "Larkspur Cannery".to_owned(),
        transformers: vec![Transformer {
            location: Some("Packing hall, east wall".to_owned()),
            impedance_percent: Some(4.5),
            rated_rise_k: Some(115.0),
            insulation_class_c: Some(220),
            k_rating: Some(4.0),
            ..Transformer::new("T2", 75.0, side(480.0, WiringForm::Delta), side(208.0, WiringForm::Wye))
        }],
        feeders: vec![feeder("MP-1"), feeder("MP-2"), feeder("MP-3")],
        circuits: Vec::new(),
        sources: Vec::new(),
        states: Vec::new(),
        meters: vec![
            meter("T2 secondary", secondary, &format!("{volts} {currents} frequency_hz"), 1),
            meter("MP-1", Target::Feeder(0), currents, 1),
            meter("MP-2", Target::Feeder(1), currents, 1),
            Meter {
                wait: Span::seconds(3),
                stamped_by: StampedBy::Meter,
                ..meter("MP-3", Target::Feeder(2), currents, 1)
            },
            meter(
                "T2 sensors",
                secondary,
                "winding_c.A winding_c.B winding_c.C termination_c.A termination_c.B termination_c.C termination_c.N",
                10,
            ),
            Meter { silent_after: silent(15), ..meter("Hall air", secondary, "ambient_c", 300) },
        ],
        limits: own_limits(),
        works: Vec::new(),
        channels: vec!["mqtt".to_owned(), "log".to_owned()],
        recording: Around::USUAL,
    }
}

pub fn plan_of(plant: &Plant) -> Arc<Plan> {
    Arc::new(Plan::new(plant).expect("the hall is a fit plant"))
}

/// Values of a healthy afternoon, one per point. Lively ones move a little with `wiggle`.
pub fn healthy(meter: usize, wiggle: i64) -> Vec<f64> {
    let move_by = (wiggle % 7) as f64 * 0.01;
    match meter {
        T2 => vec![208.0, 208.0, 208.0, 100.0, 101.0, 99.0, 60.0 + move_by],
        SENSORS => vec![61.0, 61.5, 60.5, 50.0, 50.5, 49.5, 45.0],
        AIR => vec![25.0],
        _ => vec![30.0 + move_by, 31.0, 32.0],
    }
}

/// Three line-to-line voltages with this largest deviation from their mean of 208 V, in per cent.
pub fn unbalanced(percent: f64) -> [f64; 3] {
    [208.0 * (1.0 + percent / 100.0), 208.0 * (1.0 - percent / 200.0), 208.0 * (1.0 - percent / 200.0)]
}

/// A monitor and the hand that feeds it, second by second.
#[derive(Clone)]
pub struct Hall {
    pub monitor: Monitor,
    pub second: i64,
    /// What each meter shows instead of its healthy value, by point.
    pub shown: Vec<Vec<Option<f64>>>,
    pub speaks: Vec<bool>,
    pub still: Vec<bool>,
    pub told: Vec<Output>,
    orders: u64,
}

impl Hall {
    pub fn new() -> Self {
        Self::of(&plant())
    }

    pub fn of(plant: &Plant) -> Self {
        Self {
            monitor: Monitor::new(plan_of(plant)),
            second: 0,
            shown: plant.meters.iter().map(|meter| vec![None; meter.points.len()]).collect(),
            speaks: vec![true; plant.meters.len()],
            still: vec![false; plant.meters.len()],
            told: Vec::new(),
            orders: 0,
        }
    }

    pub fn values(&self, meter: usize) -> Vec<Sample> {
        let wiggle = if self.still[meter] { 0 } else { self.second };
        let healthy = healthy(meter, wiggle);
        self.shown[meter]
            .iter()
            .zip(healthy.into_iter().chain(std::iter::repeat(f64::NAN)))
            .map(|(shown, value)| Sample::new(shown.unwrap_or(value)))
            .collect()
    }

    /// Lets so many seconds pass.
    pub fn run(&mut self, seconds: i64) -> &mut Self {
        for _ in 0..seconds {
            let now = at(self.second);
            self.monitor.advance(now, &mut self.told);
            for meter in 0..self.speaks.len() {
                let every = self.monitor.plan().meter(MeterId(meter as u32)).expect("a meter").every;
                if self.speaks[meter] && self.second % (every.0 / 1000) == 0 {
                    self.read(meter, now, now);
                }
            }
            self.second += 1;
        }
        self
    }

    pub fn read(&mut self, meter: usize, now: EventTime, stamp: EventTime) {
        let values = self.values(meter);
        let reading = Reading { meter: MeterId(meter as u32), at: stamp, values: &values };
        self.monitor.observe(now, Input::Reading(reading), &mut self.told);
    }

    /// From now on T2's line-to-line voltages are unbalanced so much.
    pub fn unbalance(&mut self, percent: f64) -> &mut Self {
        for (shown, volts) in self.shown[T2].iter_mut().zip(unbalanced(percent)) {
            *shown = Some(volts);
        }
        self
    }

    pub fn show(&mut self, meter: usize, point: usize, value: f64) -> &mut Self {
        self.shown[meter][point] = Some(value);
        self
    }

    pub fn heal(&mut self, meter: usize) -> &mut Self {
        self.shown[meter].fill(None);
        self
    }

    /// Unbalance for so many seconds, then so many healthy ones.
    pub fn blink(&mut self, percent: f64, seconds: i64, rest: i64) -> &mut Self {
        self.unbalance(percent).run(seconds).heal(T2).run(rest)
    }

    /// Ines gives an order on an alert of scope T2, by its key and number such as "MP-1/current_a.A#1".
    pub fn order(&mut self, alert: &str, what: Deed) -> Result<(), Denial> {
        self.orders += 1;
        let alert = format!("T2/{alert}");
        let order = Order { number: self.orders, by: "Ines".to_owned(), alert, what };
        self.monitor.observe(at(self.second), Input::Person(order), &mut self.told);
        let answers = self.told.iter().rev().filter_map(|output| match output {
            Output::Answer(Answer { number, result }) => Some((*number, *result)),
            _ => None,
        });
        let (number, result) = answers.into_iter().next().expect("every order is answered");
        assert_eq!(number, self.orders, "the answer is to this order");
        result
    }

    pub fn health(&mut self, fact: HealthFact) -> &mut Self {
        self.monitor.observe(at(self.second), Input::Health(fact), &mut self.told);
        self
    }

    pub fn forget(&mut self) -> &mut Self {
        self.told.clear();
        self
    }

    /// What the alarms of a subject did, as lines of a logbook: second, rule, step, state after it.
    pub fn alarms(&self, subject: &str) -> Vec<String> {
        self.changes().filter(|change| name(&change.subject) == subject).map(alarm_line).collect()
    }

    pub fn alerts(&self, subject: &str) -> Vec<String> {
        self.revisions().filter(|revision| name(&revision.subject) == subject).map(alert_line).collect()
    }

    pub fn changes(&self) -> impl Iterator<Item = &Change> {
        self.told.iter().filter_map(|output| match output {
            Output::Alarm(change) => Some(change),
            _ => None,
        })
    }

    pub fn revisions(&self) -> impl Iterator<Item = &AlertRevision> {
        self.told.iter().filter_map(|output| match output {
            Output::Alert(revision) => Some(revision),
            _ => None,
        })
    }

    pub fn refused(&self) -> Vec<String> {
        let refused = self.told.iter().filter_map(|output| match output {
            Output::Refused(one) => {
                let what = one.quantity.map_or_else(|| "reading".to_owned(), |quantity| quantity.to_string());
                Some(format!("{what} {:?} {}", one.why, one.count))
            }
            _ => None,
        });
        refused.collect()
    }
}

pub fn name(subject: &Subject) -> String {
    match (&subject.meter, &subject.matter) {
        (Some(meter), Matter::Quantity(quantity)) => format!("{meter}/{quantity}"),
        (Some(meter), Matter::Rate(quantity)) => format!("{meter}/{quantity} rate"),
        (Some(meter), _) => meter.clone(),
        (None, Matter::Quantity(quantity) | Matter::Rate(quantity)) => quantity.to_string(),
        (None, Matter::Part(part)) => part.key(),
        (None, Matter::Meter) => String::new(),
        (None, Matter::Cause(cause, _)) => cause.key().to_owned(),
        (None, Matter::Flood) => "flood".to_owned(),
        (None, Matter::Work) => "work".to_owned(),
        (None, Matter::Supply(_)) => {
            format!(
                "{} supply",
                subject.feeder.as_ref().or(subject.transformer.as_ref()).expect("of something")
            )
        }
    }
}

fn second(time: EventTime) -> i64 {
    (time - START).0 / 1000
}

fn alarm_line(change: &Change) -> String {
    let what = match &change.what {
        ChangeKind::Raised => "raised",
        ChangeKind::Cleared => "cleared",
        ChangeKind::Acknowledged { .. } => "acknowledged",
        ChangeKind::Released { .. } => "released",
        ChangeKind::Shelved { .. } => "shelved",
        ChangeKind::Unshelved { .. } => "unshelved",
        ChangeKind::Service { on: true, .. } => "in service",
        ChangeKind::Service { on: false, .. } => "out of service",
        ChangeKind::Suppressed => "suppressed",
        ChangeKind::Unsuppressed => "unsuppressed",
        ChangeKind::NoLongerWatched => "no longer watched",
        ChangeKind::WorkBegun { .. } => "work begun",
        ChangeKind::WorkEnded { .. } => "work ended",
    };
    format!("{} {} {what}: {}", second(change.at), change.rule.key(), change.to.words())
}

fn alert_line(revision: &AlertRevision) -> String {
    let number = revision.alert.rsplit_once('#').map_or("?", |(_, number)| number);
    let why = format!("{:?}", revision.why);
    let why = why.split(' ').next().unwrap_or_default();
    format!(
        "{} #{number}.{} {why}: {}, {}",
        second(revision.at),
        revision.revision,
        revision.priority.key(),
        revision.state.words()
    )
}
