//! The limits that a site gets when its owner sets none, each with where its numbers come from.

mod amperes;
mod connections;
mod harmonics;
mod heat;
mod volts;

pub(crate) use heat::usual_rise_k;

use crate::electrical::permissible::KnownBound;
use crate::measurand::{Measurand, Quantity};
use crate::plant::{AppliesTo, Bound, Cooling, Level, Limit, Priority, Recurs, TripPoints, WiringForm};
use crate::time::Span;

/// What is known of the thing that a meter sits on: the base for its default limits.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Rating {
    /// Rated line current in amperes.
    pub rated_a: Option<f64>,
    /// Rated current of the neutral in amperes.
    pub neutral_a: Option<f64>,
    /// Power in kVA that may pass through, for a transformer's own meter.
    pub kva: Option<f64>,
    /// Line volts that belong to a transformer's own meter: of the tap in use on the source side, rated on the load side.
    pub tap_v: Option<f64>,
    /// Nominal line-to-line volts, for three phases.
    pub nominal_ll_v: Option<f64>,
    /// Volts of the form, see [`Side`](crate::plant::Side), and how it is connected.
    pub wiring: Option<(WiringForm, f64)>,
    /// Rated average winding rise in kelvin.
    pub rated_rise_k: Option<f64>,
    /// Insulation class in °C.
    pub insulation_class_c: Option<u16>,
    /// How it is cooled.
    pub cooling: Option<Cooling>,
    /// The maker's own trip points.
    pub trip_points: TripPoints,
    /// By what its load with harmonics is bounded, for the meters on a transformer's load side.
    pub bounded: Option<KnownBound>,
    /// Impedance in per cent, of a transformer.
    pub impedance_percent: Option<f64>,
    /// Whether motors hang on it.
    pub serves_motors: bool,
    /// Whether it is an open delta or open wye.
    pub open_bank: bool,
}

const RECURS: Recurs =
    Recurs { times: 3, within: Span::hours(6), shortest: Span::seconds(2), priority: Priority::High };

/// The default limits on one quantity of something rated so. Empty where nothing can be said.
///
/// Sources stand in each limit's `origin`. "C84.1", "IEEE 519" and "EN 50160" values are those of the standards
/// as the limits table of the guide lists them; everything else is common practice, no source.
pub fn default_limits(on: Quantity, rating: &Rating) -> Vec<Limit> {
    let nominal = rating.wiring.and_then(|(form, volts)| form.nominal_volts(volts, on));
    match on.what {
        Measurand::VoltageUnbalance => vec![volts::voltage_unbalance(rating)],
        Measurand::CurrentUnbalance => vec![amperes::current_unbalance()],
        Measurand::VoltageThd => vec![volts::voltage_thd(rating)],
        // The first order is the fundamental itself.
        Measurand::VoltageHarmonic if on.number > 1 => vec![volts::voltage_harmonic(rating)],
        Measurand::LoadingKva => vec![amperes::loading(on.what)],
        Measurand::LoadingPhase => vec![amperes::loading_phase()],
        Measurand::NeutralUnexplained => vec![harmonics::neutral_unexplained()],
        Measurand::CurrentTdd => {
            rating.impedance_percent.and_then(harmonics::current_tdd).into_iter().collect()
        }
        Measurand::SpectrumLoading => rating.bounded.map(harmonics::spectrum_loading).into_iter().collect(),
        Measurand::NeutralCurrent => rating.neutral_a.map(amperes::neutral_current).into_iter().collect(),
        Measurand::NeutralOverPhase => vec![amperes::neutral_over_phase()],
        Measurand::VoltageLl | Measurand::VoltageLn => {
            nominal.map(|nominal| volts::supply(on.what, nominal)).unwrap_or_default()
        }
        Measurand::Winding => heat::winding(rating).into_iter().collect(),
        Measurand::WindingRise => heat::winding_rise(rating).into_iter().collect(),
        Measurand::WindingResidual | Measurand::TopOilResidual | Measurand::FanShortfall => {
            heat::above_expected(on.what, rating).into_iter().collect()
        }
        Measurand::HotSpot => heat::hot_spot(rating).into_iter().collect(),
        Measurand::LoadTimeLeft => vec![heat::load_time_left()],
        Measurand::TopOil => vec![heat::top_oil()],
        Measurand::Termination => vec![heat::termination()],
        Measurand::TerminationExcess => vec![connections::termination_excess()],
        Measurand::ContactHeat => vec![connections::contact_heat()],
        Measurand::Excitation => vec![connections::excitation()],
        Measurand::SecondOrder => vec![connections::second_order()],
        Measurand::NeutralToEarth => vec![volts::earth_side(on.what, 3.0, 0.3)],
        Measurand::BondingCurrent => vec![volts::earth_side(on.what, 1.0, 0.2)],
        Measurand::CoreStrapCurrent => vec![volts::earth_side(on.what, 0.3, 0.05)],
        _ => Vec::new(),
    }
}

fn limit(on: Measurand, levels: Vec<Level>, deadband: f64, off_delay: Span, origin: &str) -> Limit {
    Limit {
        on,
        of: AppliesTo::Everywhere,
        place: None,
        number: None,
        bound: Bound::High,
        levels,
        rate: false,
        deadband,
        off_delay,
        when: Vec::new(),
        recurs: None,
        latch: false,
        origin: format!("default: {origin}"),
    }
}

fn level(setpoint: f64, priority: Priority, on_delay: Span) -> Level {
    Level { setpoint, priority, on_delay, over: None }
}

fn mean_level(setpoint: f64, priority: Priority, on_delay: Span) -> Level {
    Level { setpoint, priority, on_delay, over: Some(Span::minutes(10)) }
}

/// To a tenth: a setpoint that a person can read out.
fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

/// To its first figure: 0.832 is 0.8, and 6.24 is 6. For deadbands, where more figures say nothing.
fn first_figure(value: f64) -> f64 {
    if value <= 0.0 {
        return value;
    }
    let step = 10f64.powf(value.log10().floor());
    // Divided where the step is a fraction, so that 8 tenths are written as 0.8.
    if step < 1.0 { (value / step).round() / step.recip().round() } else { (value / step).round() * step }
}

#[cfg(test)]
mod tests;
