//! What one moment shows, kind by kind.

use super::{Face, Moment, PHASES};
use crate::electrical::phasors::{Rotation, Sequence, phasors};
use crate::electrical::unbalance::farthest;
use crate::measurand::{Measurand, Quantity};
use crate::phases::{PerPhase, Phase, Place};
use crate::wiring::WiringForm;

/// Volts below this share of nominal are dead.
const DEAD: f64 = 0.10;
/// An open lead floats at up to this share of nominal.
const FLOATS: f64 = 0.60;
/// Likewise between the lines, where half of the volts is what an open line shows.
const HALF_AT_MOST: f64 = 0.65;
/// Lines that stand have at least this share: of a phase that floats at [`FLOATS`] its lines have 0.81 at the most (phasors).
const LINES_STAND: f64 = 0.90;
/// A phase that is there has at least this share.
const THERE: f64 = 0.80;
/// Half volts: so much more or less.
const HALF: (f64, f64) = (0.40, 0.60);
/// 0.87 of nominal between the lines, so much more or less.
const SQRT_3_OVER_2: (f64, f64) = (0.75, 0.97);
/// Less than this between two lines whose phases have the same half volts.
const COLLAPSED: f64 = 0.20;
/// Running motors hold a dead line at this share of nominal, or of the other lines' volts.
const HELD: (f64, f64) = (0.60, 0.95);
/// Volts unbalanced by less than this per cent are not those of a lost line.
const LEAST_UNBALANCE_PERCENT: f64 = 8.0;
/// Amperes below this share of rated tell nothing.
const IDLE: f64 = 0.02;
/// Likewise where no rating is known, in amperes.
const IDLE_A: f64 = 1.0;
/// Amperes below this share of the other phases' mean have gone.
const GONE: f64 = 0.05;
/// And above this share they go on.
const GOES_ON: f64 = 0.20;
/// Two amperes are alike within this share of the larger.
const ALIKE: f64 = 0.25;
/// Twice the amperes of the other two, so much more or less.
const TWICE: (f64, f64) = (1.6, 2.4);
/// A spread of the volts to neutral from this per cent on is that of a bad neutral, while those between the lines spread less
/// than [`LINES_EQUAL_PERCENT`].
const NEUTRAL_SPREAD_PERCENT: f64 = 3.0;
/// See [`NEUTRAL_SPREAD_PERCENT`].
const LINES_EQUAL_PERCENT: f64 = 1.0;
/// The volts between two legs are those of the whole winding within this share.
const LEGS_WHOLE: f64 = 0.05;
/// The high leg stands at √3 times the others, within this share.
const HIGH_LEG: f64 = 0.05;

/// A moment per unit, without what the wiring form can't show.
pub(super) struct Seen {
    form: WiringForm,
    three_phase_only: bool,
    /// Per unit; absent where the form has no fixed volts to neutral.
    to_neutral: [Option<f64>; 3],
    /// Per unit; absent where the form has no such lines.
    between: [Option<f64>; 3],
    amperes: [Option<f64>; 3],
    watts: [Option<f64>; 3],
    /// Less than this is idle.
    idle_a: f64,
    volts: Option<Sequence>,
    currents: Option<Sequence>,
    dead_v: f64,
}

fn magnitude(value: Option<f64>) -> Option<f64> {
    value.filter(|value| value.is_finite() && *value >= 0.0)
}

fn all(values: [Option<f64>; 3]) -> Option<[f64; 3]> {
    Some([values[0]?, values[1]?, values[2]?])
}

fn within(value: f64, (low, high): (f64, f64)) -> bool {
    (low..=high).contains(&value)
}

/// The other two of three.
fn others(index: usize) -> [usize; 2] {
    [(index + 1) % 3, (index + 2) % 3]
}

/// The two pairs of lines, of AB, BC and CA, that a phase is in.
fn adjoining(phase: usize) -> [usize; 2] {
    [phase, (phase + 2) % 3]
}

/// The largest less the smallest, in per cent of the mean.
fn spread_percent(values: [f64; 3]) -> Option<f64> {
    let (high, low) =
        (values.iter().copied().fold(f64::MIN, f64::max), values.iter().copied().fold(f64::MAX, f64::min));
    let percent = 300.0 * (high - low) / values.iter().sum::<f64>();
    percent.is_finite().then_some(percent)
}

fn alike(one: f64, other: f64) -> bool {
    (one - other).abs() <= ALIKE * one.max(other)
}

impl Seen {
    pub(super) fn of(moment: &Moment) -> Self {
        let per_unit = |value: Option<f64>, what: Measurand, place: Place| {
            let nominal = moment.form.nominal_volts(moment.volts, Quantity::at(what, place))?;
            magnitude(value).map(|value| value / nominal).filter(|value| value.is_finite())
        };
        let (to_neutral, between) = (moment.to_neutral.values(), moment.between.values());
        let sequence = |magnitudes: PerPhase<Option<f64>>, degrees: PerPhase<Option<f64>>| {
            let three = phasors(all(magnitudes.values())?, all(degrees.values())?)?;
            (moment.form.phases() == 3).then(|| Sequence::of(three))
        };
        let rated = magnitude(moment.rated_a).map_or(IDLE_A, |rated| IDLE * rated);
        Self {
            form: moment.form,
            three_phase_only: moment.three_phase_only,
            to_neutral: [0, 1, 2]
                .map(|index| per_unit(to_neutral[index], Measurand::VoltageLn, Place::PHASES[index])),
            between: [0, 1, 2]
                .map(|index| per_unit(between[index], Measurand::VoltageLl, Place::LINES[index])),
            amperes: moment.amperes.values().map(magnitude),
            watts: moment.watts.values().map(|watts| watts.filter(|watts| watts.is_finite())),
            idle_a: rated,
            volts: sequence(moment.to_neutral, moment.volt_degrees),
            currents: sequence(moment.amperes, moment.ampere_degrees),
            dead_v: DEAD * moment.volts / 3f64.sqrt(),
        }
    }

    /// Nothing is left where there should be volts. Only where all that the form has are known, to neutral or between.
    pub(super) fn dead(&self) -> Option<Face> {
        let has = |what: Measurand, places: [Place; 3]| {
            places.map(|place| self.form.nominal_volts(1.0, Quantity::at(what, place)).is_some())
        };
        let highest_of = |values: [Option<f64>; 3], has: [bool; 3]| {
            let known = values.iter().zip(has).filter(|(_, has)| *has);
            let mut highest: Option<f64> = None;
            for (value, _) in known {
                highest = Some(highest.unwrap_or(0.0).max((*value)?));
            }
            highest
        };
        let neutral = highest_of(self.to_neutral, has(Measurand::VoltageLn, Place::PHASES));
        let between = highest_of(self.between, has(Measurand::VoltageLl, Place::LINES));
        let highest = match (neutral, between) {
            (Some(neutral), Some(between)) => neutral.max(between),
            (one, other) => one.or(other)?,
        };
        (highest < DEAD).then_some(Face::Dead { highest })
    }

    pub(super) fn lost_before_delta_wye(&self) -> Option<Face> {
        let (to_neutral, between) = (all(self.to_neutral), all(self.between));
        PHASES
            .into_iter()
            .find(|kept| {
                let kept = *kept as usize;
                let [one, other] = others(kept);
                let neutral_fits = to_neutral.map(|volts| {
                    volts[kept] >= THERE && within(volts[one], HALF) && within(volts[other], HALF)
                });
                let between_fits = between.map(|volts| {
                    let [one, other] = adjoining(kept).map(|pair| volts[pair]);
                    // Of the two phases with half volts: their pair is the one that the kept phase is not in.
                    let collapsed = volts[(kept + 1) % 3];
                    within(one, SQRT_3_OVER_2) && within(other, SQRT_3_OVER_2) && collapsed < COLLAPSED
                });
                matches!((neutral_fits, between_fits), (Some(true), Some(true) | None) | (None, Some(true)))
            })
            .map(|kept| Face::LostBeforeDeltaWye { kept, to_neutral, between })
    }

    pub(super) fn lost_with_motors(&self) -> Option<Face> {
        let volts = all(self.to_neutral).or(all(self.between))?;
        let amperes = all(self.amperes)?;
        let (low, high) =
            (volts.iter().copied().fold(f64::MAX, f64::min), volts.iter().copied().fold(0.0, f64::max));
        let unbalanced = farthest(volts, DEAD).is_ok_and(|far| far.percent.abs() >= LEAST_UNBALANCE_PERCENT);
        let held = unbalanced && low >= HELD.0 && low <= HELD.1 && high >= THERE;
        let kept = PHASES.into_iter().find(|kept| {
            let kept = *kept as usize;
            let [one, other] = others(kept).map(|index| amperes[index]);
            let mean = f64::midpoint(one, other);
            // To neutral the phase that keeps its volts is the one with the most amperes.
            let keeps = all(self.to_neutral).is_none_or(|volts| volts[kept] >= high);
            keeps && mean >= self.idle_a && alike(one, other) && within(amperes[kept] / mean, TWICE)
        });
        kept.filter(|_| held).map(|kept| Face::LostBeforeDeltaWyeMotorsRun { kept, volts, amperes })
    }

    /// The volts of one phase where they are gone while another phase has its own.
    fn floating(&self, phase: usize) -> Option<f64> {
        if let Some(volts) = self.to_neutral[phase] {
            let other_there =
                others(phase).into_iter().any(|other| self.to_neutral[other].is_some_and(|v| v >= THERE));
            // Where both pairs of lines that it is in stand, the neutral has moved and the phase is there.
            let lines_stand =
                adjoining(phase).into_iter().all(|pair| self.between[pair].is_some_and(|v| v >= LINES_STAND));
            return (volts < FLOATS && other_there && !lines_stand).then_some(volts);
        }
        let opposite = self.between[(phase + 1) % 3]?;
        let [one, other] = adjoining(phase).map(|pair| self.between[pair]);
        let higher = one?.max(other?);
        (higher <= HALF_AT_MOST && opposite >= THERE).then_some(higher)
    }

    pub(super) fn gone(&self, phase: Phase) -> Option<Face> {
        let index = phase as usize;
        let volts = self.floating(index)?;
        let amperes = self.amperes[index];
        // What the phases that have their volts carry.
        let left: [Option<f64>; 2] =
            others(index).map(|other| self.amperes[other].filter(|_| self.floating(other).is_none()));
        let others = match left {
            [Some(one), Some(other)] => Some(f64::midpoint(one, other)),
            [one, other] => one.or(other),
        };
        Some(match (amperes, others) {
            (Some(amperes), _)
                if amperes >= self.idle_a && others.is_none_or(|others| amperes >= GOES_ON * others) =>
            {
                Face::MeterFuse { phase, volts, amperes, watts: self.watts[index] }
            }
            (Some(amperes), Some(others)) if others >= self.idle_a && amperes <= GONE * others => {
                Face::PhaseLost { phase, volts, amperes, others }
            }
            _ => Face::VoltsGone { phase, volts, amperes },
        })
    }

    /// The phase without amperes beside two that have like ones.
    fn without_amperes(&self) -> Option<(Phase, [f64; 3])> {
        let amperes = all(self.amperes)?;
        let phase = PHASES.into_iter().find(|phase| {
            let [one, other] = others(*phase as usize).map(|index| amperes[index]);
            let mean = f64::midpoint(one, other);
            mean >= self.idle_a && alike(one, other) && amperes[*phase as usize] <= GONE * mean
        })?;
        Some((phase, amperes))
    }

    pub(super) fn held_by_motors(&self) -> Option<Face> {
        let (phase, amperes) = self.without_amperes()?;
        let to_neutral = all(self.to_neutral)?;
        let volts = to_neutral[phase as usize];
        let [one, other] = others(phase as usize).map(|index| to_neutral[index]);
        let lower = one.min(other);
        (lower >= THERE && within(volts / lower, HELD)).then_some(Face::HeldByMotors {
            phase,
            volts,
            amperes,
        })
    }

    pub(super) fn open_towards_load(&self) -> Option<Face> {
        let (phase, amperes) = self.without_amperes()?;
        let volts = all(self.to_neutral).or(all(self.between))?;
        let high = volts.iter().copied().fold(0.0, f64::max);
        let good = high >= THERE && volts.iter().all(|volts| *volts >= HELD.1 * high);
        (self.three_phase_only && good).then_some(Face::OpenTowardsLoad { phase, amperes })
    }

    pub(super) fn open_neutral(&self) -> Option<Face> {
        let to_neutral = self.to_neutral;
        let (spread_percent, lines_percent) = match self.form {
            WiringForm::Wye => (spread_percent(all(to_neutral)?)?, spread_percent(all(self.between)?)?),
            WiringForm::SplitPhase => {
                let (a, b, both) = (to_neutral[0]?, to_neutral[1]?, self.between[0]?);
                // Both legs are of one winding, so they add up to the whole of it.
                let whole = (both - 1.0).abs() <= LEGS_WHOLE
                    && (f64::midpoint(a, b) - both).abs() <= LINES_EQUAL_PERCENT / 100.0;
                let spread = 200.0 * (a - b).abs() / (a + b);
                (whole && spread.is_finite()).then_some((spread, 100.0 * (both - 1.0).abs()))?
            }
            _ => return None,
        };
        let equal = self.form == WiringForm::SplitPhase || lines_percent < LINES_EQUAL_PERCENT;
        let known = PHASES.into_iter().filter_map(|phase| Some((phase, to_neutral[phase as usize]?)));
        let (highest, volts) = known.max_by(|one, other| one.1.total_cmp(&other.1))?;
        (equal && spread_percent >= NEUTRAL_SPREAD_PERCENT && volts >= THERE).then_some(Face::OpenNeutral {
            highest,
            volts,
            spread_percent,
            lines_percent,
        })
    }

    pub(super) fn high_leg(&self) -> Option<Face> {
        let (volts, between) = (all(self.to_neutral)?, all(self.between)?);
        if self.form != WiringForm::Wye || spread_percent(between)? >= 2.0 * LINES_EQUAL_PERCENT {
            return None;
        }
        PHASES.into_iter().find_map(|phase| {
            let [one, other] = others(phase as usize).map(|index| volts[index]);
            let ratio = volts[phase as usize] / f64::midpoint(one, other);
            let like = (one - other).abs() <= HIGH_LEG * one;
            let high = (ratio / 3f64.sqrt() - 1.0).abs() <= HIGH_LEG;
            (like && high).then_some(Face::HighLeg { phase, ratio })
        })
    }

    pub(super) fn volts_backwards(&self) -> Option<Face> {
        let volts = self.volts?;
        let [_, positive, negative] = volts.magnitudes().ok()?;
        (volts.rotation(self.dead_v) == Some(Rotation::Acb))
            .then_some(Face::VoltsBackwards { positive, negative })
    }

    pub(super) fn amperes_against_volts(&self) -> Option<Face> {
        let (volts, currents) = (self.volts?, self.currents?);
        let [_, positive, negative] = currents.magnitudes().ok()?;
        let (of_volts, of_amperes) = (volts.rotation(self.dead_v)?, currents.rotation(self.idle_a)?);
        (of_volts != of_amperes).then_some(Face::AmperesAgainstVolts { positive, negative })
    }
}
