//! How long the present load may last.

use super::part::Pace;
use crate::thermal::{approach, time_constant_min};

/// The forecast looks so far ahead, in hours; what lasts longer is told as this: a day or more. Without a value a limit
/// could not clear.
pub const HORIZON_H: f64 = 24.0;
/// Steps of the forecast in minutes.
const STEP_MIN: f64 = 5.0;

/// A rise on its way, scaled to kelvin.
#[derive(Debug, Clone, Copy)]
pub(super) struct Way {
    /// Rise now and where it goes, per unit.
    pub(super) now: f64,
    pub(super) drive: f64,
    pub(super) pace: Pace,
    /// Kelvin of the hot spot for a rise of 1.
    pub(super) kelvin: f64,
}

impl Way {
    fn on(&mut self, minutes: f64) -> Option<()> {
        // A part that is where it goes, or has nothing to lose, stays.
        let tau = time_constant_min(self.pace.tau_min, self.drive, self.now, self.pace.exponent);
        if let Some(tau) = tau {
            self.now = approach(self.now, self.drive, minutes, tau)?;
        }
        Some(())
    }
}

/// Hours until the hot spot is past a limit if load and air stay as they are; at most [`HORIZON_H`]. `room_k` is how far
/// the limit lies above the hot spot now.
pub(super) fn hours_left(ways: &[Way], room_k: f64) -> Option<f64> {
    if room_k <= 0.0 {
        return Some(0.0);
    }
    let warmer = |ways: &[Way], begin: &[Way]| -> f64 {
        ways.iter().zip(begin).map(|(way, begin)| way.kelvin * (way.now - begin.now)).sum()
    };
    // Never: not even a part of each that is still warming brings it there.
    let most: f64 = ways.iter().map(|way| way.kelvin * (way.drive - way.now).max(0.0)).sum();
    if most < room_k {
        return Some(HORIZON_H);
    }
    let (mut moving, mut before) = ([Way::STILL; 2], 0.0);
    let moving = &mut moving[..ways.len().min(2)];
    moving.copy_from_slice(&ways[..ways.len().min(2)]);
    for step in 1..=(HORIZON_H * 60.0 / STEP_MIN) as u32 {
        for way in moving.iter_mut() {
            way.on(STEP_MIN)?;
        }
        let now = warmer(moving, ways);
        if now >= room_k {
            let share = (room_k - before) / (now - before);
            return Some((f64::from(step - 1) + share) * STEP_MIN / 60.0);
        }
        before = now;
    }
    Some(HORIZON_H)
}

impl Way {
    const STILL: Self =
        Self { now: 0.0, drive: 0.0, pace: Pace { tau_min: 1.0, exponent: 1.0 }, kelvin: 0.0 };
}

#[cfg(test)]
mod tests {
    use super::*;

    fn way(now: f64, drive: f64) -> Way {
        Way { now, drive, pace: Pace { tau_min: 60.0, exponent: 1.0 }, kelvin: 100.0 }
    }

    /// Closed form of one exponential: t = −τ·ln((U − L)/(U − I)). Seen to fail with a sign turned in the share of a step.
    #[test]
    fn the_time_is_that_of_the_closed_form() {
        let hours = hours_left(&[way(0.5, 1.5)], 70.0).expect("a time");
        let closed = -((1.5f64 - 1.2) / (1.5 - 0.5)).ln();
        assert!((hours - closed).abs() < 0.005, "{hours} {closed}");
    }

    #[test]
    fn past_it_there_is_no_time_and_where_it_never_comes_a_day_or_more() {
        assert_eq!(hours_left(&[way(0.5, 1.5)], 0.0), Some(0.0));
        assert_eq!(hours_left(&[way(0.5, 1.5)], 101.0), Some(HORIZON_H));
        assert_eq!(hours_left(&[way(1.5, 0.5)], 1.0), Some(HORIZON_H), "it cools");
    }
}
