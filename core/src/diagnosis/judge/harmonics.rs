//! Harmonics that do harm: triplen orders in the neutral, the orders of six-pulse bridges against what the transformer may
//! carry and against its volts, even orders, and resonance with capacitors.
//!
//! Amperes of the orders count against the rating, never the distortion in per cent: at light load a high one is none
//! (IEEE 519 judges by the demand current).

use super::held::{Held, Level, Traced};
use super::spectrum::{Spectrum, triplen_a};
use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::confidence::weight;
use crate::diagnosis::docket::{Claim, Docket, Mark};
use crate::diagnosis::finding::Lack;
use crate::diagnosis::look::{Look, largest, of_order, of_quantity, of_sign};
use crate::diagnosis::plan::CircuitPlan;
use crate::diagnosis::shares::Of;
use crate::diagnosis::sign::Sign;
use crate::diagnosis::trace::Lately;
use crate::measurand::Measurand;
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::Span;
use crate::wiring::WiringForm;
use serde::{Deserialize, Serialize};

/// They stand so long first: as the delay of the limits on distortion (common practice, no source).
const AFTER: Span = Span::minutes(10);
/// Below this share of their setpoint they are gone.
const BACK: f64 = 0.85;
/// Neutral: least of its own rating, or of the phases' theirs, at which a neutral over the phases is told: below half of it
/// nothing heats to more than a quarter; share of it that is triplen (common practice, no source).
const LEAST_LOAD: f64 = 0.50;
const TRIPLEN_SHARE: f64 = 0.7;
/// Its rating, and where a person must go at once (common practice, no source).
const NEUTRAL_URGENT: f64 = 1.25;
/// Orders 5 to 13 together, of rated amperes: what IEEE 519 allows where the fault current is 100 times the demand or more; a
/// unit of usual impedance is held to less (IEEE 519-1992, table 10.3, as a public page prints it). Inside a building it is
/// guidance.
const SIX_PULSE: f64 = 0.15;
/// While the unit is overloaded so many times that of its own amperes (common practice, no source).
const OVERLOADED: f64 = 1.2;
/// Distortion of the volts at or below 1 kV, in per cent (IEEE 519-2014, table 1, as a public page prints it).
const VOLT_THD: f64 = 8.0;
/// Here the source is if the orders have this much of the rating (common practice, no source).
const SOURCE_HERE: f64 = 0.05;
/// Loading with this spectrum, of what is permissible; the orders are what takes it up if less than this is permissible of the
/// rated load (common practice, no source).
const SPECTRUM: f64 = 100.0;
const PERMISSIBLE: f64 = 92.0;
/// Without single orders: harmonic amperes of the whole, at least, so that it is no error of the power's (common practice, no
/// source).
const CLEAR_SHARE: f64 = 0.15;
/// Even orders, of rated amperes: as a quarter of what is allowed of odd ones (IEEE 519-1992, table 10.3).
const EVEN: f64 = 0.02;
/// A half-wave current has a fifth of its second order as fourth (Fourier series of the half-wave rectified sine: 2/(3π) and
/// 2/(15π)); a bridge that fires unequally has much more.
const FOURTH_OF_SECOND: f64 = 0.4;
/// Resonance: distortion of the volts, in per cent, at a load of the rating below this (common practice, no source).
const RESONANT_THD: f64 = 5.0;
const LOW_LOAD: f64 = 0.6;
/// So much of the rating leads where capacitors, and no bridges, make the orders (common practice, no source).
const MUCH: f64 = 0.1;
/// An order that resonates exceeds the one before it by so much; without resonance they fall (common practice, no source).
const STANDS_OUT: f64 = 1.2;

/// What is remembered: the neutral of each circuit, and the transformer's other orders.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Harmonics {
    triplen: Vec<Held>,
    six_pulse: Held,
    even: Held,
    resonance: Held,
}

/// One circuit as it is looked at.
struct Here<'a> {
    look: &'a Look<'a>,
    circuit: usize,
    plan: &'a CircuitPlan,
    lately: &'a Lately,
    spectrum: Spectrum,
}

impl Harmonics {
    pub(crate) fn new(circuits: usize) -> Self {
        Self { triplen: vec![Held::default(); circuits], ..Self::default() }
    }

    pub(crate) fn shift(&mut self, by: Span) {
        let others = [&mut self.six_pulse, &mut self.even, &mut self.resonance];
        self.triplen.iter_mut().chain(others).for_each(|held| held.shift(by));
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        let resonates = self.resonance(look, docket);
        for circuit in 0..self.triplen.len() {
            let (plan, lately) = (&look.plan.circuits[circuit], &look.lately[circuit]);
            let Some(spectrum) = Spectrum::of(plan, lately) else { continue };
            // The lines before a delta show no triplen orders; what a drive on two lines draws is told of already.
            if look.plan.source == Some(circuit) || docket.claims(Cause::DriveFuse, Some(circuit)) {
                continue;
            }
            let here = Here { look, circuit, plan, lately, spectrum };
            here.figure(docket);
            self.triplen(&here, docket);
            // What the other orders harm is the transformer and its volts: a feeder's own are as its loads are.
            if circuit == look.plan.load {
                if !resonates {
                    self.six_pulse(&here, docket);
                }
                self.even(&here, docket);
            }
        }
    }

    fn triplen(&mut self, here: &Here<'_>, docket: &mut Docket) {
        let Here { look, circuit, plan, lately, spectrum } = *here;
        let rated = plan.neutral_a.unwrap_or(spectrum.rated_a);
        let third = triplen_a(lately);
        let measured = lately.neutral();
        let neutral = measured.or(lately.neutral_expected()).or(third);
        let (WiringForm::Wye, Some(neutral)) = (plan.form, neutral) else { return };
        // What the fundamental of the phases does not explain can only be triplen where volts to neutral stand.
        let rest = || {
            let fundamental = lately.neutral_of_fundamental_a()?;
            Some((neutral * neutral - fundamental * fundamental).max(0.0).sqrt())
        };
        if docket.holds(Family::Unbalance, circuit) && third.is_none() {
            return;
        }
        let Some(of_triplen) = third.or_else(rest).map(|triplen| (triplen / neutral).min(1.0)) else {
            return;
        };
        let loaded = spectrum.load().max(neutral / rated) / LEAST_LOAD;
        let over_phases = (neutral / spectrum.most_a).min(loaded);
        let clear = of_triplen / TRIPLEN_SHARE;
        let of_setpoint = over_phases.max(neutral / rated);
        let of_setpoint = if clear < 1.0 { of_setpoint.min(clear) } else { of_setpoint };
        let of = if third.is_some() { Of::Order(3) } else { Of::Neutral };
        let to = || (here.comes_from(of), Some(Place::N));
        let held = &mut self.triplen[circuit];
        let Some(traced) = held.follow((Cause::Triplen, circuit), level(of_setpoint), (look, docket), to)
        else {
            return;
        };
        let priority = match neutral / rated {
            share if share > NEUTRAL_URGENT => Priority::Urgent,
            share if share > 1.0 => Priority::High,
            _ => Priority::Low,
        };
        let whole = Place::Whole;
        let proof = of_quantity(Measurand::NeutralCurrent, whole, circuit, neutral).against(rated);
        let over =
            of_quantity(Measurand::NeutralOverPhase, whole, circuit, 100.0 * neutral / spectrum.most_a);
        let triplen =
            of_sign(Sign::TriplenInNeutral, Place::N, circuit, of_triplen * neutral).against(neutral);
        let agreeing = usize::from(third.is_some()) + usize::from(measured.is_some() && of_triplen > 0.85);
        let claim = Claim::new(Cause::Triplen, traced.circuit, traced.place, priority, proof)
            .with(Some(over.against(100.0)))
            .with(Some(triplen))
            .with(Some(here.loading()))
            .weighs(weight(of_setpoint, agreeing))
            .lacking(third.is_none().then_some(Lack::Harmonics))
            .lacking(measured.is_none().then_some(Lack::Neutral));
        here.claim(docket, claim, traced, of);
    }

    fn six_pulse(&mut self, here: &Here<'_>, docket: &mut Docket) {
        let Here { look, circuit, lately, ref spectrum, .. } = *here;
        let by_orders = spectrum.six_pulse_a();
        let Some(amperes) = by_orders.or_else(|| here.distortion_without_triplen()) else { return };
        // What a load above the rating draws of them more is the overload's.
        let over = spectrum.load().max(1.0);
        let overloaded = over > 1.0 || docket.holds(Family::Overload, circuit);
        let share = amperes / spectrum.rated_a.max(spectrum.most_a);
        let leads = spectrum.third.is_none_or(|third| amperes > third);
        let thd = largest(lately.volt_thd()).map(|(_, thd)| thd);
        let by_volts =
            thd.filter(|_| share > SOURCE_HERE).map_or(0.0, |thd| thd / over / VOLT_THD / look.wider());
        let takes_up =
            !overloaded && look.unit.permissible_load.is_some_and(|permissible| permissible < PERMISSIBLE);
        let by_heat = look.unit.spectrum_loading.filter(|_| takes_up && share > SOURCE_HERE);
        let by_heat = by_heat.map_or(0.0, |loading| loading / SPECTRUM);
        // The table is one for the public grid.
        let allowed = if overloaded { OVERLOADED * SIX_PULSE } else { SIX_PULSE };
        let by_share = if look.own_source { 0.0 } else { share / allowed };
        let of_setpoint = if leads { by_share.max(by_volts).max(by_heat) } else { 0.0 };
        let to = || (here.comes_from(Of::Orders(5, 7)), None);
        let held = &mut self.six_pulse;
        let Some(traced) = held.follow((Cause::FiveSeven, circuit), level(of_setpoint), (look, docket), to)
        else {
            return;
        };
        let priority = if by_volts > 1.0 || by_heat > 1.0 { Priority::High } else { Priority::Low };
        let proof =
            of_sign(Sign::SixPulseOfRating, Place::Whole, circuit, 100.0 * share).against(100.0 * SIX_PULSE);
        let volts =
            thd.map(|thd| of_quantity(Measurand::VoltageThd, Place::Whole, circuit, thd).against(VOLT_THD));
        let heat = look.unit.spectrum_loading;
        let heat = heat.map(|loading| {
            of_quantity(Measurand::SpectrumLoading, Place::Whole, circuit, loading).against(SPECTRUM)
        });
        let agreeing = 2 * usize::from(by_orders.is_some()) + usize::from(by_volts > 1.0);
        let claim = Claim::new(Cause::FiveSeven, traced.circuit, traced.place, priority, proof)
            .with(volts)
            .with(heat)
            .with(Some(here.loading()))
            .weighs(weight(of_setpoint, agreeing))
            .lacking(by_orders.is_none().then_some(Lack::Harmonics));
        here.claim(docket, claim, traced, Of::Orders(5, 7));
    }

    fn even(&mut self, here: &Here<'_>, docket: &mut Docket) {
        let Here { look, circuit, lately, ref spectrum, .. } = *here;
        let (Some((_, second)), Some(fourth)) = (spectrum.second, spectrum.fourth) else { return };
        let share = second.hypot(fourth) / spectrum.rated_a;
        // A half-wave load has little of the fourth: that is the core's trouble.
        let of_setpoint = if is_converter(lately) { share / EVEN } else { 0.0 };
        let to = || (here.comes_from(Of::Orders(2, 4)), None);
        let held = &mut self.even;
        let Some(traced) = held.follow((Cause::EvenOrders, circuit), level(of_setpoint), (look, docket), to)
        else {
            return;
        };
        let proof = of_sign(Sign::EvenOfRating, Place::Whole, circuit, 100.0 * share).against(100.0 * EVEN);
        let fourth = of_sign(Sign::FourthOfSecond, Place::Whole, circuit, 100.0 * fourth / second)
            .against(100.0 * FOURTH_OF_SECOND);
        let claim = Claim::new(Cause::EvenOrders, traced.circuit, traced.place, Priority::Low, proof)
            .with(Some(fourth))
            .weighs(weight(of_setpoint, 2));
        here.claim(docket, claim, traced, Of::Orders(2, 4));
    }

    /// Volts that are distorted at low load, by one order that stands out, while the load is capacitive or no feeder draws it.
    /// Says whether that is so now.
    fn resonance(&mut self, look: &Look<'_>, docket: &mut Docket) -> bool {
        let load = look.plan.load;
        let (plan, lately) = (&look.plan.circuits[load], &look.lately[load]);
        let thd = largest(lately.volt_thd()).map(|(_, thd)| thd);
        let (Some(spectrum), Some(thd)) = (Spectrum::of(plan, lately), thd) else { return false };
        let kva = 1000.0 * look.plan.unit.kva;
        let leading = lately.vars().filter(|_| kva > 0.0).map(|vars| -vars / kva);
        let capacitive = leading.is_some_and(|leading| leading > 0.0);
        let sticks_out = stands_out(&spectrum);
        let order = sticks_out.or(spectrum.strongest().filter(|_| capacitive));
        // What damps it is active power; the capacitors' own amperes do not.
        let damped = lately.watts().filter(|_| kva > 0.0).map_or(spectrum.load(), |watts| watts / kva);
        let is_one = capacitive || sticks_out.is_some();
        let of_setpoint = if is_one && damped < LOW_LOAD { thd / RESONANT_THD / look.wider() } else { 0.0 };
        let level = level(of_setpoint);
        let to = || {
            let feeder = order.and_then(|order| look.comes_from(Of::Order(order)));
            (feeder.unwrap_or(load), None)
        };
        let Some(traced) = self.resonance.follow((Cause::Resonance, load), level, (look, docket), to) else {
            // While much of the load is capacitive, the orders are those that it draws from elsewhere.
            return of_setpoint > BACK || leading.is_some_and(|leading| leading > MUCH);
        };
        let priority = if thd > VOLT_THD { Priority::High } else { Priority::Low };
        let proof = of_quantity(Measurand::VoltageThd, Place::Whole, load, thd).against(RESONANT_THD);
        let loading = of_sign(Sign::ShareOfRating, Place::Whole, load, 100.0 * spectrum.load())
            .against(100.0 * LOW_LOAD);
        let vars = lately.vars().map(|vars| of_quantity(Measurand::ReactivePower, Place::Whole, load, vars));
        let amperes = order.and_then(|order| {
            let (phase, amperes) = largest(lately.order(order))?;
            Some(of_order(Measurand::CurrentHarmonicAmperes, order, Place::PHASES[phase], load, amperes))
        });
        let agreeing = usize::from(capacitive)
            + usize::from(sticks_out.is_some())
            + usize::from(damped < LOW_LOAD / 2.0);
        let claim = Claim::new(Cause::Resonance, traced.circuit, traced.place, priority, proof)
            .with(Some(loading))
            .with(amperes)
            .with(vars.filter(|_| capacitive))
            .weighs(weight(of_setpoint, agreeing))
            .lacking(order.is_none().then_some(Lack::Harmonics));
        let of = order.map(Of::Order).filter(|_| traced.shares);
        docket.claim(claim.shared(of.and_then(|of| look.shares(of))).lacking(look.to_trace()));
        true
    }
}

/// The order that exceeds the one before it: of the orders of a bridge each is less than the one before.
fn stands_out(spectrum: &Spectrum) -> Option<u8> {
    let mut before = spectrum.six_pulse[0]?;
    for (order, amperes) in [7, 11, 13].into_iter().zip(&spectrum.six_pulse[1..]) {
        let Some(amperes) = *amperes else { continue };
        if amperes > STANDS_OUT * before && amperes > SOURCE_HERE * spectrum.most_a {
            return Some(order);
        }
        before = before.max(amperes);
    }
    None
}

/// Whether even orders are those of a converter: with much of the fourth, and in every phase.
pub(super) fn is_converter(lately: &Lately) -> bool {
    let of = |order| lately.order(order).into_iter().sum::<Option<f64>>();
    of(4).zip(of(2)).is_some_and(|(fourth, second)| fourth > FOURTH_OF_SECOND * second)
}

fn level(of_setpoint: f64) -> Level {
    Level { of_setpoint: Some(of_setpoint), back: BACK, span: AFTER }
}

impl Here<'_> {
    /// The feeder from which something of the transformer comes, else this circuit.
    fn comes_from(&self, of: Of) -> usize {
        let asks = self.circuit == self.look.plan.load;
        asks.then(|| self.look.comes_from(of)).flatten().unwrap_or(self.circuit)
    }

    /// Harmonic amperes of the worst phase where no order is known, without what meets in the neutral, if that is little of them.
    fn distortion_without_triplen(&self) -> Option<f64> {
        let (_, amperes) = largest(self.lately.distortion())?;
        let triplen = self.lately.neutral_rest_a()? / 3.0;
        let clear = amperes > CLEAR_SHARE * self.spectrum.most_a && triplen < amperes / 2.0;
        let others = (amperes * amperes - triplen * triplen).max(0.0).sqrt();
        self.spectrum.third.is_none().then_some(if clear { others } else { 0.0 })
    }

    fn figure(&self, docket: &mut Docket) {
        let amperes = self
            .spectrum
            .six_pulse_a()
            .or_else(|| largest(self.lately.distortion()).map(|(_, amperes)| amperes));
        if let Some(amperes) = amperes {
            let share = 100.0 * amperes / self.spectrum.rated_a;
            let mark = of_sign(Sign::SixPulseOfRating, Place::Whole, self.circuit, share);
            docket.figure(Family::Harmonics, mark.against(100.0 * SIX_PULSE));
        }
    }

    fn loading(&self) -> Mark {
        let load = 100.0 * self.spectrum.load();
        of_sign(Sign::ShareOfRating, Place::Whole, self.circuit, load).against(100.0)
    }

    fn claim(&self, docket: &mut Docket, claim: Claim, traced: Traced, of: Of) {
        let own = self.circuit == self.look.plan.load;
        let shares = (own && traced.shares).then(|| self.look.shares(of)).flatten();
        docket.join(claim.shared(shares).lacking(self.look.to_trace().filter(|_| own)));
    }
}
