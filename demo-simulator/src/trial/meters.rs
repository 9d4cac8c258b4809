//! What the meters of a plant give: which quantities, with which errors, and what is wrong with them.

use super::fault::{Fault, What, Wrong};
use super::network::{HARMONICS, ORDERS, Place};
use super::plant::Plant;
use super::world::World;
use crate::complex::Complex;
use crate::noise::Chance;

/// What the meters of a plant are able to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// All: angles, orders, termination sensors, each second where something moves.
    Full,
    /// As full, without angles.
    NoAngles,
    /// As full, without orders and distortion.
    NoHarmonics,
    /// As full, without termination sensors.
    NoTerminations,
    /// As full, a value each ten seconds whatever happens.
    Slow,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Self; 5] =
        [Self::Full, Self::NoAngles, Self::NoHarmonics, Self::NoTerminations, Self::Slow];

    /// Its word.
    pub fn key(self) -> &'static str {
        match self {
            Self::Full => "full",
            Self::NoAngles => "no-angles",
            Self::NoHarmonics => "no-harmonics",
            Self::NoTerminations => "no-terminations",
            Self::Slow => "slow",
        }
    }

    /// The kind of this word.
    pub fn named(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.key() == word)
    }
}

/// Where a meter is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Spot {
    /// At the secondary of a transformer.
    Secondary(usize),
    /// At the end of a feeder.
    Feeder(usize),
    /// Sensors of a transformer.
    Sensors(usize),
    /// Sensors of a feeder's lugs.
    Lugs(usize),
}

/// One quantity of a meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Point {
    /// Its key in configurations.
    pub key: &'static str,
    /// Its place; "" for the whole.
    pub place: &'static str,
    /// Its order, 0 for none.
    pub order: u8,
}

/// A meter or sensor module.
#[derive(Debug, Clone)]
pub struct Meter {
    /// Its name.
    pub name: String,
    /// Where it is.
    pub spot: Spot,
    /// What it gives, in this order.
    pub points: Vec<Point>,
    stream: u64,
    /// Errors of its channels: volts by phase, amperes by phase, and sensors in K.
    volts: [f64; 3],
    amperes: [f64; 3],
    held: Option<Vec<Option<f64>>>,
}

const ABC: [&str; 3] = ["A", "B", "C"];
const LINES: [&str; 3] = ["AB", "BC", "CA"];
/// Below this a meter gives no ratio of amperes, and no angle.
const LEAST_A: f64 = 0.5;
/// Errors of a meter of class 0.2 with current transformers of class 0.5 and of a class B sensor, as standard deviations
/// (a third of what the class allows): share of volts, share of amperes, K.
const ERRORS: (f64, f64, f64) = (0.0007, 0.0018, 0.2);

/// The meters of a plant. `worse` times the usual errors.
pub fn meters(plant: &Plant, kind: Kind, worse: f64, chance: Chance) -> Vec<Meter> {
    let mut spots = Vec::new();
    for unit in 0..plant.units.len() {
        spots.push(Spot::Secondary(unit));
        for feeder in plant.feeders_of(unit) {
            spots.push(Spot::Feeder(feeder));
            if kind != Kind::NoTerminations {
                spots.push(Spot::Lugs(feeder));
            }
        }
        spots.push(Spot::Sensors(unit));
    }
    let meter = |(number, spot): (usize, Spot)| {
        let stream = 200_000 + 1000 * number as u64;
        let error = |k: u64, share: f64| share * worse * chance.normal(stream + 900 + k, 0);
        Meter {
            name: name(plant, spot),
            spot,
            points: points(plant, spot, kind),
            stream,
            volts: std::array::from_fn(|p| 1.0 + error(p as u64, ERRORS.0)),
            amperes: std::array::from_fn(|p| 1.0 + error(3 + p as u64, ERRORS.1)),
            held: None,
        }
    };
    spots.into_iter().enumerate().map(meter).collect()
}

fn name(plant: &Plant, spot: Spot) -> String {
    match spot {
        Spot::Secondary(unit) => format!("{} secondary", plant.units[unit].name),
        Spot::Feeder(feeder) => plant.feeders[feeder].name.clone(),
        Spot::Sensors(unit) => format!("{} sensors", plant.units[unit].name),
        Spot::Lugs(feeder) => format!("{} lugs", plant.feeders[feeder].name),
    }
}

fn points(plant: &Plant, spot: Spot, kind: Kind) -> Vec<Point> {
    let mut points = Vec::new();
    let mut add = |key, places: &[&'static str], order| {
        points.extend(places.iter().map(|place| Point { key, place, order }));
    };
    match spot {
        Spot::Sensors(unit) => {
            add("winding_c", &ABC, 0);
            add("ambient_c", &[""], 0);
            if kind != Kind::NoTerminations {
                add("termination_c", &["A", "B", "C", "N"], 0);
            }
            if plant.units[unit].fans {
                add("fan_running", &[""], 0);
            }
            if plant.units[unit].has_standby {
                add("transfer_to_emergency", &[""], 0);
            }
        }
        Spot::Lugs(_) => {
            add("termination_c", &ABC, 0);
            add("ambient_c", &[""], 0);
        }
        Spot::Secondary(_) | Spot::Feeder(_) => {
            add("voltage_ln_v", &ABC, 0);
            add("voltage_ll_v", &LINES, 0);
            add("current_a", &ABC, 0);
            add("neutral_current_a", &[""], 0);
            add("power_w", &["A", "B", "C", ""], 0);
            add("reactive_power_var", &["A", "B", "C", ""], 0);
            add("apparent_power_va", &["A", "B", "C", ""], 0);
            add("power_factor", &["A", "B", "C", ""], 0);
            add("frequency_hz", &[""], 0);
            if kind != Kind::NoAngles {
                add("voltage_angle_deg", &ABC, 0);
                add("current_angle_deg", &ABC, 0);
            }
            if kind != Kind::NoHarmonics {
                add("voltage_thd_percent", &ABC, 0);
                add("current_thd_percent", &ABC, 0);
                for order in &ORDERS[1..] {
                    add("current_harmonic_percent", &ABC, *order as u8);
                }
                for order in [3, 5, 7, 11, 13] {
                    add("voltage_harmonic_percent", &ABC, order);
                }
            }
        }
    }
    points
}

impl Meter {
    /// What it shows now; `None` while it is silent.
    pub fn read(&mut self, world: &World) -> Option<Vec<Option<f64>>> {
        let now = world.at();
        let here = |fault: &&Fault| matches!(&fault.what, What::Meter { meter, .. } if *meter == self.name);
        let wrongs: Vec<(Wrong, &Fault)> = world
            .faults
            .iter()
            .filter(here)
            .filter(|fault| fault.level(now) > 0.0)
            .filter_map(|fault| match fault.what {
                What::Meter { how, .. } => Some((how, fault)),
                _ => None,
            })
            .collect();
        if wrongs.iter().any(|(how, _)| *how == Wrong::Silent) {
            return None;
        }
        let mut values = match self.spot {
            Spot::Secondary(unit) => self.electrical(world, (unit, &world.terminals(unit)), &wrongs),
            Spot::Feeder(feeder) => {
                let unit = world.plant.feeders[feeder].unit;
                self.electrical(world, (unit, &world.end(feeder)), &wrongs)
            }
            Spot::Sensors(unit) => {
                let warm = world.warm(unit);
                let heat = &warm.heat;
                self.sensors(world, |point| match (point.key, point.place) {
                    ("winding_c", place) => phase(place).map(|p| heat.windings[p].celsius),
                    ("termination_c", "N") => Some(heat.terminations[3].celsius),
                    ("termination_c", place) => phase(place).map(|p| heat.terminations[p].celsius),
                    ("ambient_c", _) => Some(warm.ambient_c),
                    ("transfer_to_emergency", _) => {
                        Some(f64::from(u8::from(world.generator_kva().is_some())))
                    }
                    _ => Some(f64::from(u8::from(warm.fans_run))),
                })
            }
            Spot::Lugs(feeder) => {
                let lugs = world.lugs(feeder);
                let air = world.warm(world.plant.feeders[feeder].unit).ambient_c;
                self.sensors(world, |point| phase(point.place).map_or(Some(air), |p| Some(lugs[p])))
            }
        };
        for (how, fault) in &wrongs {
            let hours = (now - fault.from) as f64 / 3_600_000.0;
            match *how {
                Wrong::Drift(k, by) => values[k] = values[k].map(|value| round(value + by * hours, 1)),
                Wrong::Jump(k, by) => values[k] = values[k].map(|value| round(value + by, 1)),
                Wrong::Impossible(k, shown) => values[k] = Some(shown),
                Wrong::Stuck(k) => {
                    let held = self.held.get_or_insert_with(|| values.clone());
                    values[k] = held[k];
                }
                _ => {}
            }
        }
        Some(values)
    }

    fn sensors(&self, world: &World, truth: impl Fn(&Point) -> Option<f64>) -> Vec<Option<f64>> {
        self.points
            .iter()
            .zip(0_u64..)
            .map(|(point, k)| {
                let value = truth(point)?;
                if matches!(point.key, "fan_running" | "transfer_to_emergency") {
                    return Some(value);
                }
                let offset = ERRORS.2 * world.chance.normal(self.stream + 950 + k, 0);
                Some(round(value + offset + 0.06 * world.chance.normal(self.stream + k, world.at()), 1))
            })
            .collect()
    }

    fn electrical(
        &self,
        world: &World,
        (unit, place): (usize, &Place),
        wrongs: &[(Wrong, &Fault)],
    ) -> Vec<Option<f64>> {
        let place = self.wired(place, wrongs);
        let seen = Seen::new(&place);
        self.points
            .iter()
            .zip(0_u64..)
            .map(|(point, k)| {
                let value = seen.value(point, world.frequency_hz(unit)).filter(|value| value.is_finite())?;
                let (share, floor, decimals) = fineness(point.key);
                let noise = (value.abs() * share + floor) * world.chance.normal(self.stream + k, world.at());
                let shown = round(value + noise, decimals);
                Some(match point.key {
                    "power_factor" => shown.clamp(-1.0, 1.0),
                    "power_w" | "reactive_power_var" | "voltage_angle_deg" | "current_angle_deg" => shown,
                    _ => shown.max(0.0),
                })
            })
            .collect()
    }

    /// The place as its channels get it: errors of the channels, leads and current transformers as they are connected.
    fn wired(&self, place: &Place, wrongs: &[(Wrong, &Fault)]) -> Place {
        let mut place = *place;
        for index in 0..ORDERS.len() {
            let (volts, amperes) = (&mut place.volts[index], &mut place.amperes[index]);
            for (how, _) in wrongs {
                match *how {
                    Wrong::Reversed(phase) => amperes[phase] = -amperes[phase],
                    Wrong::AmperesExchanged(phase) => amperes.swap(phase, (phase + 1) % 3),
                    Wrong::VoltsExchanged(phase) => volts.swap(phase, (phase + 1) % 3),
                    Wrong::Fuse(phase, left) => volts[phase] = volts[phase].times(left),
                    _ => {}
                }
            }
            for phase in 0..3 {
                volts[phase] = volts[phase].times(self.volts[phase]);
                amperes[phase] = amperes[phase].times(self.amperes[phase]);
            }
        }
        place
    }
}

/// Share and floor of the noise, and decimals of the shown value.
fn fineness(key: &str) -> (f64, f64, i32) {
    match key {
        "voltage_ln_v" => (0.0003, 0.03, 1),
        "voltage_ll_v" => (0.0003, 0.05, 1),
        "current_a" => (0.001, 0.01, 2),
        "neutral_current_a" => (0.001, 0.02, 2),
        "power_factor" => (0.0005, 0.0, 3),
        "frequency_hz" => (0.0, 0.0008, 3),
        "voltage_angle_deg" => (0.0, 0.03, 2),
        "current_angle_deg" => (0.0, 0.08, 2),
        "current_thd_percent" | "current_harmonic_percent" => (0.004, 0.05, 2),
        "voltage_thd_percent" | "voltage_harmonic_percent" => (0.004, 0.01, 2),
        _ => (0.0015, 1.0, 0),
    }
}

/// A place as a meter computes from it, once a reading.
struct Seen<'a> {
    place: &'a Place,
    volts: [f64; 3],
    amperes: [f64; 3],
    power: [Complex; 3],
}

impl<'a> Seen<'a> {
    fn new(place: &'a Place) -> Self {
        let rms = |of: &dyn Fn(usize) -> Complex| {
            (0..ORDERS.len()).map(|index| of(index).abs_squared()).sum::<f64>().sqrt()
        };
        let volts = std::array::from_fn(|p| rms(&|index| place.volts[index][p]));
        let amperes = std::array::from_fn(|p| rms(&|index| place.amperes[index][p]));
        let power = std::array::from_fn(|p| {
            let first = place.volts[0][p] * place.amperes[0][p].conj();
            let rest: f64 =
                (1..ORDERS.len()).map(|k| (place.volts[k][p] * place.amperes[k][p].conj()).re).sum();
            Complex::new(first.re + rest, first.im)
        });
        Self { place, volts, amperes, power }
    }

    fn value(&self, point: &Point, frequency_hz: f64) -> Option<f64> {
        let at = phase(point.place);
        let sum = |of: &dyn Fn(usize) -> f64| at.map_or_else(|| (0..3).map(of).sum(), of);
        let first_volts = |p: usize| self.place.volts[0][p].abs();
        let first_amperes = |p: usize| self.place.amperes[0][p].abs();
        let whole = |values: &[crate::complex::Abc; HARMONICS + 1], p: usize| {
            values[1..].iter().map(|abc| abc[p].abs_squared()).sum::<f64>().sqrt()
        };
        let index = ORDERS.iter().position(|order| *order as u8 == point.order).unwrap_or(0);
        match point.key {
            "voltage_ln_v" => at.map(|p| self.volts[p]),
            "voltage_ll_v" => LINES.iter().position(|line| *line == point.place).map(|p| {
                let across = |k: usize| self.place.volts[k][p] - self.place.volts[k][(p + 1) % 3];
                (0..ORDERS.len()).map(|k| across(k).abs_squared()).sum::<f64>().sqrt()
            }),
            "current_a" => at.map(|p| self.amperes[p]),
            "neutral_current_a" => Some(self.place.neutral_amperes()),
            "power_w" => Some(sum(&|p| self.power[p].re)),
            "reactive_power_var" => Some(sum(&|p| self.power[p].im)),
            "apparent_power_va" => Some(sum(&|p| self.volts[p] * self.amperes[p])),
            "power_factor" => {
                let apparent = sum(&|p| self.volts[p] * self.amperes[p]);
                (apparent > 20.0).then(|| sum(&|p| self.power[p].re) / apparent)
            }
            "frequency_hz" => Some(frequency_hz),
            "voltage_angle_deg" => at
                .filter(|p| first_volts(*p) > 1.0 && first_volts(0) > 1.0)
                .map(|p| self.angle(self.place.volts[0][p])),
            "current_angle_deg" => at
                .filter(|p| first_amperes(*p) > LEAST_A && first_volts(0) > 1.0)
                .map(|p| self.angle(self.place.amperes[0][p])),
            "voltage_thd_percent" => at
                .filter(|p| first_volts(*p) > 1.0)
                .map(|p| 100.0 * whole(&self.place.volts, p) / first_volts(p)),
            "current_thd_percent" => at
                .filter(|p| first_amperes(*p) > LEAST_A)
                .map(|p| 100.0 * whole(&self.place.amperes, p) / first_amperes(p)),
            "voltage_harmonic_percent" => at
                .filter(|p| first_volts(*p) > 1.0)
                .map(|p| 100.0 * self.place.volts[index][p].abs() / first_volts(p)),
            "current_harmonic_percent" => at
                .filter(|p| first_amperes(*p) > LEAST_A)
                .map(|p| 100.0 * self.place.amperes[index][p].abs() / first_amperes(p)),
            _ => None,
        }
    }

    /// Degrees ahead of the volts of phase A, -180 to 180.
    fn angle(&self, phasor: Complex) -> f64 {
        let turned = phasor * self.place.volts[0][0].conj();
        turned.im.atan2(turned.re).to_degrees()
    }
}

fn phase(place: &str) -> Option<usize> {
    ABC.iter().position(|phase| *phase == place)
}

fn round(value: f64, decimals: i32) -> f64 {
    let grid = 10.0_f64.powi(decimals);
    (value * grid).round() / grid
}
