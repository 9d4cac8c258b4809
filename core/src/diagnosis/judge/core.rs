//! The core: driven too hard by high volts or a wrong tap, or biased by direct current, most often of a half-wave load.
//!
//! A unit is built for 105 % of its tap's volts loaded and 110 % at no load (IEEE C57.12.00/.01, from memory). Even orders tell
//! the two apart: over-excitation is the same in both half-waves and has none.

use super::harmonics::is_converter;
use super::held::{Held, Level};
use crate::diagnosis::cause::{Cause, Family};
use crate::diagnosis::confidence::weight;
use crate::diagnosis::docket::{Claim, Docket};
use crate::diagnosis::finding::Lack;
use crate::diagnosis::look::{Look, Three, largest, of_order, of_quantity, of_sign};
use crate::diagnosis::shares::Of;
use crate::diagnosis::sign::Sign;
use crate::diagnosis::trace::{Mean, get};
use crate::electrical::excitation::STEADY_SECOND_PERCENT;
use crate::measurand::Measurand;
use crate::phases::Place;
use crate::plant::Priority;
use crate::time::Span;
use serde::{Deserialize, Serialize};

/// Volts of the tap in use, in per cent, that no service may have: upper end of ANSI C84.1 range B, 127/120, with half a per
/// cent for a meter of class S (both from memory).
const TAP_VOLTS: f64 = 106.3;
/// With the core's own hum beside it: range B without the meter's error.
const TAP_VOLTS_WITH_HUM: f64 = 105.8;
/// The hum's even tones are so much over the usual, in decibels (common practice, no source).
const HUM: f64 = 3.0;
/// Excitation beyond what the core is built for at its load.
const EXCITATION: f64 = 100.0;
/// Beyond is told to a person of this shift from here on, in per cent of the tap's volts (common practice, no source).
const HIGH: f64 = 110.0;
/// High volts stand so long first: a swell is over by then.
const AFTER: Span = Span::minutes(15);
/// Half-wave load is steady for so long (common practice, no source).
const STEADY: Span = Span::minutes(15);
/// Setpoint of the way back.
const BACK: f64 = 0.99;
const BACK_SECOND: f64 = 0.8;
/// A phase has the most of it if it has so many times the next.
const ONE_PHASE: f64 = 1.5;

/// What is remembered.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Core {
    tap_volts: Mean,
    excitation: Mean,
    hum: Mean,
    second: [Mean; 3],
    excited: Held,
    half_wave: Held,
}

impl Core {
    pub(crate) fn shift(&mut self, by: Span) {
        self.excited.shift(by);
        self.half_wave.shift(by);
    }

    pub(crate) fn judge(&mut self, look: &Look<'_>, docket: &mut Docket) {
        let (unit, fade) = (&look.unit, look.fade);
        self.tap_volts.take(unit.tap_volts, fade);
        self.excitation.take(unit.excitation, fade);
        let even_tones = [unit.sound_tones[1], unit.sound_tones[2]];
        self.hum.take(even_tones.into_iter().flatten().reduce(f64::max), fade);
        for (mean, second) in self.second.iter_mut().zip(unit.second_order) {
            mean.take(second, fade);
        }
        let second = get(self.second);
        if let Some(tap) = self.tap_volts.get() {
            let mark =
                of_quantity(Measurand::TapVoltage, Place::Whole, look.plan.load, tap).against(TAP_VOLTS);
            docket.figure(Family::Core, mark);
            // Capacitors that resonate lift the volts too.
            if !docket.claims(Cause::Resonance, None) {
                self.excited(look, docket, tap, second);
            }
        }
        self.half_wave(look, docket, second);
    }

    fn excited(&mut self, look: &Look<'_>, docket: &mut Docket, tap: f64, second: Three) {
        let load = look.plan.load;
        let hum = self.hum.get();
        let hums = hum.is_some_and(|hum| hum > HUM);
        let even = largest(second).map(|(_, percent)| percent);
        let by_tap = tap / if hums { TAP_VOLTS_WITH_HUM } else { TAP_VOLTS };
        let of_setpoint = by_tap.max(self.excitation.get().map_or(0.0, |percent| percent / EXCITATION));
        let level = Level { of_setpoint: Some(of_setpoint), back: BACK, span: AFTER };
        let traced = self.excited.follow((Cause::OverExcited, load), level, (look, docket), || (load, None));
        let Some(traced) = traced else { return };
        let priority = if tap > HIGH { Priority::High } else { Priority::Low };
        let proof = of_quantity(Measurand::TapVoltage, Place::Whole, load, tap).against(TAP_VOLTS);
        let excitation = self.excitation.get();
        let excitation = excitation.map(|percent| {
            of_quantity(Measurand::Excitation, Place::Whole, load, percent).against(EXCITATION)
        });
        let hum =
            hum.map(|hum| of_order(Measurand::SoundToneExcess, 2, Place::Whole, load, hum).against(HUM));
        let no_even = even.filter(|even| *even < STEADY_SECOND_PERCENT);
        let even = no_even.map(|even| {
            of_quantity(Measurand::SecondOrder, Place::A, load, even).against(STEADY_SECOND_PERCENT)
        });
        // Volts move by single per cents: ten are as clear as anything gets.
        let clear = 1.0 + (of_setpoint - 1.0) * 20.0;
        let agreeing = usize::from(hums) + usize::from(no_even.is_some());
        let claim = Claim::new(Cause::OverExcited, traced.circuit, traced.place, priority, proof)
            .with(excitation)
            .with(hum)
            .with(even)
            .weighs(weight(clear, agreeing))
            .lacking(no_even.is_none().then_some(Lack::Harmonics));
        docket.claim(claim);
    }

    fn half_wave(&mut self, look: &Look<'_>, docket: &mut Docket, second: Three) {
        let load = look.plan.load;
        let Some((phase, percent)) = largest(second) else { return };
        // Orders of a converter are another's.
        let converter = is_converter(&look.lately[load]);
        let of_setpoint = if converter { 0.0 } else { percent / STEADY_SECOND_PERCENT };
        let level = Level { of_setpoint: Some(of_setpoint), back: BACK_SECOND, span: STEADY };
        let to = || {
            let at = look.comes_from(Of::Order(2)).unwrap_or(load);
            let alone = second.iter().enumerate().all(|(other, percent_of)| {
                other == phase || percent_of.is_none_or(|other| other * ONE_PHASE < percent)
            });
            (at, alone.then_some(Place::PHASES[phase]))
        };
        let traced = self.half_wave.follow((Cause::HalfWave, load), level, (look, docket), to);
        let Some(traced) = traced else { return };
        let proof = of_quantity(Measurand::SecondOrder, Place::PHASES[phase], load, percent);
        let of = |order| largest(look.lately[load].order(order)).map(|(_, amperes)| amperes);
        let fourth = of(4).zip(of(2)).map(|(fourth, second)| 100.0 * fourth / second);
        let fourth = fourth.map(|percent| of_sign(Sign::FourthOfSecond, Place::Whole, load, percent));
        let tap = self
            .tap_volts
            .get()
            .map(|tap| of_quantity(Measurand::TapVoltage, Place::Whole, load, tap).against(TAP_VOLTS));
        let agreeing = usize::from(fourth.is_some()) + usize::from(traced.circuit != load);
        let claim = Claim::new(
            Cause::HalfWave,
            traced.circuit,
            traced.place,
            Priority::Low,
            proof.against(STEADY_SECOND_PERCENT),
        )
        .with(fourth)
        .with(tap)
        .weighs(weight(of_setpoint, agreeing))
        .lacking(look.to_trace());
        docket.claim(claim.shared(traced.shares.then(|| look.shares(Of::Order(2))).flatten()));
    }
}
