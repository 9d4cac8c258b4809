//! The whole site at one moment, moved through time: loads by the calendar, circuits solved, heat integrated, faults
//! laid on, meters read.

use crate::cannery::{FEEDERS, METERS, PRIMARY_V, Place, SECONDARY_V, SOURCE_OHMS, TRANSFORMERS};
use crate::circuit::{Branch, Point, Solution, Supply, solve_circuit};
use crate::complex::{Abc, Complex};
use crate::heat::{Air, Body, Fans, Heat, Losses};
use crate::load::{Connection, Drawn, ORDERS};
use crate::meter::{Reading, read_electrical, read_sensors};
use crate::noise::Chance;
use crate::scenario::{Fault, Scenario};
use crate::work::{WallClock, Working, share};

/// Loads and circuit are held still at most this long, milliseconds; the steps of heat are shorter.
const HOLD_MS: i64 = 10_000;
/// A new site has lived this long before its first moment, so its temperatures belong to its load, milliseconds.
const WARM_UP_MS: i64 = 10 * 3_600_000;
/// The transformer and feeder at which scenarios act.
const STRUCK_UNIT: usize = 1;
const STRUCK_FEEDER: &str = "MP-3";
/// Contact resistance of a sound lug and of a sound termination, ohms.
const LUG_OHMS: f64 = 0.000_35;
const TERMINATION_OHMS: f64 = 0.000_2;
/// Heat conducted between a feeder's lug and the termination it sits on, watts per kelvin.
const LUG_TO_TERMINATION: f64 = 0.6;
/// Eddy loss of a winding at the fundamental over its direct-current loss.
const EDDY_SHARE: f64 = 0.06;

/// The sensor in the duct shows a little less than the average rise on the plate.
const SENSOR_SHARE: f64 = 0.95;

/// One transformer with all that hangs on it.
#[derive(Debug)]
struct Unit {
    supply: Supply,
    /// Indices into [`FEEDERS`].
    feeders: Vec<usize>,
    branches: Vec<Branch>,
    solution: Solution,
    heat: Heat,
}

/// Larkspur Cannery at a moment. Two sites with the same seed, start, scenarios and steps are the same to the bit.
#[derive(Debug)]
pub struct Site {
    chance: Chance,
    clock: WallClock,
    scenarios: Vec<Scenario>,
    now: i64,
    units: Vec<Unit>,
    /// What each frozen meter goes on showing, by meter.
    held: Vec<Option<Reading>>,
}

impl Site {
    /// The site at `start_unix_ms`, with temperatures that suit the hours before.
    pub fn new(seed: u64, start_unix_ms: i64, working: Working, scenarios: Vec<Scenario>) -> Self {
        let mut site = Self {
            chance: Chance::new(seed),
            clock: WallClock::new(working),
            scenarios,
            now: start_unix_ms - WARM_UP_MS,
            units: (0..TRANSFORMERS.len()).map(Unit::new).collect(),
            held: vec![None; METERS.len()],
        };
        site.solve();
        site.advance(start_unix_ms);
        site
    }

    /// The moment it stands at, unix milliseconds.
    pub fn at(&self) -> i64 {
        self.now
    }

    /// Moves on to a later moment; an earlier one changes nothing.
    pub fn advance(&mut self, to_unix_ms: i64) {
        while self.now < to_unix_ms {
            let edge = self.scenarios.iter().filter_map(|s| s.next_edge(self.now, self.chance)).min();
            let next = to_unix_ms.min(self.now + HOLD_MS).min(edge.unwrap_or(i64::MAX));
            let seconds = (next - self.now) as f64 / 1000.0;
            let ambients: Vec<f64> = (0..self.units.len()).map(|unit| self.ambient_c(unit)).collect();
            for (index, unit) in self.units.iter_mut().enumerate() {
                let struck = index == STRUCK_UNIT;
                let air = Air {
                    celsius: ambients[index],
                    vents: if struck { vents_left(&self.scenarios, self.now) } else { 1.0 },
                    fans: if struck { fans_running(&self.scenarios, self.now) } else { None },
                };
                let losses = unit.losses();
                unit.heat.pass(&losses, air, seconds);
            }
            self.now = next;
            self.solve();
            self.hold_frozen();
        }
    }

    /// What each meter shows now, in the order of [`METERS`]; a silent meter is not among them.
    pub fn readings(&self) -> Vec<Reading> {
        (0..METERS.len()).filter_map(|meter| self.shown(meter)).collect()
    }

    /// What the meter of this name shows now; `None` if it is silent or there is none of this name.
    pub fn reading(&self, meter: &str) -> Option<Reading> {
        let index = METERS.iter().position(|plan| plan.name == meter)?;
        self.shown(index)
    }

    /// The solved circuit of a transformer, without the meters' noise; `None` for an unknown name.
    pub fn circuit(&self, transformer: &str) -> Option<&Solution> {
        let index = TRANSFORMERS.iter().position(|plan| plan.name == transformer)?;
        Some(&self.units[index].solution)
    }

    fn shown(&self, meter: usize) -> Option<Reading> {
        let silent =
            |s: &&Scenario| matches!(&s.fault, Fault::Silent { meter: m } if m == METERS[meter].name);
        if self.scenarios.iter().filter(silent).any(|s| s.is_on(self.now)) {
            return None;
        }
        match &self.held[meter] {
            Some(held) => Some(Reading { unix_ms: self.now, ..held.clone() }),
            None => Some(self.measured(meter)),
        }
    }

    fn measured(&self, meter: usize) -> Reading {
        match METERS[meter].place {
            Place::Secondary(unit) => self.electrical(meter, &self.units[unit].solution.secondary),
            Place::Feeder(feeder) => {
                let unit = &self.units[FEEDERS[feeder].fed_by];
                let at =
                    unit.feeders.iter().position(|f| *f == feeder).expect("units hold all their feeders");
                self.electrical(meter, &unit.solution.ends[at])
            }
            Place::Sensors(unit) => {
                let heat = &self.units[unit].heat;
                read_sensors(meter, heat, self.ambient_c(unit), self.now, self.chance)
            }
        }
    }

    fn electrical(&self, meter: usize, point: &Point) -> Reading {
        let wander = 0.012 * self.chance.wander(1, self.now, 8000)
            + 0.015 * self.chance.wander(2, self.now, 5 * 60_000);
        read_electrical(meter, point, 60.0 + wander, self.now, self.chance)
    }

    /// Takes hold of what a meter shows at the moment it freezes, and lets go when it thaws.
    fn hold_frozen(&mut self) {
        for (meter, plan) in METERS.iter().enumerate() {
            let frozen = self.scenarios.iter().any(|s| {
                matches!(&s.fault, Fault::Frozen { meter } if meter == plan.name) && s.is_on(self.now)
            });
            match (&self.held[meter], frozen) {
                (None, true) => self.held[meter] = Some(self.measured(meter)),
                (Some(_), false) => self.held[meter] = None,
                _ => {}
            }
        }
    }

    /// Air around a transformer, °C: warmest in the afternoon.
    fn ambient_c(&self, unit: usize) -> f64 {
        let hour = self.clock.local(self.now).hour;
        let swing = ((hour - 15.5) * std::f64::consts::TAU / 24.0).cos();
        let (mean, depth) = if unit == STRUCK_UNIT { (25.0, 4.5) } else { (23.0, 2.5) };
        let warmer = |s: &Scenario| match s.fault {
            Fault::Room { warmer_k } if unit == STRUCK_UNIT && s.is_on(self.now) => Some(warmer_k),
            _ => None,
        };
        let mean = mean + self.scenarios.iter().filter_map(warmer).sum::<f64>();
        mean + depth * swing + 0.8 * self.chance.wander(10 + unit as u64, self.now, 50 * 60_000)
    }

    /// The three source voltages of the primary.
    fn source(&self) -> Abc {
        let level = 1.008
            + 0.006 * self.chance.wander(3, self.now, 35 * 60_000)
            + 0.0015 * self.chance.wander(4, self.now, 20_000);
        let phase_volts = PRIMARY_V / 3.0_f64.sqrt() * level;
        std::array::from_fn(|k| {
            let own = 1.0 + 0.0015 * self.chance.wander(5 + k as u64, self.now, 25 * 60_000);
            Complex::polar(phase_volts * own, [0.0, -120.0, 120.0][k])
        })
    }

    /// Sets the loads for now and solves each circuit.
    fn solve(&mut self) {
        let source = self.source();
        let moment = self.clock.working_moment(self.now);
        for (index, unit) in self.units.iter_mut().enumerate() {
            let struck = index == STRUCK_UNIT;
            for (feeder, branch) in unit.feeders.iter().zip(&mut unit.branches) {
                let plan = &FEEDERS[*feeder];
                branch.loads.clear();
                for (k, load) in plan.loads.iter().enumerate() {
                    let stream = 1000 + 100 * *feeder as u64 + 10 * k as u64;
                    let on = share(load.pattern, moment, self.now, self.chance, stream);
                    branch.loads.push(Drawn {
                        connection: load.connection,
                        va: load.va * on,
                        power_factor: load.power_factor,
                        law: load.law,
                        spectrum: load.spectrum,
                    });
                }
                if struck {
                    strike(&self.scenarios, self.now, self.chance, plan.name, branch);
                }
            }
            unit.solution = solve_circuit(&unit.supply, &source, &unit.branches, Some(&unit.solution));
        }
    }
}

/// Share of the struck transformer's cooling that is left.
fn vents_left(scenarios: &[Scenario], now: i64) -> f64 {
    let on = scenarios.iter().filter(|s| s.is_on(now));
    on.filter_map(|s| match s.fault {
        Fault::BlockedCooling { left } => Some(left),
        _ => None,
    })
    .product()
}

/// The fans of the struck transformer, while they run.
fn fans_running(scenarios: &[Scenario], now: i64) -> Option<Fans> {
    let rated_rise_k = SENSOR_SHARE * TRANSFORMERS[STRUCK_UNIT].rated_rise_c;
    scenarios.iter().filter(|s| s.is_on(now)).find_map(|s| match s.fault {
        Fault::Fans { times } => Some(Fans { times, rated_rise_k }),
        _ => None,
    })
}

/// Lays the faults of the moment on a feeder's loads and contacts.
fn strike(scenarios: &[Scenario], now: i64, chance: Chance, feeder: &str, branch: &mut Branch) {
    branch.contact = [0.0; 3];
    for scenario in scenarios.iter().filter(|s| s.is_on(now)) {
        match scenario.fault {
            Fault::Overload { factor } => branch.loads.iter_mut().for_each(|load| load.va *= factor),
            Fault::Unbalance { share } => {
                let moved: Vec<Drawn> = branch.loads.iter_mut().filter_map(|l| move_to_c(l, share)).collect();
                branch.loads.extend(moved);
            }
            Fault::LoosePhase { .. } if feeder == STRUCK_FEEDER => {
                branch.contact[1] += scenario.loose_ohms(now, chance);
            }
            Fault::HotLug { ohms } if feeder == STRUCK_FEEDER => branch.contact[1] += ohms,
            _ => {}
        }
    }
}

/// Takes a share off a single-phase load of A or B; returns it as a load on C.
fn move_to_c(load: &mut Drawn, share: f64) -> Option<Drawn> {
    let Connection::Single(0 | 1) = load.connection else { return None };
    let moved = Drawn { connection: Connection::Single(2), va: load.va * share, ..*load };
    load.va *= 1.0 - share;
    Some(moved)
}

impl Unit {
    fn new(index: usize) -> Self {
        let plan = &TRANSFORMERS[index];
        let base = SECONDARY_V * SECONDARY_V / (1000.0 * plan.kva);
        let leakage = Complex::new(plan.resistance_percent, plan.reactance_percent).times(base / 100.0);
        let supply = Supply {
            primary_v: PRIMARY_V,
            secondary_v: SECONDARY_V,
            source: SOURCE_OHMS,
            leakage,
            background_thd_percent: 1.3,
        };
        let feeders: Vec<usize> = (0..FEEDERS.len()).filter(|f| FEEDERS[*f].fed_by == index).collect();
        let branches = feeders
            .iter()
            .map(|f| Branch {
                cable: FEEDERS[*f].cable,
                neutral: FEEDERS[*f].cable,
                contact: [0.0; 3],
                loads: Vec::new(),
            })
            .collect();
        let heat = warm_parts(index, feeders.len(), leakage.re);
        Self { supply, feeders, branches, solution: Solution::default(), heat }
    }

    /// Watts that become heat now.
    fn losses(&self) -> Losses {
        let secondary = &self.solution.secondary;
        let square = |phase| secondary.rms_amperes(phase).powi(2);
        let windings = std::array::from_fn(|phase| {
            let direct = self.supply.leakage.re / (1.0 + EDDY_SHARE);
            let eddy: f64 = (0..ORDERS.len())
                .map(|k| (ORDERS[k] * secondary.harmonic_amperes[phase][k]).powi(2))
                .sum::<f64>()
                + secondary.amperes[phase].abs_squared();
            direct * (square(phase) + EDDY_SHARE * eddy)
        });
        let neutral = secondary.neutral_amperes().powi(2);
        let terminations = [square(0), square(1), square(2), neutral].map(|a2| a2 * TERMINATION_OHMS);
        let lugs = self.solution.ends.iter().zip(&self.branches).map(|(end, branch)| {
            std::array::from_fn(|p| end.rms_amperes(p).powi(2) * (LUG_OHMS + branch.contact[p]))
        });
        Losses { windings, terminations, lugs: lugs.collect() }
    }
}

/// The warm parts of a transformer, sized by its rated losses.
fn warm_parts(index: usize, feeders: usize, resistance: f64) -> Heat {
    let plan = &TRANSFORMERS[index];
    let rated_a = 1000.0 * plan.kva / (3.0_f64.sqrt() * SECONDARY_V);
    let winding = |cooling: f64| {
        let rise = SENSOR_SHARE * plan.rated_rise_c;
        let body = Body::rated(resistance * rated_a * rated_a, rise, plan.time_constant_s, 25.0);
        Body { cooling: body.cooling * cooling, ..body }
    };
    let termination = Body::rated(TERMINATION_OHMS * rated_a * rated_a, 28.0, 1600.0, 25.0);
    let lug = Body { capacity: 160.0, cooling: 0.06, celsius: 25.0 };
    Heat {
        // The middle coil stands between two warm ones and cools a little less well.
        windings: [winding(1.0), winding(0.93), winding(1.0)],
        terminations: [termination; 4],
        lugs: vec![[lug; 3]; feeders],
        conduction: LUG_TO_TERMINATION,
    }
}
