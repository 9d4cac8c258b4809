//! One transformer's circuit: source behind an impedance, delta–wye windings with leakage, feeders with cable and
//! contact resistance, loads. Solved as phasors by fixed-point steps around an exact solution of each feeder.
//!
//! No magnetising current and no core loss: neither shows in what is judged.

use crate::complex::{Abc, Complex, Matrix, apply, solve};
use crate::load::{Drawn, ORDERS};

/// Steps towards the fixed point at most; each gains about a digit and a half, so this is more than enough.
const MAX_STEPS: usize = 24;
/// The voltages stand still when none moved by more than this, in volts.
const STILL_V: f64 = 1e-7;

/// A delta–wye transformer and the source ahead of it.
#[derive(Debug, Clone, Copy)]
pub struct Supply {
    /// Line-to-line volts of the primary at no load, nominal.
    pub primary_v: f64,
    /// Line-to-line volts of the secondary at no load when the primary has its nominal voltage.
    pub secondary_v: f64,
    /// Source impedance per line on the primary side, ohms.
    pub source: Complex,
    /// Leakage impedance per winding seen from the secondary, ohms.
    pub leakage: Complex,
    /// Voltage distortion that comes with the source, percent.
    pub background_thd_percent: f64,
}

/// A feeder's wires and what they feed.
#[derive(Debug, Clone)]
pub struct Branch {
    /// Cable impedance of one phase, ohms.
    pub cable: Complex,
    /// Cable impedance of the neutral, ohms.
    pub neutral: Complex,
    /// Resistance in series at the head of each phase, ohms: a contact that does not hold.
    pub contact: [f64; 3],
    /// The loads at its end.
    pub loads: Vec<Drawn>,
}

/// What can be measured at one place.
#[derive(Debug, Clone, Copy, Default)]
pub struct Point {
    /// Line-neutral voltages, fundamental.
    pub volts: Abc,
    /// Line currents towards the load, fundamental.
    pub amperes: Abc,
    /// Harmonic currents by phase and order, amperes.
    pub harmonic_amperes: [[f64; 5]; 3],
    /// Harmonic voltages by phase and order, volts.
    pub harmonic_volts: [[f64; 5]; 3],
    /// Source's share of voltage distortion, percent.
    pub background_thd_percent: f64,
}

/// A solved circuit.
#[derive(Debug, Clone, Default)]
pub struct Solution {
    /// At the transformer's secondary terminals.
    pub secondary: Point,
    /// At each feeder's end.
    pub ends: Vec<Point>,
    /// Line-neutral source voltages of the primary.
    pub source_volts: Abc,
    /// Primary line currents.
    pub primary_amperes: Abc,
}

/// Solves the circuit. `source` holds the primary's three source voltages (line to neutral, phasors);
/// `guess` an earlier solution of the same circuit, which shortens the way but does not change where it ends.
pub fn solve_circuit(
    supply: &Supply,
    source: &Abc,
    branches: &[Branch],
    guess: Option<&Solution>,
) -> Solution {
    let ratio = supply.primary_v * 3.0_f64.sqrt() / supply.secondary_v;
    let start = secondary_of(source, ratio);
    let mut found = match guess {
        Some(guess) if guess.ends.len() == branches.len() => guess.clone(),
        _ => Solution {
            secondary: Point { volts: start, ..Point::default() },
            ends: vec![Point { volts: start, ..Point::default() }; branches.len()],
            ..Solution::default()
        },
    };
    found.source_volts = *source;
    for _ in 0..MAX_STEPS {
        let moved = step(supply, ratio, branches, &mut found);
        if moved < STILL_V {
            break;
        }
    }
    distort(supply, ratio, branches, &mut found);
    found
}

/// One step: each feeder exactly for the present bus voltage, then the bus for the sum of currents.
/// Returns the largest movement of a voltage.
fn step(supply: &Supply, ratio: f64, branches: &[Branch], found: &mut Solution) -> f64 {
    let bus = found.secondary.volts;
    let mut total = Abc::default();
    let mut moved: f64 = 0.0;
    for (branch, end) in branches.iter().zip(&mut found.ends) {
        let (volts, amperes) = solve_branch(branch, &bus, &end.volts);
        for phase in 0..3 {
            moved = moved.max((volts[phase] - end.volts[phase]).abs());
            total[phase] += amperes[phase];
        }
        end.volts = volts;
        end.amperes = amperes;
    }
    let primary = primary_of(&total, ratio);
    let terminals: Abc = std::array::from_fn(|line| found.source_volts[line] - supply.source * primary[line]);
    let induced = secondary_of(&terminals, ratio);
    for phase in 0..3 {
        let volts = induced[phase] - supply.leakage * total[phase];
        moved = moved.max((volts - bus[phase]).abs());
        found.secondary.volts[phase] = volts;
    }
    found.secondary.amperes = total;
    found.primary_amperes = primary;
    moved
}

/// End voltages and currents of a feeder on a stiff bus, its loads taken at their admittance for `last` volts:
/// `(1 + Z·Y)·V = V_bus`, where Z holds cable, contact and the shared neutral.
fn solve_branch(branch: &Branch, bus: &Abc, last: &Abc) -> (Abc, Abc) {
    let mut load = Matrix::default();
    for drawn in &branch.loads {
        drawn.admit(last, &mut load);
    }
    let mut system = Matrix::default();
    for row in 0..3 {
        let own = branch.cable + Complex::new(branch.contact[row], 0.0);
        for column in 0..3 {
            let neutral = load[0][column] + load[1][column] + load[2][column];
            system[row][column] = own * load[row][column] + branch.neutral * neutral;
        }
        system[row][row] += Complex::ONE;
    }
    let volts = solve(system, *bus);
    (volts, apply(&load, &volts))
}

/// Secondary no-load voltages: winding a lies across primary lines A and C, so the low side lags by 30 degrees.
fn secondary_of(primary: &Abc, ratio: f64) -> Abc {
    std::array::from_fn(|phase| (primary[phase] - primary[(phase + 2) % 3]).times(1.0 / ratio))
}

/// Primary line currents of the secondary's: each line feeds two windings of the delta.
fn primary_of(secondary: &Abc, ratio: f64) -> Abc {
    std::array::from_fn(|line| (secondary[line] - secondary[(line + 1) % 3]).times(1.0 / ratio))
}

/// Harmonic currents of the loads, and the harmonic voltages that they make across the reactances on their way.
fn distort(supply: &Supply, ratio: f64, branches: &[Branch], found: &mut Solution) {
    let behind = supply.leakage.im + 3.0 * supply.source.im / (ratio * ratio);
    found.secondary.harmonic_amperes = [[0.0; 5]; 3];
    for (branch, end) in branches.iter().zip(&mut found.ends) {
        end.harmonic_amperes = [[0.0; 5]; 3];
        for drawn in &branch.loads {
            drawn.distort(&end.volts, &mut end.harmonic_amperes);
        }
        for phase in 0..3 {
            for k in 0..ORDERS.len() {
                found.secondary.harmonic_amperes[phase][k] += end.harmonic_amperes[phase][k];
            }
        }
    }
    found.secondary.background_thd_percent = supply.background_thd_percent;
    for phase in 0..3 {
        for (k, order) in ORDERS.iter().enumerate() {
            let bus = order * behind * found.secondary.harmonic_amperes[phase][k];
            found.secondary.harmonic_volts[phase][k] = bus;
            for (branch, end) in branches.iter().zip(&mut found.ends) {
                let way = (order * branch.cable.im).hypot(branch.cable.re + branch.contact[phase]);
                end.harmonic_volts[phase][k] = bus + way * end.harmonic_amperes[phase][k];
                end.background_thd_percent = supply.background_thd_percent;
            }
        }
    }
}

impl Point {
    /// Line-to-line voltages AB, BC, CA in volts, fundamental.
    pub fn line_volts(&self) -> [f64; 3] {
        std::array::from_fn(|k| (self.volts[k] - self.volts[(k + 1) % 3]).abs())
    }

    /// R.m.s. current of a phase with its harmonics, amperes.
    pub fn rms_amperes(&self, phase: usize) -> f64 {
        let harmonic: f64 = self.harmonic_amperes[phase].iter().map(|a| a * a).sum();
        (self.amperes[phase].abs_squared() + harmonic).sqrt()
    }

    /// R.m.s. voltage of a phase to neutral with its harmonics, volts.
    pub fn rms_volts(&self, phase: usize) -> f64 {
        self.volts[phase].abs() * (1.0 + (self.voltage_thd_percent(phase) / 100.0).powi(2)).sqrt()
    }

    /// R.m.s. neutral current, amperes: the phasor sum, and the orders divisible by three, which add.
    pub fn neutral_amperes(&self) -> f64 {
        let sum = self.amperes[0] + self.amperes[1] + self.amperes[2];
        let triplen: f64 = [0, 3]
            .iter()
            .map(|&k| self.harmonic_amperes.iter().map(|phase| phase[k]).sum::<f64>().powi(2))
            .sum();
        (sum.abs_squared() + triplen).sqrt()
    }

    /// Complex power of a phase, volt-amperes, fundamental: watts and vars (positive when the current lags).
    pub fn power(&self, phase: usize) -> Complex {
        self.volts[phase] * self.amperes[phase].conj()
    }

    /// Total harmonic distortion of a phase's voltage, percent of the fundamental.
    pub fn voltage_thd_percent(&self, phase: usize) -> f64 {
        let fundamental = self.volts[phase].abs();
        if fundamental < 1.0 {
            return self.background_thd_percent;
        }
        let own: f64 = self.harmonic_volts[phase].iter().map(|v| (100.0 * v / fundamental).powi(2)).sum();
        (own + self.background_thd_percent.powi(2)).sqrt()
    }

    /// Total harmonic distortion of a phase's current, percent of the fundamental; `None` below 0.5 A, where the
    /// quotient is noise.
    pub fn current_thd_percent(&self, phase: usize) -> Option<f64> {
        let fundamental = self.amperes[phase].abs();
        let harmonic: f64 = self.harmonic_amperes[phase].iter().map(|a| a * a).sum();
        (fundamental >= 0.5).then(|| 100.0 * harmonic.sqrt() / fundamental)
    }
}
