//! Hum: each tone at a multiple of the line frequency against what it was at like volts and load, on each kind of source by itself: a
//! generator's frequency and volts are another hum.

use super::Turn;
use crate::electrical::tones::LikeForLike;
use crate::formula::mean_present;
use crate::measurand::Quantity;
use crate::supply::SourceKind;
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
    /// At like volts and load, on the public grid.
    pub usual: LikeForLike,
    /// The same on other sources.
    #[serde(default)]
    pub elsewhere: Vec<(SourceKind, LikeForLike)>,
}

impl ToneLearned {
    fn of(&mut self, source: SourceKind) -> &mut LikeForLike {
        if source == SourceKind::Utility {
            return &mut self.usual;
        }
        let known = self.elsewhere.iter().position(|(known, _)| *known == source);
        let index = known.unwrap_or_else(|| {
            self.elsewhere.push((source, LikeForLike::default()));
            self.elsewhere.len() - 1
        });
        &mut self.elsewhere[index].1
    }
}

/// What is remembered of a transformer's hum. All of it is learned, so it is saved with what is precious.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Hum {
    tones: Vec<ToneLearned>,
}

impl Hum {
    pub(super) fn new(plan: &HumPlan) -> Self {
        let unheard = |plan: &TonePlan| ToneLearned {
            tone: plan.tone,
            usual: LikeForLike::default(),
            elsewhere: Vec::new(),
        };
        Self { tones: plan.tones.iter().map(unheard).collect() }
    }

    /// Takes a step on this source; nothing is learned or compared while a supply settles.
    pub(super) fn step(&mut self, plan: &HumPlan, source: Option<SourceKind>, turn: &mut Turn<'_>) {
        let (columns, nominal) = &plan.volts;
        let volts = mean_present(turn.inputs, columns).map(|volts| 100.0 * volts / nominal);
        let load = turn.inputs[plan.load].get();
        for (learned, plan) in self.tones.iter_mut().zip(&plan.tones) {
            let level = turn.inputs[plan.level].get();
            let excess = volts.zip(load).zip(level);
            let excess = excess.zip(source);
            let excess = excess
                .and_then(|(((volts, load), level), source)| learned.of(source).compare(volts, load, level));
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
                known.elsewhere.clone_from(&saved.elsewhere);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurand::Measurand;
    use crate::phases::Place;
    use crate::reading::Sample;
    use crate::time::EventTime;

    /// 52 dB learned on the public grid, 60 on a generator: each is compared with its own.
    #[test]
    fn each_source_has_its_own_usual_hum() {
        let tone = Quantity::numbered(Measurand::SoundTone, Place::Whole, 2);
        let plan = HumPlan {
            volts: ([0].into(), 208.0),
            load: 1,
            tones: [TonePlan { tone, level: 2, excess: 0 }].into(),
        };
        let mut hum = Hum::new(&plan);
        let mut row = [Sample::ABSENT];
        let mut last = |source, level: f64, steps: i64| {
            for _ in 0..steps {
                let inputs = [208.0, 50.0, level].map(Sample::new);
                hum.step(&plan, source, &mut Turn { end: EventTime(0), inputs: &inputs, row: &mut row });
            }
            row[0].get()
        };
        assert_eq!(last(Some(SourceKind::Utility), 52.0, 361), Some(0.0));
        assert_eq!(last(Some(SourceKind::Generator), 60.0, 300), None, "it is learned there anew");
        assert_eq!(last(None, 60.0, 1), None, "while it settles nothing is told");
        assert_eq!(last(Some(SourceKind::Generator), 60.0, 61), Some(0.0));
        assert_eq!(last(Some(SourceKind::Utility), 52.0, 1), Some(0.0));
    }
}
