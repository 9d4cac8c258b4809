//! The trials by name: which plant, what goes wrong, when and how strongly. All of it follows from name, seed and meters.

mod circuits;
mod events;
mod harmonics;
mod healthy;
mod heat;
mod instruments;
mod loads;

use super::fault::{Course, Fault, What};
use super::meters::Kind;
use super::pick::Pick;
use super::plant::{Plant, Use};
use crate::work::Pattern;

const HOUR: i64 = 3_600_000;
const DAY: i64 = 24 * HOUR;
/// Midnight of Monday, 2 March 2026, in Denver.
const MONDAY: i64 = 1_772_434_800_000;
/// A trial begins at this hour of its first day and lasts so many hours, unless it needs longer.
const USUAL: (f64, f64) = (4.0, 30.0);
/// Readings come this often where nothing moves, milliseconds.
const CADENCE_MS: i64 = 10_000;
/// Ratings of feeders grow by a fifth over what hangs on them.
const FEEDER_ROOM: f64 = 1.2;

/// What is true of a trial: one for each cause.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Family of the cause.
    pub cause: &'static str,
    /// Which of the family.
    pub variant: &'static str,
    /// The feeder, by name; `None`: the transformer itself or its supply.
    pub feeder: Option<String>,
    /// The phase, where it is one.
    pub phase: Option<&'static str>,
    /// Since when, unix milliseconds.
    pub from: i64,
    /// Until when.
    pub until: i64,
    /// Why these meters can't show it, by physics; `None`: they can.
    pub hidden: Option<&'static str>,
    /// It comes with the supply: the other transformers of the plant have it too.
    pub everywhere: bool,
    /// Causes and variants that are true with it: one phase above its rating is an unbalanced load too.
    pub also: &'static [(&'static str, &'static str)],
}

/// A plant, what goes wrong in it, and the truth about it.
#[derive(Debug, Clone)]
pub struct Trial {
    /// Its name.
    pub name: &'static str,
    /// Its seed.
    pub seed: u64,
    /// What its meters are able to.
    pub kind: Kind,
    /// The plant.
    pub plant: Plant,
    /// What goes wrong.
    pub faults: Vec<Fault>,
    /// Its first moment, unix milliseconds.
    pub from: i64,
    /// Its end.
    pub to: i64,
    /// Readings come this often, milliseconds.
    pub cadence_ms: i64,
    /// Errors of its instruments over the usual ones.
    pub worse: f64,
    /// The truths; none for a healthy day.
    pub truths: Vec<Truth>,
}

/// A name, what it needs, and how it is made. A pair is made by two.
struct Entry {
    name: &'static str,
    needs: &'static [Use],
    build: &'static [fn(&mut Draft)],
}

const fn entry(name: &'static str, needs: &'static [Use], build: &'static [fn(&mut Draft)]) -> Entry {
    Entry { name, needs, build }
}

const NONE: &[Use] = &[];
const LIGHTS: &[Use] = &[Use::Lights, Use::Motors];
const DRIVES: &[Use] = &[Use::Drives, Use::Lights];
const MOTORS: &[Use] = &[Use::Motors, Use::Mixed];

const ENTRIES: &[Entry] = &[
    entry("overload-whole-unit", NONE, &[loads::whole_unit]),
    entry("overload-one-phase", NONE, &[loads::one_phase]),
    entry("overload-repeated-peaks", NONE, &[loads::repeated_peaks]),
    entry("overload-slow-growth", NONE, &[loads::slow_growth]),
    entry("unbalance-supply", NONE, &[circuits::supply_unbalance]),
    entry("unbalance-load", LIGHTS, &[loads::unbalance]),
    entry("unbalance-lost-phase", MOTORS, &[circuits::lost_phase]),
    entry("unbalance-lost-primary-line", MOTORS, &[circuits::lost_primary_line]),
    entry("unbalance-neutral", LIGHTS, &[circuits::neutral]),
    entry("harmonics-triplen", LIGHTS, &[harmonics::triplen]),
    entry("harmonics-five-seven", NONE, &[harmonics::five_seven]),
    entry("harmonics-even-orders", NONE, &[harmonics::even_orders]),
    entry("harmonics-resonance", DRIVES, &[harmonics::resonance]),
    entry("harmonics-drive-input-fuse", DRIVES, &[harmonics::drive_input_fuse]),
    entry("loose-connection-steady", LIGHTS, &[circuits::steady_contact]),
    entry("loose-connection-intermittent", LIGHTS, &[circuits::intermittent_contact]),
    entry("cooling-blocked", NONE, &[heat::blocked]),
    entry("cooling-fan", NONE, &[heat::fan]),
    entry("cooling-hot-room", NONE, &[heat::hot_room]),
    entry("supply-sag", NONE, &[circuits::sag]),
    entry("supply-swell", NONE, &[circuits::swell]),
    entry("core-over-excited", NONE, &[circuits::over_excited]),
    entry("core-half-wave", NONE, &[harmonics::half_wave]),
    entry("sharing-unequal", NONE, &[circuits::unequal_sharing]),
    entry("instrument-wiring", MOTORS, &[instruments::wiring]),
    entry("instrument-fuse", NONE, &[instruments::fuse]),
    entry("instrument-sensor", NONE, &[instruments::sensor]),
    entry("instrument-silent", NONE, &[instruments::silent]),
    entry("instrument-high-leg", MOTORS, &[instruments::high_leg]),
    entry("event-trip", NONE, &[events::trip]),
    entry("event-inrush", MOTORS, &[events::inrush]),
    entry("event-starting-load", MOTORS, &[events::starting_load]),
    entry("healthy-plain", NONE, &[healthy::plain]),
    entry("healthy-hot-weather", NONE, &[healthy::hot_weather]),
    entry("healthy-warm-room", NONE, &[healthy::warm_room]),
    entry("healthy-monday", NONE, &[healthy::monday]),
    entry("healthy-night-light-load", LIGHTS, &[healthy::night]),
    entry("healthy-uneven-phases", LIGHTS, &[healthy::uneven]),
    entry("healthy-motor-starts", MOTORS, &[events::starting_load]),
    entry("healthy-inrush", MOTORS, &[events::inrush]),
    entry("healthy-minute-meters", NONE, &[healthy::minute_meters]),
    entry("healthy-poor-instruments", NONE, &[healthy::poor_instruments]),
    entry("healthy-back-feed", LIGHTS, &[healthy::back_feed]),
    entry("pair-overload-and-blocked", NONE, &[loads::whole_unit, heat::blocked]),
    entry("pair-triplen-and-loose", LIGHTS, &[harmonics::triplen, circuits::steady_contact]),
    entry("pair-unbalance-and-intermittent", LIGHTS, &[loads::unbalance, circuits::intermittent_contact]),
    entry("pair-five-seven-and-one-phase", NONE, &[harmonics::five_seven, loads::one_phase]),
    entry("pair-hot-room-and-overload", NONE, &[heat::hot_room, loads::whole_unit]),
    // Later ones stand last, so that the plants of the others stay what they are.
    entry("healthy-high-leg", LIGHTS, &[healthy::high_leg]),
    entry("healthy-generator", LIGHTS, &[healthy::generator]),
    entry("healthy-grounded-corner", LIGHTS, &[healthy::grounded_corner]),
];

/// The names of all trials.
pub fn names() -> impl Iterator<Item = &'static str> {
    ENTRIES.iter().map(|entry| entry.name)
}

impl Trial {
    /// The trial of this name and seed with these meters; `None` for an unknown name.
    pub fn named(name: &str, seed: u64, kind: Kind) -> Option<Self> {
        let number = ENTRIES.iter().position(|entry| entry.name == name)?;
        let entry = &ENTRIES[number];
        // Another name is another plant, also with the same seed.
        let own = seed.wrapping_mul(1009).wrapping_add(number as u64);
        let mut pick = Pick::new(own, 2);
        let day = MONDAY + DAY * pick.index(4) as i64;
        let from = day + (USUAL.0 * HOUR as f64) as i64;
        let mut draft = Draft {
            day,
            trial: Self {
                name: entry.name,
                seed: own,
                kind,
                plant: Plant::by_seed(own, entry.needs),
                faults: Vec::new(),
                from,
                to: from + (USUAL.1 * HOUR as f64) as i64,
                cadence_ms: CADENCE_MS,
                worse: 1.0,
                truths: Vec::new(),
            },
            pick,
        };
        entry.build.iter().for_each(|build| build(&mut draft));
        let mut trial = draft.trial;
        trial.faults.sort_by_key(|fault| fault.from);
        Some(trial)
    }
}

/// A trial that is being made.
struct Draft {
    trial: Trial,
    pick: Pick,
    /// Midnight of its first day.
    day: i64,
}

impl Draft {
    /// A moment of the first day, by hours.
    fn at(&self, hour: f64) -> i64 {
        self.day + (hour * HOUR as f64) as i64
    }

    /// A moment of the first day between these hours.
    fn pick_at(&mut self, from: f64, to: f64) -> i64 {
        let hour = self.pick.between(from, to);
        self.at(hour)
    }

    fn coin(&mut self) -> bool {
        self.pick.index(2) == 0
    }

    /// One of the first transformer's feeders.
    fn any_feeder(&mut self) -> usize {
        let all: Vec<usize> = self.trial.plant.feeders_of(0).collect();
        all[self.pick.index(all.len())]
    }

    /// Rated volt-amperes of the first transformer.
    fn rated_va(&self) -> f64 {
        1000.0 * self.trial.plant.units[0].kva
    }

    /// What hangs on the first transformer in the middle of a shift, volt-amperes.
    fn installed_va(&self) -> f64 {
        self.trial.plant.installed_va(0)
    }

    /// Amperes of a feeder in the middle of a shift.
    fn usual_a(&self, feeder: usize) -> f64 {
        let loads = &self.trial.plant.feeders[feeder].loads;
        loads.iter().map(super::plant::Load::usual_va).sum::<f64>() / 360.0
    }

    /// Sees to it that a feeder is built for so many amperes: the cable goes with the rating.
    fn build_for(&mut self, feeder: usize, amperes: f64) {
        let feeder = &mut self.trial.plant.feeders[feeder];
        let wanted = FEEDER_ROOM * amperes;
        if wanted > feeder.rated_a {
            let rated = (wanted / 25.0).ceil() * 25.0;
            feeder.cable = feeder.cable.times(feeder.rated_a / rated);
            feeder.rated_a = rated;
        }
    }

    /// Ovens and compressors of the first transformer draw their mean all the time: else several that come on together would
    /// truly load a busy unit above its plate.
    fn even_out(&mut self) {
        for feeder in self.trial.plant.feeders.iter_mut().filter(|feeder| feeder.unit == 0) {
            for load in &mut feeder.loads {
                load.va = load.usual_va();
                load.pattern = match load.pattern {
                    Pattern::Thermostat { .. } => Pattern::Always,
                    Pattern::ShiftThermostat { .. } => Pattern::Shifts,
                    steady => steady,
                };
            }
        }
    }

    fn fault(&mut self, what: What, from: i64, until: i64, course: Course) {
        self.trial.faults.push(Fault { what, from, until, course });
    }

    fn steady(&mut self, what: What, from: i64, until: i64) {
        self.fault(what, from, until, Course::Steady);
    }

    /// Spells between two moments: each of a length in seconds, after a pause in seconds.
    fn spells(&mut self, from: i64, until: i64, length_s: (f64, f64), pause_s: (f64, f64)) -> Course {
        let mut spells = Vec::new();
        let mut at = from;
        loop {
            let length = (1000.0 * self.pick.between(length_s.0, length_s.1)) as i64;
            if at + length > until {
                return Course::Spells(spells);
            }
            spells.push((at, at + length));
            at += length + (1000.0 * self.pick.between(pause_s.0, pause_s.1)) as i64;
        }
    }

    fn truth(
        &mut self,
        (cause, variant): (&'static str, &'static str),
        feeder: Option<usize>,
        phase: Option<usize>,
        (from, until): (i64, i64),
    ) {
        let feeder = feeder.map(|feeder| self.trial.plant.feeders[feeder].name.clone());
        let phase = phase.map(|phase| ["A", "B", "C"][phase]);
        self.trial.truths.push(Truth {
            cause,
            variant,
            feeder,
            phase,
            from,
            until,
            hidden: None,
            everywhere: false,
            also: &[],
        });
    }

    /// What is true with the latest truth.
    fn also(&mut self, causes: &'static [(&'static str, &'static str)]) {
        if let Some(truth) = self.trial.truths.last_mut() {
            truth.also = causes;
        }
    }

    /// The latest truth comes with the supply.
    fn everywhere(&mut self) {
        if let Some(truth) = self.trial.truths.last_mut() {
            truth.everywhere = true;
        }
    }

    /// With meters of this kind the latest truth can't be seen, and why.
    fn hidden_from(&mut self, kind: Kind, why: &'static str) {
        if self.trial.kind == kind
            && let Some(truth) = self.trial.truths.last_mut()
        {
            truth.hidden = Some(why);
        }
    }
}
