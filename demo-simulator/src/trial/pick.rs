//! Numbers of a seed in their order: plants and faults are chosen with them.

use crate::noise::Chance;

/// Chooses, one number after the other.
#[derive(Debug, Clone)]
pub struct Pick {
    chance: Chance,
    stream: u64,
    next: i64,
}

impl Pick {
    /// From a seed; `stream` keeps the choices of different matters apart.
    pub fn new(seed: u64, stream: u64) -> Self {
        Self { chance: Chance::new(seed), stream: 500_000 + stream, next: 0 }
    }

    /// An even number in `from..to`.
    pub fn between(&mut self, from: f64, to: f64) -> f64 {
        self.next += 1;
        from + (to - from) * self.chance.even(self.stream, self.next)
    }

    /// One of `0..count`; 0 for a count of 0.
    pub fn index(&mut self, count: usize) -> usize {
        (self.between(0.0, 1.0) * count as f64) as usize
    }
}
