//! The open panes of one meter, side by side: a reading adds to all of them in one short loop.

use crate::measurand::{Kind, Quantity};
use crate::reading::Sample;
use crate::time::Span;
use crate::window::Pane;

/// One open pane per series of a meter.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Panes {
    count: Box<[f64]>,
    covered_ms: Box<[f64]>,
    sum: Box<[f64]>,
    squares: Box<[f64]>,
    low: Box<[f64]>,
    high: Box<[f64]>,
    /// Angles and counters, which are not added up: series, kind and pane. Their places above are not used.
    others: Box<[(usize, Kind, Pane)]>,
    is_empty: bool,
}

impl Panes {
    /// Empty ones.
    pub(crate) fn new(series: &[Quantity]) -> Self {
        let is_other = |kind| matches!(kind, Kind::Angle | Kind::Counter);
        let kinds = series.iter().map(|quantity| quantity.what.kind()).enumerate();
        let all = |value: f64| vec![value; series.len()].into_boxed_slice();
        Self {
            count: all(0.0),
            covered_ms: all(0.0),
            sum: all(0.0),
            squares: all(0.0),
            low: all(f64::INFINITY),
            high: all(f64::NEG_INFINITY),
            others: kinds
                .filter(|(_, kind)| is_other(*kind))
                .map(|(at, kind)| (at, kind, Pane::EMPTY))
                .collect(),
            is_empty: true,
        }
    }

    /// Takes a reading that stands for `credit`: one sample per series.
    pub(crate) fn push(&mut self, row: &[Sample], credit: Span) {
        let weight = credit.0.clamp(0, i64::from(u32::MAX)) as f64;
        count(row, weight, &mut self.count, &mut self.covered_ms);
        add(row, weight, &mut self.sum, &mut self.squares);
        bound(row, &mut self.low, &mut self.high);
        for (series, kind, pane) in &mut self.others {
            if let Some(value) = row[*series].get() {
                pane.take(*kind, value, credit);
            }
        }
        self.is_empty = self.is_empty && !row.iter().any(|sample| sample.is_present());
    }

    /// Whether nothing was measured.
    pub(crate) fn is_empty(&self) -> bool {
        self.is_empty
    }

    /// Each as it stands, one per series.
    pub(crate) fn all(&self) -> Box<[Pane]> {
        let pane = |at: usize| Pane {
            count: self.count[at] as u32,
            covered_ms: self.covered_ms[at] as u32,
            sum: self.sum[at],
            squares: self.squares[at],
            low: self.low[at],
            high: self.high[at],
        };
        let mut panes: Box<[Pane]> = (0..self.count.len()).map(pane).collect();
        for (series, _, other) in &self.others {
            panes[*series] = *other;
        }
        panes
    }

    /// Each as it goes out, one per series.
    pub(crate) fn settled(&self, series: &[Quantity]) -> Box<[Pane]> {
        self.all().iter().zip(series).map(|(pane, quantity)| pane.settled(quantity.what.kind())).collect()
    }

    /// Puts one back as it stood.
    pub(crate) fn put(&mut self, series: usize, pane: Pane) {
        self.is_empty &= pane.count == 0;
        if let Some((.., other)) = self.others.iter_mut().find(|(known, ..)| *known == series) {
            *other = pane;
            return;
        }
        self.count[series] = f64::from(pane.count);
        self.covered_ms[series] = f64::from(pane.covered_ms);
        (self.sum[series], self.squares[series]) = (pane.sum, pane.squares);
        (self.low[series], self.high[series]) = (pane.low, pane.high);
    }

    /// Begins anew.
    pub(crate) fn clear(&mut self) {
        for sums in [&mut self.count, &mut self.covered_ms, &mut self.sum, &mut self.squares] {
            sums.fill(0.0);
        }
        self.low.fill(f64::INFINITY);
        self.high.fill(f64::NEG_INFINITY);
        self.others.iter_mut().for_each(|(.., pane)| *pane = Pane::EMPTY);
        self.is_empty = true;
    }
}

// Three loops of few columns each, without a branch: so the compiler makes of each one over several series at a time.

fn count(row: &[Sample], weight: f64, count: &mut [f64], covered_ms: &mut [f64]) {
    for ((sample, count), covered) in row.iter().zip(count).zip(covered_ms) {
        let is_there = if sample.is_present() { 1.0 } else { 0.0 };
        *count += is_there;
        *covered += is_there * weight;
    }
}

fn add(row: &[Sample], weight: f64, sum: &mut [f64], squares: &mut [f64]) {
    for ((sample, sum), squares) in row.iter().zip(sum).zip(squares) {
        let value = sample.get().unwrap_or(0.0);
        *sum += value * weight;
        *squares += value * value * weight;
    }
}

fn bound(row: &[Sample], low: &mut [f64], high: &mut [f64]) {
    for ((sample, low), high) in row.iter().zip(low).zip(high) {
        // What is absent is neither less nor more than anything.
        let least = sample.get().unwrap_or(f64::INFINITY);
        let most = sample.get().unwrap_or(f64::NEG_INFINITY);
        *low = if least < *low { least } else { *low };
        *high = if most > *high { most } else { *high };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn side_by_side_they_are_what_each_would_be_alone() {
        let series: Vec<Quantity> =
            ["current_a.A", "current_a.B", "energy_import_wh", "voltage_angle_deg.A", "voltage_ln_v.A"]
                .iter()
                .filter_map(|key| Quantity::from_key(key))
                .collect();
        assert!(series.len() >= 4, "keys of the table");
        let mut panes = Panes::new(&series);
        let mut alone = vec![Pane::EMPTY; series.len()];
        assert!(panes.is_empty());
        for second in 0..90u32 {
            let value = |column: usize| match (second as usize + column) % 5 {
                0 => Sample::ABSENT,
                part => Sample::new(f64::from(second) * 1.7 - 20.0 * part as f64),
            };
            let row: Vec<Sample> = (0..series.len()).map(value).collect();
            let credit = Span(i64::from(900 + second % 7));
            panes.push(&row, credit);
            for ((pane, sample), quantity) in alone.iter_mut().zip(&row).zip(&series) {
                if let Some(value) = sample.get() {
                    pane.take(quantity.what.kind(), value, credit);
                }
            }
        }
        assert_eq!(*panes.all(), *alone);
        let mut again = Panes::new(&series);
        for (at, pane) in panes.all().iter().enumerate() {
            again.put(at, *pane);
        }
        assert_eq!(*again.all(), *alone);
        again.clear();
        assert_eq!(again, Panes::new(&series));
    }
}
