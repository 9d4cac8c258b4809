//! What common loads draw, as ranges of habit: for ranking suspects, never for a verdict.

use crate::electrical::spectrum::Spectrum;

/// A kind of load with a spectrum of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Load {
    /// Six-pulse drive with a choke or line reactor.
    SixPulseReactor,
    /// Six-pulse drive without one.
    SixPulseBare,
    /// Six-pulse converter with a stiff direct current.
    SixPulseStiff,
    /// Twelve-pulse converter.
    TwelvePulse,
    /// Single-phase switch-mode supplies without power-factor correction.
    Electronic,
    /// Single-phase electronic loads with power-factor correction.
    ElectronicCorrected,
    /// LED lighting with drivers of 25 W and more.
    LedDrivers,
    /// Small LED lamps without correction.
    LedLamps,
    /// Fluorescent lamps on electronic ballasts.
    Fluorescent,
    /// Electric vehicles on their own single-phase chargers.
    VehicleSinglePhase,
    /// Electric vehicles on three-phase direct-current chargers.
    VehicleDirect,
    /// Older uninterruptible supplies with a six-pulse rectifier.
    SupplySixPulse,
    /// Modern uninterruptible supplies with an active front end.
    SupplyActive,
}

/// What draws harmonics of one pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Pattern {
    /// Single-phase electronic loads and lighting: the third leads, and the neutral carries it.
    SinglePhase,
    /// Six-pulse converters: 5 and 7 lead.
    SixPulse,
    /// Twelve-pulse converters: 11 and 13 lead.
    TwelvePulse,
    /// Even orders: loads that take one half-wave only, or a core with a direct flux.
    Even,
    /// One order that stands out at low load: capacitors that resonate with the supply.
    Resonance,
}

/// The orders of the table of habits.
pub const ORDERS: [u8; 6] = [3, 5, 7, 9, 11, 13];

/// What a load draws, in per cent of the fundamental.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Habit {
    /// Which.
    pub load: Load,
    /// Least and most of each of [`ORDERS`].
    pub orders: [(f64, f64); 6],
    /// Least and most THD.
    pub thd: (f64, f64),
    /// The pattern that it shows, if it is one of those that can be told.
    pub pattern: Option<Pattern>,
}

const fn habit(load: Load, orders: [(f64, f64); 6], thd: (f64, f64), pattern: Option<Pattern>) -> Habit {
    Habit { load, orders, thd, pattern }
}

const SINGLE: Option<Pattern> = Some(Pattern::SinglePhase);
const SIX: Option<Pattern> = Some(Pattern::SixPulse);
const TWELVE: Option<Pattern> = Some(Pattern::TwelvePulse);

/// Common loads. Source: common practice, no source; the stiff six-pulse converter after a public work sheet (0.200, 0.140, 0.091,
/// 0.077).
pub const HABITS: [Habit; 13] = [
    habit(
        Load::SixPulseReactor,
        [(0.0, 2.0), (30.0, 40.0), (10.0, 20.0), (0.0, 1.0), (6.0, 9.0), (4.0, 6.0)],
        (35.0, 45.0),
        SIX,
    ),
    habit(
        Load::SixPulseBare,
        [(0.0, 3.0), (60.0, 80.0), (40.0, 60.0), (0.0, 2.0), (10.0, 20.0), (5.0, 10.0)],
        (80.0, 120.0),
        SIX,
    ),
    habit(
        Load::SixPulseStiff,
        [(0.0, 0.0), (20.0, 20.0), (14.3, 14.3), (0.0, 0.0), (9.1, 9.1), (7.7, 7.7)],
        (29.0, 31.0),
        SIX,
    ),
    habit(
        Load::TwelvePulse,
        [(0.0, 1.0), (1.0, 3.0), (1.0, 2.0), (0.0, 1.0), (5.0, 9.0), (3.0, 8.0)],
        (6.0, 12.0),
        TWELVE,
    ),
    habit(
        Load::Electronic,
        [(65.0, 80.0), (35.0, 60.0), (10.0, 35.0), (5.0, 20.0), (3.0, 10.0), (3.0, 8.0)],
        (80.0, 110.0),
        SINGLE,
    ),
    habit(
        Load::ElectronicCorrected,
        [(3.0, 10.0), (2.0, 6.0), (1.0, 4.0), (1.0, 3.0), (1.0, 2.0), (1.0, 2.0)],
        (5.0, 15.0),
        SINGLE,
    ),
    habit(
        Load::LedDrivers,
        [(5.0, 25.0), (3.0, 10.0), (2.0, 6.0), (1.0, 5.0), (1.0, 3.0), (1.0, 3.0)],
        (10.0, 30.0),
        SINGLE,
    ),
    habit(
        Load::LedLamps,
        [(50.0, 80.0), (30.0, 60.0), (15.0, 40.0), (10.0, 25.0), (5.0, 15.0), (5.0, 15.0)],
        (60.0, 120.0),
        SINGLE,
    ),
    habit(
        Load::Fluorescent,
        [(8.0, 20.0), (3.0, 10.0), (1.0, 5.0), (1.0, 4.0), (1.0, 2.0), (1.0, 2.0)],
        (10.0, 25.0),
        SINGLE,
    ),
    habit(
        Load::VehicleSinglePhase,
        [(3.0, 12.0), (2.0, 8.0), (1.0, 5.0), (1.0, 3.0), (1.0, 2.0), (1.0, 2.0)],
        (5.0, 15.0),
        SINGLE,
    ),
    habit(
        Load::VehicleDirect,
        [(0.0, 3.0), (2.0, 6.0), (2.0, 5.0), (0.0, 1.0), (2.0, 6.0), (1.0, 4.0)],
        (4.0, 12.0),
        None,
    ),
    habit(
        Load::SupplySixPulse,
        [(0.0, 2.0), (25.0, 35.0), (5.0, 15.0), (0.0, 1.0), (5.0, 9.0), (3.0, 6.0)],
        (30.0, 40.0),
        SIX,
    ),
    habit(
        Load::SupplyActive,
        [(1.0, 3.0), (1.0, 3.0), (1.0, 2.0), (0.0, 1.0), (1.0, 2.0), (0.0, 1.0)],
        (3.0, 6.0),
        None,
    ),
];

impl Habit {
    /// The middle of each range.
    pub fn middle(&self) -> [f64; 6] {
        self.orders.map(|(least, most)| f64::midpoint(least, most))
    }

    /// How well a spectrum (in per cent of the fundamental) fits, 0 to 1: the worst of its orders and of its THD. Within its range
    /// each counts 1; outside it falls to 0 over half the middle of the range and half a per cent (common practice, no source).
    pub fn fit(&self, percent: &Spectrum, thd: f64) -> f64 {
        let grade = |value: f64, (least, most): (f64, f64)| {
            let outside = (least - value).max(value - most).max(0.0);
            (1.0 - outside / (0.5 * f64::midpoint(least, most) + 0.5)).max(0.0)
        };
        let orders = ORDERS.iter().zip(self.orders);
        let grades =
            orders.map(|(order, range)| percent.get(*order).map_or(0.0, |value| grade(value, range)));
        grades.fold(grade(thd, self.thd), f64::min)
    }
}

/// The most that loads of a pattern draw at one order for each part of another, by the middles of their ranges.
pub(super) fn most_beside(pattern: Pattern, order: u8, leading: u8) -> f64 {
    let place = |order: u8| ORDERS.iter().position(|known| *known == order);
    let (Some(order), Some(leading)) = (place(order), place(leading)) else { return 0.0 };
    let its = HABITS.iter().filter(|habit| habit.pattern == Some(pattern));
    its.map(|habit| habit.middle()[order] / habit.middle()[leading]).fold(0.0, f64::max)
}
