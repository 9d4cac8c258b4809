//! The spectra of one row, each gathered once for all formulas that need it.

use super::PhaseOrders;
use crate::electrical::spectrum::Spectrum;
use crate::reading::Sample;

/// Three currents and three voltages.
const MOST: usize = 6;

/// The spectra of one row, as far as a formula asked for them.
#[derive(Debug, Clone)]
pub struct Gathered {
    /// By the slot of the first order.
    spectra: [(usize, Option<Spectrum>); MOST],
    count: usize,
}

impl Default for Gathered {
    fn default() -> Self {
        Self { spectra: [(0, None); MOST], count: 0 }
    }
}

impl Gathered {
    /// Before another row.
    pub fn forget(&mut self) {
        self.count = 0;
    }

    /// The spectrum of a phase.
    pub(super) fn spectrum(&mut self, of: &PhaseOrders, row: &[Sample]) -> Option<Spectrum> {
        let (_, key) = *of.slots.first()?;
        if let Some((_, known)) = self.spectra[..self.count].iter().find(|(known, _)| *known == key) {
            return *known;
        }
        let spectrum = of.spectrum(row);
        if let Some(place) = self.spectra.get_mut(self.count) {
            *place = (key, spectrum);
            self.count += 1;
        }
        spectrum
    }
}
