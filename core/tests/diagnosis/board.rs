//! A transformer with metered feeders, and a hand that reads every meter and keeps what is found.
#![allow(unreachable_pub, reason = "a module of one test binary")]

use crate::cannery::{at, meter, plan_of, plant};
use kvarden_core::diagnosis::{FindingChange, FindingStep};
use kvarden_core::input::Input;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::{ChangeKind, Output};
use kvarden_core::phases::Place;
use kvarden_core::plant::{Feeder, Plant, SideOf, Target};
use kvarden_core::reading::{MeterId, Reading, Sample};

/// Volts to neutral and between lines, amperes of phases and neutral: thirteen points with three powers.
pub const POWER_METER: &str = "voltage_ln_v.A voltage_ln_v.B voltage_ln_v.C voltage_ll_v.AB voltage_ll_v.BC voltage_ll_v.CA \
                               current_a.A current_a.B current_a.C neutral_current_a power_w.A power_w.B power_w.C";

/// T2 (75 kVA, 480 V delta to 208Y/120 V) with a meter on its load side, then feeders of 100 A with a meter each, all with
/// these points and this interval in seconds.
pub fn with_feeders(feeders: &[&str], points: &str, every: i64) -> Plant {
    let mut plant = plant();
    plant.feeders =
        feeders.iter().map(|name| Feeder { rated_a: Some(100.0), ..Feeder::new(name, 0) }).collect();
    let own = meter("T2 secondary", Target::Transformer(0, SideOf::Secondary), points, every);
    let of_feeder = |(index, name): (usize, &&str)| meter(name, Target::Feeder(index), points, every);
    plant.meters = std::iter::once(own).chain(feeders.iter().enumerate().map(of_feeder)).collect();
    for meter in &mut plant.meters {
        // What a story shows may stand still.
        meter.frozen_after = None;
    }
    plant.limits.clear();
    plant
}

/// T2 alone: its load side's amperes, and a module with its windings and the air around them, all every 10 s.
pub fn windings() -> Plant {
    let mut plant = plant();
    let secondary = Target::Transformer(0, SideOf::Secondary);
    plant.feeders.clear();
    plant.limits.clear();
    plant.meters = vec![
        meter("T2 secondary", secondary, "current_a.A current_a.B current_a.C", 10),
        meter("T2 sensors", secondary, "ambient_c winding_c.A winding_c.B winding_c.C", 10),
    ];
    plant.meters.iter_mut().for_each(|meter| meter.frozen_after = None);
    plant
}

/// A monitor and what it found.
pub struct Board {
    pub monitor: Monitor,
    pub second: i64,
    pub found: Vec<FindingChange>,
    /// Alarms that rose, by their subject and rule.
    pub raised: Vec<String>,
    told: Vec<Output>,
}

impl Board {
    pub fn of(plant: &Plant) -> Self {
        Self {
            monitor: Monitor::new(plan_of(plant)),
            second: 0,
            found: Vec::new(),
            raised: Vec::new(),
            told: Vec::new(),
        }
    }

    /// Lets so many seconds pass; `show` says what a meter (by its index) shows at a second, a value for each of its points.
    pub fn run(&mut self, seconds: i64, show: impl Fn(usize, i64) -> Vec<f64>) -> &mut Self {
        let plan = self.monitor.plan().clone();
        for second in self.second..self.second + seconds {
            self.monitor.advance(at(second), &mut self.told);
            let meters = plan.meters.iter().enumerate();
            for (index, _) in meters {
                let id = MeterId(index as u32);
                let Some(meter) = plan.meter(id).filter(|meter| meter.points > 0) else { continue };
                if second % (meter.every.0 / 1000) == 0 {
                    let values: Vec<Sample> = show(index, second).into_iter().map(Sample::new).collect();
                    let reading = Reading { meter: id, at: at(second), values: &values };
                    self.monitor.observe(at(second), Input::Reading(reading), &mut self.told);
                }
            }
            for output in self.told.drain(..) {
                match output {
                    Output::Finding(change) => self.found.push(change),
                    Output::Alarm(change) if change.what == ChangeKind::Raised => {
                        self.raised.push(change.alarm);
                    }
                    _ => {}
                }
            }
        }
        self.second += seconds;
        self
    }

    /// What was found and ended, a line each: second, step, cause, where, how soon.
    pub fn lines(&self) -> Vec<String> {
        self.found.iter().map(line).collect()
    }

    /// The latest word on what was found of a cause, by "family variant".
    pub fn latest(&self, cause: &str) -> Option<&FindingChange> {
        let of = |change: &&FindingChange| {
            format!("{} {}", change.facts.cause.family().key(), change.facts.cause.key()) == cause
        };
        self.found.iter().rev().find(of)
    }
}

fn line(change: &FindingChange) -> String {
    let facts = &change.facts;
    let step = match change.what {
        FindingStep::Found => "found",
        FindingStep::Worse => "worse",
        FindingStep::Milder => "milder",
        FindingStep::Ended => "ended",
        FindingStep::NoLongerWatched => "no longer watched",
    };
    format!(
        "{} {step} {} {} at {} {} {}",
        (change.at - at(0)).0 / 1000,
        facts.cause.family().key(),
        facts.cause.key(),
        facts.feeder.as_deref().unwrap_or("T2"),
        facts.place.map_or("-", Place::key),
        facts.priority.key()
    )
}
