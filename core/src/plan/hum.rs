//! Which tones of a transformer's hum are compared, and at whose volts and load.

use super::limits::rating_of_transformer;
use super::study::{Draft, slot};
use crate::electrical::tones::MULTIPLES;
use crate::measurand::{Measurand, Quantity};
use crate::phases::Place;
use crate::study::{HumPlan, TonePlan};

/// Tones and what they are compared as.
const TONES: [(Measurand, Measurand); 2] = [
    (Measurand::SoundTone, Measurand::SoundToneExcess),
    (Measurand::VibrationTone, Measurand::VibrationToneExcess),
];

impl Draft<'_> {
    /// The hum of the transformer: the tones that its own modules give, where one of its meters gives line volts and a
    /// loading.
    pub(super) fn hum(&mut self) -> Option<HumPlan> {
        let nominal = rating_of_transformer(self.plant, self.transformer).nominal_ll_v;
        let nominal = nominal.filter(|nominal| *nominal > 0.0)?;
        let (local, volts, load) = self.own_meters().find_map(|(local, meter)| {
            let secondary = self.is_secondary(meter);
            let of = |place: &Place| slot(meter, Quantity::at(Measurand::VoltageLl, *place));
            let volts = Place::LINES.iter().map(of).collect::<Option<Vec<usize>>>().filter(|_| secondary)?;
            let loadings = [Measurand::LoadingKva, Measurand::LoadingPhase].into_iter();
            let load = loadings.map(Quantity::whole).find_map(|loading| slot(meter, loading))?;
            Some((local, volts, load))
        })?;
        let given: Vec<_> = TONES
            .into_iter()
            .flat_map(|(level, excess)| MULTIPLES.map(|multiple| (level, excess, multiple)))
            .filter_map(|(level, excess, multiple)| {
                let of = |what| Quantity::numbered(what, Place::Whole, multiple);
                let found =
                    self.own_meters().find_map(|(local, meter)| Some((local, slot(meter, of(level))?)))?;
                Some((of(level), found, of(excess)))
            })
            .collect();
        if given.is_empty() {
            return None;
        }
        let tone =
            |(tone, input, excess)| TonePlan { tone, level: self.input(input), excess: self.series(excess) };
        let tones = given.into_iter().map(tone).collect();
        let load = self.input((local, load));
        let volts = volts.into_iter().map(|slot| self.input((local, slot))).collect();
        Some(HumPlan { volts: (volts, nominal), load, tones })
    }
}
