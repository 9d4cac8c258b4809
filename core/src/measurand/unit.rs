//! Units, and the symbols that people read.

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
    /// Hours.
    Hour,
}

impl Unit {
    /// Every unit.
    pub const ALL: [Self; 17] = [
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
        Self::Hour,
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
            Self::Hour => "h",
        }
    }

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
            Self::Hour => "h/h",
        }
    }
}
