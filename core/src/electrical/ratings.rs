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

/// Fault current in amperes at the terminals of a transformer on an infinite source: `rated·100/Z%`.
///
/// The supply's own impedance lowers it, running motors add about four times their full-load current, and Z% carries a
/// tolerance of ± 7.5 to 10 % (IEEE C57.12.00, from memory). For the ratio of fault to load current only; never for
/// interrupting ratings or arc flash.
///
/// Source: textbook.
pub fn fault_current(rated_a: f64, impedance_percent: f64) -> Option<f64> {
    quotient(100.0 * rated_a, impedance_percent)
}

/// Hot spot in °C to which an insulation system is built: ambient maximum + average winding rise + hot-spot allowance (K).
/// `None` where the ambient is not finite, or a rise is below zero or not finite.
///
/// Source: dry-type class table in public guides: 40 + 150 + 30 = 220.
pub fn hot_spot_limit_c(ambient_max_c: f64, rise_k: f64, hot_spot_allowance_k: f64) -> Option<f64> {
    let limit = ambient_max_c + rise_k + hot_spot_allowance_k;
    (rise_k >= 0.0 && hot_spot_allowance_k >= 0.0 && limit.is_finite()).then_some(limit)
}

/// Average ambient over a day in °C up to which a dry type carries its kVA.
const FULL_AMBIENT_C: f64 = 30.0;
/// Metres above the sea up to which it does.
const FULL_ALTITUDE_M: f64 = 1000.0;
/// Per cent of kVA less for each 100 m above.
const PERCENT_PER_100_M: f64 = 0.3;

/// The share of its kVA that a dry type may carry in a hot room, at a high place: the two reductions are multiplied. 1 where
/// it is neither; it is never more.
///
/// * `ambient_avg_c`: mean ambient over 24 h, °C. * `altitude_m`: metres above the sea.
/// * `percent_per_k`: kVA less for each kelvin above 30 °C: 0.4 for a rise of 150 K.
///
/// `None` for what is not finite or negative where it can't be, and where nothing would be left.
///
/// Source: public installation guidance for dry types, after IEEE C57.96.
pub fn hot_room_share(ambient_avg_c: f64, altitude_m: f64, percent_per_k: f64) -> Option<f64> {
    let less = |percent: f64| 1.0 - percent / 100.0;
    let by_ambient = less(percent_per_k * above(ambient_avg_c, FULL_AMBIENT_C)?);
    let by_altitude = less(PERCENT_PER_100_M * above(altitude_m, FULL_ALTITUDE_M)? / 100.0);
    (percent_per_k >= 0.0 && by_ambient > 0.0 && by_altitude > 0.0).then_some(by_ambient * by_altitude)
}

/// By how much a value is above a base; 0 below it: there is nothing to take off.
fn above(value: f64, base: f64) -> Option<f64> {
    value.is_finite().then(|| (value - base).max(0.0))
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cool_room_near_the_sea_takes_nothing_off() {
        assert_eq!(hot_room_share(20.0, 0.0, 0.4), Some(1.0));
        assert_eq!(hot_room_share(30.0, 1000.0, 0.4), Some(1.0));
        // 10 K above 30 °C: 4 % less. 100 m above 1000 m: 0.3 % less.
        assert!((hot_room_share(40.0, 900.0, 0.4).unwrap() - 0.96).abs() < 1e-12);
        assert!((hot_room_share(25.0, 1100.0, 0.4).unwrap() - 0.997).abs() < 1e-12);
    }

    #[test]
    fn what_is_no_number_gives_nothing() {
        for wrong in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(hot_room_share(wrong, 0.0, 0.4), None);
            assert_eq!(hot_room_share(40.0, wrong, 0.4), None);
            assert_eq!(hot_room_share(40.0, 0.0, wrong), None);
            assert_eq!(hot_spot_limit_c(wrong, 150.0, 30.0), None);
            assert_eq!(hot_spot_limit_c(40.0, wrong, 30.0), None);
            assert_eq!(fault_current(wrong, 4.5), None);
        }
        assert_eq!(hot_room_share(300.0, 0.0, 0.4), None, "nothing would be left");
        assert_eq!(hot_room_share(40.0, 0.0, -0.4), None);
        assert_eq!(hot_spot_limit_c(40.0, -1.0, 30.0), None);
        assert_eq!(fault_current(208.2, 0.0), None);
    }
}
