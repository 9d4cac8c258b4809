//! What happened within seconds, from all that departed at that time: the direction tells the kind. Amperes up while volts dip is a
//! starting load; amperes down with the volts is a series break, between the place where both fell and the one before it where the
//! volts did not; volts that move without any step of amperes come with the supply.
//!
//! Source: circuit theory; the bounds are common practice, no source, unless they say otherwise.

use super::ear::{AMPERES_DEPART, Ear};
use super::excursion::Excursion;
use super::heard::idle;
use crate::diagnosis::cause::Cause;
use crate::diagnosis::docket::{MOST_MARKS, Mark};
use crate::diagnosis::finding::Lack;
use crate::diagnosis::look::{CircuitNow, Three, of_sign};
use crate::diagnosis::plan::{CircuitPlan, DiagnosisPlan};
use crate::diagnosis::sign::Sign;
use crate::phases::Place;
use crate::time::{EventTime, Span};

/// What meters read within this time of each other is read at once.
pub(super) const AT_ONCE: Span = Span(1500);
/// Volts that a break takes more than the circuit before it, as a share: three times what good panel meters differ by.
const BREAK: f64 = 0.03;
/// Amperes fall by this share of what the volts fall by, or more: no load draws more at fewer volts but for its own reasons.
const WITH_VOLTS: f64 = 0.25;
/// Other phases have moved by less than this share of what the broken one did.
const ALONE: f64 = 0.35;
/// A dip of the supply takes at least this share of the usual volts, a swell adds it: at the load side of a delta–wye unit a line of
/// the supply that sags to 0.84 shows as 0.92 (circuit theory).
const DIP: f64 = 0.07;
/// See [`DIP`].
const SWELL: f64 = 0.06;
/// Volts that move by less than this share have not moved with the others.
const MOVED: f64 = 0.02;
/// Volts that fall by this share have dipped.
pub(super) const DIPS: f64 = 0.01;
/// Feeders whose amperes, of this share of the rating, are gone at once have tripped, where more says so.
const LOADED: f64 = 0.05;
/// Where no breaker is read and no fault was seen: each phase carried so much of the rating, and the volts fell by no more than that; a
/// load less lets them rise.
const ALL_AT_ONCE: (f64, f64) = (0.08, 0.005);
/// Amperes of a fault before a trip: times the usual ones.
const FAULT: f64 = 2.5;
/// Readings at least so often see most of the starts, which take some seconds.
const COUNTS_STARTS: Span = Span::seconds(5);
/// How sure of a trip where neither a breaker nor a fault was seen (common practice, no source).
const NOT_READ: f64 = 0.5;
/// An interruption that lasts longer is an outage, of which people know (IEEE 1159: temporary events last up to a minute).
const OUTAGE: Span = Span::seconds(60);

/// What departed at one meter.
pub(super) struct Part<'a> {
    pub(super) ear: &'a Ear,
    pub(super) excursion: Excursion,
}

/// Something that happened.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Told {
    pub(super) cause: Cause,
    pub(super) circuit: usize,
    pub(super) place: Option<Place>,
    pub(super) start: EventTime,
    pub(super) length: Span,
    /// How much the evidence weighs, 0 to 1.
    pub(super) weight: f64,
    /// A break that took all.
    pub(super) whole: bool,
    /// What would tell more.
    pub(super) lack: Option<Lack>,
    pub(super) marks: [Option<Mark>; MOST_MARKS],
    /// Other feeders whose load stepped within seconds of it.
    pub(super) beside: Vec<usize>,
}

impl Told {
    pub(super) fn new(cause: Cause, part: &Part<'_>, place: Option<Place>, mark: Mark) -> Self {
        let mut marks = [None; MOST_MARKS];
        marks[0] = Some(mark);
        Self {
            cause,
            circuit: mark.circuit,
            place,
            start: part.excursion.start,
            length: part.excursion.length(),
            weight: 0.8,
            whole: false,
            lack: None,
            marks,
            beside: Vec::new(),
        }
    }

    pub(super) fn with(mut self, mark: Option<Mark>) -> Self {
        if let (Some(free), true) = (self.marks.iter_mut().find(|mark| mark.is_none()), mark.is_some()) {
            *free = mark;
        }
        self
    }

    pub(super) fn weighs(mut self, weight: f64) -> Self {
        self.weight = weight;
        self
    }
}

/// All that departed about the same time.
pub(super) struct Moment<'a> {
    pub(super) plan: &'a DiagnosisPlan,
    pub(super) ears: &'a [Option<Ear>],
    pub(super) circuits: &'a [CircuitNow],
    pub(super) parts: Vec<Part<'a>>,
}

pub(super) fn lowest(three: Three) -> Option<(usize, f64)> {
    let known = three.into_iter().enumerate().filter_map(|(index, value)| Some((index, value?)));
    known.min_by(|(_, one), (_, other)| one.total_cmp(other))
}

pub(super) fn highest(three: Three) -> Option<(usize, f64)> {
    lowest(three.map(|value| value.map(|value| -value))).map(|(index, value)| (index, -value))
}

impl<'a> Moment<'a> {
    /// What happened, one thing for each place at the most.
    pub(super) fn tell(&self) -> Vec<Told> {
        let mut told = self.of_each_place();
        for told in &mut told {
            told.beside = self.stepped_beside(told.circuit);
        }
        told
    }

    /// Feeders other than this whose amperes rose or fell by a load's step.
    fn stepped_beside(&self, circuit: usize) -> Vec<usize> {
        let steps = |part: &&Part<'_>| {
            let of = self.circuit(part.ear.circuit);
            let least = AMPERES_DEPART * of.rated_a.unwrap_or(f64::INFINITY);
            let by = part.excursion.worst.amperes_over(&part.excursion.usual);
            of.feeder.is_some()
                && part.ear.circuit != circuit
                && by.into_iter().flatten().any(|amperes| amperes.abs() >= least)
        };
        let mut circuits: Vec<usize> = self.parts.iter().filter(steps).map(|part| part.ear.circuit).collect();
        // A step up and one down are two departures.
        circuits.sort_unstable();
        circuits.dedup();
        circuits
    }

    fn of_each_place(&self) -> Vec<Told> {
        let mut told = self.trips();
        if let Some(interruption) = self.interruption() {
            told.extend(interruption);
            return told;
        }
        if self.stood_on_bus() {
            // A conductor that is lost, or a fuse of the meter, has been told of.
            return told;
        }
        if let Some(start) = self.start(&told) {
            // Of meters that are read less often it says why the volts went, not how often loads start.
            told.extend(self.parts.iter().all(|part| part.excursion.step <= COUNTS_STARTS).then_some(start));
            // A contact elsewhere may let go at that very moment.
            self.breaks(&mut told);
            return told;
        }
        match self.of_load() {
            Some(of_load) => told.push(of_load),
            None => self.breaks(&mut told),
        }
        told
    }

    pub(super) fn circuit(&self, index: usize) -> &'a CircuitPlan {
        &self.plan.circuits[index]
    }

    /// Feeders of this transformer, and those of which it is not known.
    fn feeders(&self) -> impl Iterator<Item = &Part<'a>> {
        let here = |part: &&Part<'_>| {
            let now = &self.circuits[part.ear.circuit];
            self.circuit(part.ear.circuit).feeder.is_some() && (!now.elsewhere || now.not_known)
        };
        self.parts.iter().filter(here)
    }

    /// Whether a lost conductor, or a blown fuse of the meter, stood before the feeders while this went on.
    fn stood_on_bus(&self) -> bool {
        let mut on_bus = self.parts.iter().filter(|part| self.circuit(part.ear.circuit).side.is_some());
        on_bus.any(|part| part.ear.stood(&part.excursion, AT_ONCE))
    }

    fn part_of(&self, circuit: usize) -> Option<&Part<'a>> {
        self.parts.iter().find(|part| part.ear.circuit == circuit)
    }

    /// Whether a meter of volts at a circuit had its eyes open while something lasted.
    fn looked(&self, circuit: usize, excursion: &Excursion) -> bool {
        let of_circuit = |ear: &&Ear| ear.circuit == circuit && ear.has_volts();
        let mut ears = self.ears.iter().flatten().filter(of_circuit);
        ears.any(|ear| ear.looked(excursion.start, excursion.last, AT_ONCE))
    }

    /// Feeders whose breaker opened in that second. Amperes that are gone while volts stay may be a load that went off: more must
    /// say that it was the breaker. Where none is read, a feeder of which there is always something left and that is empty from one
    /// reading to the next has tripped or was switched off: told as no more than likely, with what would tell it.
    fn trips(&self) -> Vec<Told> {
        let one = |part: &Part<'_>| {
            let (circuit, excursion) = (self.circuit(part.ear.circuit), &part.excursion);
            let usual: Three = excursion.usual.amperes();
            let least = LOADED * circuit.rated_a.unwrap_or(0.0);
            let loaded = highest(usual).filter(|(_, most)| *most >= least.max(2.0 * idle(circuit)));
            let at_once = excursion.nothing.is_some_and(|at| at - excursion.start <= excursion.step.times(2));
            let load_lives = self.ears.iter().flatten().all(|ear| {
                ear.circuit != self.plan.load || !ear.is_dead(excursion.start) && !ear.is_dead(excursion.last)
            });
            let fault = excursion.rise().iter().zip(usual).any(|(rise, usual)| {
                rise.zip(usual).is_some_and(|(rise, usual)| rise >= (FAULT - 1.0) * usual)
            });
            let closed = excursion.closed;
            let weight = match (excursion.opened, excursion.dead, fault) {
                (true, ..) => 0.97,
                (false, true, _) => 0.9,
                (false, false, true) if !closed => 0.6,
                (false, false, false) if !closed && empties(excursion, circuit) => NOT_READ,
                _ => return None,
            };
            let (phase, most) = loaded.filter(|_| at_once && load_lives)?;
            let mark = of_sign(Sign::AmperesBefore, Place::PHASES[phase], part.ear.circuit, most);
            let lack = (weight <= NOT_READ).then_some(Lack::States);
            Some(Told { lack, ..Told::new(Cause::Trip, part, None, mark).weighs(weight) })
        };
        self.feeders().filter_map(one).collect()
    }

    /// The volts of the load side were gone, and what there is to say of it.
    fn interruption(&self) -> Option<Vec<Told>> {
        let part = self.part_of(self.plan.load).filter(|part| part.excursion.dead)?;
        let source_stood = self
            .plan
            .source
            .is_some_and(|source| self.looked(source, &part.excursion) && self.part_of(source).is_none());
        let length = part.excursion.length();
        if source_stood || length > OUTAGE || part.excursion.over.is_none() {
            return Some(Vec::new());
        }
        let mark = of_sign(Sign::VoltsLost, Place::Whole, self.plan.load, 100.0);
        Some(vec![Told::new(Cause::Sag, part, None, mark).weighs(0.8)])
    }

    /// What happened to the volts of the load side: a break in the transformer's own secondary, or the supply.
    fn of_load(&self) -> Option<Told> {
        let load = self.plan.load;
        let part = self.part_of(load).filter(|part| !part.excursion.dead)?;
        let (excursion, circuit) = (&part.excursion, self.circuit(load));
        let volts = excursion.volts();
        let (phase, fall) = lowest(volts)?;
        let (_, rise) = highest(volts)?;
        let source_stood = self.plan.source.is_some_and(|source| {
            self.looked(source, excursion) && self.part_of(source).is_none_or(|part| still(&part.excursion))
        });
        let between = excursion.worst.between();
        let usual = excursion.usual.between();
        let lines_stand = (0..3).all(|index| {
            between[index]
                .zip(usual[index])
                .is_some_and(|(now, usual)| (now / usual - 1.0).abs() < MOVED / 2.0)
        });
        if lines_stand && fall < -DIPS && rise > DIPS {
            // The neutral has moved: its own judge says so.
            return None;
        }
        let alone = (0..3)
            .filter(|other| *other != phase)
            .all(|other| volts[other].is_none_or(|change| change.abs() < (ALONE * -fall).max(MOVED)));
        let amperes = excursion.amperes(idle(circuit))[phase];
        let with_volts = amperes.is_some_and(|change| change <= WITH_VOLTS * fall);
        let place = Some(Place::PHASES[phase]);
        if fall <= -BREAK && alone && with_volts && (circuit.behind_delta_wye || source_stood) {
            // A line of the supply moves two phases behind a delta–wye unit, and two lines move all three.
            let mark = of_sign(Sign::VoltsLost, Place::PHASES[phase], load, -100.0 * fall);
            let amperes =
                amperes.map(|change| of_sign(Sign::AmperesLost, Place::PHASES[phase], load, -100.0 * change));
            let mut told =
                Told::new(Cause::ConnectionIntermittent, part, place, mark).with(amperes).weighs(0.7);
            told.whole = amperes.is_some_and(|mark| mark.value >= 90.0);
            return Some(told);
        }
        if source_stood || excursion.lasting {
            return None;
        }
        let (cause, phase, change) = if -fall >= DIP && -fall >= rise {
            (Cause::Sag, phase, -fall)
        } else if rise >= SWELL {
            (Cause::Swell, highest(volts)?.0, rise)
        } else {
            return None;
        };
        let sign = if cause == Cause::Sag { Sign::VoltsLost } else { Sign::VoltsGained };
        let mark = of_sign(sign, Place::PHASES[phase], load, 100.0 * change);
        let step = highest(excursion.amperes(idle(circuit)))
            .map(|(phase, change)| of_sign(Sign::AmperesGained, Place::PHASES[phase], load, 100.0 * change));
        let sure = if self.plan.source.is_some() { 0.95 } else { 0.85 };
        Some(Told::new(cause, part, None, mark).with(step).weighs(sure))
    }

    /// Feeders of which a phase let go: its volts and amperes fell, and the volts before it did not.
    fn breaks(&self, told: &mut Vec<Told>) {
        let mut broken = Vec::new();
        for part in self.feeders().filter(|part| !is_told(told, part.ear.circuit)) {
            broken.extend(self.broken(part));
        }
        let direct = |told: &Told| self.circuit(told.circuit).direct;
        let before: Vec<Option<Place>> =
            broken.iter().filter(|told| direct(told)).map(|told| told.place).collect();
        // What hangs on a feeder that let go falls with it.
        told.extend(broken.into_iter().filter(|told| direct(told) || !before.contains(&told.place)));
    }

    pub(super) fn broken(&self, part: &Part<'_>) -> Option<Told> {
        let (index, excursion) = (part.ear.circuit, &part.excursion);
        let circuit = self.circuit(index);
        if excursion.lasting || excursion.dead {
            return None;
        }
        let volts = excursion.volts();
        let (phase, fall) = lowest(volts)?;
        let (before, seen_before) = self.before(part, phase)?;
        let own = fall - before.min(0.0);
        let alone = (0..3)
            .filter(|other| *other != phase)
            .all(|other| volts[other].is_none_or(|change| change > fall * 0.7));
        let amperes = excursion.amperes(idle(circuit))[phase];
        let with_volts = amperes.is_some_and(|change| change <= WITH_VOLTS * fall);
        if own > -BREAK || own > 0.5 * fall || !alone || !with_volts {
            return None;
        }
        let spread = excursion.worst.to_neutral();
        let neutral_moved = (0..3).any(|other| volts[other].is_some_and(|change| change > DIPS))
            && spread.iter().all(Option::is_some)
            && excursion.worst.between().iter().zip(excursion.usual.between()).all(|(now, usual)| {
                now.zip(usual).is_some_and(|(now, usual)| (now / usual - 1.0).abs() < MOVED / 2.0)
            });
        if neutral_moved {
            return None;
        }
        let place = Place::PHASES[phase];
        let lost = of_sign(Sign::VoltsLost, place, index, -100.0 * fall);
        let upstream = of_sign(Sign::VoltsLostBefore, place, self.plan.load, (-100.0 * before).max(0.0));
        let amperes = amperes.map(|change| of_sign(Sign::AmperesLost, place, index, -100.0 * change));
        let with_load = self.part_of(self.plan.load).and_then(|load| {
            let circuit = self.circuit(self.plan.load);
            let (_, change) = Some(phase).zip(load.excursion.amperes(idle(circuit))[phase])?;
            (change < 0.0).then(|| of_sign(Sign::AmperesLost, place, self.plan.load, -100.0 * change))
        });
        let mut sure: f64 = if seen_before { 0.85 } else { 0.6 };
        sure += if with_load.is_some() { 0.05 } else { 0.0 };
        sure += if fall < -0.10 { 0.05 } else { 0.0 };
        let mut told = Told::new(Cause::ConnectionIntermittent, part, Some(place), lost)
            .with(amperes)
            .with(Some(upstream))
            .with(with_load)
            .weighs(sure);
        told.whole = amperes.is_some_and(|mark| mark.value >= 90.0);
        Some(told)
    }

    /// How far the volts before a feeder went at that time, and whether a meter there saw it. Where the load side has no meter of
    /// volts the other feeders say what the bus did; where nobody says it, nothing can be said of where it lies.
    fn before(&self, part: &Part<'_>, phase: usize) -> Option<(f64, bool)> {
        let load = self.plan.load;
        if self.looked(load, &part.excursion) {
            let change = self.part_of(load).and_then(|load| load.excursion.volts()[phase]);
            return Some((change.unwrap_or(0.0), true));
        }
        let others = self.plan.circuits.iter().enumerate().filter(|(index, circuit)| {
            circuit.feeder.is_some()
                && *index != part.ear.circuit
                && !self.circuits[*index].elsewhere
                && self.looked(*index, &part.excursion)
        });
        // Of all that saw it, the one that moved least: the bus moved no more than that.
        let least = others.map(|(index, _)| {
            self.part_of(index).and_then(|part| part.excursion.volts()[phase]).unwrap_or(0.0)
        });
        least
            .reduce(|one, other| if one.abs() < other.abs() { one } else { other })
            .map(|change| (change, false))
    }
}

/// Whether all of a loaded feeder went at once, for good, with volts that did not fall, which it never does by itself.
fn empties(excursion: &Excursion, circuit: &CircuitPlan) -> bool {
    let Some(rated) = circuit.rated_a else { return false };
    let (carried, fell) = (ALL_AT_ONCE.0 * rated, ALL_AT_ONCE.1);
    let loaded = excursion.usual.amperes().iter().all(|usual| usual.is_some_and(|usual| usual >= carried));
    let stay = excursion.volts().into_iter().flatten().all(|change| change > -fell);
    excursion.lasting && !excursion.goes_off && excursion.nothing == Some(excursion.start) && loaded && stay
}

fn still(excursion: &Excursion) -> bool {
    excursion.volts().into_iter().flatten().all(|change| change.abs() < MOVED)
}

pub(super) fn is_told(told: &[Told], circuit: usize) -> bool {
    told.iter().any(|told| told.circuit == circuit)
}
