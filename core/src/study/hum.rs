//! Hum: each tone at a multiple of the line frequency against what it was at like volts and load.

use super::Turn;
use crate::electrical::tones::LikeForLike;
use crate::formula::mean_present;
use crate::measurand::Quantity;
use serde::{Deserialize, Serialize};

/// The tones of one transformer, compiled.
#[derive(Debug, Clone, PartialEq)]
pub struct HumPlan {
    /// Columns of its line volts, and what they are nominally.
    pub volts: (Box<[usize]>, f64),
    /// Column of its loading in per cent.
    pub load: usize,
    /// The tones.
    pub tones: Box<[TonePlan]>,
}

/// One tone, compiled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TonePlan {
    /// Which.
    pub tone: Quantity,
    /// Column of its level.
    pub level: usize,
    /// Series of its excess.
    pub excess: usize,
}

/// What a tone usually is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ToneLearned {
    /// Which.
    pub tone: Quantity,
    /// At like volts and load.
    pub usual: LikeForLike,
}

/// What is remembered of a transformer's hum. All of it is learned, so it is saved with what is precious.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Hum {
    tones: Vec<ToneLearned>,
}

impl Hum {
    pub(super) fn new(plan: &HumPlan) -> Self {
        let unheard = |plan: &TonePlan| ToneLearned { tone: plan.tone, usual: LikeForLike::default() };
        Self { tones: plan.tones.iter().map(unheard).collect() }
    }

    pub(super) fn step(&mut self, plan: &HumPlan, turn: &mut Turn<'_>) {
        let (columns, nominal) = &plan.volts;
        let volts = mean_present(turn.inputs, columns).map(|volts| 100.0 * volts / nominal);
        let load = turn.inputs[plan.load].get();
        for (learned, plan) in self.tones.iter_mut().zip(&plan.tones) {
            let level = turn.inputs[plan.level].get();
            let excess = volts.zip(load).zip(level);
            let excess = excess.and_then(|((volts, load), level)| learned.usual.compare(volts, load, level));
            turn.row[plan.excess] = excess.into();
        }
    }

    pub(super) fn learned(&self) -> &[ToneLearned] {
        &self.tones
    }

    pub(super) fn adopt_learned(&mut self, learned: &[ToneLearned]) {
        for saved in learned {
            if let Some(known) = self.tones.iter_mut().find(|known| known.tone == saved.tone) {
                known.usual = saved.usual.clone();
            }
        }
    }
}
