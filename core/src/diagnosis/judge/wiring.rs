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
use crate::time::{EventTime, Span};
use crate::wiring::WiringForm;
use serde::{Deserialize, Serialize};

/// So long the powers are gathered before they are judged.
const GATHERED: Span = Span::minutes(15);
/// Each current must be above this share of the rated one.
const LEAST_CURRENT: f64 = 0.05;
/// As drawn it fits worse than this: something is wrong. A squared difference of unit phasors over the three phases;
/// phases whose power factors lie 0.2 apart have 0.05.
const MISFIT: f64 = 0.5;
/// Another way fits at least so well, and so many times better than the next.
const FIT: f64 = 0.12;
const CLEARLY: f64 = 2.5;
/// Angles of a load that occur: leading 25° to lagging 60° (power factor 0.5), in steps of 5°.
const ANGLES: std::ops::RangeInclusive<i32> = -5..=12;
const ANGLE_STEP: f64 = 5.0;

/// How far the current of each input lies behind where it would as drawn, and turned which way.
#[derive(Debug, Clone, Copy)]
struct Hypothesis {
    /// Degrees behind, by input: a current of the next phase is 120° behind, volts of the next phase make it 120° ahead.
    behind: [f64; 3],
    /// −1 where it is turned.
    sign: [f64; 3],
    /// The input that it is traced to; `None`: all.
    place: Option<Place>,
    what: Sign,
}

const STRAIGHT: [f64; 3] = [0.0; 3];
const ALIKE: [f64; 3] = [1.0; 3];

/// As drawn comes first.
const HYPOTHESES: [Hypothesis; 16] = [
    hypothesis(STRAIGHT, ALIKE, None, Sign::AsDrawn),
    hypothesis(STRAIGHT, [-1.0, 1.0, 1.0], Some(Place::A), Sign::CurrentTurned),
    hypothesis(STRAIGHT, [1.0, -1.0, 1.0], Some(Place::B), Sign::CurrentTurned),
    hypothesis(STRAIGHT, [1.0, 1.0, -1.0], Some(Place::C), Sign::CurrentTurned),
    hypothesis(STRAIGHT, [1.0, -1.0, -1.0], Some(Place::BC), Sign::CurrentTurned),
    hypothesis(STRAIGHT, [-1.0, 1.0, -1.0], Some(Place::CA), Sign::CurrentTurned),
    hypothesis(STRAIGHT, [-1.0, -1.0, 1.0], Some(Place::AB), Sign::CurrentTurned),
    hypothesis(STRAIGHT, [-1.0; 3], None, Sign::CurrentTurned),
    hypothesis([120.0, -120.0, 0.0], ALIKE, Some(Place::AB), Sign::CurrentsExchanged),
    hypothesis([0.0, 120.0, -120.0], ALIKE, Some(Place::BC), Sign::CurrentsExchanged),
    hypothesis([-120.0, 0.0, 120.0], ALIKE, Some(Place::CA), Sign::CurrentsExchanged),
    hypothesis([-120.0, 120.0, 0.0], ALIKE, Some(Place::AB), Sign::VoltsExchanged),
    hypothesis([0.0, -120.0, 120.0], ALIKE, Some(Place::BC), Sign::VoltsExchanged),
    hypothesis([120.0, 0.0, -120.0], ALIKE, Some(Place::CA), Sign::VoltsExchanged),
    hypothesis([120.0; 3], ALIKE, None, Sign::CurrentsExchanged),
    hypothesis([-120.0; 3], ALIKE, None, Sign::CurrentsExchanged),
];
/// All three turned: looks like export, and is one where power flows back.
const ALL_TURNED: usize = 7;
/// It is told when it has stood for longer than the sun shines; what flows back by day does not.
const ALL_TURNED_AFTER: Span = Span::hours(16);
/// Where the meter once fitted as it is drawn, what fits otherwise now must stand so long (common practice, no source).
const REWIRED_AFTER: Span = Span::hours(1);

/// Who turns the leads of a current turns the same amperes: from one step to the next, or while the meter gave nothing. Power that comes
/// to flow back passes nought, or comes with other amperes. So alike they must be, as a share.
const SAME_AMPERES: f64 = 0.15;
/// And so far from nought the power factor before and after.
const PLAINLY: f64 = 0.3;
/// Steps farther apart tell nothing of that.
const NEXT: Span = Span::seconds(90);

const fn hypothesis(behind: [f64; 3], sign: [f64; 3], place: Option<Place>, what: Sign) -> Hypothesis {
    Hypothesis { behind, sign, place, what }
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
    /// Since when it has said the same.
    since: Option<EventTime>,
    /// By input: the latest step's end, cosine and amperes, and whether it then turned as leads do.
    latest: [Option<(EventTime, f64, f64)>; 3],
    turned: [bool; 3],
    /// It has fitted as drawn. Then what is the same for all three phases is the load: capacitors at night, power that flows
    /// back. Leads do not change by themselves.
    fitted: bool,
}

impl Wiring {
    pub(crate) fn new(circuits: usize) -> Self {
        Self { circuits: vec![Gathered::default(); circuits] }
    }

    pub(crate) fn shift(&mut self, by: Span) {
        for gathered in &mut self.circuits {
            gathered.since = gathered.since.map(|since| since + by);
            gathered.latest.iter_mut().flatten().for_each(|(at, ..)| *at += by);
        }
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        for ((index, plan, now), gathered) in look.all().zip(&mut self.circuits) {
            if plan.form != WiringForm::Wye {
                continue;
            }
            gathered.watch(look.end, now);
            if gathered.take(plan, now) {
                if GRID_STEP.times(i64::from(gathered.steps)) >= GATHERED {
                    gathered.conclude(look.end);
                }
                if gathered.is_judged && gathered.found.is_none() {
                    docket.none(Cause::MeterWiring, index, None);
                }
            }
            let Some((which, fit, drawn)) = gathered.found else { continue };
            let hypothesis = HYPOTHESES[usize::from(which)];
            let stood = gathered.since.map_or(Span::ZERO, |since| look.end - since);
            let after = match usize::from(which) {
                ALL_TURNED => ALL_TURNED_AFTER,
                _ if gathered.fitted => REWIRED_AFTER,
                _ => Span::ZERO,
            };
            if stood < after
                || gathered.fitted && (hypothesis.place.is_none() || gathered.flows_back(&hypothesis))
            {
                continue;
            }
            let mark =
                of_sign(hypothesis.what, hypothesis.place.unwrap_or(Place::Whole), index, drawn).against(fit);
            docket.figure(Family::Instrument, mark);
            let weight = if usize::from(which) == ALL_TURNED { 0.6 } else { 0.9 };
            let claim = Claim::new(Cause::MeterWiring, index, hypothesis.place, Priority::Low, mark);
            docket.claim(claim.weighs(weight));
        }
    }
}

impl Gathered {
    /// Watches for the power of an input to change its direction as it does where leads are turned.
    fn watch(&mut self, end: EventTime, now: &CircuitNow) {
        for phase in 0..3 {
            let (Some(volts), Some(amperes), Some(watts)) =
                (now.ln[phase], now.amperes[phase], now.watts[phase])
            else {
                continue;
            };
            if volts * amperes <= 0.0 {
                continue;
            }
            let cos = watts / (volts * amperes);
            let before = self.latest[phase].replace((end, cos, amperes));
            let Some((at, cos_before, amperes_before)) = before else { continue };
            let plain = cos.abs().min(cos_before.abs()) > PLAINLY;
            let same = (amperes / amperes_before - 1.0).abs() < SAME_AMPERES;
            if cos * cos_before < 0.0 {
                self.turned[phase] = end - at > NEXT || plain && same;
            }
        }
    }

    /// Whether the inputs that a hypothesis says are turned came to it as power does that flows back.
    fn flows_back(&self, hypothesis: &Hypothesis) -> bool {
        let turned = (0..3).filter(|input| hypothesis.sign[*input] < 0.0);
        let mut known = turned.filter(|input| self.latest[*input].is_some());
        known.any(|input| !self.turned[input])
    }

    /// Takes a step in which everything was measured and every phase loaded.
    fn take(&mut self, plan: &CircuitPlan, now: &CircuitNow) -> bool {
        let Some(rated) = plan.rated_a.filter(|rated| *rated > 0.0) else { return false };
        let mut cos = [0.0; 3];
        let mut sin = [None; 3];
        for phase in 0..3 {
            let (Some(volts), Some(amperes)) = (now.ln[phase], now.amperes[phase]) else { return false };
            let apparent = volts * amperes;
            if amperes < LEAST_CURRENT * rated || apparent <= 0.0 {
                return false;
            }
            let lag = now.volt_degrees[phase].zip(now.ampere_degrees[phase]);
            let lag = lag.map(|(volts, amperes)| (volts - amperes).to_radians());
            let by_power = now.watts[phase].map(|watts| watts / apparent);
            let Some(of) = by_power.or_else(|| lag.map(f64::cos)) else { return false };
            cos[phase] = of;
            sin[phase] = match by_power {
                Some(_) => now.vars[phase].map(|vars| vars / apparent),
                None => lag.map(f64::sin),
            };
        }
        let all = sin.iter().all(Option::is_some);
        if self.steps > 0 && all != self.has_sin {
            *self = self.anew();
        }
        self.has_sin = all;
        for phase in 0..3 {
            self.cos[phase] += cos[phase];
            self.sin[phase] += sin[phase].unwrap_or(0.0);
        }
        self.steps += 1;
        true
    }

    /// What is concluded, without what is gathered.
    fn anew(&self) -> Self {
        let Self { is_judged, found, since, latest, turned, fitted, .. } = *self;
        Self { is_judged, found, since, latest, turned, fitted, ..Self::default() }
    }

    /// A quarter of an hour is gathered.
    fn conclude(&mut self, end: EventTime) {
        let count = f64::from(self.steps);
        let cos = self.cos.map(|sum| sum / count);
        let sin = self.has_sin.then(|| self.sin.map(|sum| sum / count));
        let drawn = misfit(&HYPOTHESES[0], cos, sin);
        let found = fits(drawn, cos, sin);
        let same = self.found.map(|(which, ..)| which) == found.map(|(which, ..)| which);
        let since = if same { self.since.or(Some(end)) } else { Some(end) };
        let fitted = self.fitted || drawn < FIT;
        *self = Self { found, since, fitted, is_judged: true, ..self.anew() };
    }
}

/// The one way other than drawn that fits, where the drawn one does not: which, how well, and how well the drawn one.
fn fits(drawn: f64, cos: [f64; 3], sin: Option<[f64; 3]>) -> Option<(u8, f64, f64)> {
    let of = |hypothesis: &Hypothesis| misfit(hypothesis, cos, sin);
    if drawn < MISFIT {
        return None;
    }
    let mut best = (0u8, f64::INFINITY);
    for (number, hypothesis) in (0u8..).zip(&HYPOTHESES).skip(1) {
        let fit = of(hypothesis);
        if fit < best.1 {
            best = (number, fit);
        }
    }
    // Without reactive power volts and currents of one pair that are exchanged look alike: either way it is that pair.
    let place = HYPOTHESES[usize::from(best.0)].place;
    let other = |hypothesis: &&Hypothesis| place.is_none() || hypothesis.place != place;
    let others = HYPOTHESES.iter().enumerate().skip(1).filter(|(number, _)| *number != usize::from(best.0));
    let next = others.map(|(_, hypothesis)| hypothesis).filter(other).map(of).fold(f64::INFINITY, f64::min);
    let clear = best.1 < FIT && next > CLEARLY * best.1.max(FIT / CLEARLY / 2.0);
    clear.then_some((best.0, best.1, drawn))
}

/// How far what the meter shows lies from what it would show wired so, at the angle of the load that fits best.
fn misfit(hypothesis: &Hypothesis, cos: [f64; 3], sin: Option<[f64; 3]>) -> f64 {
    let at = |load: f64| -> f64 {
        (0..3)
            .map(|input| {
                let angle = (load + hypothesis.behind[input]).to_radians();
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
