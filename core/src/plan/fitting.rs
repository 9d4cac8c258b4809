//! What a meter's values must be like to fit the nameplate: wide bands, so that no fault of a plant that works lies
//! outside on the day a meter is put in, and a wrong word order or scale does (common practice, no source).

use super::scope::ScopeBuilder;
use super::{FitPlan, FittingPlan, MeterPlan, PowersPlan};
use crate::defaults::Rating;
use crate::measurand::{Kind, Measurand, Quantity, Unit};
use crate::output::Rule;
use crate::phases::Place;
use crate::plant::{Meter, Priority};

/// Volts, as shares of nominal.
const VOLTS: (f64, f64) = (0.5, 1.5);
/// Hertz: a tenth below 50 up to a tenth above 60.
const HERTZ: (f64, f64) = (45.0, 66.0);
/// Amperes, as a multiple of rated.
const MOST_AMPERES: f64 = 5.0;
/// Power, as a multiple of rated.
const MOST_POWER: f64 = 3.0;
/// Temperatures in °C.
const CELSIUS: (f64, f64) = (-40.0, 250.0);
/// Powers below this share of rated are too small to compare.
const SLACK: f64 = 0.01;

/// What a quantity may be, where the nameplate says.
fn band(quantity: Quantity, rating: &Rating) -> Option<(f64, f64)> {
    let nominal = || rating.wiring.and_then(|(form, volts)| form.nominal_volts(volts, quantity));
    match quantity.what {
        Measurand::VoltageLl | Measurand::VoltageLn => {
            nominal().map(|nominal| (VOLTS.0 * nominal, VOLTS.1 * nominal))
        }
        Measurand::Frequency => Some(HERTZ),
        Measurand::Current | Measurand::NeutralCurrent => {
            rating.rated_a.map(|rated| (0.0, MOST_AMPERES * rated))
        }
        Measurand::PowerFactor => Some(Measurand::PowerFactor.range()),
        Measurand::Power | Measurand::ReactivePower => {
            rated_va(rating).map(|rated| (-MOST_POWER * rated, MOST_POWER * rated))
        }
        Measurand::ApparentPower => rated_va(rating).map(|rated| (0.0, MOST_POWER * rated)),
        what => (what.facts().unit == Unit::Celsius && what.kind() == Kind::Level).then_some(CELSIUS),
    }
}

fn rated_va(rating: &Rating) -> Option<f64> {
    let of_lines = || Some(3f64.sqrt() * rating.nominal_ll_v? * rating.rated_a?);
    rating.kva.map(|kva| 1000.0 * kva).or_else(of_lines)
}

impl ScopeBuilder {
    /// Each value that can be looked at has an alarm of its own, so that the one that is told names its quantity.
    pub(super) fn watch_fitting(&mut self, compiled: &mut MeterPlan, meter: &Meter, rating: &Rating) {
        let mut checks: Vec<FitPlan> = Vec::new();
        let mut quantities = Vec::new();
        for (point, quantity) in meter.points.iter().enumerate() {
            let Some((low, high)) = band(*quantity, rating) else { continue };
            let (key, subject) = self.quantity_subject(compiled, *quantity);
            let alarm = self.alarm(&key, subject, Rule::Nameplate, Priority::High, false);
            checks.push(FitPlan { point, low, high, alarm });
            quantities.push(*quantity);
        }
        let place_of = |what: Measurand, place: Place| {
            quantities.iter().position(|known| *known == Quantity::at(what, place))
        };
        let powers = [Place::Whole, Place::A, Place::B, Place::C].into_iter().filter_map(|place| {
            let active = place_of(Measurand::Power, place)?;
            let apparent = place_of(Measurand::ApparentPower, place)?;
            Some(PowersPlan { active, apparent, slack_w: SLACK * rated_va(rating)? })
        });
        let powers = powers.collect();
        if !checks.is_empty() {
            let fingerprint = meter.fingerprint;
            compiled.fitting = Some(FittingPlan { fingerprint, checks: checks.into_boxed_slice(), powers });
        }
    }
}
