//! A measurand at a place, with its number.

use super::Measurand;
use crate::phases::Place;
use serde::{Deserialize, Serialize};
use std::fmt;

/// A measurand at a place, and which one of them: what one column of a meter means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Quantity {
    /// What.
    pub what: Measurand,
    /// Where.
    pub place: Place,
    /// The order of a harmonic, or which of several, as [`Facts::numbers`](super::Facts::numbers) says; 0 is none.
    #[serde(default)]
    pub number: u8,
}

impl Quantity {
    /// A quantity without a place and a number.
    pub const fn whole(what: Measurand) -> Self {
        Self::at(what, Place::Whole)
    }

    /// A quantity at a place, without a number.
    pub const fn at(what: Measurand, place: Place) -> Self {
        Self::numbered(what, place, 0)
    }

    /// A quantity at a place with the order of a harmonic, or which of several.
    pub const fn numbered(what: Measurand, place: Place, number: u8) -> Self {
        Self { what, place, number }
    }

    /// Whether the table allows the measurand at this place with this number.
    pub fn is_allowed(self) -> bool {
        let facts = self.what.facts();
        facts.places.list().contains(&self.place) && facts.numbers.range().contains(&self.number)
    }

    /// Reads the written form: `current_a.B`, `ambient_c`, `current_harmonic_percent.A.5` or `breaker_closed.2`.
    pub fn from_key(key: &str) -> Option<Self> {
        let mut parts = key.split('.').peekable();
        let what = Measurand::from_key(parts.next()?)?;
        let place = parts.peek().and_then(|part| Place::from_key(part)).unwrap_or(Place::Whole);
        if place != Place::Whole {
            parts.next();
        }
        let number = match parts.next() {
            None => 0,
            // Only as it is written here: no sign, no zero in front.
            Some(digits) if digits.starts_with(|digit| ('1'..='9').contains(&digit)) => {
                digits.parse().ok()?
            }
            Some(_) => return None,
        };
        let quantity = Self::numbered(what, place, number);
        (parts.next().is_none() && quantity.is_allowed()).then_some(quantity)
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.what.key())?;
        if self.place != Place::Whole {
            write!(f, ".{}", self.place)?;
        }
        if self.number == 0 { Ok(()) } else { write!(f, ".{}", self.number) }
    }
}
