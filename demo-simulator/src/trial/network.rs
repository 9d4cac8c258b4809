//! A circuit of any windings, solved by nodes: transformers on a common bus, feeders of four wires with their loads, the
//! fundamental and each harmonic order by itself. Every open line, broken contact or lost neutral is an impedance in its
//! place; what follows from it follows from the solution.

use super::line::{Line, Seen, turned};
use crate::complex::{Abc, Complex, Matrix};
use crate::load::NOMINAL_LN;

/// The orders that are carried, the fundamental first.
pub const ORDERS: [f64; 9] = [1.0, 2.0, 3.0, 4.0, 5.0, 7.0, 9.0, 11.0, 13.0];
/// How many harmonic orders there are above the fundamental.
pub const HARMONICS: usize = ORDERS.len() - 1;
/// An open contact, ohms.
pub const OPEN_OHMS: f64 = 1e6;
/// Steps towards the fixed point of loads that keep their power; each gains more than a digit.
const MAX_STEPS: usize = 16;
/// The volts stand still when none moved by more than this: a twentieth of what a meter shows.
const STILL_V: f64 = 0.005;
/// What a primary line keeps to earth when it is open, siemens: it only keeps the equations soluble.
const STRAY_SIEMENS: f64 = 1e-7;
/// The way of a corner to earth, siemens.
const EARTHED_SIEMENS: f64 = 1e3;
/// Volts and amperes of one place, by order and phase.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// Volts to the neutral of that place.
    pub volts: [Abc; ORDERS.len()],
    /// Amperes towards the load.
    pub amperes: [Abc; ORDERS.len()],
}

impl Default for Place {
    fn default() -> Self {
        Self { volts: [Abc::default(); ORDERS.len()], amperes: [Abc::default(); ORDERS.len()] }
    }
}

/// How the secondary is wound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Winding {
    /// Wye with an earthed neutral.
    Wye,
    /// Delta with the middle of the winding between C and A earthed: B is the high leg.
    HighLeg,
    /// Delta with its corner B earthed: three wires, no neutral.
    Corner,
}

/// A transformer on the bus.
#[derive(Debug, Clone)]
pub struct Bank {
    /// Primary volts over secondary volts at no load, line to line, with the tap in use.
    pub ratio: f64,
    /// How its secondary is wound.
    pub winding: Winding,
    /// Leakage impedance of a winding seen from the secondary, ohms: of a wye to neutral, of a delta across lines.
    pub leakage: Complex,
    /// Source impedance of each primary line, ohms.
    pub source: Complex,
    /// Resistance in series in each primary line, ohms.
    pub primary_contact: [f64; 3],
    /// Resistance in series in each secondary winding, ohms.
    pub winding_contact: [f64; 3],
}

/// Transformers on one bus with their feeders, and how they stand now.
#[derive(Debug, Clone)]
pub struct Island {
    /// The transformers.
    pub banks: Vec<Bank>,
    /// The feeders.
    pub lines: Vec<Line>,
    /// Distortion that comes with the supply: share of each order in the source's volts.
    pub background: [f64; HARMONICS],
    /// At the secondary terminals of each transformer.
    pub terminals: Vec<Place>,
    /// Amperes r.m.s. in the three secondary windings of each transformer, by order: of a delta those between A and B, B and C, C and A.
    pub windings: Vec<[[f64; 3]; ORDERS.len()]>,
    /// At the end of each feeder.
    pub ends: Vec<Place>,
    /// Volts of the feeders' neutrals at their ends to the transformer's, fundamental.
    pub neutrals: Vec<Complex>,
}

impl Island {
    /// Transformers and feeders, not solved yet.
    pub fn new(banks: Vec<Bank>, lines: Vec<Line>) -> Self {
        let (terminals, ends) = (vec![Place::default(); banks.len()], vec![Place::default(); lines.len()]);
        let neutrals = vec![Complex::ZERO; lines.len()];
        let windings = vec![[[0.0; 3]; ORDERS.len()]; banks.len()];
        Self { banks, lines, background: [0.0; HARMONICS], terminals, windings, ends, neutrals }
    }

    /// Solves the fundamental for these source volts (to earth), starting from how it stands.
    pub fn solve(&mut self, source: &Abc) {
        if self.ends.iter().any(|end| end.volts[0][0].abs_squared() < 1.0) {
            let start = std::array::from_fn(|k| Complex::polar(NOMINAL_LN, -120.0 * k as f64 - 30.0));
            self.ends.iter_mut().for_each(|end| end.volts[0] = start);
        }
        for _ in 0..MAX_STEPS {
            let before: Vec<Abc> = self.ends.iter().map(|end| end.volts[0]).collect();
            let loads: Vec<Matrix> =
                self.lines.iter().zip(&before).map(|(line, volts)| line.admittance(volts)).collect();
            let still = vec![[Complex::ZERO; 4]; self.lines.len()];
            self.solve_order(0, &loads, &still, source);
            let moved = before.iter().zip(&self.ends).flat_map(|(before, end)| {
                (0..3).map(|phase| (before[phase] - end.volts[0][phase]).abs_squared())
            });
            if moved.fold(0.0, f64::max) < STILL_V * STILL_V {
                break;
            }
        }
    }

    /// Solves the harmonic orders for the fundamental as it stands.
    pub fn solve_harmonics(&mut self, source: &Abc) {
        for (index, order) in ORDERS.iter().enumerate().skip(1) {
            let loads: Vec<Matrix> = self.lines.iter().map(|line| line.passive(*order)).collect();
            let drawn: Vec<[Complex; 4]> = self
                .lines
                .iter()
                .zip(&self.ends)
                .map(|(line, end)| line.drawn(index, &end.volts[0]))
                .collect();
            let ahead = source.map(|volts| turned(volts, *order).times(self.background[index - 1]));
            self.solve_order(index, &loads, &drawn, &ahead);
        }
    }

    fn solve_order(&mut self, index: usize, loads: &[Matrix], drawn: &[[Complex; 4]], source: &Abc) {
        let order = ORDERS[index];
        let seen: Vec<Seen> = self
            .lines
            .iter()
            .zip(loads)
            .zip(drawn)
            .map(|((line, load), drawn)| line.seen(order, load, drawn))
            .collect();
        let nodes = 3 + 3 * self.banks.len();
        let mut matrix = vec![Complex::ZERO; nodes * nodes];
        let mut right = vec![Complex::ZERO; nodes];
        for line in &seen {
            for row in 0..3 {
                for column in 0..3 {
                    matrix[row * nodes + column] += line.admittance[row][column];
                }
                right[row] += line.current[row];
            }
        }
        for (number, bank) in self.banks.iter().enumerate() {
            let first = 3 + 3 * number;
            for (line, (volts, contact)) in source.iter().zip(bank.primary_contact).enumerate() {
                let way = (at_order(bank.source, order) + Complex::new(contact, 0.0)).inverse();
                let node = first + line;
                matrix[node * nodes + node] += way + Complex::new(STRAY_SIEMENS, 0.0);
                right[node] += way * *volts;
            }
            for coil in bank.coils(order) {
                for &(row, by) in &coil.nodes {
                    for &(column, times) in &coil.nodes {
                        let (Some(row), Some(column)) = (node_of(row, first), node_of(column, first)) else {
                            continue;
                        };
                        matrix[row * nodes + column] += coil.admittance.times(by * times);
                    }
                }
            }
        }
        eliminate(nodes, &mut matrix, 1, &mut right);
        let bus: Abc = [right[0], right[1], right[2]];
        for (number, (bank, terminal)) in self.banks.iter().zip(&mut self.terminals).enumerate() {
            let first = 3 + 3 * number;
            let mut amperes = Abc::default();
            let mut squares = [0.0; 3];
            for coil in bank.coils(order) {
                let across = coil.nodes.iter().fold(Complex::ZERO, |sum, &(node, by)| {
                    node_of(node, first).map_or(sum, |node| sum + right[node].times(by))
                });
                let into = coil.admittance * across;
                squares[coil.winding] += coil.share * into.abs_squared();
                for &(node, by) in &coil.nodes {
                    if let At::Bus(phase) = node {
                        amperes[phase] = amperes[phase] - into.times(by);
                    }
                }
            }
            self.windings[number][index] = squares.map(f64::sqrt);
            terminal.volts[index] = bus;
            terminal.amperes[index] = amperes;
        }
        for ((line, end), neutral) in seen.iter().zip(&mut self.ends).zip(&mut self.neutrals) {
            let volts: [Complex; 4] = std::array::from_fn(|row| {
                line.own[row]
                    + line.gain[row][0] * bus[0]
                    + line.gain[row][1] * bus[1]
                    + line.gain[row][2] * bus[2]
            });
            end.volts[index] = std::array::from_fn(|phase| volts[phase] - volts[3]);
            end.amperes[index] = std::array::from_fn(|phase| line.wire[phase] * (bus[phase] - volts[phase]));
            if index == 0 {
                *neutral = volts[3];
            }
        }
    }
}

/// A node of the circuit.
#[derive(Clone, Copy)]
enum At {
    Bus(usize),
    Primary(usize),
    Earth,
}

fn node_of(node: At, first: usize) -> Option<usize> {
    match node {
        At::Bus(phase) => Some(phase),
        At::Primary(line) => Some(first + line),
        At::Earth => None,
    }
}

/// A coil: its secondary's volts less the share of the primary's stand across this admittance.
struct Coil {
    nodes: [(At, f64); 4],
    admittance: Complex,
    /// Of which winding it is a part, and which share of its turns.
    winding: usize,
    share: f64,
}

impl Bank {
    fn coils(&self, order: f64) -> Vec<Coil> {
        let coil =
            |winding, (secondary, primary): ((At, At), (usize, usize)), turns: f64, ohms: Complex| Coil {
                winding,
                share: 1.0,
                nodes: [
                    (secondary.0, 1.0),
                    (secondary.1, -1.0),
                    (At::Primary(primary.0), -1.0 / turns),
                    (At::Primary(primary.1), 1.0 / turns),
                ],
                admittance: ohms.inverse(),
            };
        let leakage = at_order(self.leakage, order);
        let ohms = |k: usize| leakage + Complex::new(self.winding_contact[k], 0.0);
        match self.winding {
            Winding::Wye => {
                let turns = self.ratio * 3.0_f64.sqrt();
                (0..3).map(|k| coil(k, ((At::Bus(k), At::Earth), (k, (k + 2) % 3)), turns, ohms(k))).collect()
            }
            Winding::Corner => {
                let earthed = Coil {
                    nodes: [(At::Bus(1), 1.0), (At::Earth, -1.0), (At::Earth, 0.0), (At::Earth, 0.0)],
                    admittance: Complex::new(EARTHED_SIEMENS, 0.0),
                    winding: 1,
                    share: 0.0,
                };
                let side = |k: usize| {
                    let ends = (At::Bus(k), At::Bus((k + 1) % 3));
                    coil(k, (ends, (k, (k + 1) % 3)), self.ratio, ohms(k))
                };
                vec![side(0), side(1), side(2), earthed]
            }
            Winding::HighLeg => {
                let half = |ends| {
                    let whole = coil(2, (ends, (2, 0)), 2.0 * self.ratio, ohms(2).times(0.5));
                    Coil { share: 0.5, ..whole }
                };
                vec![
                    coil(0, ((At::Bus(0), At::Bus(1)), (0, 1)), self.ratio, ohms(0)),
                    coil(1, ((At::Bus(1), At::Bus(2)), (1, 2)), self.ratio, ohms(1)),
                    half((At::Bus(2), At::Earth)),
                    half((At::Earth, At::Bus(0))),
                ]
            }
        }
    }
}

pub(super) fn at_order(ohms: Complex, order: f64) -> Complex {
    Complex::new(ohms.re, ohms.im * order)
}

/// Solves `matrix · x = right` in place by elimination with row exchange; both are by rows, `right` has `columns` columns.
pub(super) fn eliminate(nodes: usize, matrix: &mut [Complex], columns: usize, right: &mut [Complex]) {
    for pivot in 0..nodes {
        let size = |row: usize, matrix: &[Complex]| matrix[row * nodes + pivot].abs_squared();
        let best =
            (pivot..nodes).max_by(|&a, &b| size(a, matrix).total_cmp(&size(b, matrix))).unwrap_or(pivot);
        if best != pivot {
            (0..nodes).for_each(|k| matrix.swap(pivot * nodes + k, best * nodes + k));
            (0..columns).for_each(|k| right.swap(pivot * columns + k, best * columns + k));
        }
        let one = matrix[pivot * nodes + pivot].inverse();
        for row in 0..nodes {
            let factor = matrix[row * nodes + pivot] * one;
            if row == pivot || factor == Complex::ZERO {
                continue;
            }
            for k in pivot..nodes {
                let part = factor * matrix[pivot * nodes + k];
                matrix[row * nodes + k] = matrix[row * nodes + k] - part;
            }
            for k in 0..columns {
                let part = factor * right[pivot * columns + k];
                right[row * columns + k] = right[row * columns + k] - part;
            }
        }
    }
    for row in 0..nodes {
        let one = matrix[row * nodes + row].inverse();
        (0..columns).for_each(|k| right[row * columns + k] = right[row * columns + k] * one);
    }
}

impl Place {
    /// R.m.s. of a phase's amperes with all orders.
    pub fn rms_amperes(&self, phase: usize) -> f64 {
        self.amperes.iter().map(|abc| abc[phase].abs_squared()).sum::<f64>().sqrt()
    }

    /// R.m.s. of the neutral's amperes with all orders.
    pub fn neutral_amperes(&self) -> f64 {
        self.amperes.iter().map(|abc| (abc[0] + abc[1] + abc[2]).abs_squared()).sum::<f64>().sqrt()
    }
}
