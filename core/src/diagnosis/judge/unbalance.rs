//! Unbalance of the volts and of the amperes: from the supply, or by a load that is unequal.
//!
//! What the unit's own impedance makes of the negative-sequence amperes is taken off the volts first: V₂ + Z·I₂ is what the
//! supply brings (textbook). By angles that is exact; without them the magnitudes give the least that remains. A source-side
//! meter shows the supply's part itself: u2 passes a delta-wye unit, turned, and only the zero sequence is lost (handbook of
//! the trade: IEEE C57.12.70, from memory).
//!
//! Unequal amperes are a finding only where they do harm: by a phase or a neutral near its rating, or by the volts that
//! follow them. Setpoints: voltage unbalance 2 and 3 % (EN 50160 from memory, ANSI C84.1 as a public page quotes it), 5 %
//! urgent; above the 1 % of NEMA motors it is put into the journal if it has come on top of what is usual here; amperes 20 %
//! from their mean and 80 % of the rating (common practice, no source).

use super::held::{Held, Level, Traced};
use super::standing::Standing;
use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::confidence::weight;
use crate::diagnosis::docket::{Claim, Docket};
use crate::diagnosis::finding::Lack;
use crate::diagnosis::look::{Look, largest, of_quantity, of_sign};
use crate::diagnosis::plan::CircuitPlan;
use crate::diagnosis::shares::Of;
use crate::diagnosis::sign::Sign;
use crate::diagnosis::trace::{Fade, Lately, Mean};
use crate::electrical::phasors::Phasor;
use crate::measurand::Measurand;
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use crate::wiring::WiringForm;
use serde::{Deserialize, Serialize};

/// Volts: per cent of unbalance that is told, and where a person must act this shift or at once.
const VOLTS: f64 = 2.0;
const VOLTS_HIGH: f64 = 3.0;
const VOLTS_URGENT: f64 = 5.0;
/// What has come newly: from here on, with a meter's error of class S over the 1 % without derating of motors (NEMA, as a public
/// page quotes it), if it is so much over its usual level (common practice, no source).
const VOLTS_NEW: f64 = 1.2;
const VOLTS_GAINED: f64 = 0.7;
/// The usual level looks so far back; what is found is never learned (common practice, no source).
const USUAL: Span = Span::hours(12);
/// It is known by an hour of it: one twelfth.
const USUAL_KNOWN: f64 = 0.08;
/// An urgent one is told after so long.
const URGENT_AFTER: Span = Span::minutes(1);
/// The others stand so long first, as the delay of the limits.
const AFTER: Span = Span::minutes(10);
/// Below these shares of their setpoint they are gone.
const BACK: f64 = 0.85;
/// Amperes: largest deviation from the mean; worst phase, or neutral, of its rating; least mean of the rating.
const AMPERES: f64 = 0.20;
const NEAR_RATING: f64 = 0.80;
const LEAST_LOAD: f64 = 0.30;
/// After a phase was overloaded for a while, so long that overload is what is unequal (common practice, no source).
const OVERLOADED: Span = Span::hours(12);
/// Reactance over resistance of a unit of which it is not known: low-voltage dry units have 1 to 4 (common practice, no
/// source).
const X_OVER_R: f64 = 2.0;
/// Motors draw up to so many times the unbalance of their volts (a public forum's case of 1.7 % giving 17 %).
const BY_MOTORS: f64 = 10.0;

/// What is remembered: how unequal amperes stand at each circuit, and the supply.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Unbalance {
    supply: Held,
    urgent: Standing,
    /// It was told to a person, not for the record only.
    was_low: bool,
    /// The supply's unbalance as it is usual here.
    usual: Mean,
    loads: Vec<Held>,
    /// By circuit: how long a phase was above its rating, and until when that explains what is unequal.
    above: Vec<(Standing, Option<EventTime>)>,
}

/// The unbalance of the transformer's volts, in per cent, by where it comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Volts {
    whole: f64,
    by_supply: f64,
    by_load: Option<f64>,
    /// Whether it was told apart by angles or by a meter on the source side.
    told_apart: bool,
}

/// How unequal a circuit's amperes are.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Amperes {
    /// Which phase is worst, and what it is of the rating.
    worst: (usize, f64),
    /// Deviation from the mean, of the mean.
    deviation: f64,
    /// Mean of the rating.
    mean: f64,
    /// Neutral of its rating.
    neutral: Option<f64>,
}

impl Unbalance {
    pub(crate) fn new(circuits: usize) -> Self {
        Self {
            loads: vec![Held::default(); circuits],
            above: vec![(Standing::default(), None); circuits],
            ..Self::default()
        }
    }

    pub(crate) fn shift(&mut self, by: Span) {
        self.supply.shift(by);
        self.urgent.shift(by);
        self.loads.iter_mut().for_each(|held| held.shift(by));
        for (above, until) in &mut self.above {
            above.shift(by);
            *until = until.map(|until| until + by);
        }
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        let load = look.plan.load;
        let volts = volts(look);
        // A judge before has named a lost line or neutral, or the meter: what is unequal is explained.
        let explained = |docket: &Docket, circuit: usize| {
            let mut families = [Family::Unbalance, Family::Instrument].into_iter();
            let drive = Some(circuit).filter(|circuit| *circuit != load);
            families.any(|family| docket.holds(family, circuit))
                || docket.claims(Cause::DriveFuse, drive)
                || docket.claims(Cause::HalfWave, drive)
        };
        let is_explained = explained(docket, load);
        if let Some(volts) = volts {
            let mark = of_quantity(Measurand::VoltageUnbalance, Place::Whole, load, volts.whole);
            docket.figure(Family::Unbalance, mark.against(VOLTS));
            if !is_explained {
                self.supply(look, docket, volts);
            }
        }
        // The overload of one phase is what is unequal, also on the feeder to which it is traced.
        let of_unit = |claim: &&Claim| claim.marks[0].is_some_and(|mark| mark.circuit == load);
        let overloaded =
            docket.claims.iter().filter(|claim| claim.cause == Cause::OverloadPhase).filter(of_unit);
        for circuit in overloaded.flat_map(|claim| [claim.circuit, load]) {
            self.above[circuit].1 = Some(look.end + OVERLOADED);
        }
        let whole_is_known = amperes(&look.plan.circuits[load], &look.lately[load]).is_some();
        for circuit in 0..self.loads.len() {
            // A load on one phase shows in two lines before the unit. A feeder's own is as its loads are, as long as no phase is
            // overloaded: it is judged where nothing tells what the transformer sees of it.
            if look.plan.source == Some(circuit) || circuit != load && whole_is_known {
                continue;
            }
            let Some(amperes) = amperes(&look.plan.circuits[circuit], &look.lately[circuit]) else {
                continue;
            };
            let mark =
                of_quantity(Measurand::CurrentUnbalance, Place::Whole, circuit, 100.0 * amperes.deviation);
            if circuit != load || volts.is_none() {
                docket.figure(Family::Unbalance, mark.against(100.0 * AMPERES));
            }
            let (above, until) = &mut self.above[circuit];
            if above.for_span(Some(amperes.worst.1 > 1.0), look.end, AFTER) {
                *until = Some(look.end + OVERLOADED);
            }
            let overloaded = amperes.worst.1 > 1.0 || until.is_some_and(|until| look.end < until);
            let is_explained = is_explained || circuit != load && explained(docket, circuit);
            if is_explained || overloaded {
                continue;
            }
            let volts = volts.filter(|_| circuit == load);
            self.load(look, docket, circuit, amperes, volts);
        }
    }

    fn supply(&mut self, look: &Look<'_>, docket: &mut Docket, volts: Volts) {
        let load = look.plan.load;
        let now = look.load();
        let urgent = [now.u2, now.volt_unbalance].into_iter().flatten().reduce(f64::max);
        let urgent = urgent.map(|now| now.min(volts.by_supply) > VOLTS_URGENT);
        let urgent = self.urgent.for_span(urgent, look.end, URGENT_AFTER);
        let gained = self.usual.by(USUAL_KNOWN).map_or(0.0, |usual| (volts.by_supply - usual) / VOLTS_GAINED);
        let wider = look.wider();
        let of_setpoint = (volts.by_supply / VOLTS).max((volts.by_supply / VOLTS_NEW).min(gained)) / wider;
        if of_setpoint < BACK && !look.own_source {
            self.usual.take(Some(volts.by_supply), Fade::of(look.fade.passed, USUAL));
        }
        let level = Level {
            of_setpoint: Some(of_setpoint),
            back: BACK,
            span: if urgent { Span::ZERO } else { AFTER },
        };
        let traced =
            self.supply.follow((Cause::UnbalanceSupply, load), level, (look, docket), || (load, None));
        let Some(Traced { circuit, place, .. }) = traced else {
            self.was_low = false;
            return;
        };
        let motors = look.plan.circuits.iter().any(|plan| plan.serves_motors);
        let priority = match volts.by_supply {
            _ if urgent => Priority::Urgent,
            value if value > VOLTS_HIGH || value > VOLTS && motors => Priority::High,
            // What fades away is not told of as milder.
            value if value > VOLTS || self.was_low => Priority::Low,
            _ => Priority::Journal,
        };
        self.was_low = priority > Priority::Journal;
        let supply = of_sign(Sign::UnbalanceOfSupply, Place::Whole, circuit, volts.by_supply).against(VOLTS);
        let by_load = volts.by_load.map(|percent| {
            of_sign(Sign::UnbalanceByLoad, Place::Whole, circuit, percent).against(volts.whole)
        });
        let agreeing = usize::from(volts.told_apart)
            + usize::from(volts.by_load.is_some_and(|by| by < volts.by_supply / 2.0));
        let whole =
            of_quantity(Measurand::VoltageUnbalance, Place::Whole, circuit, volts.whole).against(VOLTS);
        let claim = Claim::new(Cause::UnbalanceSupply, circuit, place, priority, supply)
            .with(Some(whole))
            .with(by_load)
            .weighs(weight(of_setpoint, agreeing));
        let unclear = (!volts.told_apart).then_some(Lack::PrimaryMeter);
        docket.claim(claim.lacking(unclear));
    }

    fn load(
        &mut self,
        look: &Look<'_>,
        docket: &mut Docket,
        circuit: usize,
        amperes: Amperes,
        volts: Option<Volts>,
    ) {
        let near = (amperes.worst.1).max(amperes.neutral.unwrap_or(0.0)) / NEAR_RATING;
        let by_amperes = (amperes.deviation / AMPERES).min(near).min(amperes.mean / LEAST_LOAD);
        // Volts that follow the amperes: most of them by the load, and more than is told.
        let by_volts = volts.map_or(0.0, |volts| {
            let by_load = volts.by_load.unwrap_or(0.0);
            if by_load > volts.by_supply { by_load.min(volts.whole) / VOLTS } else { 0.0 }
        });
        // The amperes of motors follow the supply's volts.
        let follows = docket.holds(Family::Unbalance, look.plan.load);
        let of_supply = if follows { volts_of(look) * BY_MOTORS / 100.0 } else { 0.0 };
        let of_setpoint = if amperes.deviation > of_supply { by_amperes.max(by_volts) } else { 0.0 };
        let level = Level { of_setpoint: Some(of_setpoint), back: BACK, span: AFTER };
        let load = look.plan.load;
        let to = || {
            let feeder = if circuit == load { look.comes_from(Of::Unbalance) } else { None };
            let at = feeder.unwrap_or(circuit);
            let phase = worst_phase(&look.lately[at]).unwrap_or(amperes.worst.0);
            (at, Some(Place::PHASES[phase]))
        };
        let traced = self.loads[circuit].follow((Cause::UnbalanceLoad, circuit), level, (look, docket), to);
        let Some(Traced { circuit: at, place, shares }) = traced else { return };
        // The transformer's own, traced to this feeder, has told of it; or its phase is above its rating there, and that is told.
        let same = |claim: &Claim| {
            claim.cause == Cause::OverloadPhase && (claim.circuit, claim.place) == (at, place)
        };
        if docket.claims(Cause::UnbalanceLoad, Some(at)) || docket.claims.iter().any(same) {
            return;
        }
        let high = amperes.neutral.is_some_and(|neutral| neutral > 1.0)
            || volts.is_some_and(|volts| volts.by_load.unwrap_or(0.0) > VOLTS_HIGH);
        let priority = if high { Priority::High } else { Priority::Low };
        let whole = Place::Whole;
        let deviation = of_quantity(Measurand::CurrentUnbalance, whole, circuit, 100.0 * amperes.deviation);
        let worst = of_sign(
            Sign::WorstPhaseOfRating,
            Place::PHASES[amperes.worst.0],
            circuit,
            100.0 * amperes.worst.1,
        );
        let neutral = amperes
            .neutral
            .map(|neutral| of_quantity(Measurand::NeutralLoading, whole, circuit, 100.0 * neutral));
        let by_load = volts.and_then(|volts| volts.by_load);
        let by_load =
            by_load.map(|percent| of_sign(Sign::UnbalanceByLoad, whole, circuit, percent).against(VOLTS));
        let agreeing = usize::from(by_volts > 1.0) + usize::from(at != load) + usize::from(near > 1.0);
        let claim = Claim::new(Cause::UnbalanceLoad, at, place, priority, deviation.against(100.0 * AMPERES))
            .with(Some(worst.against(100.0 * NEAR_RATING)))
            .with(neutral.map(|neutral| neutral.against(100.0 * NEAR_RATING)))
            .with(by_load)
            .weighs(weight(of_setpoint, agreeing))
            .lacking(look.to_trace());
        docket.claim(claim.shared(if shares { look.shares(Of::Unbalance) } else { None }));
    }
}

fn volts_of(look: &Look<'_>) -> f64 {
    look.lately[look.plan.load].volt_unbalance().unwrap_or(0.0)
}

fn volts(look: &Look<'_>) -> Option<Volts> {
    let unit = &look.plan.unit;
    let plan = &look.plan.circuits[look.plan.load];
    if plan.form.phases() != 3 || unit.open_bank {
        return None;
    }
    let lately = &look.lately[look.plan.load];
    let whole = lately.volt_unbalance()?;
    let drop = drop_percent(plan, unit.impedance_percent, unit.x_over_r, lately);
    let by_load = drop.map(Phasor::norm);
    let primary = look.plan.source.and_then(|source| look.lately[source].volt_unbalance());
    let by_angles = lately.negative_percent().zip(drop).filter(|_| lately.phasors().is_some());
    let by_supply = match (primary, by_angles) {
        (Some(primary), _) => primary,
        // The largest deviation may be more than u2: it stands for the volts in the same ratio.
        (None, Some((negative, drop))) if negative.norm() > 0.0 => {
            (negative + drop).norm() * (whole / negative.norm()).clamp(1.0, 2.0 / 3f64.sqrt())
        }
        _ => (whole - by_load.unwrap_or(0.0)).max(0.0),
    };
    Some(Volts { whole, by_supply, by_load, told_apart: primary.is_some() || by_angles.is_some() })
}

/// What the unit's impedance makes of the negative-sequence amperes, in per cent of the volts.
fn drop_percent(
    plan: &CircuitPlan,
    impedance: Option<f64>,
    x_over_r: Option<f64>,
    lately: &Lately,
) -> Option<Phasor> {
    let rated = plan.rated_a.filter(|rated| *rated > 0.0)?;
    let x_over_r = x_over_r.unwrap_or(X_OVER_R);
    let impedance = Phasor::from_polar(impedance?, x_over_r.atan());
    Some(impedance * lately.negative_a()? / rated)
}

fn worst_phase(lately: &Lately) -> Option<usize> {
    largest(lately.amperes()).map(|(phase, _)| phase)
}

fn amperes(plan: &CircuitPlan, lately: &Lately) -> Option<Amperes> {
    // Two legs of a circuit and open banks are unequal by design, and so is a high leg.
    if !matches!(plan.form, WiringForm::Wye | WiringForm::Delta) {
        return None;
    }
    let rated = plan.rated_a.filter(|rated| *rated > 0.0)?;
    let [Some(a), Some(b), Some(c)] = lately.amperes() else { return None };
    let mean = (a + b + c) / 3.0;
    let (phase, worst) = largest([Some(a), Some(b), Some(c)])?;
    let farthest = [a, b, c].into_iter().map(|amperes| (amperes - mean).abs()).fold(0.0, f64::max);
    let neutral = lately.neutral().zip(plan.neutral_a.filter(|rated| *rated > 0.0));
    Some(Amperes {
        worst: (phase, worst / rated),
        deviation: if mean > 0.0 { farthest / mean } else { 0.0 },
        mean: mean / rated,
        neutral: neutral.map(|(neutral, rated)| neutral / rated),
    })
}
