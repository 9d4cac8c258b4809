//! Lays the faults of a moment on feeders, windings and lines.

use super::fault::{Fault, What};
use super::line::{Drawing, Line};
use super::network::{HARMONICS, OPEN_OHMS};
use super::plant::Load;
use super::world::World;
use crate::load::{Connection, Drawn, Law};
use crate::work::share;

/// Inrush dies away with about this, s: small units with a good deal of resistance.
const INRUSH_S: f64 = 0.35;
/// Amperes of a single-phase rectifier behind a reactor, shares from the 2nd order on.
const ONE_PHASE_BRIDGE: [f64; HARMONICS] = [0.0, 0.66, 0.0, 0.38, 0.15, 0.1, 0.05, 0.03];
impl World {
    /// Lays a fault on a feeder.
    pub(super) fn strike(&self, fault: &Fault, level: f64, feeder: usize, stream: u64, line: &mut Line) {
        let here = |which: usize| which == feeder;
        match &fault.what {
            What::Loads { feeder: which, times }
                if which.map_or(self.plant.feeders[feeder].unit == 0, here) =>
            {
                line.loads.iter_mut().for_each(|load| load.drawn.va *= 1.0 + (times - 1.0) * level);
            }
            What::Extra { feeder: which, load } if here(*which) => {
                let moment = self.moment();
                let on = share(load.pattern, moment, self.at(), self.chance, stream);
                line.loads.push(drawing(load, on * level));
            }
            What::Capacitor { feeder: which, var } if here(*which) => {
                let none = Drawn { va: 0.0, ..Drawn::single(0, 0.0, 1.0) };
                line.loads.push(Drawing {
                    drawn: none,
                    shares: [0.0; HARMONICS],
                    capacitor_var: var * level,
                });
            }
            What::Moved { feeder: which, to, share } if here(*which) => {
                let moved: Vec<Drawing> = line
                    .loads
                    .iter_mut()
                    .filter(|l| matches!(l.drawn.connection, Connection::Single(p) if p != *to))
                    .map(|load| {
                        let whole = load.drawn.va;
                        load.drawn.va = whole * (1.0 - share * level);
                        let connection = Connection::Single(*to);
                        Drawing {
                            drawn: Drawn { connection, va: whole * share * level, ..load.drawn },
                            ..*load
                        }
                    })
                    .collect();
                line.loads.extend(moved);
            }
            What::Spectrum { feeder: which, shares } if here(*which) => {
                let single = |l: &&mut Drawing| matches!(l.drawn.connection, Connection::Single(_));
                line.loads.iter_mut().filter(single).for_each(|load| load.shares = *shares);
            }
            What::Contact { feeder: which, phase, ohms } if here(*which) => {
                let unrest = 1.0 + 0.05 * self.chance.normal(stream + 5, self.at().div_euclid(1000));
                line.contact[*phase] += ohms * level * unrest;
            }
            What::Neutral { feeder: which, ohms } if here(*which) => line.neutral_contact += ohms * level,
            What::Trip { feeder: which } if here(*which) => line.contact = [OPEN_OHMS; 3],
            What::DriveFuse { feeder: which, line: lost } if here(*which) => {
                let drive =
                    |l: &&mut Drawing| l.drawn.connection == Connection::Delta && l.drawn.law == Law::Power;
                for load in line.loads.iter_mut().filter(drive) {
                    let connection = Connection::Lines((lost + 1) % 3);
                    load.drawn = Drawn { connection, va: 0.85 * load.drawn.va, ..load.drawn };
                    load.shares = ONE_PHASE_BRIDGE;
                }
            }
            What::Inrush { feeder: which, amperes } if here(*which) => {
                let since = (self.at() - fault.began(self.at())) as f64 / 1000.0;
                let left = |at: f64| (-2.0 * at / INRUSH_S).exp();
                let mean = amperes * (INRUSH_S / 2.0 * (left(since) - left(since + 1.0))).sqrt();
                for (phase, part) in [(0, 1.0), (1, 0.45)] {
                    let shares = [0.6, 0.3, 0.12, 0.08, 0.04, 0.0, 0.0, 0.0];
                    let va = mean * part * 208.0;
                    let drawn = Drawn { connection: Connection::Lines(phase), ..Drawn::single(0, va, 0.15) };
                    line.loads.push(Drawing { drawn, shares, capacitor_var: 0.0 });
                }
            }
            _ => {}
        }
    }

    /// Lays the faults of the first transformer's windings and lines on.
    pub(super) fn strike_banks(&mut self) {
        let (mut primary, mut winding) = ([0.0; 3], [0.0; 3]);
        let generator_kva = self.generator_kva();
        for fault in &self.faults {
            let level = fault.level(self.at());
            match fault.what {
                What::PrimaryLine { line } if level > 0.0 => primary[line] = OPEN_OHMS,
                What::Transfer if level > 0.0 => primary = [OPEN_OHMS; 3],
                What::Terminal { phase, ohms } => winding[phase] += ohms * level,
                _ => {}
            }
        }
        let supply = self.first_supply(generator_kva);
        let bank = self.first_bank();
        bank.source = supply;
        bank.primary_contact = primary;
        bank.winding_contact = winding;
    }
}

/// A load as it draws now.
pub(super) fn drawing(load: &Load, on: f64) -> Drawing {
    let drawn = Drawn {
        connection: load.connection,
        va: load.va * on,
        power_factor: load.power_factor,
        law: load.law,
        spectrum: [0.0; 5],
    };
    Drawing { drawn, shares: load.shares, capacitor_var: 0.0 }
}
