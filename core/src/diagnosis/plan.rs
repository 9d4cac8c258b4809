//! What the diagnosis looks at, compiled: the circuits of a transformer and the transformer itself.

use crate::plant::{Cooling, SideOf};
use crate::time::Span;
use crate::wiring::WiringForm;

/// Orders of the current's harmonics that the diagnosis looks at.
pub(crate) const ORDERS: [u8; 8] = [2, 3, 4, 5, 7, 9, 11, 13];

/// Where a value comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Spot {
    /// A column of the grid's inputs: its mean over the step.
    Column(usize),
    /// A series of the meters made across meters, by its place in their rows.
    Made(usize),
}

/// One of three phases or pairs of lines each.
pub(crate) type Trio = [Option<Spot>; 3];

/// What is diagnosed of one transformer.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DiagnosisPlan {
    /// Name of the scope.
    pub(crate) scope: String,
    /// The transformer.
    pub(crate) transformer: String,
    /// Its circuits: the transformer's own sides first. Each has at least one meter, but for the load side, which is always
    /// there.
    pub(crate) circuits: Vec<CircuitPlan>,
    /// Which circuit is the load side.
    pub(crate) load: usize,
    /// Which is the source side, if it is metered.
    pub(crate) source: Option<usize>,
    /// The largest of its feeders without a meter.
    pub(crate) meter_first: Option<String>,
    /// The transformer itself.
    pub(crate) unit: UnitPlan,
    /// Whether other transformers run in parallel with it.
    pub(crate) in_parallel: bool,
    /// By meter (local): which circuit it measures, and where its volts and amperes lie in the row, for what is seen reading by
    /// reading.
    pub(crate) meters: Vec<Option<MeterPlace>>,
}

/// A circuit: a side of the transformer or a feeder.
#[derive(Debug, Clone, PartialEq)]
#[expect(clippy::struct_excessive_bools, reason = "facts of the site that do not hang together")]
pub(crate) struct CircuitPlan {
    /// Which side of the transformer; `None`: a feeder.
    pub(crate) side: Option<SideOf>,
    /// The feeder.
    pub(crate) feeder: Option<String>,
    /// How it is connected.
    pub(crate) form: WiringForm,
    /// Nominal volts of the form, see [`Side`](crate::plant::Side).
    pub(crate) volts: f64,
    /// Rated line amperes.
    pub(crate) rated_a: Option<f64>,
    /// Rated amperes of the neutral.
    pub(crate) neutral_a: Option<f64>,
    /// Motors hang on it.
    pub(crate) serves_motors: bool,
    /// Whether only three-phase loads hang on it.
    pub(crate) three_phase_only: bool,
    /// Whether it is a wye fed by a delta–wye unit.
    pub(crate) behind_delta_wye: bool,
    /// Of a side of the transformer its impedance on its own rating, per unit.
    pub(crate) impedance: Option<f64>,
    /// Whether it hangs on the transformer directly, not on another feeder.
    pub(crate) direct: bool,
    /// The longest interval of its meters.
    pub(crate) every: Span,
    pub(crate) ln: Trio,
    pub(crate) ll: Trio,
    pub(crate) amperes: Trio,
    pub(crate) neutral: Option<Spot>,
    pub(crate) neutral_expected: Option<Spot>,
    pub(crate) neutral_unexplained: Option<Spot>,
    pub(crate) watts: Trio,
    pub(crate) watts_total: Option<Spot>,
    pub(crate) vars: Trio,
    pub(crate) vars_total: Option<Spot>,
    pub(crate) volt_degrees: Trio,
    pub(crate) ampere_degrees: Trio,
    pub(crate) volt_thd: Trio,
    pub(crate) current_thd: Trio,
    /// Harmonics of the current by [`ORDERS`], in per cent of the fundamental.
    pub(crate) orders: [Trio; ORDERS.len()],
    /// The same where the meter gives amperes.
    pub(crate) orders_a: [Trio; ORDERS.len()],
    pub(crate) triplen: Trio,
    pub(crate) even: Trio,
    /// Largest deviation of the line volts.
    pub(crate) volt_unbalance: Option<Spot>,
    pub(crate) current_unbalance: Option<Spot>,
    pub(crate) u2: Option<Spot>,
    pub(crate) u0: Option<Spot>,
    /// Heat of its connection to the transformer: A, B, C, N.
    pub(crate) contact_heat: [Option<Spot>; 4],
    /// Terminations: A, B, C, N, of each sensor module's number.
    pub(crate) terminations: Vec<TerminationSet>,
}

/// Terminations of one number at one circuit: A, B, C, N.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct TerminationSet {
    pub(crate) number: u8,
    pub(crate) temperature: [Option<Spot>; 4],
    /// Over their peers, each by its own current.
    pub(crate) excess: [Option<Spot>; 4],
}

/// The transformer itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct UnitPlan {
    pub(crate) kva: f64,
    pub(crate) phases: u8,
    pub(crate) rated_rise_k: Option<f64>,
    pub(crate) insulation_class_c: Option<f64>,
    pub(crate) cooling: Option<Cooling>,
    /// With its fans it may carry so many times its rating; 1 without any.
    pub(crate) fan_gain: f64,
    pub(crate) impedance_percent: Option<f64>,
    /// Reactance over resistance.
    pub(crate) x_over_r: Option<f64>,
    /// A bank of two units where a closed one has three: its volts are unequal by design.
    pub(crate) open_bank: bool,
    pub(crate) winding: Trio,
    pub(crate) winding_expected: Trio,
    pub(crate) winding_residual: Trio,
    pub(crate) top_oil: Option<Spot>,
    pub(crate) top_oil_expected: Option<Spot>,
    pub(crate) top_oil_residual: Option<Spot>,
    pub(crate) hot_spot: Option<Spot>,
    pub(crate) ambient: Option<Spot>,
    pub(crate) enclosure: Option<Spot>,
    pub(crate) core: Option<Spot>,
    pub(crate) fan_shortfall: Option<Spot>,
    pub(crate) fans: Vec<Spot>,
    pub(crate) load_time_left: Option<Spot>,
    pub(crate) permissible_load: Option<Spot>,
    pub(crate) spectrum_loading: Option<Spot>,
    pub(crate) loading_kva: Option<Spot>,
    pub(crate) loading_phase: Option<Spot>,
    pub(crate) tap_volts: Option<Spot>,
    pub(crate) excitation: Option<Spot>,
    pub(crate) second_order: Trio,
    pub(crate) sound_level: Option<Spot>,
    /// Tones over the usual at one, two, four, six times the line frequency: sound, vibration.
    pub(crate) sound_tones: [Option<Spot>; 4],
    pub(crate) vibration_tones: [Option<Spot>; 4],
}

/// Where a meter's volts and amperes lie in the row of its scope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct MeterPlace {
    pub(crate) circuit: usize,
    pub(crate) ln: [Option<usize>; 3],
    pub(crate) ll: [Option<usize>; 3],
    pub(crate) amperes: [Option<usize>; 3],
    pub(crate) neutral: Option<usize>,
    /// Second order of the amperes in per cent of the fundamental.
    pub(crate) second_order: [Option<usize>; 3],
    /// Whether its breaker is closed.
    pub(crate) breaker: Option<usize>,
    pub(crate) every: Span,
}
