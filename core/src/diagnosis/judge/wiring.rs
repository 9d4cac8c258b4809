//! Is a meter connected as it is drawn: for every way in which current transformers can be turned or exchanged, how well the
//! powers of the phases fit it, with one angle of the load for all of them.
//!
//! The hypotheses and what each does to the powers of the phases: worked by phasors from four-wire theory. Fifteen minutes
//! with each current above a floor, and what counts as a fit, are common practice, no source.

use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::docket::{Claim, Docket};
use crate::diagnosis::look::{CircuitNow, Look, of_sign};
use crate::diagnosis::plan::CircuitPlan;
use crate::diagnosis::sign::Sign;
use crate::phases::Place;
use crate::plan::GRID_STEP;
use crate::plant::Priority;
use crate::time::Span;
use crate::wiring::WiringForm;
use serde::{Deserialize, Serialize};

/// So long the powers are gathered before they are judged.
const GATHERED: Span = Span::minutes(15);
/// Each current must be above this share of the rated one.
const LEAST_CURRENT: f64 = 0.1;
/// As drawn it fits worse than this: something is wrong. A squared difference of unit phasors over the three phases;
/// phases whose power factors lie 0.2 apart have 0.05.
const MISFIT: f64 = 0.5;
/// Another way fits at least so well, and so many times better than the next.
const FIT: f64 = 0.12;
const CLEARLY: f64 = 2.5;
/// Angles of a load that occur: leading 25° to lagging 60° (power factor 0.5), in steps of 5°.
const ANGLES: std::ops::RangeInclusive<i32> = -5..=12;
const ANGLE_STEP: f64 = 5.0;

/// Which current transformer stands on which phase, and turned which way.
#[derive(Debug, Clone, Copy)]
struct Hypothesis {
    /// The true phase whose current reaches the meter's input A, B, C.
    current: [usize; 3],
    /// −1 where it is turned.
    sign: [f64; 3],
    /// The input that it is traced to; `None`: all.
    place: Option<Place>,
    what: Sign,
}

const STRAIGHT: [usize; 3] = [0, 1, 2];
const ALIKE: [f64; 3] = [1.0; 3];

/// As drawn comes first.
const HYPOTHESES: [Hypothesis; 13] = [
    hypothesis(STRAIGHT, ALIKE, None, Sign::AsDrawn),
    hypothesis(STRAIGHT, [-1.0, 1.0, 1.0], Some(Place::A), Sign::CurrentTurned),
    hypothesis(STRAIGHT, [1.0, -1.0, 1.0], Some(Place::B), Sign::CurrentTurned),
    hypothesis(STRAIGHT, [1.0, 1.0, -1.0], Some(Place::C), Sign::CurrentTurned),
    hypothesis(STRAIGHT, [1.0, -1.0, -1.0], Some(Place::BC), Sign::CurrentTurned),
    hypothesis(STRAIGHT, [-1.0, 1.0, -1.0], Some(Place::CA), Sign::CurrentTurned),
    hypothesis(STRAIGHT, [-1.0, -1.0, 1.0], Some(Place::AB), Sign::CurrentTurned),
    hypothesis(STRAIGHT, [-1.0; 3], None, Sign::CurrentTurned),
    hypothesis([1, 0, 2], ALIKE, Some(Place::AB), Sign::CurrentsExchanged),
    hypothesis([0, 2, 1], ALIKE, Some(Place::BC), Sign::CurrentsExchanged),
    hypothesis([2, 1, 0], ALIKE, Some(Place::CA), Sign::CurrentsExchanged),
    hypothesis([1, 2, 0], ALIKE, None, Sign::CurrentsExchanged),
    hypothesis([2, 0, 1], ALIKE, None, Sign::CurrentsExchanged),
];
/// All three turned: looks like export, and is one where power flows back.
const ALL_TURNED: usize = 7;

const fn hypothesis(current: [usize; 3], sign: [f64; 3], place: Option<Place>, what: Sign) -> Hypothesis {
    Hypothesis { current, sign, place, what }
}

/// What is gathered of each circuit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Wiring {
    circuits: Vec<Gathered>,
}

/// Sums of the phases' cosine and sine of the angle between volts and amperes, as the meter shows them.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Gathered {
    cos: [f64; 3],
    sin: [f64; 3],
    steps: u32,
    has_sin: bool,
    /// Whether a quarter of an hour was ever gathered.
    is_judged: bool,
    /// What the latest quarter of an hour said: which hypothesis, and how well it and the drawn one fit.
    found: Option<(u8, f64, f64)>,
}

impl Wiring {
    pub(crate) fn new(circuits: usize) -> Self {
        Self { circuits: vec![Gathered::default(); circuits] }
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        for ((index, plan, now), gathered) in look.all().zip(&mut self.circuits) {
            if plan.form != WiringForm::Wye {
                continue;
            }
            if gathered.take(plan, now) {
                if GRID_STEP.times(i64::from(gathered.steps)) >= GATHERED {
                    *gathered = Gathered { found: gathered.fits(), is_judged: true, ..Gathered::default() };
                }
                if gathered.is_judged && gathered.found.is_none() {
                    docket.none(Cause::MeterWiring, index, None);
                }
            }
            let Some((which, fit, drawn)) = gathered.found else { continue };
            let hypothesis = HYPOTHESES[usize::from(which)];
            let mark =
                of_sign(hypothesis.what, hypothesis.place.unwrap_or(Place::Whole), index, drawn).against(fit);
            docket.figure(Family::Instrument, mark);
            let confidence = if usize::from(which) == ALL_TURNED { 0.6 } else { 0.9 };
            let claim = Claim::new(Cause::MeterWiring, index, hypothesis.place, Priority::Low, mark);
            docket.claim(claim.sure(confidence));
        }
    }
}

impl Gathered {
    /// Takes a step in which everything was measured and every phase loaded.
    fn take(&mut self, plan: &CircuitPlan, now: &CircuitNow) -> bool {
        let Some(rated) = plan.rated_a.filter(|rated| *rated > 0.0) else { return false };
        let mut cos = [0.0; 3];
        let mut sin = [None; 3];
        for phase in 0..3 {
            let (Some(volts), Some(amperes), Some(watts)) =
                (now.ln[phase], now.amperes[phase], now.watts[phase])
            else {
                return false;
            };
            let apparent = volts * amperes;
            if amperes < LEAST_CURRENT * rated || apparent <= 0.0 {
                return false;
            }
            cos[phase] = watts / apparent;
            sin[phase] = now.vars[phase].map(|vars| vars / apparent);
        }
        let all = sin.iter().all(Option::is_some);
        if self.steps > 0 && all != self.has_sin {
            *self = Self { found: self.found, is_judged: self.is_judged, ..Self::default() };
        }
        self.has_sin = all;
        for phase in 0..3 {
            self.cos[phase] += cos[phase];
            self.sin[phase] += sin[phase].unwrap_or(0.0);
        }
        self.steps += 1;
        true
    }

    /// The one way other than drawn that fits, where the drawn one does not: which, how well, and how well the drawn one.
    fn fits(&self) -> Option<(u8, f64, f64)> {
        let count = f64::from(self.steps);
        let cos = self.cos.map(|sum| sum / count);
        let sin = self.has_sin.then(|| self.sin.map(|sum| sum / count));
        let of = |hypothesis: &Hypothesis| misfit(hypothesis, cos, sin);
        let drawn = of(&HYPOTHESES[0]);
        if drawn < MISFIT {
            return None;
        }
        let mut best = (0u8, f64::INFINITY);
        let mut next = f64::INFINITY;
        for (number, hypothesis) in (0u8..).zip(&HYPOTHESES).skip(1) {
            let fit = of(hypothesis);
            if fit < best.1 {
                next = best.1;
                best = (number, fit);
            } else {
                next = next.min(fit);
            }
        }
        let clear = best.1 < FIT && next > CLEARLY * best.1.max(FIT / CLEARLY / 2.0);
        clear.then_some((best.0, best.1, drawn))
    }
}

/// How far what the meter shows lies from what it would show wired so, at the angle of the load that fits best.
fn misfit(hypothesis: &Hypothesis, cos: [f64; 3], sin: Option<[f64; 3]>) -> f64 {
    let at = |load: f64| -> f64 {
        (0..3)
            .map(|input| {
                // Behind A by 120° for each phase; what reaches an input from another phase is so much further behind.
                let behind = 120.0 * (hypothesis.current[input] as f64 - input as f64);
                let angle = (load + behind).to_radians();
                let (shown_sin, shown_cos) = angle.sin_cos();
                let sign = hypothesis.sign[input];
                let by_cos = (cos[input] - sign * shown_cos).powi(2);
                let by_sin = sin.map_or(0.0, |sin| (sin[input] - sign * shown_sin).powi(2));
                by_cos + by_sin
            })
            .sum()
    };
    ANGLES.map(|step| at(f64::from(step) * ANGLE_STEP)).fold(f64::INFINITY, f64::min)
}
