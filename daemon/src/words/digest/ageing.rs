//! How the insulation of each transformer aged.

use super::Page;
use crate::words;

impl Page<'_> {
    /// A line for each transformer whose ageing is computed, and what such figures say.
    pub(super) fn ageing(&self) -> Vec<String> {
        let meters = self.figures.meters.iter();
        let mut lines: Vec<String> = meters
            .filter_map(|meter| {
                let ageing = meter.ageing.as_ref()?;
                Some(words::ageing(&meter.transformer, None, words::Aged::OnTheDay, ageing, self.speech))
            })
            .collect();
        if !lines.is_empty() {
            lines.push(words::ageing_means(self.speech));
        }
        lines
    }
}
