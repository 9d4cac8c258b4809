//! A drive that lost one of its input fuses: it goes on by two lines and suddenly draws third order on these, while the third
//! line's amperes fall. What it draws flows between two lines, so that nothing of it meets in the neutral; and the volts stand,
//! which tells it from a lost phase (a bridge on one pair of lines is a single-phase rectifier: textbook).

use super::held::{Held, Level};
use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::confidence::weight;
use crate::diagnosis::docket::{Claim, Docket};
use crate::diagnosis::look::{Look, of_sign};
use crate::diagnosis::plan::CircuitPlan;
use crate::diagnosis::sign::Sign;
use crate::diagnosis::trace::{Fade, Lately, Mean};
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::Span;
use serde::{Deserialize, Serialize};

/// What is usual looks so far back (common practice, no source).
const USUAL: Span = Span::hours(2);
/// It is known by half an hour of it.
const USUAL_KNOWN: f64 = 0.22;
/// It stands so long first: a machine that changes over is done with it.
const AFTER: Span = Span::minutes(5);
/// Third order that came on two lines: least amperes of the rating; the smaller of the two of the larger; what the third line
/// may gain of them; and what that line lost of them (common practice, no source).
const LEAST: f64 = 0.03;
const ALIKE: f64 = 0.6;
const OTHER: f64 = 0.35;
const LOST: f64 = 0.5;
/// Third order that meets in the neutral, of what the two lines have together: of loads to neutral it is all.
const IN_NEUTRAL: f64 = 0.5;
/// As it is found when all began with the fault: third order of the fundamental on two lines, and the third line of these.
const THIRD: f64 = 0.3;
const IDLE: f64 = 0.4;
/// Below this share of its setpoint it is gone.
const BACK: f64 = 0.7;

/// What is remembered by circuit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct DriveFuse {
    circuits: Vec<Memory>,
}

#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Memory {
    third: [Mean; 3],
    amperes: [Mean; 3],
    neutral: Mean,
    held: Held,
}

/// What speaks for it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Found {
    /// The line that is gone.
    line: usize,
    /// Third order that came, amperes of the smaller of two.
    third_a: f64,
    /// What is left of the line against the two others.
    left: f64,
    /// Of the setpoint.
    size: f64,
}

impl DriveFuse {
    pub(crate) fn new(circuits: usize) -> Self {
        Self { circuits: vec![Memory::default(); circuits] }
    }

    pub(crate) fn shift(&mut self, by: Span) {
        self.circuits.iter_mut().for_each(|memory| memory.held.shift(by));
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        let fade = Fade::of(look.fade.passed, USUAL);
        for (circuit, memory) in self.circuits.iter_mut().enumerate() {
            let (plan, lately) = (&look.plan.circuits[circuit], &look.lately[circuit]);
            // The transformer's own side is judged only where no feeder is metered: it is some feeder's drive.
            let own = plan.side.is_some();
            if own && (circuit != look.plan.load || look.sharing().next().is_some()) {
                continue;
            }
            let Some(found) = memory.find(plan, lately) else { continue };
            let size = found.map_or(0.0, |found| found.size);
            if size < BACK {
                memory.learn(lately, fade);
            }
            if docket.holds(Family::Unbalance, circuit) || docket.holds(Family::Instrument, circuit) {
                continue;
            }
            let line = found.map(|found| Place::PHASES[found.line]);
            let level = Level { of_setpoint: Some(size), back: BACK, span: AFTER };
            let traced =
                memory.held.follow((Cause::DriveFuse, circuit), level, (look, docket), || (circuit, line));
            if let (Some(traced), Some(found)) = (traced, found) {
                let place = Place::PHASES[found.line];
                let proof = of_sign(Sign::ThirdGained, place, circuit, found.third_a);
                let left = of_sign(Sign::LineOfOthers, place, circuit, 100.0 * found.left).against(100.0);
                let claim = Claim::new(Cause::DriveFuse, traced.circuit, traced.place, Priority::High, proof)
                    .with(Some(left))
                    .weighs(weight(found.size, 2));
                docket.claim(claim);
            }
        }
    }
}

impl Memory {
    fn learn(&mut self, lately: &Lately, fade: Fade) {
        let keep = |means: &mut [Mean; 3], values: [Option<f64>; 3]| {
            means.iter_mut().zip(values).for_each(|(mean, value)| mean.take(value, fade));
        };
        keep(&mut self.third, lately.order(3));
        keep(&mut self.amperes, lately.amperes());
        self.neutral.take(lately.neutral_rest_a(), fade);
    }

    /// `None` where it can't be looked for.
    #[expect(clippy::option_option, reason = "not looked for is not the same as not there")]
    fn find(&self, plan: &CircuitPlan, lately: &Lately) -> Option<Option<Found>> {
        let rated = plan.rated_a.filter(|rated| *rated > 0.0)?;
        let ([Some(_), Some(_), Some(_)], [Some(_), Some(_), Some(_)]) = (lately.order(3), lately.amperes())
        else {
            return None;
        };
        let known = |three: [Option<f64>; 3]| three.map(Option::unwrap_or_default);
        let (third, amperes) = (known(lately.order(3)), known(lately.amperes()));
        let known_by = |means: [Mean; 3]| means.map(|mean| mean.by(USUAL_KNOWN));
        let (usual, before) = (known_by(self.third), known_by(self.amperes));
        let all_known = usual.iter().chain(&before).all(Option::is_some);
        let found = |line: usize| {
            let (one, other) = ((line + 1) % 3, (line + 2) % 3);
            let left = 2.0 * amperes[line] / (amperes[one] + amperes[other]);
            let gained = |phase: usize| third[phase] - usual[phase].unwrap_or_default();
            let (less, more) = (gained(one).min(gained(other)), gained(one).max(gained(other)));
            let lost = before[line].unwrap_or_default() - amperes[line];
            let to_neutral =
                lately.neutral_rest_a().map(|rest| rest - self.neutral.by(USUAL_KNOWN).unwrap_or_default());
            let apart = to_neutral.is_none_or(|rest| rest < IN_NEUTRAL * 2.0 * more);
            let came = all_known
                && less > ALIKE * more
                && gained(line) < OTHER * more
                && lost > LOST * less
                && apart;
            let of_fundamental = |phase: usize| third[phase] / amperes[phase];
            let stands = left < IDLE
                && of_fundamental(one).min(of_fundamental(other)) > THIRD
                && third[one].min(third[other]) > ALIKE * third[one].max(third[other])
                && lately.neutral_rest_a().is_none_or(|rest| rest < IN_NEUTRAL * (third[one] + third[other]));
            let third_a = if came { less } else { third[one].min(third[other]) };
            let size = third_a / (LEAST * rated);
            (came || stands).then_some(Found { line, third_a, left, size })
        };
        let best = (0..3).filter_map(found).max_by(|one, other| one.size.total_cmp(&other.size));
        Some(best)
    }
}
