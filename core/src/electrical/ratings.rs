//! What a nameplate says in amperes, and the ranges of supply voltage.

/// Rated line current of a three-phase transformer in amperes: `1000·kVA / (√3·V_LL)`.
///
/// Source: the formula printed with the public table "Transformer kVA Chart by Voltage".
///
/// ```
/// let amps = kvarden_core::electrical::ratings::rated_current_three_phase(75.0, 208.0);
/// assert!((amps.unwrap() - 208.2).abs() < 0.05);
/// ```
pub fn rated_current_three_phase(kva: f64, volts_line_to_line: f64) -> Option<f64> {
    quotient(1000.0 * kva, 3f64.sqrt() * volts_line_to_line)
}

/// Rated current of a single-phase transformer in amperes: `1000·kVA / V`. Source: as above.
pub fn rated_current_single_phase(kva: f64, volts: f64) -> Option<f64> {
    quotient(1000.0 * kva, volts)
}

fn quotient(above: f64, below: f64) -> Option<f64> {
    let value = above / below;
    (value.is_finite() && value > 0.0).then_some(value)
}

/// Where a supply voltage lies after ANSI C84.1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VoltageRange {
    /// Within range A: usual.
    A,
    /// Within range B: for limited times, calls for correction.
    B,
    /// Outside both: calls for prompt action.
    Outside,
}

/// Bounds of a voltage range in per unit of the nominal voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VoltageBounds {
    /// Range A, low and high.
    pub a: (f64, f64),
    /// Range B, low and high.
    pub b: (f64, f64),
}

/// Service voltage: 114–126 and 110–127 on a 120 V base. Source: ANSI C84.1-2016 Table 1 (from memory).
pub const SERVICE_VOLTAGE: VoltageBounds =
    VoltageBounds { a: (114.0 / 120.0, 126.0 / 120.0), b: (110.0 / 120.0, 127.0 / 120.0) };

/// Utilization voltage: 110–126 and 106–127 on a 120 V base. Source: ANSI C84.1-2016 Table 1 (from memory).
pub const UTILIZATION_VOLTAGE: VoltageBounds =
    VoltageBounds { a: (110.0 / 120.0, 126.0 / 120.0), b: (106.0 / 120.0, 127.0 / 120.0) };

impl VoltageBounds {
    /// The range of `volts` on a system of `nominal` volts; `None` when either is not a positive number.
    pub fn range_of(&self, volts: f64, nominal: f64) -> Option<VoltageRange> {
        let per_unit = quotient(volts, nominal)?;
        let within = |(low, high): (f64, f64)| (low..=high).contains(&per_unit);
        Some(if within(self.a) {
            VoltageRange::A
        } else if within(self.b) {
            VoltageRange::B
        } else {
            VoltageRange::Outside
        })
    }
}
