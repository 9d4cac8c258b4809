//! What goes wrong, and when. A scenario is a fault with a beginning; several may run at once.

use crate::noise::Chance;

/// Shortest time a loose contact stays bad, milliseconds.
const LOOSE_SHORTEST_MS: i64 = 2_000;
/// Longest time a loose contact stays bad, milliseconds.
const LOOSE_LONGEST_MS: i64 = 9_000;
/// A loose contact lets go at most this often, so that two times never run into each other, milliseconds.
const LOOSE_MOST_OFTEN_MS: i64 = 12_000;
/// Stream of chance for loose contacts.
const STREAM: u64 = 9_000;

/// A fault of the site.
#[derive(Debug, Clone, PartialEq)]
pub enum Fault {
    /// All loads of T2 times this factor.
    Overload {
        /// 1 is healthy; 1.75 brings a working T2 to about 125 % of its rating.
        factor: f64,
    },
    /// This share of T2's single-phase loads of phases A and B hangs on phase C.
    Unbalance {
        /// 0 is healthy, 1 moves all.
        share: f64,
    },
    /// Phase B of feeder MP-3 lets go for 2 to 9 seconds.
    LoosePhase {
        /// About how often, seconds; less than 12 counts as 12.
        every_s: u32,
    },
    /// T2's vents are covered.
    BlockedCooling {
        /// Share of the cooling that is left: 1 is healthy.
        left: f64,
    },
    /// Fans blow on T2's windings.
    Fans {
        /// At the rated rise they take so many times what the air alone takes.
        times: f64,
    },
    /// One lug of feeder MP-3, phase B, has this much resistance more, always.
    HotLug {
        /// Ohms.
        ohms: f64,
    },
    /// T2's room is warmer than usual by so much; below 0 colder.
    Room {
        /// Kelvin.
        warmer_k: f64,
    },
    /// A meter gives nothing.
    Silent {
        /// The meter's name.
        meter: String,
    },
    /// A meter repeats its last values.
    Frozen {
        /// The meter's name.
        meter: String,
    },
}

impl Fault {
    /// The words by which [`Fault::named`] knows the scenarios.
    pub const NAMES: [&str; 7] = [
        "healthy",
        "overload",
        "unbalance",
        "loose-phase",
        "blocked-cooling",
        "silent-meter",
        "frozen-meter",
    ];

    /// The fault of this name with its usual figures; `Ok(None)` for "healthy".
    ///
    /// # Errors
    /// The name is none of [`Fault::NAMES`].
    pub fn named(name: &str) -> Result<Option<Self>, UnknownFault> {
        Ok(Some(match name {
            "healthy" => return Ok(None),
            "overload" => Self::Overload { factor: 1.75 },
            "unbalance" => Self::Unbalance { share: 0.6 },
            "loose-phase" => Self::LoosePhase { every_s: 45 },
            "blocked-cooling" => Self::BlockedCooling { left: 0.4 },
            "silent-meter" => Self::Silent { meter: "MP-2".to_owned() },
            "frozen-meter" => Self::Frozen { meter: "MP-5".to_owned() },
            other => return Err(UnknownFault(other.to_owned())),
        }))
    }
}

/// No scenario has this name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnknownFault(pub String);

impl std::fmt::Display for UnknownFault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "no scenario is called \"{}\"; there are: {}", self.0, Fault::NAMES.join(", "))
    }
}

impl std::error::Error for UnknownFault {}

/// A fault and its time.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// Begins, unix milliseconds.
    pub from_unix_ms: i64,
    /// Ends; `None`: never.
    pub until_unix_ms: Option<i64>,
    /// What goes wrong.
    pub fault: Fault,
}

impl Scenario {
    /// A fault that begins then and stays.
    pub fn from(from_unix_ms: i64, fault: Fault) -> Self {
        Self { from_unix_ms, until_unix_ms: None, fault }
    }

    /// A fault with an end.
    pub fn between(from_unix_ms: i64, until_unix_ms: i64, fault: Fault) -> Self {
        Self { from_unix_ms, until_unix_ms: Some(until_unix_ms), fault }
    }

    /// Whether it is on.
    pub fn is_on(&self, unix_ms: i64) -> bool {
        unix_ms >= self.from_unix_ms && self.until_unix_ms.is_none_or(|end| unix_ms < end)
    }

    /// The times at which a loose contact is bad, of the cycle that `unix_ms` falls into and of the next.
    fn loose_times(&self, unix_ms: i64, chance: Chance) -> Vec<(i64, i64)> {
        let Fault::LoosePhase { every_s } = self.fault else { return Vec::new() };
        let every = (i64::from(every_s) * 1000).max(LOOSE_MOST_OFTEN_MS);
        let cycle = (unix_ms - self.from_unix_ms).div_euclid(every).max(0);
        (cycle..cycle + 2)
            .map(|n| {
                let spread = (LOOSE_LONGEST_MS - LOOSE_SHORTEST_MS) as f64;
                let length = LOOSE_SHORTEST_MS + (spread * chance.even(STREAM, n)) as i64;
                let late = 0.3 * (every - LOOSE_MOST_OFTEN_MS) as f64 * chance.even(STREAM + 1, n);
                let begin = self.from_unix_ms + n * every + late as i64;
                (begin, begin + length)
            })
            .collect()
    }

    /// Resistance in the contact now, ohms: 0 while it holds.
    pub fn loose_ohms(&self, unix_ms: i64, chance: Chance) -> f64 {
        let bad = self.is_on(unix_ms)
            && self.loose_times(unix_ms, chance).iter().any(|&(from, to)| unix_ms >= from && unix_ms < to);
        if bad { 0.5 + 0.04 * chance.normal(STREAM + 2, unix_ms.div_euclid(1000)) } else { 0.0 }
    }

    /// The next moment after `unix_ms` at which this scenario changes something by itself.
    pub fn next_edge(&self, unix_ms: i64, chance: Chance) -> Option<i64> {
        let own = [Some(self.from_unix_ms), self.until_unix_ms].into_iter().flatten();
        let loose = self.loose_times(unix_ms, chance).into_iter().flat_map(|(from, to)| [from, to]);
        own.chain(loose).filter(|&edge| edge > unix_ms).min()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_loose_contact_lets_go_once_a_cycle_for_two_to_nine_seconds() {
        let chance = Chance::new(3);
        let scenario = Scenario::from(1_000_000, Fault::LoosePhase { every_s: 60 });
        let mut lengths = Vec::new();
        let mut bad_for = 0;
        for ms in (900_000..1_000_000 + 60 * 60_000).step_by(100) {
            if scenario.loose_ohms(ms, chance) > 0.0 {
                bad_for += 100;
            } else if bad_for > 0 {
                lengths.push(bad_for);
                bad_for = 0;
            }
        }
        assert!((59..=60).contains(&lengths.len()), "{} times in an hour", lengths.len());
        assert!(lengths.iter().all(|l| (1900..=9100).contains(l)), "{lengths:?}");
    }

    #[test]
    fn edges_are_where_the_contact_changes() {
        let chance = Chance::new(3);
        let scenario = Scenario::between(0, 600_000, Fault::LoosePhase { every_s: 45 });
        let mut at = -5;
        let mut count = 0;
        while let Some(edge) = scenario.next_edge(at, chance).filter(|&edge| edge <= 600_000) {
            let (before, after) =
                (scenario.loose_ohms(edge - 1, chance) > 0.0, scenario.loose_ohms(edge, chance) > 0.0);
            assert!(before != after || edge == 0 || edge == 600_000, "nothing changes at {edge}");
            at = edge;
            count += 1;
        }
        assert!(count >= 26, "{count} edges");
    }

    #[test]
    fn every_name_makes_its_scenario_and_another_name_none() {
        for name in Fault::NAMES {
            assert_eq!(Fault::named(name).unwrap().is_none(), name == "healthy");
        }
        assert!(Fault::named("gremlins").unwrap_err().to_string().contains("blocked-cooling"));
    }
}
