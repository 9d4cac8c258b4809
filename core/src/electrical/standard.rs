//! What the standards allow: tables of limits for harmonics, and the statistic that is held against them.

/// Limits of harmonic current in per cent of the demand current, for one range of `I_SC/I_L`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurrentLimits {
    /// `I_SC/I_L` from here on; the bound belongs to this row.
    pub from: f64,
    /// Odd orders: below 11, below 17, below 23, below 35, to 50.
    pub odd: [f64; 5],
    /// Total demand distortion.
    pub tdd: f64,
}

/// Which edition's rule for even orders.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Edition {
    /// 1992 and 2014: a quarter of the odd limit.
    Y2014,
    /// 2022: half of it up to order 6, a quarter above.
    Y2022,
}

/// Current limits at the point of common coupling, 120 V to 69 kV. Inside a building they are guidance.
///
/// Source: IEEE 519-1992 Table 10.3 on a page of a university's e-book, equal to IEEE 519-2014 Table 2 (that from memory).
pub const CURRENT_LIMITS: [CurrentLimits; 5] = [
    CurrentLimits { from: 0.0, odd: [4.0, 2.0, 1.5, 0.6, 0.3], tdd: 5.0 },
    CurrentLimits { from: 20.0, odd: [7.0, 3.5, 2.5, 1.0, 0.5], tdd: 8.0 },
    CurrentLimits { from: 50.0, odd: [10.0, 4.5, 4.0, 1.5, 0.7], tdd: 12.0 },
    CurrentLimits { from: 100.0, odd: [12.0, 5.5, 5.0, 2.0, 1.0], tdd: 15.0 },
    CurrentLimits { from: 1000.0, odd: [15.0, 7.0, 6.0, 2.5, 1.4], tdd: 20.0 },
];

impl CurrentLimits {
    /// The row for a short-circuit current over the demand current; `None` where that is not above zero.
    pub fn for_ratio(short_circuit_over_demand: f64) -> Option<&'static Self> {
        let fit = short_circuit_over_demand > 0.0 && short_circuit_over_demand.is_finite();
        CURRENT_LIMITS.iter().rfind(|row| fit && row.from <= short_circuit_over_demand)
    }

    /// The limit of one order, 2 to 50, in per cent of the demand current.
    ///
    /// Source: as the table; the rule of 2022 for even orders from memory of IEEE 519-2022.
    pub fn order_percent(&self, order: u8, edition: Edition) -> Option<f64> {
        let band = match order {
            2..11 => 0,
            11..17 => 1,
            17..23 => 2,
            23..35 => 3,
            35..=50 => 4,
            _ => return None,
        };
        let share = match (order.is_multiple_of(2), edition) {
            (false, _) => 1.0,
            (true, Edition::Y2022) if order <= 6 => 0.5,
            (true, _) => 0.25,
        };
        Some(self.odd[band] * share)
    }
}

/// Limits of harmonic voltage in per cent of the nominal voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VoltageLimits {
    /// For systems up to so many volts, line to line.
    pub up_to_v: f64,
    /// Each order.
    pub order: f64,
    /// THD.
    pub thd: f64,
}

/// Voltage limits at the point of common coupling.
///
/// Source: IEEE 519-2014 and -2022 Table 1; up to 1 kV from a public overview of IEEE 519-2014, the rest from memory.
pub const VOLTAGE_LIMITS: [VoltageLimits; 4] = [
    VoltageLimits { up_to_v: 1_000.0, order: 5.0, thd: 8.0 },
    VoltageLimits { up_to_v: 69_000.0, order: 3.0, thd: 5.0 },
    VoltageLimits { up_to_v: 161_000.0, order: 1.5, thd: 2.5 },
    VoltageLimits { up_to_v: f64::INFINITY, order: 1.0, thd: 1.5 },
];

impl VoltageLimits {
    /// The row for a nominal line-to-line voltage; `None` where that is not above zero.
    pub fn for_volts(volts: f64) -> Option<&'static Self> {
        VOLTAGE_LIMITS.iter().find(|row| volts > 0.0 && volts.is_finite() && volts <= row.up_to_v)
    }
}

/// EN 50160:2010 for low voltage: THD to the 40th order in per cent of the fundamental, for 95 % of a week's 10-minute values
/// (from memory).
pub const EN_50160_THD: f64 = 8.0;

/// EN 50160:2010 for low voltage: one order in per cent of the fundamental, for 95 % of a week's 10-minute values. Nothing for
/// orders that the table does not have.
///
/// Source: EN 50160:2010 Table 1 (from memory). Later amendments raise the 15th and the 21st: check the edition.
pub fn en_50160_percent(order: u8) -> Option<f64> {
    Some(match order {
        3 | 7 => 5.0,
        5 => 6.0,
        11 => 3.5,
        13 => 3.0,
        2 | 17 => 2.0,
        9 | 19 | 23 | 25 => 1.5,
        4 => 1.0,
        15 | 21 => 0.5,
        6..=24 if order.is_multiple_of(2) => 0.5,
        _ => return None,
    })
}

/// IEC 61000-2-2, compatibility level of the THD in per cent (from memory of the edition of 2002).
pub const IEC_61000_2_2_THD: f64 = 8.0;

/// IEC 61000-2-2, compatibility level of one order in per cent of the fundamental, orders 2 to 50: as EN 50160 for low orders,
/// `2.27·(17/h) − 0.27` for odd ones without the triplen from 17 to 49, `0.25·(10/h) + 0.25` for even ones from 10.
///
/// Source: IEC 61000-2-2:2002 Table 1 (from memory); the triplen 15 (0.4), 21 (0.3) and above (0.2) changed between editions.
pub fn iec_61000_2_2_percent(order: u8) -> Option<f64> {
    let h = f64::from(order);
    match order {
        0 | 1 | 51.. => None,
        15 => Some(0.4),
        21 => Some(0.3),
        _ if order > 21 && order % 6 == 3 => Some(0.2),
        10.. if order.is_multiple_of(2) => Some(0.25 * (10.0 / h) + 0.25),
        17.. => Some(2.27 * (17.0 / h) - 0.27),
        _ => en_50160_percent(order),
    }
}

/// The percentile by nearest rank: of the values in order the one at `⌈p·n/100⌉`, counted from 1, so that at most (100 − p) per
/// cent exceed it. Sorts the values. `None` without values, with one that is not a number, and for p not above 0 up to 100.
///
/// Source: IEEE 519-2014 clause 4, as a public forum quotes it.
///
/// ```
/// use kvarden_core::electrical::standard::percentile;
/// let mut values = [3.1, 2.9, 3.0, 3.3, 3.2, 5.9, 3.0, 3.1, 3.2, 3.0];
/// assert_eq!(percentile(&mut values, 95.0), Some(5.9));
/// ```
pub fn percentile(values: &mut [f64], percent: f64) -> Option<f64> {
    if !(percent > 0.0 && percent <= 100.0 && values.iter().all(|value| value.is_finite())) {
        return None;
    }
    values.sort_unstable_by(f64::total_cmp);
    let exact = percent * values.len() as f64 / 100.0;
    // A rank that is whole but for rounding is whole.
    let rank = (exact - 1e-9 * exact).ceil() as usize;
    values.get(rank.max(1) - 1).copied()
}

/// One of the statistics that IEEE 519 holds against its tables.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Statistic {
    /// Of a current, else of a voltage.
    pub current: bool,
    /// Over a week of 10-minute values, else over a day of 3-second values.
    pub weekly: bool,
    /// Which percentile.
    pub percent: f64,
    /// So many times the table.
    pub times: f64,
}

/// The statistics of IEEE 519-2014 clause 5 (from memory).
pub const STATISTICS: [Statistic; 5] = [
    Statistic { current: false, weekly: false, percent: 99.0, times: 1.5 },
    Statistic { current: false, weekly: true, percent: 95.0, times: 1.0 },
    Statistic { current: true, weekly: false, percent: 99.0, times: 2.0 },
    Statistic { current: true, weekly: true, percent: 99.0, times: 1.5 },
    Statistic { current: true, weekly: true, percent: 95.0, times: 1.0 },
];

/// With less than this share of its values a day or a week gives no verdict (common practice, no source).
const LEAST_SHARE: f64 = 0.90;

/// A verdict by one statistic.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Verdict {
    /// The percentile, in the unit of the values.
    pub value: f64,
    /// What is allowed: the table times the statistic's factor.
    pub allowed: f64,
    /// Which share of the day's or week's values was there, 0.9 to 1.
    pub share: f64,
}

impl Statistic {
    /// How many values a complete period has: 28,800 of three seconds a day, 1,008 of ten minutes a week.
    pub fn complete(&self) -> usize {
        if self.weekly { 1_008 } else { 28_800 }
    }

    /// Holds a period's values against a limit of the tables. `None` with less than nine tenths of them.
    pub fn verdict(&self, values: &mut [f64], limit: f64) -> Option<Verdict> {
        let share = values.len() as f64 / self.complete() as f64;
        if share < LEAST_SHARE {
            return None;
        }
        let value = percentile(values, self.percent)?;
        Some(Verdict { value, allowed: self.times * limit, share: share.min(1.0) })
    }
}

impl Verdict {
    /// Whether the percentile lies within what is allowed.
    pub fn holds(&self) -> bool {
        self.value <= self.allowed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEEE 519-1992 Table 10.3 (university e-book page), whole: `I_SC/I_L`, order, limit; the last of each row is the TDD.
    #[test]
    fn the_table_of_current_limits_whole() {
        let table = [
            (19.9, [4.0, 2.0, 1.5, 0.6, 0.3, 5.0]),
            (20.0, [7.0, 3.5, 2.5, 1.0, 0.5, 8.0]),
            (50.0, [10.0, 4.5, 4.0, 1.5, 0.7, 12.0]),
            (100.0, [12.0, 5.5, 5.0, 2.0, 1.0, 15.0]),
            (1000.0, [15.0, 7.0, 6.0, 2.5, 1.4, 20.0]),
        ];
        for (ratio, expected) in table {
            let row = CurrentLimits::for_ratio(ratio).unwrap();
            assert_eq!(Some(row.tdd), expected.last().copied(), "{ratio}");
            for order in (3..=49u8).step_by(2) {
                let band = [11, 17, 23, 35, 51].iter().position(|end| order < *end).unwrap();
                let [old, new] =
                    [Edition::Y2014, Edition::Y2022].map(|edition| row.order_percent(order, edition));
                assert_eq!((old, new), (Some(expected[band]), Some(expected[band])), "{ratio} {order}");
            }
            // Even orders: 25 %; in 2022 50 % up to the 6th (from memory).
            for (order, band, share) in [(2, 0, 0.5), (6, 0, 0.5), (8, 0, 0.25), (12, 1, 0.25), (50, 4, 0.25)]
            {
                assert_eq!(row.order_percent(order, Edition::Y2014), Some(0.25 * expected[band]), "{order}");
                assert_eq!(row.order_percent(order, Edition::Y2022), Some(share * expected[band]), "{order}");
            }
            assert_eq!(
                (row.order_percent(1, Edition::Y2014), row.order_percent(51, Edition::Y2014)),
                (None, None)
            );
        }
        for ratio in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(CurrentLimits::for_ratio(ratio), None, "{ratio}");
        }
    }

    /// IEEE 519-2014 Table 1, whole: up to 1 kV from a public overview, the rest from memory.
    #[test]
    fn the_table_of_voltage_limits_whole() {
        let table = [
            (208.0, 5.0, 8.0),
            (1_000.0, 5.0, 8.0),
            (12_470.0, 3.0, 5.0),
            (138_000.0, 1.5, 2.5),
            (345_000.0, 1.0, 1.5),
        ];
        for (volts, order, thd) in table {
            let row = VoltageLimits::for_volts(volts).unwrap();
            assert_eq!((row.order, row.thd), (order, thd), "{volts}");
        }
        assert_eq!((VoltageLimits::for_volts(0.0), VoltageLimits::for_volts(f64::NAN)), (None, None));
    }

    /// EN 50160:2010 Table 1 for low voltage, whole (from memory).
    #[test]
    fn the_table_of_en_50160_whole() {
        let odd = [
            (3, 5.0),
            (5, 6.0),
            (7, 5.0),
            (9, 1.5),
            (11, 3.5),
            (13, 3.0),
            (15, 0.5),
            (17, 2.0),
            (19, 1.5),
            (21, 0.5),
            (23, 1.5),
            (25, 1.5),
        ];
        let even = [
            (2, 2.0),
            (4, 1.0),
            (6, 0.5),
            (8, 0.5),
            (10, 0.5),
            (12, 0.5),
            (14, 0.5),
            (16, 0.5),
            (18, 0.5),
            (20, 0.5),
        ];
        let rest = [(22, 0.5), (24, 0.5)];
        let table: Vec<(u8, f64)> = odd.into_iter().chain(even).chain(rest).collect();
        for order in 0..=u8::MAX {
            let expected = table.iter().find(|(known, _)| *known == order).map(|(_, percent)| *percent);
            assert_eq!(en_50160_percent(order), expected, "{order}");
        }
    }

    /// IEC 61000-2-2:2002 (from memory): as EN 50160 below 10, then by its formulas.
    #[test]
    fn the_compatibility_levels_of_iec_61000_2_2() {
        let table = [
            (2, 2.0),
            (3, 5.0),
            (4, 1.0),
            (5, 6.0),
            (6, 0.5),
            (7, 5.0),
            (8, 0.5),
            (9, 1.5),
            (10, 0.5),
            (11, 3.5),
            (12, 0.458_333),
            (13, 3.0),
            (15, 0.4),
            (17, 2.0),
            (19, 1.761_053),
            (21, 0.3),
            (23, 1.407_826),
            (25, 1.2736),
            (27, 0.2),
            (45, 0.2),
            (49, 0.517_551),
            (50, 0.3),
        ];
        for (order, expected) in table {
            let got = iec_61000_2_2_percent(order).unwrap();
            assert!((got - expected).abs() < 1e-6, "{order}: {got}");
        }
        assert_eq!((iec_61000_2_2_percent(1), iec_61000_2_2_percent(51)), (None, None));
    }

    /// Nearest rank: of 1 to 1000 the 99th is 990 (the clause's words: at most 1 % exceed it).
    #[test]
    fn a_percentile_is_one_of_the_values() {
        let mut ramp: Vec<f64> = (1..=1000).rev().map(f64::from).collect();
        for (percent, expected) in [(99.0, 990.0), (95.0, 950.0), (99.9, 999.0), (100.0, 1000.0), (0.01, 1.0)]
        {
            assert_eq!(percentile(&mut ramp, percent), Some(expected), "{percent}");
        }
        assert_eq!(
            (percentile(&mut [], 95.0), percentile(&mut [1.0], 0.0), percentile(&mut [1.0], 101.0)),
            (None, None, None)
        );
        assert_eq!(percentile(&mut [1.0, f64::NAN], 95.0), None);
    }

    /// IEEE 519-2014 5.2 (from memory): a week's 99th percentile of a current against one and a half times the table.
    #[test]
    fn a_verdict_needs_nine_tenths_of_its_period() {
        let weekly = STATISTICS[3];
        let mut week: Vec<f64> = (0..1008).map(|index| if index < 10 { 11.0 } else { 7.0 }).collect();
        let verdict = weekly.verdict(&mut week, 5.0).unwrap();
        assert_eq!((verdict.value, verdict.allowed, verdict.share), (7.0, 7.5, 1.0));
        assert!(verdict.holds());
        week.iter_mut().take(20).for_each(|value| *value = 11.0);
        assert!(!weekly.verdict(&mut week, 5.0).unwrap().holds());
        assert_eq!(weekly.verdict(&mut week[..906], 5.0), None);
        assert!(weekly.verdict(&mut week[..908], 5.0).is_some());
    }
}
