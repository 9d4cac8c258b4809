//! Heat: what a healthy unit would show, and how fast its insulation ages. Each formula with its source. Missing or
//! unfit input gives no value, never a wrong one.

pub mod ageing;
pub mod dry_type;
pub mod iec_liquid;
pub mod liquid;

/// A value that is a number, else nothing.
fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// A quantity that goes from `start` to `end` with the time constant `tau_min`, after `minutes`:
/// `(end − start)·(1 − e^(−t/τ)) + start`.
///
/// * `start`, `end`: in one unit, K or °C; `minutes` ≥ 0; `tau_min` > 0.
///
/// Source: IEEE C57.91 clause 7, IEEE C57.96 (from memory); the solution of the first-order equation.
pub fn approach(start: f64, end: f64, minutes: f64, tau_min: f64) -> Option<f64> {
    if !(minutes >= 0.0 && tau_min > 0.0) {
        return None;
    }
    finite(start - (end - start) * (-minutes / tau_min).exp_m1())
}

/// The time constant between two rises, in minutes: `τ_R·(U − I)/(U^(1/n) − I^(1/n))`, U and I the ultimate and initial
/// rise over the rated one. Where both are the same, its limit `τ_R·n·U^(1 − 1/n)`.
///
/// * `tau_rated_min`: the time constant at rated rise, > 0.
/// * `ultimate`, `initial`: per unit of the rated rise, ≥ 0, not both 0 unless n = 1.
/// * `n`: the exponent of the steady rise, > 0; 1 gives `τ_R`.
///
/// Source: IEEE C57.91 clause 7 for top oil; the same law of cooling, loss going with rise^(1/n), gives it for windings
/// in air.
pub fn time_constant_min(tau_rated_min: f64, ultimate: f64, initial: f64, n: f64) -> Option<f64> {
    /// Nearer to each other than this the quotient is noise, and the limit true to as much.
    const SAME: f64 = 1e-6;
    if !(tau_rated_min > 0.0 && ultimate >= 0.0 && initial >= 0.0 && n > 0.0) {
        return None;
    }
    let factor = if (ultimate - initial).abs() <= SAME * ultimate.max(initial) {
        n * ultimate.powf(1.0 - 1.0 / n)
    } else {
        (ultimate - initial) / (ultimate.powf(1.0 / n) - initial.powf(1.0 / n))
    };
    finite(tau_rated_min * factor)
}

/// The rise after `minutes` of one load, per unit of the rated rise, with the time constant that belongs to each part of
/// the way: the law behind [`time_constant_min`], in steps of at most a minute, each by the exponential.
///
/// * `now`, `ultimate`: per unit of the rated rise, ≥ 0; `minutes` ≥ 0; `tau_rated_min`, `n` > 0.
pub fn rise_after(now: f64, ultimate: f64, minutes: f64, tau_rated_min: f64, n: f64) -> Option<f64> {
    /// Longest step in minutes.
    const STEP_MIN: f64 = 1.0;
    /// A rise that nobody could measure.
    const NO_RISE: f64 = 1e-9;
    /// More steps than this are a steady state: ten days.
    const MOST_MIN: f64 = 14_400.0;
    if !(minutes >= 0.0 && now >= 0.0 && ultimate >= 0.0) {
        return None;
    }
    let steps = (minutes.min(MOST_MIN) / STEP_MIN).ceil();
    let step = minutes.min(MOST_MIN) / steps.max(1.0);
    let mut rise = now;
    for _ in 0..steps as u32 {
        if ultimate.max(rise) < NO_RISE {
            break;
        }
        rise = approach(rise, ultimate, step, time_constant_min(tau_rated_min, ultimate, rise, n)?)?;
    }
    finite(rise)
}
