//! The one table of what can be measured or computed. To add a measurand, add a line here.

use crate::phases::Place;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The unit of a measurand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Unit {
    /// Volts.
    Volt,
    /// Amperes.
    Ampere,
    /// Watts.
    Watt,
    /// Reactive power.
    Var,
    /// Apparent power.
    VoltAmpere,
    /// A ratio without a unit.
    One,
    /// Hertz.
    Hertz,
    /// Per cent.
    Percent,
    /// Degrees Celsius: a temperature.
    Celsius,
    /// Kelvin: a difference of temperatures.
    Kelvin,
}

impl Unit {
    /// The symbol shown to people.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Volt => "V",
            Self::Ampere => "A",
            Self::Watt => "W",
            Self::Var => "var",
            Self::VoltAmpere => "VA",
            Self::One => "",
            Self::Hertz => "Hz",
            Self::Percent => "%",
            Self::Celsius => "°C",
            Self::Kelvin => "K",
        }
    }
}

/// What kind of number it is, which decides how it may be averaged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A level: its mean over time means something.
    Level,
    /// An angle: averaged as a phasor, never as a number.
    Angle,
    /// A register that only counts up: differences, never means.
    Counter,
    /// On or off: shares of time, never means.
    Flag,
}

/// Which places a measurand may have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Places {
    /// No place: one value for the whole.
    Whole,
    /// A, B, C.
    Phases,
    /// A, B, C, or one for the whole.
    PhasesOrWhole,
    /// A, B, C and N.
    PhasesAndNeutral,
    /// AB, BC, CA.
    Lines,
}

impl Places {
    /// The places that are allowed.
    pub fn list(self) -> &'static [Place] {
        use Place::{A, AB, B, BC, C, CA, N, Whole};
        match self {
            Self::Whole => &[Whole],
            Self::Phases => &[A, B, C],
            Self::PhasesOrWhole => &[Whole, A, B, C],
            Self::PhasesAndNeutral => &[A, B, C, N],
            Self::Lines => &[AB, BC, CA],
        }
    }
}

/// Whether the value comes from a meter or is computed here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Read from a meter; the last digit of a live one keeps moving, so a still one is suspect.
    Lively,
    /// Read from a meter or sensor that may well stand still for an hour.
    Measured,
    /// Computed by this program from what was read.
    Computed,
}

/// A row of the table.
#[derive(Debug, Clone, Copy)]
pub struct Facts {
    /// Written form with unit: the same in configuration, store, MQTT and digest.
    pub key: &'static str,
    /// Words for people.
    pub words: &'static str,
    /// Unit.
    pub unit: Unit,
    /// How it may be averaged.
    pub kind: Kind,
    /// Allowed places.
    pub places: Places,
    /// Decimals shown to people.
    pub decimals: u8,
    /// Values outside this range can't be real and are quarantined.
    pub range: (f64, f64),
    /// Where it comes from.
    pub source: Source,
}

macro_rules! measurands {
    ($($(#[$doc:meta])* $variant:ident: $key:literal, $words:literal, $unit:ident, $places:ident, $decimals:literal, $low:literal ..= $high:literal, $source:ident;)*) => {
        /// What is measured or computed. Places are kept beside it, see [`Quantity`].
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum Measurand { $(#[doc = $words] #[serde(rename = $key)] $variant,)* }

        impl Measurand {
            /// Every measurand, in the order of the table.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// The row of the table for this measurand.
            pub const fn facts(self) -> Facts {
                match self { $(Self::$variant => Facts {
                    key: $key, words: $words, unit: Unit::$unit, kind: Kind::Level, places: Places::$places,
                    decimals: $decimals, range: ($low, $high), source: Source::$source,
                },)* }
            }

            /// Values outside this range can't be real: the same as in its row, for the way of each value.
            pub const fn range(self) -> (f64, f64) {
                match self { $(Self::$variant => ($low, $high),)* }
            }
        }
    };
}

// Valid ranges: low voltage to 36 kV, currents to 20 kA; a value outside is a broken reading (common practice, no source).
measurands! {
    VoltageLn: "voltage_ln_v", "line-to-neutral voltage", Volt, Phases, 1, 0.0 ..= 25_000.0, Lively;
    VoltageLl: "voltage_ll_v", "line-to-line voltage", Volt, Lines, 1, 0.0 ..= 40_000.0, Lively;
    Current: "current_a", "current", Ampere, Phases, 1, 0.0 ..= 20_000.0, Lively;
    NeutralCurrent: "neutral_current_a", "neutral current", Ampere, Whole, 1, 0.0 ..= 20_000.0, Lively;
    Power: "power_w", "active power", Watt, PhasesOrWhole, 0, -1.0e8 ..= 1.0e8, Lively;
    ReactivePower: "reactive_power_var", "reactive power", Var, PhasesOrWhole, 0, -1.0e8 ..= 1.0e8, Lively;
    ApparentPower: "apparent_power_va", "apparent power", VoltAmpere, PhasesOrWhole, 0, 0.0 ..= 1.0e8, Lively;
    PowerFactor: "power_factor", "power factor", One, PhasesOrWhole, 2, -1.0 ..= 1.0, Measured;
    Frequency: "frequency_hz", "frequency", Hertz, Whole, 2, 0.0 ..= 500.0, Lively;
    VoltageThd: "voltage_thd_percent", "voltage distortion (THD)", Percent, PhasesOrWhole, 1, 0.0 ..= 500.0, Measured;
    CurrentThd: "current_thd_percent", "current distortion (THD)", Percent, PhasesOrWhole, 1, 0.0 ..= 1000.0, Measured;
    Winding: "winding_c", "winding temperature", Celsius, Phases, 1, -60.0 ..= 400.0, Measured;
    Termination: "termination_c", "termination temperature", Celsius, PhasesAndNeutral, 1, -60.0 ..= 600.0, Measured;
    Ambient: "ambient_c", "ambient temperature", Celsius, Whole, 1, -60.0 ..= 100.0, Measured;
    VoltageUnbalance: "voltage_unbalance_percent", "voltage unbalance", Percent, Whole, 1, 0.0 ..= 200.0, Computed;
    CurrentUnbalance: "current_unbalance_percent", "current unbalance", Percent, Whole, 0, 0.0 ..= 200.0, Computed;
    LoadingKva: "loading_kva_percent", "loading by kVA", Percent, Whole, 0, 0.0 ..= 10_000.0, Computed;
    LoadingPhase: "loading_phase_percent", "loading of the worst phase", Percent, Whole, 0, 0.0 ..= 10_000.0, Computed;
    WindingRise: "winding_rise_k", "winding rise over ambient", Kelvin, Phases, 1, -200.0 ..= 500.0, Computed;
    TerminationRise: "termination_rise_k", "termination rise over ambient", Kelvin, PhasesAndNeutral, 1, -200.0 ..= 700.0, Computed;
}

impl Measurand {
    /// The measurand with this written form.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|measurand| measurand.facts().key == key)
    }

    /// The written form.
    pub fn key(self) -> &'static str {
        self.facts().key
    }

    /// Whether no meter gives it: it is computed here.
    pub fn is_computed(self) -> bool {
        self.facts().source == Source::Computed
    }
}

/// A measurand at a place: what one column of a meter means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Quantity {
    /// What.
    pub what: Measurand,
    /// Where.
    pub place: Place,
}

impl Quantity {
    /// A quantity without a place.
    pub const fn whole(what: Measurand) -> Self {
        Self { what, place: Place::Whole }
    }

    /// A quantity at a place.
    pub const fn at(what: Measurand, place: Place) -> Self {
        Self { what, place }
    }

    /// Whether the table allows the measurand at this place.
    pub fn is_allowed(self) -> bool {
        self.what.facts().places.list().contains(&self.place)
    }

    /// Reads the written form, `current_a.B` or `ambient_c`.
    pub fn from_key(key: &str) -> Option<Self> {
        let (what, place) = key.split_once('.').unwrap_or((key, ""));
        let quantity = Self { what: Measurand::from_key(what)?, place: Place::from_key(place)? };
        quantity.is_allowed().then_some(quantity)
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.what.key())?;
        if self.place == Place::Whole { Ok(()) } else { write!(f, ".{}", self.place) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_key_is_unique_and_reads_back() {
        for (index, measurand) in Measurand::ALL.iter().enumerate() {
            assert_eq!(Measurand::from_key(measurand.key()), Some(*measurand));
            assert!(Measurand::ALL[index + 1..].iter().all(|other| other.key() != measurand.key()));
            for place in measurand.facts().places.list() {
                let quantity = Quantity::at(*measurand, *place);
                assert_eq!(Quantity::from_key(&quantity.to_string()), Some(quantity));
            }
        }
    }

    #[test]
    fn a_place_that_the_table_does_not_allow_is_refused() {
        assert_eq!(Quantity::from_key("ambient_c.A"), None);
        assert_eq!(Quantity::from_key("current_a"), None);
    }
}
