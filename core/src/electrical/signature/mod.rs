//! Who draws these harmonics: suspects ranked by the pattern of the spectrum, each with the numbers that speak for it.
//!
//! What the orders of one pattern can't explain is left to the next: the third can only come from single-phase loads, which bring some
//! 5th and 7th with it; what those have beyond that is laid to six-pulse converters, which bring some 11th and 13th; and so on. All
//! weights and borders here are common practice, no source; the ranges of habit stand in [`HABITS`].

mod habits;

pub use habits::{HABITS, Habit, Load, ORDERS, Pattern};

use super::distortion::{self, Orders};
use super::spectrum::{Lacking, Spectrum};
use habits::most_beside;

/// What is looked at.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    /// The current's orders, in amperes or in per cent of the fundamental.
    pub current: &'a Spectrum,
    /// The voltage's, if the meter gives them.
    pub voltage: Option<&'a Spectrum>,
    /// The current per unit of rated, if it is known.
    pub load_pu: Option<f64>,
}

/// One suspect.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Suspect {
    /// Which pattern.
    pub pattern: Pattern,
    /// 0 to 1: the product of the three below.
    pub likelihood: f64,
    /// 0 to 1: whether what is laid to it is large enough to mean something.
    pub size: f64,
    /// 0 to 1: which part of all harmonics it has; of even orders and a resonance always 1, since a little of those tells.
    pub part: f64,
    /// 0 to 1: how well the orders stand to each other as in this pattern.
    pub shape: f64,
    /// The harmonic current laid to it, in per cent of the fundamental.
    pub percent: f64,
    /// The order that tells.
    pub order: u8,
}

/// What a spectrum says of its sources.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Signature {
    /// One for each pattern, the likeliest first.
    pub suspects: [Suspect; 5],
    /// How well each of [`HABITS`] alone would fit, 0 to 1, in their order.
    pub habits: [f64; HABITS.len()],
    /// THD in per cent of the fundamental.
    pub thd: f64,
    /// Which part of the harmonics' square no pattern explains, 0 to 1.
    pub unexplained: f64,
}

/// What a signature comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Finding {
    /// So little distortion that it points to nobody.
    Slight,
    /// The first suspect, and those near it.
    Suspects,
    /// Much distortion, of which no pattern explains the greater part.
    FitsNothing,
}

/// Below this THD in per cent nothing is looked for.
const SLIGHT: f64 = 3.0;
/// A suspect or habit that is less likely is not named.
pub const NAMED: f64 = 0.25;

/// Straight from 0 at `zero` to 1 at `one`, either way round.
fn grade(value: f64, zero: f64, one: f64) -> f64 {
    ((value - zero) / (one - zero)).clamp(0.0, 1.0)
}

/// How large a quotient is; a thing beside nothing is as large as it can be.
fn beside(value: f64, other: f64) -> f64 {
    if other > 0.0 {
        value / other
    } else if value > 0.0 {
        f64::MAX
    } else {
        0.0
    }
}

/// Ranks the suspects.
///
/// Source: common practice, no source.
///
/// # Errors
/// What is lacking: a fundamental, and the orders that the THD needs.
pub fn signature(seen: Seen<'_>) -> Result<Signature, Lacking> {
    let fundamental = seen.current.fundamental(0.0)?;
    let thd = distortion::percent(seen.current, Orders::All, 0.0)?;
    let percent =
        Spectrum::given(seen.current.present().map(|(order, value)| (order, 100.0 * (value / fundamental))));
    let shares = Shares::of(&percent);
    let all: f64 = percent.harmonics().map(|(_, value)| value * value).sum();
    if !all.is_finite() {
        return Err(Lacking::Range);
    }
    let order = |order: u8| percent.get(order).unwrap_or(0.0);
    let suspect = |pattern, square: f64, shape: f64, order| {
        let size = grade(square.sqrt(), 1.0, SLIGHT);
        let part = grade(beside(square, all), 0.02, 0.25);
        Suspect { pattern, likelihood: size * part * shape, size, part, shape, percent: square.sqrt(), order }
    };
    let [single, six, twelve, even] = shares.squares;
    let mut suspects = [
        suspect(Pattern::SinglePhase, single, grade(beside(order(9), order(3)), 1.0, 0.5), 3),
        suspect(Pattern::SixPulse, six, grade(beside(shares.seventh, shares.fifth), 2.0, 1.0), 5),
        suspect(Pattern::TwelvePulse, twelve, shape_of_twelve(shares.eleventh, shares.thirteenth), 11),
        even_orders(&percent, even, seen.load_pu),
        resonance(&percent, seen),
    ];
    suspects.sort_by(|one, other| {
        other.likelihood.total_cmp(&one.likelihood).then(one.pattern.cmp(&other.pattern))
    });
    let explained: f64 = shares.squares.iter().sum();
    let unexplained = if all > 0.0 { (1.0 - explained / all).clamp(0.0, 1.0) } else { 0.0 };
    // The table of habits knows six orders; what lies elsewhere and is nobody's speaks against each of its rows.
    let habits = HABITS.each_ref().map(|habit| (1.0 - unexplained) * habit.fit(&percent, thd));
    Ok(Signature { suspects, habits, thd, unexplained })
}

impl Signature {
    /// What it comes to.
    pub fn finding(&self) -> Finding {
        let named = self.suspects[0].likelihood >= NAMED;
        let like_a_habit = self.habits.iter().any(|fit| *fit >= NAMED);
        if self.thd < SLIGHT && !named {
            Finding::Slight
        } else if (named && (self.unexplained <= 0.5 || self.suspects[0].pattern == Pattern::Resonance))
            || like_a_habit
        {
            Finding::Suspects
        } else {
            Finding::FitsNothing
        }
    }

    /// How likely a pattern is, 0 to 1.
    pub fn likelihood(&self, pattern: Pattern) -> f64 {
        self.suspects
            .iter()
            .find(|suspect| suspect.pattern == pattern)
            .map_or(0.0, |suspect| suspect.likelihood)
    }
}

/// The squares of what is laid to each pattern, and what converters have beyond what others bring, by order.
struct Shares {
    /// Single-phase, six-pulse, twelve-pulse, even.
    squares: [f64; 4],
    fifth: f64,
    seventh: f64,
    eleventh: f64,
    thirteenth: f64,
}

impl Shares {
    fn of(percent: &Spectrum) -> Self {
        let value = |order: u8| percent.get(order).unwrap_or(0.0);
        let third = value(3);
        // What an order has beyond what these bring, as a square.
        let beyond = |order: u8, brought: f64| (value(order).powi(2) - brought.powi(2)).max(0.0);
        let with_single = |order| third * most_beside(Pattern::SinglePhase, order, 3);
        let [fifth, seventh] = [5, 7].map(|order| beyond(order, with_single(order)).sqrt());
        let with_six = |order| fifth * most_beside(Pattern::SixPulse, order, 5);
        let [eleventh, thirteenth] =
            [11, 13].map(|order| beyond(order, with_single(order).hypot(with_six(order))).sqrt());
        let mut squares = [0.0; 4];
        let [single, six, twelve, even] = &mut squares;
        for (order, amount) in percent.harmonics() {
            let square = amount * amount;
            match order {
                _ if order.is_multiple_of(2) => *even += square.min(value(2).powi(2)),
                _ if order.is_multiple_of(3) => *single += square.min(third.powi(2)),
                5 | 7 => {
                    let rest = if order == 5 { fifth.powi(2) } else { seventh.powi(2) };
                    *six += rest;
                    *single += square - rest;
                }
                11 | 13 => {
                    let rest = if order == 11 { eleventh.powi(2) } else { thirteenth.powi(2) };
                    *twelve += rest;
                    let brought = (square - rest).min(with_six(order).powi(2));
                    *six += brought;
                    *single += square - rest - brought;
                }
                // Above, a converter's orders fall at least as 1/h; what is more is nobody's.
                _ => {
                    let of_six = square.min((fifth * 5.0 / f64::from(order)).powi(2));
                    let of_twelve = (square - of_six).min((eleventh * 11.0 / f64::from(order)).powi(2));
                    let of_single =
                        (square - of_six - of_twelve).min((third * 3.0 / f64::from(order)).powi(2));
                    *six += of_six;
                    // 17 and 19 are not orders of twelve pulses.
                    *twelve += if matches!(order % 12, 1 | 11) { of_twelve } else { 0.0 };
                    *single += of_single;
                }
            }
        }
        Self { squares, fifth, seventh, eleventh, thirteenth }
    }
}

/// Both 11 and 13 are there: the one from 3/5 to 3 times the other, as in the table of habits.
fn shape_of_twelve(eleventh: f64, thirteenth: f64) -> f64 {
    let ratio = beside(eleventh, thirteenth);
    grade(ratio, 0.3, 0.6).min(grade(ratio, 6.0, 3.0))
}

/// The second order leads. It tells by its amperes: above 1 % of rated it points to direct flux or half-wave load; if the load is not
/// known, by its share of the fundamental.
fn even_orders(percent: &Spectrum, square: f64, load_pu: Option<f64>) -> Suspect {
    let (second, fourth) = (percent.get(2).unwrap_or(0.0), percent.get(4).unwrap_or(0.0));
    let size = load_pu.map_or_else(|| grade(second, 1.0, 3.0), |load| grade(second * load, 0.5, 2.0));
    let shape = grade(beside(fourth, second), 1.2, 0.7);
    Suspect {
        pattern: Pattern::Even,
        likelihood: size * shape,
        size,
        part: 1.0,
        shape,
        percent: square.sqrt(),
        order: 2,
    }
}

/// One order above the third has more than loads leave beside the others; and the load is low, where nothing damps it. A
/// voltage of that order, if it is measured, must be there too.
fn resonance(percent: &Spectrum, seen: Seen<'_>) -> Suspect {
    let value = |order: u8| percent.get(order).unwrap_or(0.0);
    // By the table of habits: 5 is up to 7 times the 7th, 7 hardly more than the 5th, 11 up to 4 times the 13th, 13 up to 1.6 times
    // the 11th; any other order is less than each of these.
    let usual = |order: u8| match order {
        5 => 7.0 * value(7),
        7 => 1.5 * value(5),
        11 => 4.0 * value(13),
        13 => 2.0 * value(11),
        _ => [5, 7, 11, 13].map(value).into_iter().fold(0.0, f64::max),
    };
    let above = percent.harmonics().filter(|(order, _)| *order > 3);
    let peak = above.max_by(|one, other| one.1.total_cmp(&other.1).then(other.0.cmp(&one.0)));
    let (order, amount) = peak.unwrap_or((0, 0.0));
    let stands_out = grade(beside(amount, usual(order)), 1.0, 2.0);
    let low_load = seen.load_pu.map_or(0.5, |load| grade(load, 0.8, 0.3));
    let in_voltage = seen.voltage.map_or(1.0, |voltage| {
        let of_voltage = voltage.get(order).zip(voltage.fundamental(0.0).ok());
        of_voltage.map_or(0.0, |(volts, fundamental)| grade(100.0 * (volts / fundamental), 0.5, 2.0))
    });
    let (size, shape) = (grade(amount, 1.0, SLIGHT) * in_voltage, stands_out * low_load);
    Suspect {
        pattern: Pattern::Resonance,
        likelihood: size * shape,
        size,
        part: 1.0,
        shape,
        percent: amount,
        order,
    }
}

#[cfg(test)]
mod tests;
