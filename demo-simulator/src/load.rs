//! What hangs at the end of a feeder: single-phase loads, three-phase motors, rectifiers and ovens, each as an
//! admittance at the present voltage and a set of harmonic currents.

use crate::complex::{Abc, Complex, Matrix};

/// The harmonic orders that are carried.
pub const ORDERS: [f64; 5] = [3.0, 5.0, 7.0, 9.0, 11.0];

/// Line-neutral volts at which a load draws its stated volt-amperes.
pub const NOMINAL_LN: f64 = 120.0;

/// Below this share of nominal a load that wants constant power behaves as a fixed impedance: its supply gives up.
const CONSTANT_POWER_FLOOR: f64 = 0.7;

/// A turn of 120 degrees.
const TURN: Complex = Complex::new(-0.5, 0.866_025_403_784_438_6);

/// How a load is connected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Connection {
    /// Between one phase (0 = A, 1 = B, 2 = C) and neutral.
    Single(usize),
    /// Three equal parts, each from a phase to neutral.
    Wye,
    /// Three wires, no neutral, the same to either rotation: ovens in delta, rectifiers.
    Delta,
    /// Three wires; the negative sequence meets only the motor's standstill impedance.
    Motor,
    /// Between this phase and the next (0 = AB, 1 = BC, 2 = CA).
    Lines(usize),
}

/// How a load answers to voltage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Law {
    /// Draws less at less voltage (heat, filament light).
    Impedance,
    /// Draws the same power at any usual voltage (electronics, motors under mechanical load).
    Power,
}

/// A load as it draws now.
#[derive(Debug, Clone, Copy)]
pub struct Drawn {
    /// How it is connected.
    pub connection: Connection,
    /// Volt-amperes of the fundamental at nominal voltage, all phases together.
    pub va: f64,
    /// Displacement power factor, lagging, 0 to 1.
    pub power_factor: f64,
    /// How it answers to voltage.
    pub law: Law,
    /// Harmonic currents as shares of the fundamental, by [`ORDERS`].
    pub spectrum: [f64; 5],
}

/// Negative-sequence admittance of a motor over its running one: the usual current unbalance of six times the
/// voltage unbalance follows from it.
const STANDSTILL_RATIO: f64 = 6.0;
/// Power factor of a motor at standstill.
const STANDSTILL_POWER_FACTOR: f64 = 0.3;

impl Drawn {
    /// A single-phase load of constant impedance, without harmonics.
    pub fn single(phase: usize, va: f64, power_factor: f64) -> Self {
        Self {
            connection: Connection::Single(phase),
            va,
            power_factor,
            law: Law::Impedance,
            spectrum: [0.0; 5],
        }
    }

    /// Adds this load's admittance at line-neutral voltages `volts` (phasors, volts) to `sum`, in siemens.
    pub fn admit(&self, volts: &Abc, sum: &mut Matrix) {
        match self.connection {
            Connection::Single(phase) => {
                sum[phase][phase] += self.admittance(self.va, volts[phase].abs(), self.power_factor);
            }
            Connection::Wye => {
                for phase in 0..3 {
                    sum[phase][phase] +=
                        self.admittance(self.va / 3.0, volts[phase].abs(), self.power_factor);
                }
            }
            Connection::Lines(phase) => {
                let next = (phase + 1) % 3;
                let across = (volts[phase] - volts[next]).abs() / 3.0_f64.sqrt();
                let one = self.admittance(self.va, across, self.power_factor).times(1.0 / 3.0);
                for (row, column, part) in
                    [(phase, phase, one), (next, next, one), (phase, next, -one), (next, phase, -one)]
                {
                    sum[row][column] += part;
                }
            }
            Connection::Delta => {
                let one = self.admittance(self.va / 3.0, positive(volts), self.power_factor);
                add_sequence(sum, one, one);
            }
            Connection::Motor => {
                let one = self.admittance(self.va / 3.0, positive(volts), self.power_factor);
                let still = lagging(
                    STANDSTILL_RATIO * self.va / (3.0 * NOMINAL_LN * NOMINAL_LN),
                    STANDSTILL_POWER_FACTOR,
                );
                add_sequence(sum, one, still);
            }
        }
    }

    /// Adds this load's harmonic currents in amperes to `sum`, by phase and order. Loads are taken to be in
    /// step with each other, which errs to the high side.
    pub fn distort(&self, volts: &Abc, sum: &mut [[f64; 5]; 3]) {
        let (phases, share) = match self.connection {
            Connection::Single(phase) => (phase..phase + 1, 1.0),
            Connection::Lines(phase) => {
                let next = (phase + 1) % 3;
                let across = (volts[phase] - volts[next]).abs() / 3.0_f64.sqrt();
                let amperes =
                    across * self.admittance(self.va, across, self.power_factor).abs() / 3.0_f64.sqrt();
                for (k, part) in self.spectrum.iter().enumerate() {
                    sum[phase][k] += amperes * part;
                    sum[next][k] += amperes * part;
                }
                return;
            }
            _ => (0..3, 1.0 / 3.0),
        };
        for phase in phases {
            let volts = volts[phase].abs();
            let amperes = volts * self.admittance(self.va * share, volts, self.power_factor).abs();
            for (total, part) in sum[phase].iter_mut().zip(&self.spectrum) {
                *total += amperes * part;
            }
        }
    }

    /// Admittance that draws `va` by this load's law at `volts`.
    fn admittance(&self, va: f64, volts: f64, power_factor: f64) -> Complex {
        let at = match self.law {
            Law::Impedance => NOMINAL_LN,
            Law::Power => volts.max(CONSTANT_POWER_FLOOR * NOMINAL_LN),
        };
        lagging(va / (at * at), power_factor)
    }
}

/// An admittance of this size whose current lags.
fn lagging(siemens: f64, power_factor: f64) -> Complex {
    let reactive = (1.0 - power_factor * power_factor).max(0.0).sqrt();
    Complex::new(siemens * power_factor, -siemens * reactive)
}

/// Magnitude of the positive sequence.
fn positive(volts: &Abc) -> f64 {
    (volts[0] + TURN * volts[1] + TURN * TURN * volts[2]).abs() / 3.0
}

/// Adds a three-wire load with these sequence admittances (none for the zero sequence).
fn add_sequence(sum: &mut Matrix, positive: Complex, negative: Complex) {
    let third = 1.0 / 3.0;
    let own = (positive + negative).times(third);
    let ahead = (TURN * positive + TURN * TURN * negative).times(third);
    let behind = (TURN * TURN * positive + TURN * negative).times(third);
    for row in 0..3 {
        sum[row][row] += own;
        sum[row][(row + 1) % 3] += ahead;
        sum[row][(row + 2) % 3] += behind;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::complex::apply;

    const BALANCED: [(f64, f64); 3] = [(120.0, 0.0), (120.0, -120.0), (120.0, 120.0)];

    fn drawn_by(load: Drawn) -> (Abc, Abc) {
        let volts = BALANCED.map(|(v, angle)| Complex::polar(v, angle));
        let mut matrix = Matrix::default();
        load.admit(&volts, &mut matrix);
        (volts, apply(&matrix, &volts))
    }

    #[test]
    fn every_connection_draws_its_stated_power_at_nominal_voltage() {
        for connection in [
            Connection::Single(1),
            Connection::Wye,
            Connection::Delta,
            Connection::Motor,
            Connection::Lines(2),
        ] {
            let load =
                Drawn { connection, va: 9000.0, power_factor: 0.8, law: Law::Power, spectrum: [0.0; 5] };
            let (volts, amperes) = drawn_by(load);
            let power: Complex =
                (0..3).map(|p| volts[p] * amperes[p].conj()).fold(Complex::ZERO, |a, b| a + b);
            assert!((power.re - 7200.0).abs() < 1e-6, "{connection:?}: {power:?}");
            assert!((power.im - 5400.0).abs() < 1e-6, "{connection:?}: {power:?}");
        }
    }

    #[test]
    fn a_three_wire_load_puts_nothing_on_the_neutral() {
        let volts = [Complex::polar(118.0, 1.0), Complex::polar(90.0, -110.0), Complex::polar(125.0, 119.0)];
        let load = Drawn { connection: Connection::Motor, ..Drawn::single(0, 9000.0, 0.85) };
        let mut matrix = Matrix::default();
        load.admit(&volts, &mut matrix);
        let amperes = apply(&matrix, &volts);
        assert!((amperes[0] + amperes[1] + amperes[2]).abs() < 1e-9);
    }
}
