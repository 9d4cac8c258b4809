//! Units that a logged column may have, and how its numbers become the measurand's unit.

use kvarden_core::measurand::Unit;

/// The number in the written unit times `factor` plus `offset` is the value in the measurand's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Conversion {
    pub(crate) factor: f64,
    pub(crate) offset: f64,
}

const fn times(factor: f64) -> Conversion {
    Conversion { factor, offset: 0.0 }
}

/// Kelvin per degree Fahrenheit.
const FAHRENHEIT: f64 = 5.0 / 9.0;

/// Units that fit a measurand of this unit, its own first.
pub(crate) fn fitting(unit: Unit) -> &'static [(&'static str, Conversion)] {
    match unit {
        Unit::Volt => const { &[("V", times(1.0)), ("kV", times(1e3)), ("mV", times(1e-3))] },
        Unit::Ampere => const { &[("A", times(1.0)), ("kA", times(1e3)), ("mA", times(1e-3))] },
        Unit::Watt => const { &[("W", times(1.0)), ("kW", times(1e3)), ("MW", times(1e6))] },
        Unit::Var => const { &[("var", times(1.0)), ("kvar", times(1e3)), ("Mvar", times(1e6))] },
        Unit::VoltAmpere => const { &[("VA", times(1.0)), ("kVA", times(1e3)), ("MVA", times(1e6))] },
        Unit::One => const { &[("1", times(1.0)), ("%", times(0.01))] },
        Unit::Hertz => const { &[("Hz", times(1.0))] },
        Unit::Percent => const { &[("%", times(1.0)), ("1", times(100.0))] },
        Unit::Celsius => {
            const {
                &[
                    ("°C", times(1.0)),
                    ("°F", Conversion { factor: FAHRENHEIT, offset: -32.0 * FAHRENHEIT }),
                    ("K", Conversion { factor: 1.0, offset: -273.15 }),
                ]
            }
        }
        // A difference of temperatures: no zero point to move.
        Unit::Kelvin => const { &[("K", times(1.0)), ("°C", times(1.0)), ("°F", times(FAHRENHEIT))] },
        Unit::WattHour => {
            const { &[("Wh", times(1.0)), ("kWh", times(1e3)), ("MWh", times(1e6)), ("J", times(1.0 / 3600.0))] }
        }
        Unit::VarHour => const { &[("varh", times(1.0)), ("kvarh", times(1e3)), ("Mvarh", times(1e6))] },
        Unit::VoltAmpereHour => const { &[("VAh", times(1.0)), ("kVAh", times(1e3)), ("MVAh", times(1e6))] },
        Unit::Degree => const { &[("°", times(1.0)), ("rad", times(180.0 / std::f64::consts::PI))] },
        Unit::Decibel => const { &[("dB(A)", times(1.0))] },
        Unit::MillimetrePerSecond => {
            const { &[("mm/s", times(1.0)), ("m/s", times(1e3)), ("in/s", times(25.4))] }
        }
        Unit::Hour => const { &[("h", times(1.0)), ("min", times(1.0 / 60.0))] },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What `number` in the written unit is in the measurand's.
    fn check(unit: Unit, written: &str, number: f64, expected: f64) {
        let (_, conversion) = fitting(unit).iter().find(|(name, _)| *name == written).expect(written);
        let got = number * conversion.factor + conversion.offset;
        assert!((got - expected).abs() < 1e-9, "{number} {written} gave {got}, not {expected}");
    }

    #[test]
    fn every_unit_becomes_the_measurands_own() {
        check(Unit::Volt, "kV", 0.48, 480.0);
        check(Unit::Volt, "mV", 333.0, 0.333);
        check(Unit::Ampere, "kA", 1.2, 1200.0);
        check(Unit::Ampere, "mA", 5000.0, 5.0);
        check(Unit::Watt, "MW", 0.05, 50_000.0);
        check(Unit::Var, "kvar", 12.5, 12_500.0);
        check(Unit::VoltAmpere, "kVA", 75.0, 75_000.0);
        check(Unit::One, "%", 92.0, 0.92);
        check(Unit::Percent, "1", 0.034, 3.4);
        check(Unit::WattHour, "kWh", 12.5, 12_500.0);
        check(Unit::WattHour, "J", 7200.0, 2.0);
        check(Unit::VarHour, "Mvarh", 0.5, 500_000.0);
        check(Unit::VoltAmpereHour, "kVAh", 2.0, 2000.0);
        check(Unit::Degree, "rad", std::f64::consts::FRAC_PI_2, 90.0);
        check(Unit::MillimetrePerSecond, "in/s", 0.5, 12.7);
        check(Unit::Hour, "min", 90.0, 1.5);
    }

    #[test]
    fn a_temperature_moves_its_zero_and_a_difference_does_not() {
        check(Unit::Celsius, "°F", 212.0, 100.0);
        check(Unit::Celsius, "°F", -40.0, -40.0);
        check(Unit::Celsius, "K", 373.15, 100.0);
        check(Unit::Kelvin, "°F", 180.0, 100.0);
        check(Unit::Kelvin, "°C", 100.0, 100.0);
    }

    #[test]
    fn the_first_unit_of_each_list_is_the_measurands_own_symbol() {
        // What has no unit has no symbol to write either.
        for unit in Unit::ALL.into_iter().filter(|unit| *unit != Unit::One) {
            assert_eq!(fitting(unit)[0], (unit.symbol(), times(1.0)));
        }
    }
}
