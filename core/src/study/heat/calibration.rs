//! What a healthy unit of this site shows against its nameplate: a factor on each rise and the time constant, learned once,
//! bounded, and provisional until a named person accepts it. Until then the nameplate rules. It is never reset by itself.

use super::part::{Pace, Part};
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// So much time must be known before anything is offered: three days, so that nights and days are in it (common practice,
/// no source, as the other bounds here).
pub const LEARN_H: f64 = 72.0;
/// And so much of it with a load that warms: above 30 % of rated current.
pub const LOADED_H: f64 = 12.0;
/// Heat of 30 % of rated current, per unit.
const WARMING_HEAT: f64 = 0.09;
/// The least factor on a rise: sensors sit outside the warmest place.
pub const LEAST_FACTOR: f64 = 0.5;
/// The largest factor: a unit that is a journal step (10 % of its rated rise) warmer than its nameplate is not taken for
/// healthy, so no calibration can hide what a low alarm would tell.
pub const LARGEST_FACTOR: f64 = 1.10;
/// Factors of the windings of one unit further apart than this, the largest over the least, are a fault of one of them or
/// of its sensor. The middle coil runs 5 to 15 K warmer.
pub const LARGEST_SPREAD: f64 = 1.20;
/// What is left over must be less than this, in K rms.
pub const LARGEST_REST_K: f64 = 3.0;
/// Times that are tried, as multiples of the usual time constant; the best lies between the first and the last.
const TRIED: [f64; 9] = [0.35, 0.45, 0.58, 0.75, 1.0, 1.3, 1.7, 2.2, 2.9];

/// A calibration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// A factor on the rise of each part: windings in air, or the oil.
    pub factors: Vec<f64>,
    /// Time constant in minutes.
    pub tau_min: f64,
    /// What is left over, in K rms.
    pub rest_k: f64,
    /// When it was learned.
    pub learned: EventTime,
    /// Who accepted it, and when; `None`: it waits for a person, and the nameplate rules.
    pub accepted: Option<(String, EventTime)>,
}

/// Why nothing was offered after the time of learning.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum NotHealthy {
    /// A rise is further from the nameplate than a healthy one may be.
    Factor,
    /// The windings differ too much.
    Spread,
    /// No time constant fits.
    TimeConstant,
    /// The temperatures do not follow the load.
    Rest,
}

/// Sums of one part with one time constant.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Sums {
    /// Of the model's rise squared.
    squares: f64,
    /// Of it times the measured rise.
    products: f64,
}

/// Learning under way. The parts of all times that are tried are followed side by side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Learning {
    parts: Box<[Option<Part>]>,
    sums: Box<[Sums]>,
    /// Of the measured rise squared, by part.
    measured: Box<[f64]>,
    /// How many steps each part has.
    steps: Box<[u32]>,
    /// Hours known, and of them with a load that warms.
    known_h: f64,
    loaded_h: f64,
}

/// What one part shows in one step.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shown {
    /// Which part.
    pub(super) part: usize,
    /// Where its rise goes, per unit.
    pub(super) drive: f64,
    /// The measured rise over the air in K, if it is known and the model is settled.
    pub(super) rise_k: Option<f64>,
}

impl Learning {
    pub(super) fn new(parts: usize) -> Self {
        Self {
            parts: vec![None; parts * TRIED.len()].into(),
            sums: vec![Sums::default(); parts * TRIED.len()].into(),
            measured: vec![0.0; parts].into(),
            steps: vec![0; parts].into(),
            known_h: 0.0,
            loaded_h: 0.0,
        }
    }

    pub(super) fn fits(&self, parts: usize) -> bool {
        let all = [self.parts.len(), self.sums.len()];
        all == [parts * TRIED.len(); 2] && self.measured.len() == parts && self.steps.len() == parts
    }

    pub(super) fn shift(&mut self, by: Span) {
        self.parts.iter_mut().flatten().for_each(|part| part.shift(by));
    }

    /// Takes what one part shows in the step that ends at `end`.
    pub(super) fn take(&mut self, end: EventTime, shown: Shown, usual: Pace) {
        let first = shown.part * TRIED.len();
        for (index, times) in TRIED.into_iter().enumerate() {
            let pace = Pace { tau_min: times * usual.tau_min, ..usual };
            let part = Part::turn(&mut self.parts[first + index], end, Some(shown.drive), pace);
            if let (Some(part), Some(rise_k)) = (part, shown.rise_k) {
                let sums = &mut self.sums[first + index];
                sums.squares += part.rise * part.rise;
                sums.products += part.rise * rise_k;
            }
        }
        if let Some(rise_k) = shown.rise_k {
            self.measured[shown.part] += rise_k * rise_k;
            self.steps[shown.part] += 1;
        }
    }

    /// Counts the time of a step that was known as a whole; whether enough of it is now.
    pub(super) fn is_over(&mut self, hours: f64, most_heat: f64) -> bool {
        self.known_h += hours;
        self.loaded_h += if most_heat >= WARMING_HEAT { hours } else { 0.0 };
        self.known_h >= LEARN_H && self.loaded_h >= LOADED_H
    }

    /// Hours known so far.
    pub(super) fn known_h(&self) -> f64 {
        self.known_h
    }

    /// What was learned, in K and minutes, if a healthy unit may be so.
    pub(super) fn result(
        &self,
        at: EventTime,
        rated_k: f64,
        usual_tau_min: f64,
    ) -> Result<Calibration, NotHealthy> {
        // Squares that the best factor leaves over, by time constant.
        let rest = |tried: usize| -> f64 {
            let parts = self.sums.chunks_exact(TRIED.len()).zip(&self.measured);
            parts.map(|(sums, all)| all - sums[tried].products.powi(2) / sums[tried].squares).sum()
        };
        let mut best = 0;
        for tried in 1..TRIED.len() {
            if rest(tried) < rest(best) {
                best = tried;
            }
        }
        if best == 0 || best == TRIED.len() - 1 {
            return Err(NotHealthy::TimeConstant);
        }
        let steps: u32 = self.steps.iter().sum();
        let rest_k = (rest(best).max(0.0) / f64::from(steps)).sqrt();
        if rest_k.is_nan() || rest_k > LARGEST_REST_K {
            return Err(NotHealthy::Rest);
        }
        // The lowest point of the parabola through the best and its neighbours, by the logarithm of time.
        let [before, here, after] = [best - 1, best, best + 1].map(|tried| (TRIED[tried].ln(), rest(tried)));
        let between = lowest(before, here, after).clamp(before.0, after.0);
        let (near, share) = if between < here.0 {
            (best - 1, (here.0 - between) / (here.0 - before.0))
        } else {
            (best + 1, (between - here.0) / (after.0 - here.0))
        };
        let factors: Vec<f64> = (0..self.measured.len())
            .map(|part| {
                let factor = |tried: usize| {
                    let sums = self.sums[part * TRIED.len() + tried];
                    sums.products / sums.squares / rated_k
                };
                factor(best) + share * (factor(near) - factor(best))
            })
            .collect();
        if !factors.iter().all(|factor| (LEAST_FACTOR..=LARGEST_FACTOR).contains(factor)) {
            return Err(NotHealthy::Factor);
        }
        let (least, most) = factors.iter().fold((f64::INFINITY, 0.0), |(least, most): (f64, f64), factor| {
            (least.min(*factor), most.max(*factor))
        });
        if most > LARGEST_SPREAD * least {
            return Err(NotHealthy::Spread);
        }
        Ok(Calibration {
            factors,
            tau_min: usual_tau_min * between.exp(),
            rest_k,
            learned: at,
            accepted: None,
        })
    }
}

/// Where the parabola through three points is lowest; of points that have no lowest the middle one.
fn lowest(one: (f64, f64), two: (f64, f64), three: (f64, f64)) -> f64 {
    let (left, right) = ((two.0 - one.0) * (two.1 - three.1), (two.0 - three.0) * (two.1 - one.1));
    let lowest = two.0 - 0.5 * ((two.0 - one.0) * left - (two.0 - three.0) * right) / (left - right);
    if lowest.is_finite() { lowest } else { two.0 }
}
