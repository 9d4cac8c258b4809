//! Which faces of a lost conductor, of a blown fuse of the meter and of a wrong configuration stand at one meter, and since when.

use super::ear::Ear;
use super::heard::{Heard, VOLTS, idle};
use crate::diagnosis::cause::Cause;
use crate::diagnosis::look::Three;
use crate::diagnosis::plan::CircuitPlan;
use crate::electrical::lost_phase::{self, Face};
use crate::phases::{Phase, Place};
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// Faces of one meter that are remembered: what stands, and what has gone until the slowest meter has passed it.
const MOST_FACES: usize = 8;
/// A face that has gone is remembered for so long.
const REMEMBERED: Span = Span::minutes(12);
/// Volts that fall by this share with their amperes gone are lost, whatever turning motors hold them at (common practice, no
/// source).
const FELL: f64 = 0.05;
/// Amperes up to this share of the usual ones have gone.
const GONE: f64 = 0.05;
/// And from this share on they go on.
const GOES_ON: f64 = 0.3;
/// Two phases in series have the same amperes, up to what meters differ by (common practice, no source).
const SAME: f64 = 0.06;
/// A phase that keeps its volts has changed by no more than this share, beside what its own amperes take within the unit.
const KEEPS: f64 = 0.03;
/// Impedance of a unit of which it is not known, per unit: low-voltage dry units have 2 to 6 % (common practice, no source).
const IMPEDANCE: f64 = 0.05;
/// The phase that is left alone carries so many times the two that are in series, at least: two by theory, or more where those
/// were unequal. A line of the supply that sags to half leaves impedances 1.31 times (circuit theory).
const ALONE: f64 = 1.5;
/// Volts to neutral spread by this per cent burn single-phase loads; or one of them is above this, per unit (handbook of the
/// trade; common practice, no source).
const BURNS: (f64, f64) = (6.0, 1.10);

/// A face that stands or stood at one meter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Stand {
    pub(super) cause: Cause,
    pub(super) place: Place,
    pub(super) since: EventTime,
    /// Its last reading.
    pub(super) last: EventTime,
    /// The first reading at which it had stood for as long as it must.
    pub(super) stood: Option<EventTime>,
    /// The first reading without it.
    pub(super) gone: Option<EventTime>,
    /// The number that proves it, the worst so far; and what it is compared with.
    pub(super) value: f64,
    pub(super) against: Option<f64>,
    /// Amperes there, and the mean of the others.
    pub(super) amperes: Option<(f64, f64)>,
    /// Motors run on what is left.
    pub(super) turning: bool,
    /// People were told.
    pub(super) told: bool,
}

/// What a reading shows.
#[derive(Clone, Copy)]
struct Shown {
    cause: Cause,
    place: Place,
    value: f64,
    against: Option<f64>,
    amperes: Option<(f64, f64)>,
    turning: bool,
}

impl Stand {
    /// How long it must have stood.
    fn hold(&self, on_feeder: bool) -> Span {
        match self.cause {
            // An urgent face within five seconds (handbook of the trade, common practice); on a feeder what comes back within
            // ten is a contact that lets go.
            Cause::LostPhase if on_feeder => Span::seconds(10),
            Cause::LostPhase | Cause::Neutral => Span::seconds(5),
            // A dip of the supply on one of its lines looks like it but for motors, and lasts a few seconds at the most.
            Cause::LostPrimaryLine if self.turning => Span::seconds(5),
            Cause::LostPrimaryLine => Span::seconds(6),
            // Nobody is in danger: time enough to see that it stays.
            Cause::MeterFuse => Span::seconds(30),
            _ => Span::seconds(60),
        }
    }

    /// Whether it stood at that moment, and had for long enough.
    pub(super) fn stands(&self, at: EventTime) -> bool {
        self.stood.is_some_and(|stood| stood <= at) && self.gone.is_none_or(|gone| gone > at)
    }
}

/// Follows the faces of a meter by one reading. While it settles nothing new begins.
pub(super) fn faces(
    ear: &mut Ear,
    circuit: &CircuitPlan,
    (at, fits): (EventTime, bool),
    now: &Heard,
    settles: bool,
) {
    let dead = ear.is_dead(at);
    let mut shown: [Option<Shown>; 6] = [None; 6];
    if !dead {
        see(ear, circuit, now, &mut shown);
    }
    let told = |shown: &&Shown| fits || shown.cause == Cause::HighLeg;
    for shown in shown.iter().flatten().filter(told) {
        let known = ear
            .faces
            .iter_mut()
            .find(|face| face.gone.is_none() && (face.cause, face.place) == (shown.cause, shown.place));
        if let Some(face) = known {
            face.last = at;
            face.turning |= shown.turning;
            if face.stood.is_none() && at - face.since >= face.hold(circuit.feeder.is_some()) {
                face.stood = Some(at);
            }
            (face.value, face.against) = (face.value.max(shown.value), shown.against.or(face.against));
            face.amperes = shown.amperes.or(face.amperes);
        } else if !settles {
            if ear.faces.len() >= MOST_FACES {
                ear.faces.remove(0);
            }
            let Shown { cause, place, value, against, amperes, turning } = *shown;
            let (since, last, told, stood) = (at, at, false, None);
            ear.faces.push(Stand {
                cause,
                place,
                since,
                last,
                stood,
                gone: None,
                value,
                against,
                amperes,
                turning,
                told,
            });
        }
    }
    for face in ear.faces.iter_mut().filter(|face| face.gone.is_none() && face.last != at) {
        face.gone = Some(at);
    }
    ear.faces.retain(|face| face.gone.is_none_or(|gone| at - gone < REMEMBERED));
}

fn see(ear: &Ear, circuit: &CircuitPlan, now: &Heard, shown: &mut [Option<Shown>; 6]) {
    let mut free = shown.iter_mut();
    let mut add = |found: Shown| {
        if let Some(free) = free.next() {
            *free = Some(found);
        }
    };
    let plain = |cause, phase: Phase, value| Shown {
        cause,
        place: Place::from(phase),
        value,
        against: None,
        amperes: None,
        turning: false,
    };
    let lost = |per_unit: f64| 100.0 * (1.0 - per_unit).max(0.0);
    let series = in_series(ear, circuit, now);
    let mut lines = false;
    let mut phases = [false; 3];
    for face in lost_phase::faces(&now.picture(circuit)) {
        match face {
            Face::LostBeforeDeltaWye { kept, to_neutral, between } => {
                lines = true;
                let lowest = to_neutral.or(between).into_iter().flatten().fold(1.0, f64::min);
                add(plain(Cause::LostPrimaryLine, kept, lost(lowest)));
            }
            Face::LostBeforeDeltaWyeMotorsRun { kept, volts, amperes } if !lines => {
                lines = true;
                let others = (amperes.iter().sum::<f64>() - amperes[kept as usize]) / 2.0;
                let lowest = volts.into_iter().fold(1.0, f64::min);
                add(Shown {
                    amperes: Some((amperes[kept as usize], others)),
                    turning: true,
                    ..plain(Cause::LostPrimaryLine, kept, lost(lowest))
                });
            }
            Face::PhaseLost { phase, volts, amperes, others } => {
                phases[phase as usize] = true;
                add(Shown {
                    amperes: Some((amperes, others)),
                    ..plain(Cause::LostPhase, phase, lost(volts))
                });
            }
            Face::HeldByMotors { phase, volts, amperes } => {
                phases[phase as usize] = true;
                let others = (amperes.iter().sum::<f64>() - amperes[phase as usize]) / 2.0;
                add(Shown {
                    amperes: Some((amperes[phase as usize], others)),
                    turning: true,
                    ..plain(Cause::LostPhase, phase, lost(volts))
                });
            }
            Face::OpenTowardsLoad { phase, amperes } => {
                phases[phase as usize] = true;
                let others = (amperes.iter().sum::<f64>() - amperes[phase as usize]) / 2.0;
                add(Shown {
                    amperes: Some((amperes[phase as usize], others)),
                    ..plain(Cause::LostPhase, phase, 100.0)
                });
            }
            Face::MeterFuse { phase, volts, amperes, .. } => {
                // What motors or other loads feed back into a lost phase is less than was usual.
                let usual = ear.usual.0[VOLTS + phase as usize];
                let goes_on = usual.is_none_or(|usual| amperes >= GOES_ON * usual);
                // Of two windings in series one may be left with little.
                if goes_on && series.is_none() {
                    add(Shown {
                        amperes: Some((amperes, amperes)),
                        ..plain(Cause::MeterFuse, phase, lost(volts))
                    });
                }
            }
            Face::OpenNeutral { volts, spread_percent, .. }
                if spread_percent >= BURNS.0 || volts > BURNS.1 =>
            {
                let found = plain(Cause::Neutral, Phase::A, spread_percent);
                add(Shown { place: Place::N, against: Some(BURNS.0), ..found });
            }
            Face::HighLeg { phase, ratio } => {
                add(Shown { against: Some(1.0), ..plain(Cause::HighLeg, phase, ratio) });
            }
            _ => {}
        }
    }
    if let (false, Some((phase, found))) = (lines, fell_silent(ear, circuit, now)) {
        if !phases[phase as usize] {
            add(Shown { amperes: Some(found.1), ..plain(Cause::LostPhase, phase, found.0) });
        }
    } else if let (false, Some((kept, found))) = (lines || phases != [false; 3], series) {
        add(Shown { amperes: Some(found.1), ..plain(Cause::LostPrimaryLine, kept, found.0) });
    }
}

/// Volts that a phase lost in per cent, its amperes, and the mean of the others.
type Found = (f64, (f64, f64));

/// A phase whose volts fell and whose usual amperes are gone while the others go on, whatever its volts are held at.
fn fell_silent(ear: &Ear, circuit: &CircuitPlan, now: &Heard) -> Option<(Phase, Found)> {
    let stood = |phase: usize| {
        let place = Place::PHASES[phase];
        ear.faces
            .iter()
            .any(|face| face.gone.is_none() && (face.cause, face.place) == (Cause::LostPhase, place))
    };
    let (volts, amperes, usual) = (now.volts_against(&ear.usual), now.amperes(), ear.usual.amperes());
    [Phase::A, Phase::B, Phase::C].into_iter().find_map(|phase| {
        let index = phase as usize;
        let others = [(index + 1) % 3, (index + 2) % 3];
        let left = usual[index].filter(|usual| *usual >= 2.0 * idle(circuit))?;
        let fell = volts[index].filter(|change| *change <= -FELL || (stood(index) && *change < -KEEPS))?;
        let gone = amperes[index].filter(|amperes| *amperes <= GONE * left)?;
        let go_on = others.iter().any(|other| {
            let usual = usual[*other].filter(|usual| *usual >= idle(circuit));
            amperes[*other].zip(usual).is_some_and(|(amperes, usual)| amperes >= GOES_ON * usual)
        });
        let less = others.iter().all(|other| volts[*other].is_none_or(|change| change > fell / 2.0));
        let mean = mean_of(amperes, others)?;
        (go_on && less).then_some((phase, (-100.0 * fell, (gone, mean))))
    })
}

/// Behind a delta–wye unit that has lost a line two of its windings are in series: the same amperes flow in both, whatever hangs
/// there, both lose volts, and the third keeps its own (circuit theory).
fn in_series(ear: &Ear, circuit: &CircuitPlan, now: &Heard) -> Option<(Phase, Found)> {
    if !(circuit.behind_delta_wye && circuit.side.is_some()) {
        return None;
    }
    let (volts, amperes, usual) = (now.volts_against(&ear.usual), now.amperes(), ear.usual.amperes());
    let stands = ear.faces.iter().any(|face| face.gone.is_none() && face.cause == Cause::LostPrimaryLine);
    [Phase::A, Phase::B, Phase::C].into_iter().find_map(|phase| {
        let index = phase as usize;
        let others @ [one, other] = [(index + 1) % 3, (index + 2) % 3];
        let fell = volts[one]?.max(volts[other]?);
        let gained = amperes[index]? - usual[index]?;
        let own = circuit.rated_a.filter(|rated| *rated > 0.0).map_or(0.0, |rated| gained.max(0.0) / rated);
        let change = volts[index]? + circuit.impedance.unwrap_or(IMPEDANCE) * own;
        let keeps = change.abs() <= if stands { 2.0 * KEEPS } else { KEEPS };
        let (first, second) = (amperes[one]?, amperes[other]?);
        let same = first.min(second) >= idle(circuit) && (first - second).abs() <= SAME * first.max(second);
        let mean = mean_of(amperes, others)?;
        let before = usual[index]? / mean_of(usual, others)?;
        let alone = amperes[index]? >= ALONE * before * mean;
        (fell <= -FELL && keeps && same && alone)
            .then_some((phase, (-100.0 * volts[one]?.min(volts[other]?), (amperes[index]?, mean))))
    })
}

fn mean_of(three: Three, [one, other]: [usize; 2]) -> Option<f64> {
    match (three[one], three[other]) {
        (Some(one), Some(other)) => Some(f64::midpoint(one, other)),
        (one, other) => one.or(other),
    }
}
