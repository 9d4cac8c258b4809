//! Plants of Larkspur Cannery by seed: one to three transformers of 30 to 500 kVA, two to eight feeders with different loads.

use super::network::{HARMONICS, Winding};
use super::pick::Pick;
use crate::complex::Complex;
use crate::load::{Connection, Law};
use crate::work::Pattern;

/// Primary volts, line to line.
pub const PRIMARY_V: f64 = 480.0;
/// Secondary volts of a wye, line to line.
pub const WYE_V: f64 = 208.0;
/// Secondary volts of a delta.
pub const DELTA_V: f64 = 240.0;
/// Ratings to choose from, kVA.
const RATINGS_KVA: [f64; 9] = [30.0, 45.0, 75.0, 112.5, 150.0, 225.0, 300.0, 400.0, 500.0];
/// Ratings of feeders, amperes.
const BREAKERS_A: [f64; 16] = [
    30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 100.0, 125.0, 150.0, 175.0, 200.0, 250.0, 300.0, 400.0, 600.0, 800.0,
];
/// A feeder's cable loses about this much at its rated amperes, volts; reactance is added to it.
const CABLE_DROP_V: (f64, f64) = (1.1, 2.2);

/// Amperes of single-phase electronics without correction (handbook: 3rd 65–80, 5th 35–60 %), by order from the 2nd.
pub const SWITCHED: [f64; HARMONICS] = [0.0, 0.70, 0.0, 0.45, 0.20, 0.09, 0.05, 0.04];
/// Offices of today: most of it with correction.
pub const OFFICE: [f64; HARMONICS] = [0.0, 0.18, 0.0, 0.09, 0.05, 0.03, 0.02, 0.01];
/// Lights.
pub const LIGHTS: [f64; HARMONICS] = [0.0, 0.12, 0.0, 0.06, 0.04, 0.02, 0.02, 0.01];
/// A drive with a reactor (handbook: 5th 30–40, 7th 10–20 %).
pub const DRIVE: [f64; HARMONICS] = [0.0, 0.0, 0.0, 0.33, 0.13, 0.0, 0.07, 0.05];
/// A drive without one (5th 60–80, 7th 40–60 %).
pub const BARE_DRIVE: [f64; HARMONICS] = [0.0, 0.0, 0.0, 0.68, 0.48, 0.0, 0.14, 0.07];
/// No harmonics.
pub const CLEAN: [f64; HARMONICS] = [0.0; HARMONICS];

/// What a feeder serves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Use {
    /// Offices: single-phase electronics.
    Offices,
    /// Lights and sockets.
    Lights,
    /// Motors of the packing hall.
    Motors,
    /// Drives and a few motors.
    Drives,
    /// Ovens in delta.
    Ovens,
    /// Compressors of the cold store.
    Cold,
    /// Motors and single-phase loads.
    Mixed,
}

/// All uses.
const USES: [Use; 7] =
    [Use::Lights, Use::Motors, Use::Drives, Use::Offices, Use::Mixed, Use::Ovens, Use::Cold];

/// A load as it is installed.
#[derive(Debug, Clone, Copy)]
pub struct Load {
    /// How it is connected.
    pub connection: Connection,
    /// Volt-amperes when fully on.
    pub va: f64,
    /// Displacement power factor.
    pub power_factor: f64,
    /// How it answers to voltage.
    pub law: Law,
    /// Harmonic amperes, shares of the fundamental.
    pub shares: [f64; HARMONICS],
    /// When it is on.
    pub pattern: Pattern,
}

/// A feeder.
#[derive(Debug, Clone)]
pub struct Feeder {
    /// Its name, also that of its meter.
    pub name: String,
    /// Index of its transformer.
    pub unit: usize,
    /// What it serves.
    pub serves: Use,
    /// Rated amperes.
    pub rated_a: f64,
    /// Impedance of one wire, ohms.
    pub cable: Complex,
    /// Its loads.
    pub loads: Vec<Load>,
}

/// A transformer.
#[derive(Debug, Clone)]
pub struct Unit {
    /// Its name.
    pub name: String,
    /// Rated kVA.
    pub kva: f64,
    /// Leakage resistance, percent.
    pub resistance_percent: f64,
    /// Leakage reactance, percent.
    pub reactance_percent: f64,
    /// Rated average winding rise, K.
    pub rise_k: f64,
    /// K-rating.
    pub k_rating: Option<u32>,
    /// Time constant of the windings, s.
    pub time_constant_s: f64,
    /// It has fans that start by themselves.
    pub fans: bool,
    /// Mean temperature of its room, °C.
    pub room_c: f64,
    /// How far the room is warmed by its losses at rated load, K.
    pub room_gain_k: f64,
    /// How the secondary is wound.
    pub winding: Winding,
    /// The configuration calls the secondary a wye of 208 V, whatever it is.
    pub called_wye: bool,
    /// A transfer switch stands before it: utility, or the standby generator.
    pub has_standby: bool,
    /// Tap of the primary in use, percent.
    pub tap_percent: f64,
}

/// A plant.
#[derive(Debug, Clone)]
pub struct Plant {
    /// Transformers.
    pub units: Vec<Unit>,
    /// Feeders, those of one transformer together.
    pub feeders: Vec<Feeder>,
    /// The first two transformers feed one bus.
    pub parallel: bool,
}

impl Plant {
    /// The plant of a seed. The first transformer has feeders of every use in `needs` (at most four).
    pub fn by_seed(seed: u64, needs: &[Use]) -> Self {
        let mut pick = Pick::new(seed, 1);
        let count = 1 + pick.index(3);
        let mut plant = Self { units: Vec::new(), feeders: Vec::new(), parallel: false };
        let mut left = 8 - needs.len().clamp(2, 4);
        for index in 0..count {
            let unit = unit(index, &mut pick);
            let least = if index == 0 { needs.len().max(2) } else { 1 };
            let more = pick.index(3).min(left);
            left -= more;
            let uses = uses(needs, index, least + more, &mut pick);
            if index > 0 {
                if left == 0 {
                    break;
                }
                left -= 1;
            }
            add_feeders(&mut plant.feeders, &unit, index, &uses, &mut pick);
            plant.units.push(unit);
        }
        plant
    }

    /// Rated line amperes of a transformer's secondary.
    pub fn rated_a(&self, unit: usize) -> f64 {
        let unit = &self.units[unit];
        1000.0 * unit.kva / (3.0_f64.sqrt() * unit.secondary_v())
    }

    /// Feeders of a transformer.
    pub fn feeders_of(&self, unit: usize) -> impl Iterator<Item = usize> + '_ {
        (0..self.feeders.len()).filter(move |feeder| self.feeders[*feeder].unit == unit)
    }

    /// The first feeder of the first transformer that serves this.
    pub fn serving(&self, wanted: Use) -> Option<usize> {
        self.feeders_of(0).find(|feeder| self.feeders[*feeder].serves == wanted)
    }

    /// Volt-amperes of a transformer's loads in the middle of a shift, all on.
    pub fn installed_va(&self, unit: usize) -> f64 {
        self.feeders_of(unit).flat_map(|feeder| &self.feeders[feeder].loads).map(Load::usual_va).sum()
    }
}

impl Unit {
    /// Secondary volts, line to line.
    pub fn secondary_v(&self) -> f64 {
        if self.winding == Winding::Wye { WYE_V } else { DELTA_V }
    }

    /// Impedance on the plate, percent.
    pub fn impedance_percent(&self) -> f64 {
        self.resistance_percent.hypot(self.reactance_percent)
    }
}

impl Load {
    /// Its mean in the middle of a shift.
    pub fn usual_va(&self) -> f64 {
        match self.pattern {
            Pattern::Thermostat { duty, .. } | Pattern::ShiftThermostat { duty, .. } => self.va * duty,
            _ => self.va,
        }
    }
}

fn unit(index: usize, pick: &mut Pick) -> Unit {
    let kva = RATINGS_KVA[pick.index(RATINGS_KVA.len())];
    let larger = (kva / 30.0).log10();
    Unit {
        name: format!("T{}", index + 1),
        kva,
        resistance_percent: pick.between(2.0, 2.6) - 0.7 * larger,
        reactance_percent: pick.between(2.8, 4.2) + larger,
        rise_k: [80.0, 115.0, 115.0, 150.0][pick.index(4)],
        k_rating: [None, Some(4), None, Some(13)][pick.index(4)],
        time_constant_s: pick.between(2200.0, 3600.0) + 700.0 * larger,
        fans: false,
        room_c: pick.between(19.0, 27.0),
        room_gain_k: pick.between(2.0, 6.0),
        winding: Winding::Wye,
        called_wye: true,
        has_standby: false,
        tap_percent: 0.0,
    }
}

fn uses(needs: &[Use], index: usize, count: usize, pick: &mut Pick) -> Vec<Use> {
    let mut uses = if index == 0 { needs.to_vec() } else { Vec::new() };
    let first = pick.index(USES.len());
    let mut others = (0..USES.len()).map(|k| USES[(first + k) % USES.len()]);
    while uses.len() < count {
        let Some(next) = others.next() else { break };
        if !uses.contains(&next) {
            uses.push(next);
        }
    }
    uses
}

fn add_feeders(feeders: &mut Vec<Feeder>, unit: &Unit, index: usize, uses: &[Use], pick: &mut Pick) {
    let use_share = pick.between(0.42, 0.6);
    let weights: Vec<f64> = uses.iter().map(|_| pick.between(0.7, 1.4)).collect();
    let all: f64 = weights.iter().sum();
    for (number, (serves, weight)) in uses.iter().zip(&weights).enumerate() {
        let va = 1000.0 * unit.kva * use_share * weight / all;
        let loads = loads(*serves, va, pick);
        let peak: f64 = loads.iter().map(|load| load.va).sum::<f64>() / (3.0 * 120.0);
        let rated_a = BREAKERS_A.iter().copied().find(|a| *a >= 1.35 * peak).unwrap_or(1200.0);
        let resistance = pick.between(CABLE_DROP_V.0, CABLE_DROP_V.1) / rated_a;
        let reactance = resistance * (0.25 + 0.2 * (rated_a / 100.0).ln().max(0.0));
        feeders.push(Feeder {
            name: format!("MB-{}{}", index + 1, number + 1),
            unit: index,
            serves: *serves,
            rated_a,
            cable: Complex::new(resistance, reactance),
            loads,
        });
    }
}

fn loads(serves: Use, va: f64, pick: &mut Pick) -> Vec<Load> {
    let load = |connection, va, power_factor, law, shares, pattern| Load {
        connection,
        va,
        power_factor,
        law,
        shares,
        pattern,
    };
    let mut singles = |va: f64, power_factor: f64, law, shares, pattern| -> Vec<Load> {
        (0..3)
            .map(|phase| {
                let own = va / 3.0 * pick.between(0.93, 1.07);
                load(Connection::Single(phase), own, power_factor, law, shares, pattern)
            })
            .collect()
    };
    let motor = |va: f64, pattern| load(Connection::Motor, va, 0.84, Law::Power, CLEAN, pattern);
    let shifts = Pattern::Shifts;
    match serves {
        Use::Offices => singles(va, 0.97, Law::Power, OFFICE, Pattern::Office),
        Use::Lights => singles(va, 0.96, Law::Impedance, LIGHTS, shifts),
        Use::Motors => vec![motor(0.65 * va, shifts), motor(0.35 * va, shifts)],
        Use::Drives => {
            vec![load(Connection::Delta, 0.6 * va, 0.97, Law::Power, DRIVE, shifts), motor(0.4 * va, shifts)]
        }
        Use::Ovens => vec![
            load(Connection::Delta, 0.6 * va, 1.0, Law::Impedance, CLEAN, shifts),
            load(
                Connection::Delta,
                0.6 * va,
                1.0,
                Law::Impedance,
                CLEAN,
                Pattern::ShiftThermostat { cycle_s: 420, duty: 0.65 },
            ),
        ],
        Use::Cold => vec![
            motor(0.55 * va, Pattern::Thermostat { cycle_s: 1500, duty: 0.6 }),
            motor(0.55 * va, Pattern::Thermostat { cycle_s: 1860, duty: 0.55 }),
            motor(0.3 * va, Pattern::Always),
        ],
        Use::Mixed => {
            let mut loads = singles(0.45 * va, 0.97, Law::Impedance, LIGHTS, shifts);
            loads.push(motor(0.55 * va, shifts));
            loads
        }
    }
}
