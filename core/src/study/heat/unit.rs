//! The two kinds of units, and what cooling they have now.

use super::part::Pace;
use crate::reading::Sample;
use crate::thermal::dry_type::{FORCED_AIR, NATURAL_AIR, heat_pu, steady_rise_k};
use crate::thermal::liquid::{LiquidUnit, ONAF, ONAN, USUAL_OIL_MIN, USUAL_WINDING_MIN};

/// Where the heat of a unit's windings goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Medium {
    /// Into the air.
    Air {
        /// Rated average rise of the windings in K.
        rise_k: f64,
        /// Hot spot over the average winding at rated load, in K.
        gradient_k: f64,
    },
    /// Into a liquid.
    Liquid(LiquidUnit),
}

/// Fans of a unit.
#[derive(Debug, Clone, PartialEq)]
pub struct FanPlan {
    /// Columns of the flags that say whether they run; empty where nothing says it.
    pub running: Box<[usize]>,
    /// With them it may carry so many times its rating without them.
    pub gain: f64,
}

/// How much of its fans' cooling a unit has: 0 none, 1 all.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cooling {
    /// As it is.
    pub(super) now: f64,
    /// As it should be: fans run while any winding carries more than without them it may (common practice, no source).
    pub(super) due: f64,
}

/// The cooling now. `most_heat` is that of the warmest winding, per unit. `None`: whether the fans run is not known now.
pub(super) fn cooling(fans: Option<&FanPlan>, most_heat: Option<f64>, inputs: &[Sample]) -> Option<Cooling> {
    let Some(fans) = fans else { return Some(Cooling { now: 0.0, due: 0.0 }) };
    let needed = most_heat.is_some_and(|heat| heat > 1.0);
    if fans.running.is_empty() {
        let all = if needed { 1.0 } else { 0.0 };
        return Some(Cooling { now: all, due: all });
    }
    let mut share = 0.0;
    for column in &fans.running {
        share += inputs[*column].get()?.clamp(0.0, 1.0);
    }
    let now = share / fans.running.len() as f64;
    Some(Cooling { now, due: if needed { 1.0 } else { now } })
}

/// A unit with a share of its fans' cooling.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cooled {
    medium: Medium,
    share: f64,
    /// The heat of its windings counts as so much less: the square of what the fans let it carry more.
    square: f64,
}

impl Cooled {
    pub(super) fn new(medium: Medium, fans: Option<&FanPlan>, share: f64) -> Self {
        let gain = fans.map_or(1.0, |fans| 1.0 + (fans.gain - 1.0) * share);
        Self { medium, share, square: gain * gain }
    }

    /// How the part that the fans cool moves: the windings in air, else the oil. With fans the same rise goes with more
    /// loss, so it moves faster by as much.
    pub(super) fn pace(&self, tau_min: f64) -> Pace {
        let (natural, forced) = match self.medium {
            Medium::Air { .. } => (NATURAL_AIR, FORCED_AIR),
            Medium::Liquid(_) => (ONAN.oil, ONAF.oil),
        };
        Pace { tau_min: tau_min / self.square, exponent: natural + (forced - natural) * self.share }
    }

    /// Where the rise of a winding in air goes, per unit.
    pub(super) fn air_drive(&self, heat: f64) -> Option<f64> {
        steady_rise_k(1.0, heat / self.square, self.pace(1.0).exponent)
    }

    /// Where the rise of the oil goes, per unit, by the mean heat of the windings.
    pub(super) fn oil_drive(&self, unit: LiquidUnit, mean_heat: f64) -> Option<f64> {
        let mut unit = unit;
        unit.exponents.oil = self.pace(1.0).exponent;
        unit.oil_pu(mean_heat / self.square)
    }
}

impl Medium {
    /// Time constant at rated rise of the part that the fans cool, in minutes, without data.
    pub(super) fn usual_tau_min(self) -> f64 {
        match self {
            Self::Air { .. } => crate::thermal::dry_type::USUAL_TIME_CONSTANT_MIN,
            Self::Liquid(_) => USUAL_OIL_MIN,
        }
    }

    /// How the rise of a winding over its oil moves.
    pub(super) fn winding_pace() -> Pace {
        Pace { tau_min: USUAL_WINDING_MIN, exponent: 1.0 }
    }
}

/// Heat of a winding now, per unit of that at rated current: the weighted squares of its line currents, with the loss factor of its
/// spectrum where that is known.
pub(super) fn winding_heat(
    inputs: &[Sample],
    currents: &[(usize, f64)],
    rated_a: f64,
    loss_factor: Option<usize>,
    eddy_pu: f64,
) -> Option<f64> {
    let mut squares = 0.0;
    for (column, weight) in currents {
        squares += weight * (inputs[*column].get()? / rated_a).powi(2);
    }
    // Errors of the meters may bring a winding of a delta without load below nothing.
    let load = squares.max(0.0).sqrt();
    // A spectrum that is not known, as of small currents, counts as that of a pure sine: it can only be warmer.
    let factor = loss_factor.and_then(|column| inputs[column].get()).filter(|factor| *factor >= 1.0);
    heat_pu(load, factor.unwrap_or(1.0), eddy_pu)
}
