//! A plant through time: loads by the calendar, circuits solved, warm parts integrated, faults laid on.

use super::fault::{Fault, What};
use super::line::Line;
use super::network::{Bank, HARMONICS, Island, ORDERS, Place, Winding};
use super::plant::{PRIMARY_V, Plant};
use super::strike::drawing;
use crate::complex::{Abc, Complex};
use crate::heat::{Air, Body, Fans, Heat, Losses};
use crate::noise::Chance;
use crate::work::{Local, WallClock, Working, share};

/// A plant has lived this long before its first moment, milliseconds.
const WARM_UP_MS: i64 = 14 * 3_600_000;
/// Longest step while it does.
const WARM_UP_STEP_MS: i64 = 120_000;
/// Harmonic amperes keep their share of the fundamental at most this long; a fault that changes ends it at once.
const HARMONICS_HOLD_MS: i64 = 60_000;
/// Source impedance of a primary line, ohms: a fault level of about 16 MVA.
const SOURCE_OHMS: Complex = Complex::new(0.004, 0.014);
/// A sound termination, and a sound lug with its cable end and breaker, lose about this at rated amperes, W.
const SOUND_CONTACT_W: (f64, f64) = (9.0, 12.0);
/// Sound contacts differ by up to this share.
const CONTACTS_DIFFER: f64 = 0.15;
/// A lug with its cable end: joules per kelvin, and watts at a rise of one kelvin (19 K at rated amperes).
const LUG: (f64, f64) = (600.0, 0.3);
/// The lugs of the feeders sit in a board of their own: between them and the transformer's terminations lies a bar or
/// cable, W/K.
const LUG_TO_TERMINATION: f64 = 0.03;
/// Eddy loss of a winding at the fundamental over its direct-current loss.
const EDDY_SHARE: f64 = 0.06;
/// The sensor in the duct shows a little less than the average rise on the plate.
const SENSOR_SHARE: f64 = 0.95;
/// What fans take at the rated rise over what still air takes: the losses of 4/3 of the rated amperes.
const FAN_TIMES: f64 = 16.0 / 9.0;
/// Fans start and stop at these shares of the rated rise.
const FAN_SHARES: (f64, f64) = (0.75, 0.6);
/// Time constant of a room, s.
const ROOM_S: f64 = 2.5 * 3600.0;
/// A standby generator: resistance and subtransient reactance, per unit (handbooks: 0.10 to 0.20), and how far its governor lets its
/// frequency wander, Hz.
const GENERATOR_PU: Complex = Complex::new(0.01, 0.14);
const GOVERNOR_HZ: f64 = 0.12;
/// Background of the supply: fifth and seventh.
const BACKGROUND: [f64; HARMONICS] = [0.0, 0.002, 0.0, 0.011, 0.006, 0.0, 0.002, 0.0];

/// The warm side of one transformer.
#[derive(Debug, Clone)]
pub struct Warm {
    /// Windings, terminations, lugs of its feeders.
    pub heat: Heat,
    /// Its fans run.
    pub fans_run: bool,
    /// Air around it, °C.
    pub ambient_c: f64,
    termination_ohms: f64,
    room_rise_k: f64,
}

/// A plant at a moment.
#[derive(Debug)]
pub struct World {
    /// The plant.
    pub plant: Plant,
    /// What goes wrong.
    pub faults: Vec<Fault>,
    /// All chance comes from here.
    pub chance: Chance,
    clock: WallClock,
    now: i64,
    islands: Vec<Island>,
    warm: Vec<Warm>,
    harmonics_from: i64,
    /// Fundamental amperes by which the harmonic ones were found: terminals, then ends, by island.
    base: Vec<(Vec<Abc>, Vec<Abc>)>,
    edges: Vec<i64>,
}

impl World {
    /// The plant at this moment, with temperatures that suit the hours before.
    pub fn new(seed: u64, plant: Plant, faults: Vec<Fault>, start: i64) -> Self {
        let islands = islands(&plant);
        let warm = (0..plant.units.len()).map(|unit| warm(&plant, unit)).collect();
        let mut edges: Vec<i64> = faults.iter().flat_map(Fault::edges).collect();
        edges.sort_unstable();
        let mut world = Self {
            chance: Chance::new(seed),
            clock: WallClock::new(Working::Calendar),
            now: start - WARM_UP_MS,
            base: Vec::new(),
            harmonics_from: i64::MIN,
            plant,
            faults,
            islands,
            warm,
            edges,
        };
        world.solve();
        while world.now < start {
            world.step((world.now + WARM_UP_STEP_MS).min(start));
        }
        world
    }

    /// The moment, unix milliseconds.
    pub fn at(&self) -> i64 {
        self.now
    }

    /// Moves on to a later moment in one step: loads and circuits are held until then.
    pub fn step(&mut self, to: i64) {
        if to <= self.now {
            return;
        }
        let seconds = (to - self.now) as f64 / 1000.0;
        for unit in 0..self.plant.units.len() {
            let losses = self.losses(unit);
            self.warm_up(unit, &losses, seconds);
        }
        self.now = to;
        self.solve();
    }

    /// At the terminals of a transformer.
    pub fn terminals(&self, unit: usize) -> Place {
        let (island, bank) = self.bank(unit);
        self.scaled(island, &self.islands[island].terminals[bank], &self.base[island].0[bank])
    }

    /// At the end of a feeder.
    pub fn end(&self, feeder: usize) -> Place {
        let (island, line) = self.line(feeder);
        self.scaled(island, &self.islands[island].ends[line], &self.base[island].1[line])
    }

    /// The warm side of a transformer.
    pub fn warm(&self, unit: usize) -> &Warm {
        &self.warm[unit]
    }

    /// Lugs of a feeder, phases A, B, C, °C.
    pub fn lugs(&self, feeder: usize) -> [f64; 3] {
        let unit = self.plant.feeders[feeder].unit;
        let at = self.plant.feeders_of(unit).position(|f| f == feeder).unwrap_or(0);
        self.warm[unit].heat.lugs[at].map(|body| body.celsius)
    }

    /// Line frequency of a transformer, Hz.
    pub fn frequency_hz(&self, unit: usize) -> f64 {
        if unit == 0 && self.generator_kva().is_some() {
            return 60.0 + GOVERNOR_HZ * self.chance.wander(20, self.now, 40_000);
        }
        60.0 + 0.012 * self.chance.wander(1, self.now, 8000)
            + 0.015 * self.chance.wander(2, self.now, 5 * 60_000)
    }

    /// Harmonic values move with the fundamental between two solutions of them.
    fn scaled(&self, island: usize, place: &Place, base: &Abc) -> Place {
        let mut place = *place;
        let whole = |abc: &Abc| abc.iter().map(|a| a.abs()).sum::<f64>();
        let terminals = &self.islands[island].terminals[0].amperes[0];
        let volts = whole(terminals) / whole(&self.base[island].0[0]).max(0.5);
        for index in 1..ORDERS.len() {
            for (phase, base) in base.iter().enumerate() {
                let amperes = place.amperes[0][phase].abs() / base.abs().max(0.05);
                place.amperes[index][phase] = place.amperes[index][phase].times(amperes.min(3.0));
                place.volts[index][phase] = place.volts[index][phase].times(volts.clamp(0.3, 3.0));
            }
        }
        place
    }

    /// The local moment by which work goes.
    pub(super) fn moment(&self) -> Local {
        self.clock.working_moment(self.now)
    }

    /// The first transformer, at which faults strike.
    pub(super) fn first_bank(&mut self) -> &mut Bank {
        &mut self.islands[0].banks[0]
    }

    /// Rated kVA of the generator that feeds the first transformer now.
    pub fn generator_kva(&self) -> Option<f64> {
        self.on().find_map(|(fault, _)| match fault.what {
            What::Generator { kva } => Some(kva),
            _ => None,
        })
    }

    /// Source impedance of each primary line of the first transformer, ohms.
    pub(super) fn first_supply(&mut self, generator_kva: Option<f64>) -> Complex {
        let island = &mut self.islands[0];
        island.background = if generator_kva.is_some() { [0.0; HARMONICS] } else { BACKGROUND };
        generator_kva.map_or(SOURCE_OHMS, generator_ohms)
    }

    /// The generator's volts behind its reactance, by line: its regulator holds the volts at its terminals whatever it is loaded with.
    fn generator(&self, kva: f64) -> Abc {
        let terminal = &self.islands[0].terminals[0];
        let drawn = (0..3)
            .map(|k| terminal.volts[0][k] * terminal.amperes[0][k].conj())
            .fold(Complex::ZERO, |sum, power| sum + power);
        let held = PRIMARY_V / 3.0_f64.sqrt() * (1.0 + 0.002 * self.chance.wander(21, self.now, 30_000));
        let amperes = drawn.conj().times(1.0 / (3.0 * held));
        let behind = (Complex::new(held, 0.0) + generator_ohms(kva) * amperes).abs();
        std::array::from_fn(|k| Complex::polar(behind, -120.0 * k as f64))
    }

    fn bank(&self, unit: usize) -> (usize, usize) {
        match (self.plant.parallel, unit) {
            (true, 0 | 1) => (0, unit),
            (true, _) => (unit - 1, 0),
            (false, _) => (unit, 0),
        }
    }

    fn line(&self, feeder: usize) -> (usize, usize) {
        let (island, _) = self.bank(self.plant.feeders[feeder].unit);
        let same = (0..feeder).filter(|f| self.bank(self.plant.feeders[*f].unit).0 == island).count();
        (island, same)
    }

    fn on(&self) -> impl Iterator<Item = (&Fault, f64)> {
        self.faults.iter().map(|fault| (fault, fault.level(self.now))).filter(|(_, level)| *level > 0.0)
    }

    /// The supply's volts to earth, by line.
    fn source(&self) -> Abc {
        let level = 1.008
            + 0.006 * self.chance.wander(3, self.now, 35 * 60_000)
            + 0.0015 * self.chance.wander(4, self.now, 20_000);
        std::array::from_fn(|k| {
            let own = 1.0 + 0.0015 * self.chance.wander(5 + k as u64, self.now, 25 * 60_000);
            let times: f64 = self
                .on()
                .map(|(fault, level)| match fault.what {
                    What::Source { times } => 1.0 + (times[k] - 1.0) * level,
                    _ => 1.0,
                })
                .product();
            Complex::polar(PRIMARY_V / 3.0_f64.sqrt() * level * own * times, -120.0 * k as f64)
        })
    }

    fn solve(&mut self) {
        let source = self.source();
        let moment = self.moment();
        for feeder in 0..self.plant.feeders.len() {
            let (island, line) = self.line(feeder);
            let plan = &self.plant.feeders[feeder];
            let mut line_now = std::mem::replace(
                &mut self.islands[island].lines[line],
                Line { cable: plan.cable, contact: [0.0; 3], neutral_contact: 0.0, loads: Vec::new() },
            );
            line_now.contact = [0.0; 3];
            line_now.neutral_contact = 0.0;
            line_now.loads.clear();
            for (k, load) in plan.loads.iter().enumerate() {
                let stream = 1000 + 100 * feeder as u64 + 10 * k as u64;
                let on = share(load.pattern, moment, self.now, self.chance, stream);
                line_now.loads.push(drawing(load, on));
            }
            for (number, fault) in self.faults.iter().enumerate() {
                let level = fault.level(self.now);
                if level > 0.0 {
                    let stream = 9000 + 10 * number as u64;
                    self.strike(fault, level, feeder, stream, &mut line_now);
                }
            }
            self.islands[island].lines[line] = line_now;
        }
        self.strike_banks();
        let sudden = self.edges.partition_point(|edge| *edge <= self.now)
            != self.edges.partition_point(|edge| *edge <= self.harmonics_from);
        let again = sudden || self.now >= self.harmonics_from.saturating_add(HARMONICS_HOLD_MS);
        let first = self.generator_kva().map_or(source, |kva| self.generator(kva));
        for (number, island) in self.islands.iter_mut().enumerate() {
            let source = if number == 0 { &first } else { &source };
            island.solve(source);
            if again {
                island.solve_harmonics(source);
            }
        }
        if again || self.base.is_empty() {
            self.harmonics_from = self.now;
            let first = |places: &[Place]| places.iter().map(|place| place.amperes[0]).collect();
            self.base =
                self.islands.iter().map(|island| (first(&island.terminals), first(&island.ends))).collect();
        }
    }

    /// Watts that become heat now in a transformer and at the lugs of its feeders.
    fn losses(&self, unit: usize) -> Losses {
        let (island, number) = self.bank(unit);
        let bank = &self.islands[island].banks[number];
        let place = self.terminals(unit);
        let direct = bank.leakage.re / (1.0 + EDDY_SHARE);
        let wound = &self.islands[island].windings[number];
        let windings = std::array::from_fn(|phase| {
            // In a wye each carries the amperes of its line.
            let amperes = |index: usize| match bank.winding {
                Winding::Wye => place.amperes[index][phase].abs(),
                Winding::HighLeg | Winding::Corner => wound[index][phase],
            };
            let squares = ORDERS.iter().enumerate().map(|(index, order)| (order, amperes(index).powi(2)));
            squares.map(|(order, square)| direct * square * (1.0 + EDDY_SHARE * order * order)).sum()
        });
        let ohms = self.warm[unit].termination_ohms;
        let terminations = std::array::from_fn(|k| {
            let square = if k == 3 { place.neutral_amperes().powi(2) } else { place.rms_amperes(k).powi(2) };
            square * (ohms + if k == 3 { 0.0 } else { bank.winding_contact[k] })
        });
        let lugs = self
            .plant
            .feeders_of(unit)
            .map(|feeder| {
                let (island, line) = self.line(feeder);
                let (line, end) = (&self.islands[island].lines[line], self.end(feeder));
                let sound = SOUND_CONTACT_W.1 / self.plant.feeders[feeder].rated_a.powi(2);
                std::array::from_fn(|p| {
                    let own = self.chance.even(8000 + 3 * feeder as u64 + p as u64, 0);
                    let sound = sound * (1.0 + CONTACTS_DIFFER * (2.0 * own - 1.0));
                    end.rms_amperes(p).powi(2) * (sound + line.contact[p])
                })
            })
            .collect();
        Losses { windings, terminations, lugs }
    }

    fn warm_up(&mut self, unit: usize, losses: &Losses, seconds: f64) {
        let plan = &self.plant.units[unit];
        let struck = unit == 0;
        let (mut vents, mut warmer, mut fans_stop) = (1.0, 0.0, false);
        for (fault, level) in self.on() {
            match fault.what {
                What::Vents { left } if struck => vents *= 1.0 + (left - 1.0) * level,
                What::Room { warmer_k } if struck => warmer += warmer_k * level,
                What::Weather { warmer_k } => warmer += warmer_k * level,
                What::FansStop if struck => fans_stop = true,
                _ => {}
            }
        }
        let hour = self.clock.local(self.now).hour;
        let swing = ((hour - 15.5) * std::f64::consts::TAU / 24.0).cos();
        let outside =
            plan.room_c + 3.5 * swing + 0.8 * self.chance.wander(10 + unit as u64, self.now, 50 * 60_000);
        let rated = self.plant.rated_a(unit);
        let (island, number) = self.bank(unit);
        let bank = &self.islands[island].banks[number];
        let in_winding = if bank.winding == Winding::Wye { rated } else { rated / 3.0_f64.sqrt() };
        let rated_w = 3.0 * in_winding * in_winding * bank.leakage.re;
        let share = losses.windings.iter().sum::<f64>() / rated_w;
        let warm = &mut self.warm[unit];
        // The room follows the fault or the weather and the transformer's own losses slowly.
        let end = warmer + plan.room_gain_k * share;
        warm.room_rise_k += (end - warm.room_rise_k) * (1.0 - (-seconds / ROOM_S).exp());
        warm.ambient_c = outside + warm.room_rise_k;
        if plan.fans {
            let hottest = warm.heat.windings.iter().map(|w| w.celsius).fold(f64::MIN, f64::max);
            let rise = (hottest - warm.ambient_c) / plan.rise_k;
            warm.fans_run = !fans_stop && rise > if warm.fans_run { FAN_SHARES.1 } else { FAN_SHARES.0 };
        }
        let fans = Fans { times: FAN_TIMES, rated_rise_k: SENSOR_SHARE * plan.rise_k };
        let air = Air { celsius: warm.ambient_c, vents, fans: warm.fans_run.then_some(fans) };
        warm.heat.pass(losses, air, seconds);
    }
}

fn generator_ohms(kva: f64) -> Complex {
    GENERATOR_PU.times(PRIMARY_V * PRIMARY_V / (1000.0 * kva))
}

fn islands(plant: &Plant) -> Vec<Island> {
    let bank = |unit: usize| {
        let plan = &plant.units[unit];
        let volts = plan.secondary_v();
        let base = volts * volts / (1000.0 * plan.kva) / 100.0;
        // Across the lines of a delta three times the impedance to neutral.
        let base = if plan.winding == Winding::Wye { base } else { 3.0 * base };
        Bank {
            ratio: PRIMARY_V * (1.0 + plan.tap_percent / 100.0) / volts,
            winding: plan.winding,
            leakage: Complex::new(plan.resistance_percent, plan.reactance_percent).times(base),
            source: SOURCE_OHMS,
            primary_contact: [0.0; 3],
            winding_contact: [0.0; 3],
        }
    };
    let lines = |units: &[usize]| {
        let own = plant.feeders.iter().filter(|feeder| units.contains(&feeder.unit));
        own.map(|feeder| Line {
            cable: feeder.cable,
            contact: [0.0; 3],
            neutral_contact: 0.0,
            loads: Vec::new(),
        })
        .collect()
    };
    let mut groups: Vec<Vec<usize>> = (0..plant.units.len()).map(|unit| vec![unit]).collect();
    if plant.parallel {
        groups.remove(1);
        groups[0].push(1);
    }
    groups
        .iter()
        .map(|units| {
            let mut island = Island::new(units.iter().map(|unit| bank(*unit)).collect(), lines(units));
            island.background = BACKGROUND;
            island
        })
        .collect()
}

/// The warm parts of a transformer, sized by its rated losses.
fn warm(plant: &Plant, unit: usize) -> Warm {
    let plan = &plant.units[unit];
    let rated_a = plant.rated_a(unit);
    let start = plan.room_c;
    let volts = plan.secondary_v();
    let ohms = plan.resistance_percent / 100.0 * volts * volts / (1000.0 * plan.kva);
    let winding = |cooling: f64| {
        let rise = SENSOR_SHARE * plan.rise_k;
        let body = Body::rated(ohms * rated_a * rated_a, rise, plan.time_constant_s, start);
        Body { cooling: body.cooling * cooling, ..body }
    };
    let termination = Body::rated(SOUND_CONTACT_W.0, 28.0, 1600.0, start);
    let lug = Body { capacity: LUG.0, cooling: LUG.1, celsius: start };
    Warm {
        heat: Heat {
            // The middle coil stands between two warm ones and cools a little less well.
            windings: [winding(1.0), winding(0.93), winding(1.0)],
            terminations: [termination; 4],
            lugs: vec![[lug; 3]; plant.feeders_of(unit).count()],
            conduction: LUG_TO_TERMINATION,
        },
        fans_run: false,
        ambient_c: start,
        termination_ohms: SOUND_CONTACT_W.0 / (rated_a * rated_a),
        room_rise_k: 0.0,
    }
}
