//! Windings in air: IEEE C57.96 and IEC 60076-12.

use super::{approach, finite};

/// Exponent m for windings that air cools by itself, by fans, or in a sealed tank: the steady rise goes like load^(2m).
///
/// Source: IEEE C57.96-2013 (from memory); IEC 60076-12 5.3 writes q = 2m, 1.6 and 2.0.
pub const NATURAL_AIR: f64 = 0.8;
/// As [`NATURAL_AIR`], with fans: a forced stream takes heat in proportion to the rise (Newton's law of cooling), still air
/// with its 1.25th power, because the rise itself drives the stream.
pub const FORCED_AIR: f64 = 1.0;
/// As [`NATURAL_AIR`], sealed.
pub const SEALED: f64 = 0.7;

/// Time constant of windings without data, in minutes (common practice, no source).
pub const USUAL_TIME_CONSTANT_MIN: f64 = 60.0;

/// The hot spot's allowance above the average winding at rated current where the class is not known, in K.
pub const USUAL_ALLOWANCE_K: f64 = 30.0;

/// How much warmer than the average winding its hot spot is at rated current, in K, by the class: what the maker's own
/// number would say better.
///
/// Source: the difference of the two rises in the class table: 10 K for 105, 25 K for 180, else 30 K (C57.12.01, from
/// memory; 30 K for 220 published).
pub fn allowance_k(class_c: u16) -> f64 {
    match class_c {
        105 => 10.0,
        180 => 25.0,
        _ => USUAL_ALLOWANCE_K,
    }
}

/// Heat made in a winding per unit of that at rated current: `L²·(1 + F_HL·P_EC-R)/(1 + P_EC-R)`.
///
/// * `load_pu`: rms current over rated, ≥ 0.
/// * `loss_factor`: harmonic loss factor `F_HL` of the current, ≥ 1 for any current; 1 for a pure sine.
/// * `eddy_pu`: P_EC-R, eddy loss at rated current per unit of I²R, ≥ 0.
///
/// Source: IEEE C57.110 (from memory).
pub fn heat_pu(load_pu: f64, loss_factor: f64, eddy_pu: f64) -> Option<f64> {
    if !(load_pu >= 0.0 && loss_factor >= 0.0 && eddy_pu >= 0.0) {
        return None;
    }
    finite(load_pu * load_pu * (1.0 + loss_factor * eddy_pu) / (1.0 + eddy_pu))
}

/// Steady rise in K: `ΔΘ_R·heat^m`, heat per unit as [`heat_pu`] gives it.
///
/// * `rated_rise_k`: rise at rated current, > 0.
/// * `exponent`: m, > 0.
///
/// Source: IEEE C57.96-2013 (from memory).
pub fn steady_rise_k(rated_rise_k: f64, heat_pu: f64, exponent: f64) -> Option<f64> {
    if !(rated_rise_k > 0.0 && heat_pu >= 0.0 && exponent > 0.0) {
        return None;
    }
    finite(rated_rise_k * heat_pu.powf(exponent))
}

/// Steady hot spot in °C: `θ_A + ΔΘ_HS-R·L^(2m)`.
///
/// * `ambient_c`: air around it; `rated_hot_spot_rise_k` > 0; `load_pu` ≥ 0; `exponent`: m, > 0.
///
/// Source: IEEE C57.96-2013 (from memory); IEC 60076-12 5.3 with `Z·ΔΘ_W·I^q`.
pub fn hot_spot_steady_c(
    ambient_c: f64,
    rated_hot_spot_rise_k: f64,
    load_pu: f64,
    exponent: f64,
) -> Option<f64> {
    let heat = heat_pu(load_pu, 1.0, 0.0)?;
    finite(ambient_c + steady_rise_k(rated_hot_spot_rise_k, heat, exponent)?)
}

/// A step of the load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoadStep {
    /// Load before it, for long, per unit.
    pub from_pu: f64,
    /// Load since then, per unit.
    pub to_pu: f64,
    /// Minutes since then.
    pub minutes: f64,
}

/// Hot spot in °C some time after a step of the load, with one time constant for all of it.
///
/// * `ambient_c`, `rated_hot_spot_rise_k`, `exponent`: as [`hot_spot_steady_c`]; `tau_min` > 0.
///
/// Source: IEEE C57.96-2013 (from memory).
pub fn hot_spot_step_c(
    ambient_c: f64,
    rated_hot_spot_rise_k: f64,
    exponent: f64,
    tau_min: f64,
    step: LoadStep,
) -> Option<f64> {
    let rise = |load| hot_spot_steady_c(0.0, rated_hot_spot_rise_k, load, exponent);
    finite(ambient_c + approach(rise(step.from_pu)?, rise(step.to_pu)?, step.minutes, tau_min)?)
}

/// Masses of a winding in kg.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct WindingMass {
    /// Aluminium.
    pub aluminium_kg: f64,
    /// Copper.
    pub copper_kg: f64,
    /// Insulation.
    pub insulation_kg: f64,
}

/// Time constant of a winding at rated load in minutes: `C·ΔΘ_HS-R/P_R`.
///
/// * `loss_w`: its loss at rated load, > 0; `rated_hot_spot_rise_k` > 0; at least one mass > 0.
///
/// Heat capacities in W·min/(kg·K): aluminium 15.0, copper 6.42, insulation 24.5. Source: IEEE C57.96 (from memory); they
/// are 900, 385 and 1470 J/(kg·K).
pub fn time_constant_min(mass: WindingMass, loss_w: f64, rated_hot_spot_rise_k: f64) -> Option<f64> {
    let WindingMass { aluminium_kg, copper_kg, insulation_kg } = mass;
    if !(aluminium_kg >= 0.0 && copper_kg >= 0.0 && insulation_kg >= 0.0 && loss_w > 0.0) {
        return None;
    }
    let capacity = 15.0 * aluminium_kg + 6.42 * copper_kg + 24.5 * insulation_kg;
    finite(capacity * rated_hot_spot_rise_k / loss_w).filter(|minutes| *minutes > 0.0)
}
