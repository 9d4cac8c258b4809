//! Values as people read them: temperatures in the unit of the site, everything else as it is measured.

use super::speech::Speech;
use kvarden_config::TemperatureUnit;
use kvarden_core::measurand::{Measurand, Unit};

/// Degrees Fahrenheit in a kelvin, by definition.
const FAHRENHEIT_IN_A_KELVIN: f64 = 9.0 / 5.0;
/// What 0 °C is in °F, by definition.
const FREEZING_IN_FAHRENHEIT: f64 = 32.0;

/// A measurand in the unit in which people read it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scale {
    /// What is measured.
    pub(crate) what: Measurand,
    /// In which unit temperatures are read.
    pub(crate) shows: TemperatureUnit,
}

impl Scale {
    /// A value in the measurand's own unit, as it is read. A difference of temperatures has no zero point to move.
    pub(crate) fn read(self, value: f64) -> f64 {
        match (self.shows, self.what.facts().unit) {
            (TemperatureUnit::Fahrenheit, Unit::Celsius) => {
                value * FAHRENHEIT_IN_A_KELVIN + FREEZING_IN_FAHRENHEIT
            }
            (TemperatureUnit::Fahrenheit, Unit::Kelvin) => value * FAHRENHEIT_IN_A_KELVIN,
            _ => value,
        }
    }

    /// A difference of two values, or how much one changes in an hour, as it is read.
    pub(crate) fn read_difference(self, difference: f64) -> f64 {
        if self.is_fahrenheit() { difference * FAHRENHEIT_IN_A_KELVIN } else { difference }
    }

    fn is_fahrenheit(self) -> bool {
        self.shows == TemperatureUnit::Fahrenheit
            && matches!(self.what.facts().unit, Unit::Celsius | Unit::Kelvin)
    }

    /// The symbol of the unit in which it is read.
    pub(crate) fn symbol(self) -> &'static str {
        if self.is_fahrenheit() { "°F" } else { self.what.facts().unit.symbol() }
    }

    /// The symbol of how fast it changes, an hour.
    pub(crate) fn per_hour(self) -> &'static str {
        if self.is_fahrenheit() { "°F/h" } else { self.what.facts().unit.per_hour() }
    }

    /// The symbol of a difference of two values: a temperature's is in kelvin.
    pub(crate) fn difference(self) -> &'static str {
        match self.symbol() {
            "°C" => Unit::Kelvin.symbol(),
            symbol => symbol,
        }
    }

    /// Digits with the unit, in letters that every channel has.
    pub(super) fn with_unit(self, digits: &str, speech: Speech) -> String {
        let digits = speech.digits(digits);
        let degrees = |of: &str| format!("{digits} {}{of}", speech.say("unit-degrees"));
        match (self.shows, self.what.facts().unit) {
            (_, Unit::One) => digits,
            (TemperatureUnit::Fahrenheit, Unit::Celsius | Unit::Kelvin) => degrees(" F"),
            (_, Unit::Celsius) => degrees(" C"),
            (_, Unit::Degree) => degrees(""),
            (_, unit) => format!("{digits} {}", unit.symbol()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(shows: TemperatureUnit, what: Measurand, value: f64) -> String {
        let scale = Scale { what, shows };
        scale.with_unit(&format!("{:.1}", scale.read(value)), Speech::ENGLISH)
    }

    /// 0 °C is 32 °F and 100 °C is 212 °F; a rise of 15 K is one of 27 °F: the definition of the scales.
    #[test]
    fn a_temperature_moves_its_zero_and_a_difference_does_not() {
        let fahrenheit = TemperatureUnit::Fahrenheit;
        assert_eq!(read(fahrenheit, Measurand::Winding, 0.0), "32.0 deg F");
        assert_eq!(read(fahrenheit, Measurand::Winding, 100.0), "212.0 deg F");
        assert_eq!(read(fahrenheit, Measurand::WindingRise, 15.0), "27.0 deg F");
        for what in [Measurand::Winding, Measurand::WindingRise] {
            let scale = Scale { what, shows: fahrenheit };
            assert_eq!(
                (scale.read_difference(20.0), scale.per_hour(), scale.difference()),
                (36.0, "°F/h", "°F")
            );
        }
        let celsius = Scale { what: Measurand::Winding, shows: TemperatureUnit::Celsius };
        assert_eq!(
            (celsius.read_difference(20.0), celsius.per_hour(), celsius.difference()),
            (20.0, "K/h", "K")
        );
        assert_eq!(read(fahrenheit, Measurand::Current, 15.0), "15.0 A");
        assert_eq!(read(TemperatureUnit::Celsius, Measurand::Winding, 100.0), "100.0 deg C");
        assert_eq!(read(TemperatureUnit::Celsius, Measurand::WindingRise, 15.0), "15.0 K");
    }
}
