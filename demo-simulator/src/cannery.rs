//! Larkspur Cannery as it was (never) built: transformers, feeders, loads and meters, with their figures.

use crate::complex::Complex;
use crate::load::{Connection, Law};
use crate::work::Pattern;

/// The site's name.
pub const SITE_NAME: &str = "Larkspur Cannery";

/// A transformer's nameplate, and what the plate does not say.
#[derive(Debug, Clone, Copy)]
pub struct TransformerPlan {
    /// Name on site.
    pub name: &'static str,
    /// Where it stands.
    pub location: &'static str,
    /// Rated kVA.
    pub kva: f64,
    /// Leakage resistance, percent.
    pub resistance_percent: f64,
    /// Leakage reactance, percent.
    pub reactance_percent: f64,
    /// Impedance on the plate, percent.
    pub impedance_percent: f64,
    /// Rated average winding rise, K.
    pub rated_rise_c: f64,
    /// Insulation system, °C.
    pub insulation_class_c: f64,
    /// K-rating on the plate.
    pub k_rating: Option<f64>,
    /// Time constant of the windings, s.
    pub time_constant_s: f64,
}

/// The two transformers, both 480 V delta to 208Y/120 V.
pub const TRANSFORMERS: [TransformerPlan; 2] = [
    TransformerPlan {
        name: "T1",
        location: "Cold store, electrical room",
        kva: 112.5,
        resistance_percent: 2.0,
        reactance_percent: 3.7,
        impedance_percent: 4.2,
        rated_rise_c: 150.0,
        insulation_class_c: 220.0,
        k_rating: Some(4.0),
        time_constant_s: 3300.0,
    },
    TransformerPlan {
        name: "T2",
        location: "Packing hall, east wall",
        kva: 75.0,
        resistance_percent: 2.4,
        reactance_percent: 3.8,
        impedance_percent: 4.5,
        rated_rise_c: 115.0,
        insulation_class_c: 220.0,
        k_rating: Some(4.0),
        time_constant_s: 2700.0,
    },
];

/// Primary volts, line to line.
pub const PRIMARY_V: f64 = 480.0;
/// Secondary volts, line to line.
pub const SECONDARY_V: f64 = 208.0;
/// Impedance of the supply at 480 V, ohms: a fault level of about 16 MVA where the site begins.
pub const SOURCE_OHMS: Complex = Complex::new(0.004, 0.014);

/// A load of a feeder.
#[derive(Debug, Clone, Copy)]
pub struct LoadPlan {
    /// How it is connected.
    pub connection: Connection,
    /// Volt-amperes when fully on.
    pub va: f64,
    /// Displacement power factor.
    pub power_factor: f64,
    /// How it answers to voltage.
    pub law: Law,
    /// Harmonic currents, shares of the fundamental.
    pub spectrum: [f64; 5],
    /// When it is on.
    pub pattern: Pattern,
}

/// A feeder.
#[derive(Debug, Clone, Copy)]
pub struct FeederPlan {
    /// Name on site, also the name of its meter.
    pub name: &'static str,
    /// What it feeds.
    pub location: &'static str,
    /// Index into [`TRANSFORMERS`].
    pub fed_by: usize,
    /// Rated amperes.
    pub rated_a: f64,
    /// Cable impedance of one wire, ohms.
    pub cable: Complex,
    /// What it feeds.
    pub loads: &'static [LoadPlan],
}

const CLEAN: [f64; 5] = [0.0; 5];
const COMPUTERS: [f64; 5] = [0.34, 0.18, 0.09, 0.04, 0.03];
const LIGHTS: [f64; 5] = [0.14, 0.08, 0.05, 0.02, 0.02];
const DRIVE: [f64; 5] = [0.0, 0.34, 0.13, 0.0, 0.08];
const SHIFTS: Pattern = Pattern::Shifts;

const fn single(phase: usize, va: f64, power_factor: f64, spectrum: [f64; 5], pattern: Pattern) -> LoadPlan {
    LoadPlan {
        connection: Connection::Single(phase),
        va,
        power_factor,
        law: Law::Impedance,
        spectrum,
        pattern,
    }
}

const fn motor(va: f64, power_factor: f64, pattern: Pattern) -> LoadPlan {
    LoadPlan { connection: Connection::Motor, va, power_factor, law: Law::Power, spectrum: CLEAN, pattern }
}

const fn delta(va: f64, power_factor: f64, law: Law, spectrum: [f64; 5], pattern: Pattern) -> LoadPlan {
    LoadPlan { connection: Connection::Delta, va, power_factor, law, spectrum, pattern }
}

/// The feeders, those of T1 first.
pub const FEEDERS: [FeederPlan; 7] = [
    FeederPlan {
        name: "OF-1",
        location: "Offices",
        fed_by: 0,
        rated_a: 150.0,
        cable: Complex::new(0.011, 0.006),
        loads: &[
            single(0, 8000.0, 0.98, COMPUTERS, Pattern::Office),
            single(1, 7400.0, 0.98, COMPUTERS, Pattern::Office),
            single(2, 8600.0, 0.98, COMPUTERS, Pattern::Office),
        ],
    },
    FeederPlan {
        name: "CS-1",
        location: "Cold store compressors and fans",
        fed_by: 0,
        rated_a: 200.0,
        cable: Complex::new(0.008, 0.006),
        loads: &[
            motor(14_000.0, 0.84, Pattern::Thermostat { cycle_s: 1500, duty: 0.6 }),
            motor(14_000.0, 0.84, Pattern::Thermostat { cycle_s: 1860, duty: 0.55 }),
            motor(6000.0, 0.78, Pattern::Always),
            single(1, 900.0, 0.95, LIGHTS, Pattern::Always),
        ],
    },
    FeederPlan {
        name: "MP-1",
        location: "Filling and seaming",
        fed_by: 1,
        rated_a: 60.0,
        cable: Complex::new(0.021, 0.006),
        loads: &[motor(11_000.0, 0.84, SHIFTS), single(0, 400.0, 0.9, COMPUTERS, SHIFTS)],
    },
    FeederPlan {
        name: "MP-2",
        location: "Case packer",
        fed_by: 1,
        rated_a: 60.0,
        cable: Complex::new(0.024, 0.006),
        loads: &[motor(6000.0, 0.82, SHIFTS), delta(4500.0, 0.97, Law::Power, DRIVE, SHIFTS)],
    },
    FeederPlan {
        name: "MP-3",
        location: "Labelling and coding",
        fed_by: 1,
        rated_a: 80.0,
        cable: Complex::new(0.019, 0.006),
        loads: &[
            single(0, 3600.0, 0.97, LIGHTS, SHIFTS),
            single(1, 3800.0, 0.97, LIGHTS, SHIFTS),
            single(2, 3500.0, 0.97, LIGHTS, SHIFTS),
            motor(5000.0, 0.83, SHIFTS),
        ],
    },
    FeederPlan {
        name: "MP-4",
        location: "Hall lighting and sockets",
        fed_by: 1,
        rated_a: 60.0,
        cable: Complex::new(0.022, 0.006),
        loads: &[
            single(0, 2800.0, 0.96, LIGHTS, SHIFTS),
            single(1, 2600.0, 0.96, LIGHTS, SHIFTS),
            single(2, 2900.0, 0.96, LIGHTS, SHIFTS),
        ],
    },
    FeederPlan {
        name: "MP-5",
        location: "Shrink ovens",
        fed_by: 1,
        rated_a: 60.0,
        cable: Complex::new(0.02, 0.006),
        loads: &[
            delta(5000.0, 1.0, Law::Impedance, CLEAN, SHIFTS),
            delta(5000.0, 1.0, Law::Impedance, CLEAN, Pattern::ShiftThermostat { cycle_s: 420, duty: 0.65 }),
        ],
    },
];

/// What a meter is attached to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// Secondary terminals of a transformer, by index.
    Secondary(usize),
    /// The end of a feeder, by index.
    Feeder(usize),
    /// Temperature sensors of a transformer, by index.
    Sensors(usize),
}

/// How a meter is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wire {
    /// By Modbus TCP, with this unit id.
    Modbus(u8),
    /// By MQTT, under this topic.
    Mqtt(&'static str),
}

/// A meter or sensor module.
#[derive(Debug, Clone, Copy)]
pub struct MeterPlan {
    /// Name on site.
    pub name: &'static str,
    /// What it is attached to.
    pub place: Place,
    /// How it is read.
    pub wire: Wire,
}

const fn meter(name: &'static str, place: Place, wire: Wire) -> MeterPlan {
    MeterPlan { name, place, wire }
}

/// All meters and sensor modules. T1 is read over MQTT, T2 over Modbus, the sensor modules over MQTT.
pub const METERS: [MeterPlan; 11] = [
    meter("T1 secondary", Place::Secondary(0), Wire::Mqtt("larkspur/t1/secondary")),
    meter("OF-1", Place::Feeder(0), Wire::Mqtt("larkspur/t1/of-1")),
    meter("CS-1", Place::Feeder(1), Wire::Mqtt("larkspur/t1/cs-1")),
    meter("T1 sensors", Place::Sensors(0), Wire::Mqtt("larkspur/t1/sensors")),
    meter("T2 secondary", Place::Secondary(1), Wire::Modbus(1)),
    meter("MP-1", Place::Feeder(2), Wire::Modbus(11)),
    meter("MP-2", Place::Feeder(3), Wire::Modbus(12)),
    meter("MP-3", Place::Feeder(4), Wire::Modbus(13)),
    meter("MP-4", Place::Feeder(5), Wire::Modbus(14)),
    meter("MP-5", Place::Feeder(6), Wire::Modbus(15)),
    meter("T2 sensors", Place::Sensors(1), Wire::Mqtt("larkspur/t2/sensors")),
];

/// The meters of one transformer, its feeders and sensors, by the transformer's name; empty for an unknown one.
pub fn meters_of(transformer: &str) -> Vec<&'static str> {
    let of = |place| match place {
        Place::Secondary(unit) | Place::Sensors(unit) => unit,
        Place::Feeder(feeder) => FEEDERS[feeder].fed_by,
    };
    METERS.iter().filter(|m| TRANSFORMERS[of(m.place)].name == transformer).map(|m| m.name).collect()
}
