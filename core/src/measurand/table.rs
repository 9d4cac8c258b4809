//! The one table of what can be measured or computed. To add a measurand, add a line here.

use super::{Facts, Kind, Numbers, Places, Quantity, Source, Unit};
use serde::{Deserialize, Serialize};

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
// More negative sequence than five times the positive one is two leads exchanged and no unbalance.
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
    SoundTone: "sound_tone_dba", "sound tone", Decibel, Level, Whole, Orders, 1, -50.0 ..= 194.0, Sometimes;
    VibrationTone: "vibration_tone_mm_s", "vibration tone", MillimetrePerSecond, Level, Whole, Orders, 2, 0.0 ..= 1000.0, Sometimes;
    TemperatureSwitch: "temperature_switch_closed", "temperature switch closed", One, Flag, Whole, Several, 2, 0.0 ..= 1.0, Measured;
    FanRunning: "fan_running", "fan running", One, Flag, Whole, Several, 2, 0.0 ..= 1.0, Measured;
    BreakerClosed: "breaker_closed", "breaker closed", One, Flag, Whole, Several, 2, 0.0 ..= 1.0, Measured;
    TransferToEmergency: "transfer_to_emergency", "transfer switch on the emergency supply", One, Flag, Whole, Several, 2, 0.0 ..= 1.0, Measured;
    GeneratorRunning: "generator_running", "generator running", One, Flag, Whole, Several, 2, 0.0 ..= 1.0, Measured;
    VoltageUnbalance: "voltage_unbalance_percent", "voltage unbalance", Percent, Level, Whole, Single, 1, 0.0 ..= 200.0, Computed;
    CurrentUnbalance: "current_unbalance_percent", "current unbalance", Percent, Level, Whole, Single, 0, 0.0 ..= 200.0, Computed;
    DistortionCurrent: "distortion_current_a", "harmonic current", Ampere, Level, Phases, Single, 1, 0.0 ..= 20_000.0, Computed;
    TriplenCurrent: "triplen_current_percent", "triplen orders of the current", Percent, Level, Phases, Single, 1, 0.0 ..= 1000.0, Computed;
    EvenCurrent: "even_current_percent", "even orders of the current", Percent, Level, Phases, Single, 1, 0.0 ..= 1000.0, Computed;
    OddCurrent: "odd_current_percent", "odd non-triplen current", Percent, Level, Phases, Single, 1, 0.0 ..= 1000.0, Computed;
    NeutralExpected: "neutral_expected_a", "neutral current expected by the phases", Ampere, Level, Whole, Single, 1, 0.0 ..= 60_000.0, Computed;
    NeutralUnexplained: "neutral_unexplained_a", "unexplained neutral current", Ampere, Level, Whole, Single, 1, 0.0 ..= 20_000.0, Computed;
    SpectrumLossFactor: "spectrum_loss_factor", "harmonic loss factor by the orders", One, Level, Phases, Single, 2, 0.0 ..= 2500.0, Computed;
    SpectrumKFactor: "spectrum_k_factor", "K-factor by the orders", One, Level, Phases, Single, 2, 0.0 ..= 2500.0, Computed;
    PermissibleLoad: "permissible_load_percent", "permissible load with this spectrum", Percent, Level, Whole, Single, 0, 0.0 ..= 100.0, Computed;
    SpectrumLoading: "spectrum_loading_percent", "loading with this spectrum", Percent, Level, Whole, Single, 0, 0.0 ..= 10_000.0, Computed;
    CurrentTdd: "current_tdd_percent", "total demand distortion (TDD)", Percent, Level, Phases, Single, 1, 0.0 ..= 1000.0, Computed;
    TddDemand: "tdd_demand_a", "demand current of the TDD", Ampere, Level, Whole, Single, 0, 0.0 ..= 20_000.0, Computed;
    TddDemandKnown: "tdd_demand_known_h", "time from which that demand is known", Hour, Level, Whole, Single, 0, 0.0 ..= 9000.0, Computed;
    VoltageNegativeSequence: "voltage_negative_sequence_percent", "negative-sequence voltage (u2)", Percent, Level, Whole, Single, 1, 0.0 ..= 500.0, Computed;
    VoltageZeroSequence: "voltage_zero_sequence_percent", "zero-sequence voltage (u0)", Percent, Level, Whole, Single, 1, 0.0 ..= 1000.0, Computed;
    VoltagePositiveSequence: "voltage_positive_sequence_v", "positive-sequence voltage to neutral", Volt, Level, Whole, Single, 1, 0.0 ..= 25_000.0, Computed;
    CurrentNegativeSequence: "current_negative_sequence_percent", "negative-sequence current", Percent, Level, Whole, Single, 0, 0.0 ..= 500.0, Computed;
    CurrentZeroSequence: "current_zero_sequence_percent", "zero-sequence current", Percent, Level, Whole, Single, 0, 0.0 ..= 1000.0, Computed;
    CurrentPositiveSequence: "current_positive_sequence_a", "positive-sequence current", Ampere, Level, Whole, Single, 1, 0.0 ..= 20_000.0, Computed;
    LoadingKva: "loading_kva_percent", "loading by kVA", Percent, Level, Whole, Single, 0, 0.0 ..= 10_000.0, Computed;
    LoadingPhase: "loading_phase_percent", "loading of the worst phase", Percent, Level, Whole, Single, 0, 0.0 ..= 10_000.0, Computed;
    NeutralLoading: "neutral_loading_percent", "loading of the neutral", Percent, Level, Whole, Single, 0, 0.0 ..= 10_000.0, Computed;
    NeutralOverPhase: "neutral_over_phase_percent", "neutral current over the highest phase", Percent, Level, Whole, Single, 0, 0.0 ..= 10_000.0, Computed;
    MeteredPower: "metered_power_w", "mean power by the energy counter", Watt, Level, Whole, Single, 0, 0.0 ..= 1.0e8, Computed;
    DemandBlock: "demand_block_w", "block demand, 15 min", Watt, Level, Whole, Single, 0, -1.0e8 ..= 1.0e8, Computed;
    DemandSliding: "demand_sliding_w", "sliding demand, 15 min", Watt, Level, Whole, Single, 0, -1.0e8 ..= 1.0e8, Computed;
    LoadFactor: "load_factor_percent", "load factor, 7 days", Percent, Level, Whole, Single, 0, 0.0 ..= 100.0, Computed;
    NetPower: "net_power_percent", "net power of rated", Percent, Level, Whole, Single, 0, -10_000.0 ..= 10_000.0, Computed;
    Headroom: "headroom_percent", "headroom to the rating", Percent, Level, Whole, Single, 0, -10_000.0 ..= 100.0, Computed;
    HeadroomWeek: "headroom_week_percent", "least headroom, 7 days", Percent, Level, Whole, Single, 0, -10_000.0 ..= 100.0, Computed;
    TapVoltage: "tap_voltage_percent", "voltage against the tap in use", Percent, Level, Whole, Single, 1, 0.0 ..= 1000.0, Computed;
    Excitation: "excitation_percent", "excitation of the core", Percent, Level, Whole, Single, 1, 0.0 ..= 10_000.0, Computed;
    SecondOrder: "second_order_percent", "second order of rated current", Percent, Level, Phases, Single, 2, 0.0 ..= 10_000.0, Computed;
    TerminationExcess: "termination_excess_k", "termination over its peers", Kelvin, Level, PhasesAndNeutral, Several, 1, -1000.0 ..= 5000.0, Computed;
    ContactHeat: "contact_heat_w", "heat of a connection", Watt, Level, PhasesAndNeutral, Single, 0, -1.0e6 ..= 1.0e6, Computed;
    SoundToneExcess: "sound_tone_excess_dba", "sound tone excess", Decibel, Level, Whole, Orders, 1, -250.0 ..= 250.0, Computed;
    VibrationToneExcess: "vibration_tone_excess_mm_s", "vibration tone excess", MillimetrePerSecond, Level, Whole, Orders, 2, -1000.0 ..= 1000.0, Computed;
    WindingRise: "winding_rise_k", "winding rise over ambient", Kelvin, Level, Phases, Single, 1, -200.0 ..= 500.0, Computed;
    WindingExpected: "winding_expected_c", "expected winding temperature", Celsius, Level, Phases, Single, 1, -60.0 ..= 1000.0, Computed;
    WindingResidual: "winding_residual_k", "winding above expected", Kelvin, Level, Phases, Single, 1, -500.0 ..= 500.0, Computed;
    TopOilExpected: "top_oil_expected_c", "expected top oil temperature", Celsius, Level, Whole, Single, 1, -60.0 ..= 1000.0, Computed;
    TopOilResidual: "top_oil_residual_k", "top oil above expected", Kelvin, Level, Whole, Single, 1, -500.0 ..= 500.0, Computed;
    FanShortfall: "fan_shortfall_k", "heat left by stopped fans", Kelvin, Level, Whole, Single, 1, 0.0 ..= 500.0, Computed;
    LoadTimeLeft: "load_time_left_h", "time the load may last", Hour, Level, Whole, Single, 1, 0.0 ..= 24.0, Computed;
    HotSpot: "hot_spot_c", "hot spot of the windings", Celsius, Level, Whole, Single, 1, -60.0 ..= 1000.0, Computed;
    AgeingRate: "ageing_rate", "ageing rate of the insulation", One, Level, Whole, Single, 2, 0.0 ..= 1.0e12, Computed;
    AgeingHours: "ageing_h", "equivalent hours of ageing", Hour, Counter, Whole, Single, 1, 0.0 ..= 1.0e15, Computed;
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
