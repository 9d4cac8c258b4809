//! What the meters show: values taken from the circuit and the warm parts, with each meter's noise and resolution.

use crate::cannery::{METERS, MeterPlan, Place};
use crate::circuit::Point;
use crate::heat::Heat;
use crate::noise::Chance;

/// What one meter gave at one time.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The meter's name.
    pub meter: &'static str,
    /// When it was measured, unix milliseconds.
    pub unix_ms: i64,
    /// Measurand key, place ("" for the whole) and value; `None`: the meter gives no value.
    pub values: Vec<(&'static str, &'static str, Option<f64>)>,
}

impl Reading {
    /// The value of one quantity; `None` if the meter does not measure it or gives no value.
    pub fn value(&self, key: &str, place: &str) -> Option<f64> {
        self.values.iter().find(|(k, p, _)| *k == key && *p == place).and_then(|(_, _, value)| *value)
    }
}

/// How a measurand is written by meters of this site.
#[derive(Debug, Clone, Copy)]
pub struct Face {
    /// Measurand key.
    pub key: &'static str,
    /// The makers' short word for it.
    pub short: &'static str,
    /// Resolution: decimals of the shown value.
    pub decimals: i32,
    /// Noise in proportion to the value.
    pub noise_share: f64,
    /// Noise whatever the value, in its unit.
    pub noise_floor: f64,
    /// Unit in logged files.
    pub log_unit: &'static str,
    /// Logged value = value times this.
    pub log_factor: f64,
    /// Decimals in logged files.
    pub log_decimals: usize,
}

const fn face(
    key: &'static str,
    short: &'static str,
    decimals: i32,
    noise: (f64, f64),
    log: (&'static str, f64, usize),
) -> Face {
    Face {
        key,
        short,
        decimals,
        noise_share: noise.0,
        noise_floor: noise.1,
        log_unit: log.0,
        log_factor: log.1,
        log_decimals: log.2,
    }
}

/// All faces.
pub const FACES: [Face; 14] = [
    face("voltage_ln_v", "U", 1, (0.0003, 0.03), ("V", 1.0, 1)),
    face("voltage_ll_v", "UL", 1, (0.0003, 0.05), ("V", 1.0, 1)),
    face("current_a", "I", 2, (0.001, 0.01), ("A", 1.0, 2)),
    face("neutral_current_a", "IN", 2, (0.001, 0.02), ("A", 1.0, 2)),
    face("power_w", "P", 0, (0.0015, 1.0), ("kW", 0.001, 3)),
    face("reactive_power_var", "Q", 0, (0.0015, 1.0), ("kvar", 0.001, 3)),
    face("apparent_power_va", "S", 0, (0.0015, 1.0), ("kVA", 0.001, 3)),
    face("power_factor", "PF", 3, (0.0005, 0.0), ("1", 1.0, 3)),
    face("frequency_hz", "F", 3, (0.0, 0.0008), ("Hz", 1.0, 3)),
    face("voltage_thd_percent", "THDU", 2, (0.004, 0.01), ("%", 1.0, 2)),
    face("current_thd_percent", "THDI", 2, (0.004, 0.05), ("%", 1.0, 2)),
    face("winding_c", "TW", 1, (0.0, 0.06), ("°C", 1.0, 1)),
    face("termination_c", "TT", 1, (0.0, 0.06), ("°C", 1.0, 1)),
    face("ambient_c", "TA", 1, (0.0, 0.06), ("°C", 1.0, 1)),
];

/// The face of a measurand.
pub fn face_of(key: &str) -> Option<&'static Face> {
    FACES.iter().find(|face| face.key == key)
}

/// The measurands and places that a meter gives, in the order of its readings.
pub fn quantities(plan: &MeterPlan) -> Vec<(&'static str, &'static str)> {
    const ABC: &[&str] = &["A", "B", "C"];
    const WHOLE: &[&str] = &[""];
    const BOTH: &[&str] = &["", "A", "B", "C"];
    let groups: &[(&'static str, &'static [&'static str])] = match plan.place {
        Place::Sensors(_) => {
            &[("winding_c", ABC), ("termination_c", &["A", "B", "C", "N"]), ("ambient_c", WHOLE)]
        }
        Place::Secondary(_) => &[
            ("voltage_ln_v", ABC),
            ("voltage_ll_v", &["AB", "BC", "CA"]),
            ("current_a", ABC),
            ("neutral_current_a", WHOLE),
            ("power_w", BOTH),
            ("reactive_power_var", BOTH),
            ("apparent_power_va", BOTH),
            ("power_factor", BOTH),
            ("frequency_hz", WHOLE),
            ("voltage_thd_percent", ABC),
            ("current_thd_percent", ABC),
        ],
        Place::Feeder(_) => &[
            ("voltage_ln_v", ABC),
            ("voltage_ll_v", &["AB", "BC", "CA"]),
            ("current_a", ABC),
            ("neutral_current_a", WHOLE),
            ("power_w", BOTH),
            ("reactive_power_var", WHOLE),
            ("apparent_power_va", WHOLE),
            ("power_factor", WHOLE),
            ("frequency_hz", WHOLE),
            ("voltage_thd_percent", ABC),
            ("current_thd_percent", ABC),
        ],
    };
    groups.iter().flat_map(|(key, places)| places.iter().map(|place| (*key, *place))).collect()
}

/// Reads an electrical meter.
pub(crate) fn read_electrical(
    meter: usize,
    point: &Point,
    frequency_hz: f64,
    unix_ms: i64,
    chance: Chance,
) -> Reading {
    let lines = point.line_volts();
    show(meter, unix_ms, chance, |key, place| match (key, place) {
        ("voltage_ln_v", p) => phase(p).map(|p| point.rms_volts(p)),
        ("voltage_ll_v", "AB") => Some(lines[0]),
        ("voltage_ll_v", "BC") => Some(lines[1]),
        ("voltage_ll_v", "CA") => Some(lines[2]),
        ("current_a", p) => phase(p).map(|p| point.rms_amperes(p)),
        ("neutral_current_a", _) => Some(point.neutral_amperes()),
        ("power_w", p) => Some(sum(p, |p| point.power(p).re)),
        ("reactive_power_var", p) => Some(sum(p, |p| point.power(p).im)),
        ("apparent_power_va", p) => Some(sum(p, |p| point.rms_volts(p) * point.rms_amperes(p))),
        ("power_factor", p) => {
            let apparent = sum(p, |p| point.rms_volts(p) * point.rms_amperes(p));
            (apparent > LEAST_VA).then(|| sum(p, |p| point.power(p).re) / apparent)
        }
        ("frequency_hz", _) => Some(frequency_hz),
        ("voltage_thd_percent", p) => phase(p).map(|p| point.voltage_thd_percent(p)),
        ("current_thd_percent", p) => phase(p).and_then(|p| point.current_thd_percent(p)),
        _ => None,
    })
}

/// Below this a meter shows no power factor, volt-amperes.
const LEAST_VA: f64 = 20.0;

/// Reads a sensor module.
pub(crate) fn read_sensors(
    meter: usize,
    heat: &Heat,
    ambient_c: f64,
    unix_ms: i64,
    chance: Chance,
) -> Reading {
    show(meter, unix_ms, chance, |key, place| match (key, place) {
        ("winding_c", p) => phase(p).map(|p| heat.windings[p].celsius),
        ("termination_c", "N") => Some(heat.terminations[3].celsius),
        ("termination_c", p) => phase(p).map(|p| heat.terminations[p].celsius),
        ("ambient_c", _) => Some(ambient_c),
        _ => None,
    })
}

/// Puts noise and resolution on the true values.
fn show(
    meter: usize,
    unix_ms: i64,
    chance: Chance,
    truth: impl Fn(&'static str, &'static str) -> Option<f64>,
) -> Reading {
    let plan = &METERS[meter];
    let stream = 100_000 + 1000 * meter as u64;
    let values = quantities(plan)
        .into_iter()
        .zip(stream..)
        .map(|((key, place), stream)| {
            let value = truth(key, place).filter(|value| value.is_finite()).and_then(|value| {
                let face = face_of(key)?;
                let noise = value.abs() * face.noise_share + face.noise_floor;
                let noisy = value + noise * chance.normal(stream, unix_ms);
                let noisy = if key == "power_factor" { noisy.clamp(-1.0, 1.0) } else { noisy };
                let never_negative = matches!(key, "current_a" | "neutral_current_a" | "current_thd_percent");
                let noisy = if never_negative { noisy.max(0.0) } else { noisy };
                let grid = 10.0_f64.powi(face.decimals);
                Some((noisy * grid).round() / grid)
            });
            (key, place, value)
        })
        .collect();
    Reading { meter: plan.name, unix_ms, values }
}

fn phase(place: &str) -> Option<usize> {
    ["A", "B", "C"].iter().position(|phase| *phase == place)
}

/// One phase's value, or for the whole the sum of the three.
fn sum(place: &str, of: impl Fn(usize) -> f64) -> f64 {
    phase(place).map_or_else(|| (0..3).map(&of).sum(), &of)
}
