//! The one table of what can be measured or computed. To add a measurand, add a line here.

use crate::phases::Place;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::RangeInclusive;

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
    /// Energy: watt-hours.
    WattHour,
    /// Reactive energy: var-hours.
    VarHour,
    /// Apparent energy: volt-ampere-hours.
    VoltAmpereHour,
    /// Degrees of an angle.
    Degree,
    /// Sound level with the A weighting.
    Decibel,
    /// Millimetres a second: the speed of a vibration.
    MillimetrePerSecond,
}

impl Unit {
    /// Every unit.
    pub const ALL: [Self; 16] = [
        Self::Volt,
        Self::Ampere,
        Self::Watt,
        Self::Var,
        Self::VoltAmpere,
        Self::One,
        Self::Hertz,
        Self::Percent,
        Self::Celsius,
        Self::Kelvin,
        Self::WattHour,
        Self::VarHour,
        Self::VoltAmpereHour,
        Self::Degree,
        Self::Decibel,
        Self::MillimetrePerSecond,
    ];

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
            Self::WattHour => "Wh",
            Self::VarHour => "varh",
            Self::VoltAmpereHour => "VAh",
            Self::Degree => "°",
            Self::Decibel => "dB(A)",
            Self::MillimetrePerSecond => "mm/s",
        }
    }
}

impl Unit {
    /// The symbol of how fast it changes, an hour.
    pub fn per_hour(self) -> &'static str {
        match self {
            Self::Volt => "V/h",
            Self::Ampere => "A/h",
            Self::Watt => "W/h",
            Self::Var => "var/h",
            Self::VoltAmpere => "VA/h",
            Self::One => "1/h",
            Self::Hertz => "Hz/h",
            Self::Percent => "%/h",
            Self::Celsius | Self::Kelvin => "K/h",
            Self::WattHour => "Wh/h",
            Self::VarHour => "varh/h",
            Self::VoltAmpereHour => "VAh/h",
            Self::Degree => "°/h",
            Self::Decibel => "dB(A)/h",
            Self::MillimetrePerSecond => "mm/s/h",
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

/// What the number of a quantity means, see [`Quantity::number`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Numbers {
    /// It has none.
    Single,
    /// The order of a harmonic, 1 to 50: it always has one.
    Orders,
    /// Which of several of one meter, 1 to 16; none where there is only one.
    Several,
}

impl Numbers {
    /// The numbers that are allowed; 0 is none.
    pub const fn range(self) -> RangeInclusive<u8> {
        match self {
            Self::Single => 0..=0,
            Self::Orders => 1..=50,
            Self::Several => 0..=16,
        }
    }

    /// The key that it has in maps and limits; `None` where there is no number.
    pub const fn key(self) -> Option<&'static str> {
        match self {
            Self::Single => None,
            Self::Orders => Some("order"),
            Self::Several => Some("number"),
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
    /// Likewise, but many meters leave it out at times, so that its absence is no fault: what means nothing without
    /// current, and orders that are too small to tell.
    Sometimes,
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
    /// What its number means.
    pub numbers: Numbers,
    /// Decimals shown to people.
    pub decimals: u8,
    /// Values outside this range can't be real and are quarantined.
    pub range: (f64, f64),
    /// Where it comes from.
    pub source: Source,
}

macro_rules! measurands {
    ($($(#[$doc:meta])* $variant:ident: $key:literal, $words:literal, $unit:ident, $kind:ident, $places:ident, $numbers:ident, $decimals:literal, $low:literal ..= $high:literal, $source:ident;)*) => {
        /// What is measured or computed. Places are kept beside it, see [`Quantity`].
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum Measurand { $(#[doc = $words] #[serde(rename = $key)] $variant,)* }

        impl Measurand {
            /// Every measurand, in the order of the table.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// The row of the table for this measurand.
            pub const fn facts(self) -> Facts {
                match self { $(Self::$variant => Facts {
                    key: $key, words: $words, unit: Unit::$unit, kind: Kind::$kind, places: Places::$places, numbers: Numbers::$numbers,
                    decimals: $decimals, range: ($low, $high), source: Source::$source,
                },)* }
            }

            /// How it may be averaged: the same as in its row, for the way of each value.
            pub const fn kind(self) -> Kind {
                match self { $(Self::$variant => Kind::$kind,)* }
            }

            /// Values outside this range can't be real: the same as in its row, for the way of each value.
            pub const fn range(self) -> (f64, f64) {
                match self { $(Self::$variant => ($low, $high),)* }
            }
        }
    };
}

// The columns: key, words, unit, kind, places, numbers, decimals, valid range, source.
//
// Valid ranges: a value outside is a broken reading. Common practice, no source, where nothing else is said: low voltage
// to 36 kV, currents to 20 kA; energies to 1e15, where a 64-bit float still counts single units. Both harmonic factors
// weigh orders to 50 by their square, so 50² is the most (IEEE C57.110, from memory); without current they may be 0.
// 194 dB is where sound in air turns to shocks (an acoustics textbook's figure, from memory).
measurands! {
    VoltageLn: "voltage_ln_v", "line-to-neutral voltage", Volt, Level, Phases, Single, 1, 0.0 ..= 25_000.0, Lively;
    VoltageLl: "voltage_ll_v", "line-to-line voltage", Volt, Level, Lines, Single, 1, 0.0 ..= 40_000.0, Lively;
    Current: "current_a", "current", Ampere, Level, Phases, Single, 1, 0.0 ..= 20_000.0, Lively;
    NeutralCurrent: "neutral_current_a", "neutral current", Ampere, Level, Whole, Single, 1, 0.0 ..= 20_000.0, Lively;
    NeutralToEarth: "neutral_to_earth_v", "neutral-to-earth voltage", Volt, Level, Whole, Single, 1, 0.0 ..= 25_000.0, Measured;
    BondingCurrent: "bonding_current_a", "current in the neutral-to-earth bond", Ampere, Level, Whole, Single, 1, 0.0 ..= 20_000.0, Measured;
    CoreStrapCurrent: "core_strap_current_a", "current in the core's earthing strap", Ampere, Level, Whole, Single, 2, 0.0 ..= 20_000.0, Measured;
    Power: "power_w", "active power", Watt, Level, PhasesOrWhole, Single, 0, -1.0e8 ..= 1.0e8, Lively;
    ReactivePower: "reactive_power_var", "reactive power", Var, Level, PhasesOrWhole, Single, 0, -1.0e8 ..= 1.0e8, Lively;
    ApparentPower: "apparent_power_va", "apparent power", VoltAmpere, Level, PhasesOrWhole, Single, 0, 0.0 ..= 1.0e8, Lively;
    PowerFactor: "power_factor", "power factor", One, Level, PhasesOrWhole, Single, 2, -1.0 ..= 1.0, Sometimes;
    Frequency: "frequency_hz", "frequency", Hertz, Level, Whole, Single, 2, 0.0 ..= 500.0, Lively;
    VoltageAngle: "voltage_angle_deg", "voltage angle", Degree, Angle, Phases, Single, 1, -360.0 ..= 360.0, Measured;
    CurrentAngle: "current_angle_deg", "current angle", Degree, Angle, Phases, Single, 1, -360.0 ..= 360.0, Sometimes;
    VoltageThd: "voltage_thd_percent", "voltage distortion (THD)", Percent, Level, PhasesOrWhole, Single, 1, 0.0 ..= 500.0, Measured;
    CurrentThd: "current_thd_percent", "current distortion (THD)", Percent, Level, PhasesOrWhole, Single, 1, 0.0 ..= 1000.0, Sometimes;
    VoltageHarmonic: "voltage_harmonic_percent", "voltage harmonic", Percent, Level, Phases, Orders, 1, 0.0 ..= 500.0, Sometimes;
    VoltageHarmonicVolts: "voltage_harmonic_v", "voltage harmonic (V)", Volt, Level, Phases, Orders, 1, 0.0 ..= 25_000.0, Sometimes;
    CurrentHarmonic: "current_harmonic_percent", "current harmonic", Percent, Level, Phases, Orders, 1, 0.0 ..= 1000.0, Sometimes;
    CurrentHarmonicAmperes: "current_harmonic_a", "current harmonic (A)", Ampere, Level, Phases, Orders, 1, 0.0 ..= 20_000.0, Sometimes;
    HarmonicLossFactor: "harmonic_loss_factor", "harmonic loss factor (FHL)", One, Level, PhasesOrWhole, Single, 1, 0.0 ..= 2500.0, Sometimes;
    KFactor: "k_factor", "K-factor (UL 1561)", One, Level, PhasesOrWhole, Single, 1, 0.0 ..= 2500.0, Sometimes;
    DemandPower: "demand_w", "demand by the meter", Watt, Level, Whole, Single, 0, -1.0e8 ..= 1.0e8, Measured;
    DemandApparent: "demand_va", "apparent demand by the meter", VoltAmpere, Level, Whole, Single, 0, 0.0 ..= 1.0e8, Measured;
    DemandCurrent: "demand_a", "current demand by the meter", Ampere, Level, PhasesOrWhole, Single, 1, 0.0 ..= 20_000.0, Measured;
    EnergyImport: "energy_import_wh", "energy taken", WattHour, Counter, PhasesOrWhole, Single, 0, 0.0 ..= 1.0e15, Measured;
    EnergyExport: "energy_export_wh", "energy given back", WattHour, Counter, PhasesOrWhole, Single, 0, 0.0 ..= 1.0e15, Measured;
    ReactiveEnergyImport: "reactive_energy_import_varh", "reactive energy taken", VarHour, Counter, PhasesOrWhole, Single, 0, 0.0 ..= 1.0e15, Measured;
    ReactiveEnergyExport: "reactive_energy_export_varh", "reactive energy given back", VarHour, Counter, PhasesOrWhole, Single, 0, 0.0 ..= 1.0e15, Measured;
    ApparentEnergy: "apparent_energy_vah", "apparent energy", VoltAmpereHour, Counter, PhasesOrWhole, Single, 0, 0.0 ..= 1.0e15, Measured;
    Winding: "winding_c", "winding temperature", Celsius, Level, Phases, Single, 1, -60.0 ..= 400.0, Measured;
    Core: "core_c", "core temperature", Celsius, Level, Whole, Several, 1, -60.0 ..= 400.0, Measured;
    TopOil: "top_oil_c", "top oil temperature", Celsius, Level, Whole, Single, 1, -60.0 ..= 250.0, Measured;
    Termination: "termination_c", "termination temperature", Celsius, Level, PhasesAndNeutral, Several, 1, -60.0 ..= 600.0, Measured;
    Enclosure: "enclosure_c", "enclosure temperature", Celsius, Level, Whole, Several, 1, -60.0 ..= 250.0, Measured;
    Ambient: "ambient_c", "ambient temperature", Celsius, Level, Whole, Several, 1, -60.0 ..= 100.0, Measured;
    SoundLevel: "sound_level_dba", "sound level", Decibel, Level, Whole, Single, 1, 0.0 ..= 194.0, Measured;
    Vibration: "vibration_mm_s", "vibration", MillimetrePerSecond, Level, Whole, Single, 2, 0.0 ..= 1000.0, Measured;
    TemperatureSwitch: "temperature_switch_closed", "temperature switch closed", One, Flag, Whole, Several, 2, 0.0 ..= 1.0, Measured;
    FanRunning: "fan_running", "fan running", One, Flag, Whole, Several, 2, 0.0 ..= 1.0, Measured;
    BreakerClosed: "breaker_closed", "breaker closed", One, Flag, Whole, Several, 2, 0.0 ..= 1.0, Measured;
    TransferToEmergency: "transfer_to_emergency", "transfer switch on the emergency supply", One, Flag, Whole, Several, 2, 0.0 ..= 1.0, Measured;
    GeneratorRunning: "generator_running", "generator running", One, Flag, Whole, Several, 2, 0.0 ..= 1.0, Measured;
    VoltageUnbalance: "voltage_unbalance_percent", "voltage unbalance", Percent, Level, Whole, Single, 1, 0.0 ..= 200.0, Computed;
    CurrentUnbalance: "current_unbalance_percent", "current unbalance", Percent, Level, Whole, Single, 0, 0.0 ..= 200.0, Computed;
    LoadingKva: "loading_kva_percent", "loading by kVA", Percent, Level, Whole, Single, 0, 0.0 ..= 10_000.0, Computed;
    LoadingPhase: "loading_phase_percent", "loading of the worst phase", Percent, Level, Whole, Single, 0, 0.0 ..= 10_000.0, Computed;
    MeteredPower: "metered_power_w", "mean power by the energy counter", Watt, Level, Whole, Single, 0, 0.0 ..= 1.0e8, Computed;
    WindingRise: "winding_rise_k", "winding rise over ambient", Kelvin, Level, Phases, Single, 1, -200.0 ..= 500.0, Computed;
    TerminationRise: "termination_rise_k", "termination rise over ambient", Kelvin, Level, PhasesAndNeutral, Several, 1, -200.0 ..= 700.0, Computed;
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

    /// Everything that it can be of: each place with each number.
    pub fn quantities(self) -> impl Iterator<Item = Quantity> + Clone {
        let Facts { places, numbers, .. } = self.facts();
        let of_place =
            move |place| numbers.range().map(move |number| Quantity::numbered(self, place, number));
        places.list().iter().copied().flat_map(of_place)
    }

    /// The words for a flag that is on and for one that is off.
    pub fn state_words(self) -> (&'static str, &'static str) {
        match self {
            Self::BreakerClosed | Self::TemperatureSwitch => ("closed", "open"),
            Self::TransferToEmergency => ("emergency", "normal"),
            Self::FanRunning | Self::GeneratorRunning => ("running", "stopped"),
            _ => ("on", "off"),
        }
    }

    /// Whether no meter gives it: it is computed here.
    pub fn is_computed(self) -> bool {
        self.facts().source == Source::Computed
    }
}

/// A measurand at a place, and which one of them: what one column of a meter means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Quantity {
    /// What.
    pub what: Measurand,
    /// Where.
    pub place: Place,
    /// The order of a harmonic, or which of several, as [`Facts::numbers`] says; 0 is none.
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A new row needs no other line anywhere: whatever the table says must fit together by itself.
    #[test]
    fn every_row_has_what_people_and_files_need() {
        for (index, measurand) in Measurand::ALL.iter().enumerate() {
            let facts = measurand.facts();
            assert_eq!(Measurand::from_key(facts.key), Some(*measurand));
            for other in &Measurand::ALL[index + 1..] {
                assert!(other.key() != facts.key && other.facts().words != facts.words, "{}", facts.key);
            }
            let plain = |letter: char| letter.is_ascii_lowercase() || letter == '_';
            assert!(facts.key.chars().all(plain), "{}", facts.key);
            assert!(facts.words.is_ascii() && !facts.words.is_empty(), "{}", facts.key);
            assert!(
                facts.range.0 < facts.range.1
                    && facts.range == measurand.range()
                    && facts.kind == measurand.kind(),
                "{}",
                facts.key
            );
            assert_eq!(facts.kind == Kind::Flag, facts.range == (0.0, 1.0), "{}", facts.key);
            assert_eq!(facts.kind == Kind::Angle, facts.unit == Unit::Degree, "{}", facts.key);
            assert_eq!(facts.unit, unit_in(facts.key), "{}", facts.key);
        }
    }

    /// The unit that a key ends in.
    fn unit_in(key: &str) -> Unit {
        let ends = [
            ("_v", Unit::Volt),
            ("_a", Unit::Ampere),
            ("_w", Unit::Watt),
            ("_var", Unit::Var),
            ("_va", Unit::VoltAmpere),
            ("_hz", Unit::Hertz),
            ("_percent", Unit::Percent),
            ("_c", Unit::Celsius),
            ("_k", Unit::Kelvin),
            ("_wh", Unit::WattHour),
            ("_varh", Unit::VarHour),
            ("_vah", Unit::VoltAmpereHour),
            ("_deg", Unit::Degree),
            ("_dba", Unit::Decibel),
            ("_mm_s", Unit::MillimetrePerSecond),
        ];
        ends.iter().find(|(end, _)| key.ends_with(end)).map_or(Unit::One, |(_, unit)| *unit)
    }

    #[test]
    fn every_quantity_reads_back_from_its_written_form() {
        for measurand in Measurand::ALL {
            assert!(measurand.quantities().count() > 0);
            for quantity in measurand.quantities() {
                assert!(quantity.is_allowed());
                assert_eq!(Quantity::from_key(&quantity.to_string()), Some(quantity));
            }
        }
        let fifth = Quantity::numbered(Measurand::CurrentHarmonic, Place::A, 5);
        assert_eq!(fifth.to_string(), "current_harmonic_percent.A.5");
        let second = Quantity::numbered(Measurand::BreakerClosed, Place::Whole, 2);
        assert_eq!(second.to_string(), "breaker_closed.2");
    }

    #[test]
    fn what_the_table_does_not_allow_is_refused() {
        for key in [
            "ambient_c.A",
            "current_a",
            "current_a.A.1",
            "current_harmonic_percent.A",
            "current_harmonic_percent.5",
            "current_harmonic_percent.A.51",
            "current_harmonic_percent.5.A",
            "current_harmonic_percent.A.05",
            "current_harmonic_percent.A.+5",
            "breaker_closed.0",
            "breaker_closed.17",
            "breaker_closed.",
            "breaker_closed.2.3",
            "ambient_c.300",
            "",
        ] {
            assert_eq!(Quantity::from_key(key), None, "{key}");
        }
    }

    /// It stands in every window, watch and row: it stays a small plain value.
    #[test]
    fn a_quantity_is_three_bytes() {
        assert_eq!(size_of::<Quantity>(), 3);
    }
}
