//! Sags, swells and interruptions by depth and length, and how r.m.s. values are gathered.

/// What a change of the volts is called, by how deep and how long it was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EventClass {
    /// Within 0.9 and 1.1: no event.
    Normal,
    /// 0.1 up to below 0.9 for up to a minute.
    Sag(Length),
    /// Above 1.1 for up to a minute.
    Swell(Length),
    /// Below 0.1 for up to a minute. One of half a cycle to 3 s is momentary: the standard knows no shorter name.
    Interruption(Length),
    /// 0.1 up to below 0.9 for longer than a minute.
    Undervoltage,
    /// Above 1.1 for longer than a minute.
    Overvoltage,
    /// Below 0.1 for longer than a minute.
    SustainedInterruption,
}

/// How long a short event was. A length equal to a bound belongs to the shorter name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Length {
    /// Half a cycle to 30 cycles.
    Instantaneous,
    /// To 3 s.
    Momentary,
    /// To a minute.
    Temporary,
}

/// Seconds to which a momentary event lasts.
const MOMENTARY_S: f64 = 3.0;
/// Seconds to which a temporary event lasts.
const TEMPORARY_S: f64 = 60.0;
/// Cycles to which an instantaneous event lasts.
const INSTANTANEOUS_CYCLES: f64 = 30.0;
/// Less than so many cycles is no r.m.s. variation.
const LEAST_CYCLES: f64 = 0.5;

impl EventClass {
    /// The words of the trade.
    pub fn words(self) -> &'static str {
        use Length::{Instantaneous, Momentary, Temporary};
        match self {
            Self::Normal => "normal",
            Self::Sag(Instantaneous) => "instantaneous sag",
            Self::Sag(Momentary) => "momentary sag",
            Self::Sag(Temporary) => "temporary sag",
            Self::Swell(Instantaneous) => "instantaneous swell",
            Self::Swell(Momentary) => "momentary swell",
            Self::Swell(Temporary) => "temporary swell",
            Self::Interruption(Instantaneous | Momentary) => "momentary interruption",
            Self::Interruption(Temporary) => "temporary interruption",
            Self::Undervoltage => "undervoltage",
            Self::Overvoltage => "overvoltage",
            Self::SustainedInterruption => "sustained interruption",
        }
    }

    /// The class of volts that went to `retained` (per unit of nominal) for `seconds` on a system of `hertz`. `None` below
    /// half a cycle and for what is negative or not finite.
    ///
    /// Edges: 0.9 and 1.1 are normal, 0.1 is a sag. The sizes beside the lengths in the standard's table are typical and no
    /// condition: what is long and below 0.9 is undervoltage down to 0.1. A meter that is read once a second sees
    /// nothing shorter than that.
    ///
    /// Source: IEEE 1159-1995 table in a magazine for consulting engineers; sizes of temporary events and overvoltage from
    /// memory of IEEE 1159-2019.
    pub fn of(retained: f64, seconds: f64, hertz: f64) -> Option<Self> {
        let fit = |value: f64| value.is_finite() && value >= 0.0;
        if !(fit(retained) && fit(seconds) && fit(hertz) && hertz > 0.0) {
            return None;
        }
        if (0.9..=1.1).contains(&retained) {
            return Some(Self::Normal);
        }
        let cycles = seconds * hertz;
        let length = if cycles < LEAST_CYCLES {
            return None;
        } else if seconds > TEMPORARY_S {
            None
        } else if seconds > MOMENTARY_S {
            Some(Length::Temporary)
        } else if cycles > INSTANTANEOUS_CYCLES {
            Some(Length::Momentary)
        } else {
            Some(Length::Instantaneous)
        };
        Some(match (retained, length) {
            (..0.1, Some(length)) => Self::Interruption(length),
            (..0.1, None) => Self::SustainedInterruption,
            (..1.0, Some(length)) => Self::Sag(length),
            (..1.0, None) => Self::Undervoltage,
            (_, Some(length)) => Self::Swell(length),
            (_, None) => Self::Overvoltage,
        })
    }
}

/// R.m.s. values of equal length gathered into one: the square root of the mean of their squares, in their unit. `None` for no
/// values, and where one is not finite.
///
/// Source: IEC 61000-4-30:2015, 4.4 (from memory).
pub fn rms_aggregate(values: &[f64]) -> Option<f64> {
    // Of the largest, so that no square leaves the range of numbers.
    let largest = values.iter().fold(0.0, |largest: f64, value| largest.max(value.abs()));
    if values.is_empty() || values.iter().any(|value| !value.is_finite()) {
        return None;
    }
    if largest == 0.0 {
        return Some(0.0);
    }
    let squares: f64 = values.iter().map(|value| (value / largest).powi(2)).sum();
    Some(largest * (squares / values.len() as f64).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The whole table: edges as our guide sets them, a length equal to a bound belonging to the shorter name.
    /// Source: IEEE 1159-1995 table in a magazine for consulting engineers; rows with "from memory" are of IEEE 1159-2019.
    #[test]
    fn the_table_of_rms_variations() {
        for (retained, seconds, words) in [
            (0.9, 5.0, "normal"),
            (1.1, 5.0, "normal"),
            (0.5, 0.5 / 60.0, "instantaneous sag"),
            (0.899, 0.5, "instantaneous sag"),
            (0.1, 0.5, "instantaneous sag"),
            (0.5, 0.501, "momentary sag"),
            (0.5, 3.0, "momentary sag"),
            (0.5, 3.001, "temporary sag"), // from memory
            (0.5, 60.0, "temporary sag"),  // from memory
            (0.85, 60.001, "undervoltage"),
            (0.1, 3600.0, "undervoltage"),
            (1.101, 0.1, "instantaneous swell"),
            (1.8, 0.5, "instantaneous swell"),
            (1.4, 1.0, "momentary swell"),
            (1.2, 59.0, "temporary swell"), // from memory
            (1.2, 61.0, "overvoltage"),     // from memory
            (0.099, 0.5 / 60.0, "momentary interruption"),
            (0.0, 3.0, "momentary interruption"),
            (0.05, 60.0, "temporary interruption"),
            (0.0, 61.0, "sustained interruption"), // from memory
        ] {
            let class = EventClass::of(retained, seconds, 60.0).unwrap();
            assert_eq!(class.words(), words, "{retained} pu for {seconds} s");
        }
    }

    #[test]
    fn what_is_shorter_than_half_a_cycle_or_no_number_has_no_class() {
        assert_eq!(EventClass::of(0.5, 0.4 / 60.0, 60.0), None);
        assert_eq!(EventClass::of(0.5, 0.5 / 60.0, 50.0), None, "at 50 Hz it is less than half a cycle");
        for wrong in [f64::NAN, f64::INFINITY, -1.0] {
            assert_eq!(EventClass::of(wrong, 1.0, 60.0), None);
            assert_eq!(EventClass::of(0.5, wrong, 60.0), None);
            assert_eq!(EventClass::of(0.5, 1.0, wrong), None);
        }
        assert_eq!(EventClass::of(0.5, 1.0, 0.0), None);
    }

    #[test]
    fn an_aggregate_lies_between_its_values_and_is_none_of_nothing() {
        assert_eq!(rms_aggregate(&[]), None);
        assert_eq!(rms_aggregate(&[230.0, f64::NAN]), None);
        assert_eq!(rms_aggregate(&[0.0, 0.0]), Some(0.0));
        assert_eq!(rms_aggregate(&[f64::MAX, f64::MAX]), Some(f64::MAX));
        // 3 and 4 by definition: √12.5.
        assert!((rms_aggregate(&[3.0, 4.0]).unwrap() - 3.535_534).abs() < 1e-6);
    }
}
