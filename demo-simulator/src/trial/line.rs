//! A feeder: four wires with their contacts, and the loads at its end as they look from the bus at one order.

use super::network::{HARMONICS, ORDERS, at_order, eliminate};
use crate::complex::{Abc, Complex, Matrix, apply};
use crate::load::{Connection, Drawn, Law, NOMINAL_LN};

/// Admittance of a motor at standstill over its running one, and its power factor then (as in [`crate::load`]).
const STANDSTILL: (f64, f64) = (6.0, 0.3);

/// A load with its harmonic amperes.
#[derive(Debug, Clone, Copy)]
pub struct Drawing {
    /// What it draws at the fundamental; its own spectrum is not used.
    pub drawn: Drawn,
    /// Harmonic amperes as shares of the fundamental, by [`ORDERS`] without the first.
    pub shares: [f64; HARMONICS],
    /// Var of a capacitor in each phase at nominal volts.
    pub capacitor_var: f64,
}

/// A feeder.
#[derive(Debug, Clone)]
pub struct Line {
    /// Impedance of one wire at the fundamental, ohms.
    pub cable: Complex,
    /// Resistance in series at the head of each phase, ohms.
    pub contact: [f64; 3],
    /// Resistance in series in the neutral, ohms.
    pub neutral_contact: f64,
    /// What hangs at its end.
    pub loads: Vec<Drawing>,
}

/// A feeder seen from the bus at one order.
pub(super) struct Seen {
    pub(super) admittance: Matrix,
    pub(super) current: Abc,
    /// Volts of its end (three phases and neutral): `gain · bus + own`.
    pub(super) gain: [[Complex; 3]; 4],
    pub(super) own: [Complex; 4],
    pub(super) wire: [Complex; 3],
}

impl Line {
    /// Admittance of its loads between phases and their neutral at these volts, fundamental.
    pub(super) fn admittance(&self, volts: &Abc) -> Matrix {
        let mut sum = Matrix::default();
        for load in &self.loads {
            load.drawn.admit(volts, &mut sum);
            for (phase, row) in sum.iter_mut().enumerate() {
                row[phase] += load.capacitor(1.0);
            }
        }
        sum
    }

    /// What its loads let through at an order: heaters and lamps as they are, motors by their leakage, capacitors;
    /// electronics only give amperes.
    pub(super) fn passive(&self, order: f64) -> Matrix {
        let mut sum = Matrix::default();
        for load in &self.loads {
            for (phase, row) in sum.iter_mut().enumerate() {
                row[phase] += load.capacitor(order);
            }
            let drawn = &load.drawn;
            let reactive = (1.0 - drawn.power_factor * drawn.power_factor).max(0.0).sqrt();
            let square = NOMINAL_LN * NOMINAL_LN;
            let one =
                |va: f64| Complex::new(va * drawn.power_factor / square, -va * reactive / (square * order));
            match (drawn.connection, drawn.law) {
                (Connection::Motor, _) => {
                    let siemens = STANDSTILL.0 * drawn.va / (3.0 * square * order);
                    three_wire(&mut sum, Complex::new(STANDSTILL.1, -0.954).times(siemens));
                }
                (_, Law::Power) => {}
                (Connection::Single(phase), Law::Impedance) => sum[phase][phase] += one(drawn.va),
                (Connection::Wye, Law::Impedance) => {
                    (0..3).for_each(|phase| sum[phase][phase] += one(drawn.va / 3.0));
                }
                (Connection::Delta, Law::Impedance) => three_wire(&mut sum, one(drawn.va / 3.0)),
                (Connection::Lines(phase), Law::Impedance) => {
                    let (next, part) = ((phase + 1) % 3, one(drawn.va / 3.0));
                    sum[phase][phase] += part;
                    sum[next][next] += part;
                    sum[phase][next] += -part;
                    sum[next][phase] += -part;
                }
            }
        }
        sum
    }

    /// Amperes of an order that its loads draw, by phase and neutral, each in its place to the fundamental's angle.
    pub(super) fn drawn(&self, index: usize, volts: &Abc) -> [Complex; 4] {
        let mut sum = [Complex::ZERO; 4];
        for load in &self.loads {
            let share = load.shares[index - 1];
            if share == 0.0 {
                continue;
            }
            let mut matrix = Matrix::default();
            load.drawn.admit(volts, &mut matrix);
            let amperes = apply(&matrix, volts);
            let part = |phase: usize| turned(amperes[phase], ORDERS[index]).times(share);
            match load.drawn.connection {
                Connection::Single(phase) => {
                    sum[phase] += part(phase);
                    sum[3] += -part(phase);
                }
                Connection::Lines(phase) => {
                    sum[phase] += part(phase);
                    sum[(phase + 1) % 3] += -part(phase);
                }
                Connection::Wye => (0..3).for_each(|phase| {
                    sum[phase] += part(phase);
                    sum[3] += -part(phase);
                }),
                // Three wires: what the three have in common finds no way.
                Connection::Delta | Connection::Motor => {
                    let common = (part(0) + part(1) + part(2)).times(1.0 / 3.0);
                    (0..3).for_each(|phase| sum[phase] += part(phase) - common);
                }
            }
        }
        sum
    }

    /// It and its loads as they look from the bus.
    pub(super) fn seen(&self, order: f64, load: &Matrix, drawn: &[Complex; 4]) -> Seen {
        let way = at_order(self.cable, order);
        let wire: [Complex; 3] =
            std::array::from_fn(|phase| (way + Complex::new(self.contact[phase], 0.0)).inverse());
        let neutral = (way + Complex::new(self.neutral_contact, 0.0)).inverse();
        // Four nodes: the phases at the end and their neutral. Columns of the right side: the bus' phases, then what is drawn.
        let mut matrix = [Complex::ZERO; 16];
        let mut right = [Complex::ZERO; 16];
        for row in 0..3 {
            for column in 0..3 {
                let part = load[row][column];
                matrix[row * 4 + column] += part;
                matrix[row * 4 + 3] += -part;
                matrix[12 + column] += -part;
                matrix[15] += part;
            }
            matrix[row * 5] += wire[row];
            right[row * 5] = wire[row];
        }
        matrix[15] += neutral;
        (0..4).for_each(|row| right[row * 4 + 3] = -drawn[row]);
        eliminate(4, &mut matrix, 4, &mut right);
        let gain: [[Complex; 3]; 4] =
            std::array::from_fn(|row| std::array::from_fn(|column| right[row * 4 + column]));
        let own: [Complex; 4] = std::array::from_fn(|row| right[row * 4 + 3]);
        let admittance = std::array::from_fn(|row| {
            std::array::from_fn(|column| {
                let same = if row == column { Complex::ONE } else { Complex::ZERO };
                wire[row] * (same - gain[row][column])
            })
        });
        let current = std::array::from_fn(|row| wire[row] * own[row]);
        Seen { admittance, current, gain, own, wire }
    }
}

impl Drawing {
    fn capacitor(&self, order: f64) -> Complex {
        Complex::new(0.0, order * self.capacitor_var / (NOMINAL_LN * NOMINAL_LN))
    }
}

/// Three equal parts without a way for what they have in common.
fn three_wire(sum: &mut Matrix, one: Complex) {
    for (row, values) in sum.iter_mut().enumerate() {
        for (column, value) in values.iter_mut().enumerate() {
            *value += one.times(if row == column { 2.0 / 3.0 } else { -1.0 / 3.0 });
        }
    }
}

/// A phasor of the same size at `order` times the angle: the place of a harmonic in a balanced system.
pub(super) fn turned(phasor: Complex, order: f64) -> Complex {
    Complex::polar(phasor.abs(), order * phasor.im.atan2(phasor.re).to_degrees())
}
