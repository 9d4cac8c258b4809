//! The harmonics of one voltage or current, and what their order alone says: which sequence they turn in, which are there.

/// The r.m.s. values of one phase by order, 1 (the fundamental) to 50, all in one unit: amperes, volts, or per cent of
/// the fundamental. An order that is not given is absent, which is not zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spectrum([f64; Spectrum::HIGHEST as usize]);

/// Why something can't be told from a spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lacking {
    /// The fundamental is absent, zero, or so small that any quotient of it is noise.
    Fundamental,
    /// This order is not given.
    Order(u8),
    /// No order above this one is given, which is too few to call the sum whole.
    Reach(u8),
    /// What it is compared with (rated or demand current, a loss) is not a number above zero.
    Base,
    /// An input lies outside its valid range, or the result outside what a number can hold.
    Range,
}

impl Spectrum {
    /// The highest order: IEEE 519-2014 counts to the 50th.
    pub const HIGHEST: u8 = 50;

    /// No order given.
    pub const EMPTY: Self = Self([f64::NAN; Self::HIGHEST as usize]);

    /// Orders with their values; those that are not listed are absent.
    pub fn given(orders: impl IntoIterator<Item = (u8, f64)>) -> Self {
        let mut spectrum = Self::EMPTY;
        for (order, value) in orders {
            spectrum.set(order, Some(value));
        }
        spectrum
    }

    /// Orders with their values, of which somebody knows that there are no others: those that are not listed are zero.
    pub fn whole(orders: impl IntoIterator<Item = (u8, f64)>) -> Self {
        let mut spectrum = Self([0.0; Self::HIGHEST as usize]);
        for (order, value) in orders {
            spectrum.set(order, Some(value));
        }
        spectrum
    }

    /// Sets one order. What no meter can mean (not finite, negative) is absent; an order outside 1 to 50 is left out.
    pub fn set(&mut self, order: u8, value: Option<f64>) {
        if let Some(slot) = usize::from(order).checked_sub(1).and_then(|index| self.0.get_mut(index)) {
            *slot = value.filter(|value| value.is_finite() && *value >= 0.0).unwrap_or(f64::NAN);
        }
    }

    /// The value of an order.
    pub fn get(&self, order: u8) -> Option<f64> {
        let index = usize::from(order).checked_sub(1)?;
        self.0.get(index).copied().filter(|value| !value.is_nan())
    }

    /// The orders that are given, lowest first: those that enter a sum.
    pub fn present(&self) -> impl Iterator<Item = (u8, f64)> + '_ {
        (1u8..).zip(self.0).filter(|(_, value)| !value.is_nan())
    }

    /// The harmonics that are given: orders from 2 on.
    pub fn harmonics(&self) -> impl Iterator<Item = (u8, f64)> + '_ {
        self.present().filter(|(order, _)| *order > 1)
    }

    /// The highest order that is given; sums understate what lies above it.
    pub fn reach(&self) -> u8 {
        self.present().last().map_or(0, |(order, _)| order)
    }

    /// The fundamental, where it is above `floor` (in the spectrum's unit) and above zero.
    ///
    /// # Errors
    /// [`Lacking::Fundamental`] otherwise.
    pub fn fundamental(&self, floor: f64) -> Result<f64, Lacking> {
        self.get(1).filter(|value| *value > 0.0 && *value >= floor).ok_or(Lacking::Fundamental)
    }

    /// Whether these orders are given and the list reaches at least `reach`.
    ///
    /// # Errors
    /// The first order that is not, or how far the list reaches.
    pub fn needs(&self, orders: &[u8], reach: u8) -> Result<(), Lacking> {
        if let Some(missing) = orders.iter().find(|order| self.get(**order).is_none()) {
            return Err(Lacking::Order(*missing));
        }
        let reaches = self.reach();
        if reaches < reach { Err(Lacking::Reach(reaches)) } else { Ok(()) }
    }

    /// The same spectrum without what lies above an order: EN 50160 counts to the 40th.
    #[must_use]
    pub fn up_to(mut self, highest: u8) -> Self {
        for slot in self.0.iter_mut().skip(usize::from(highest)) {
            *slot = f64::NAN;
        }
        self
    }

    /// All orders times one number above zero: the same spectrum in another unit.
    #[must_use]
    pub fn scaled(self, times: f64) -> Self {
        Self::given(self.present().map(|(order, value)| (order, value * times)))
    }

    /// The r.m.s. value of all orders that are given, in the spectrum's unit.
    pub fn size(&self) -> f64 {
        self.root_sum(|_| true)
    }

    /// The largest value that is given.
    pub(super) fn largest(&self) -> f64 {
        self.present().map(|(_, value)| value).fold(0.0, f64::max)
    }

    /// The root of the sum of squares of the orders that `of` chooses, in the spectrum's unit.
    pub(super) fn root_sum(&self, of: impl Fn(u8) -> bool) -> f64 {
        let largest = self.largest();
        if largest <= 0.0 {
            return 0.0;
        }
        let chosen = self.present().filter(|(order, _)| of(*order));
        largest * chosen.map(|(_, value)| (value / largest).powi(2)).sum::<f64>().sqrt()
    }
}

/// A number that can be shown: finite, or out of range.
pub(super) fn finite(value: f64) -> Result<f64, Lacking> {
    if value.is_finite() { Ok(value) } else { Err(Lacking::Range) }
}

/// Which way three balanced harmonics turn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sequence {
    /// As the fundamental.
    Positive,
    /// Against it.
    Negative,
    /// Not at all: all three swing together, and add in the neutral.
    Zero,
}

impl Sequence {
    /// The sequence of an order under balanced load; nothing for order 0. Unbalanced load gives each order all three.
    ///
    /// Source: textbook (three waves shifted by 120° of the fundamental are shifted by h·120° in order h).
    pub fn of_order(order: u8) -> Option<Self> {
        match (order, order % 3) {
            (0, _) => None,
            (_, 1) => Some(Self::Positive),
            (_, 2) => Some(Self::Negative),
            _ => Some(Self::Zero),
        }
    }
}

/// What an ideal six-pulse converter with a stiff direct current draws at an order, in per cent of the fundamental: 100/h at
/// h = 6k ± 1, nothing at the others. Nothing for order 0.
///
/// Source: textbook (Fourier series of a 120° block current); a public work sheet lists 0.200, 0.140, 0.091, 0.077.
pub fn six_pulse_ideal_percent(order: u8) -> Option<f64> {
    match (order, order % 6) {
        (0, _) => None,
        (_, 1 | 5) => Some(100.0 / f64::from(order)),
        _ => Some(0.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_given_is_absent_and_what_no_meter_can_mean_too() {
        let spectrum = Spectrum::given([
            (1, 100.0),
            (3, f64::NAN),
            (5, -1.0),
            (7, f64::INFINITY),
            (9, 0.0),
            (0, 5.0),
            (51, 5.0),
        ]);
        assert_eq!(spectrum.present().collect::<Vec<_>>(), [(1, 100.0), (9, 0.0)]);
        assert_eq!((spectrum.get(0), spectrum.get(51), spectrum.get(2)), (None, None, None));
        assert_eq!((spectrum.reach(), Spectrum::EMPTY.reach()), (9, 0));
        assert_eq!(spectrum.needs(&[1, 3], 0), Err(Lacking::Order(3)));
        assert_eq!(spectrum.needs(&[1], 13), Err(Lacking::Reach(9)));
        assert_eq!(spectrum.up_to(8).reach(), 1);
    }

    /// Textbook: 1, 4, 7 with the fundamental, 2, 5, 8 against it, 3, 6, 9 in step.
    #[test]
    fn orders_turn_by_their_remainder_of_three() {
        use Sequence::{Negative, Positive, Zero};
        let got: Vec<_> = (1..=12).filter_map(Sequence::of_order).collect();
        assert_eq!(got, [Positive, Negative, Zero].repeat(4));
        assert_eq!(Sequence::of_order(0), None);
    }

    /// The public work sheet of transformer derating lists 0.200, 0.140, 0.091 and 0.077 of the fundamental.
    #[test]
    fn a_stiff_six_pulse_converter_falls_with_the_order() {
        for (order, published) in [(5, 20.0), (7, 14.3), (11, 9.1), (13, 7.7)] {
            let got = six_pulse_ideal_percent(order).unwrap();
            assert!((got - published).abs() < 0.05, "{order}: {got}");
        }
        for order in [2, 3, 4, 6, 9, 12, 15] {
            assert_eq!(six_pulse_ideal_percent(order), Some(0.0), "{order}");
        }
    }
}
