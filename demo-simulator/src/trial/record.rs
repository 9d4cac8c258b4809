//! A trial through its time: each reading of each meter in its order.

use super::fault::Fault;
use super::meters::{Kind, Meter, meters};
use super::scenes::Trial;
use super::world::World;

/// Readings come each second from so long before a sudden change to so long after it, milliseconds.
const CLOSE: (i64, i64) = (4_000, 14_000);
/// So often an hour readings come each second though nothing happens.
const IDLE_LOOKS: i64 = 2;
const HOUR: i64 = 3_600_000;

/// A trial on its way.
#[derive(Debug)]
pub struct Record {
    /// The plant.
    pub world: World,
    /// Its meters.
    pub meters: Vec<Meter>,
    /// When the meters are read, in order, unix milliseconds.
    times: Vec<i64>,
    next: usize,
}

impl Record {
    /// Begins a trial.
    pub fn new(trial: &Trial) -> Self {
        let world = World::new(trial.seed, trial.plant.clone(), trial.faults.clone(), trial.from);
        let meters = meters(&trial.plant, trial.kind, trial.worse, world.chance);
        let times = times(trial, &world);
        Self { world, meters, times, next: 0 }
    }

    /// How many rounds of readings there are.
    pub fn rounds(&self) -> usize {
        self.times.len()
    }

    /// Goes to the next moment at which the meters are read and gives each reading: index of the meter, values in the
    /// order of its points. `false` at the end.
    pub fn round(&mut self, mut take: impl FnMut(usize, i64, &[Option<f64>])) -> bool {
        let Some(at) = self.times.get(self.next).copied() else { return false };
        self.next += 1;
        self.world.step(at);
        for (index, meter) in self.meters.iter_mut().enumerate() {
            if let Some(values) = meter.read(&self.world) {
                take(index, at, &values);
            }
        }
        true
    }
}

/// All moments of reading.
fn times(trial: &Trial, world: &World) -> Vec<i64> {
    let steps = (trial.to - trial.from) / trial.cadence_ms;
    let mut times: Vec<i64> = (0..steps).map(|k| trial.from + k * trial.cadence_ms).collect();
    if trial.kind != Kind::Slow && trial.cadence_ms <= 10_000 {
        let sudden = trial.faults.iter().flat_map(Fault::edges);
        let idle = (0..(trial.to - trial.from) * IDLE_LOOKS / HOUR)
            .map(|k| trial.from + (world.chance.even(77, k) * (trial.to - trial.from) as f64) as i64);
        for at in sudden.chain(idle) {
            let first = (at - CLOSE.0).div_euclid(1000) * 1000;
            times.extend((first..at + CLOSE.1).step_by(1000).filter(|t| (trial.from..trial.to).contains(t)));
        }
        times.sort_unstable();
        times.dedup();
    }
    times
}
