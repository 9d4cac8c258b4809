//! Values over time as a small chart of plain letters, for a terminal.

use super::time::moment;
use jiff::tz::TimeZone;
use kvarden_core::plant::Bound;
use kvarden_core::time::{EventTime, Span};
use std::fmt::Write;

/// Columns of the chart: with its scale it stays within 78 letters.
const WIDTH: usize = 64;
/// Rows of the chart.
const HEIGHT: usize = 8;

/// What is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Plot {
    /// What it is of, with its unit.
    pub title: String,
    /// Values in the order of time.
    pub points: Vec<(EventTime, f64)>,
    /// The limit.
    pub limit: Option<f64>,
    /// Which way it is passed: in each column the worst value is drawn.
    pub bound: Bound,
    /// Decimals of the scale.
    pub decimals: usize,
}

/// Draws it; nothing where there are not two moments with a value.
pub(super) fn draw(plot: &Plot, zone: &TimeZone) -> String {
    let mut text = String::new();
    let (Some((from, _)), Some((to, _))) = (plot.points.first(), plot.points.last()) else { return text };
    if to <= from {
        return text;
    }
    let columns = columns(plot, *from, *to);
    let known = columns.iter().flatten().copied().chain(plot.limit);
    let (low, high) =
        known.fold((f64::MAX, f64::MIN), |(low, high), value| (low.min(value), high.max(value)));
    // A flat line still needs a height.
    let high = if high - low > f64::EPSILON { high } else { low + 1.0 };
    let step = (high - low) / (HEIGHT - 1) as f64;
    let row_of = |value: f64| ((value - low) / step).round() as usize;
    let _ = writeln!(text, "  {}", plot.title);
    for row in (0..HEIGHT).rev() {
        let is_limit = plot.limit.map(row_of) == Some(row);
        let sign = |column: &Option<f64>| match column {
            Some(value) if row_of(*value) == row => '*',
            _ if is_limit => '-',
            _ => ' ',
        };
        let line: String = columns.iter().map(sign).collect();
        let scale = low + step * row as f64;
        let mark = if is_limit { " limit" } else { "" };
        let _ = writeln!(text, "  {scale:>9.*} |{}{mark}", plot.decimals, line.trim_end());
    }
    let (first, last) = (moment(*from, *from, zone), moment(*to, *from, zone));
    let gap = WIDTH.saturating_sub(first.chars().count() + last.chars().count());
    let _ = writeln!(text, "  {:>9} +{}", "", "-".repeat(WIDTH));
    let _ = writeln!(text, "  {:>9}  {first}{}{last}", "", " ".repeat(gap));
    text
}

/// The worst value of each stretch of time; nothing where nothing was measured.
fn columns(plot: &Plot, from: EventTime, to: EventTime) -> [Option<f64>; WIDTH] {
    let mut columns = [None; WIDTH];
    let length = Span((to - from).0.max(1));
    for (at, value) in plot.points.iter().filter(|(_, value)| value.is_finite()) {
        let part = (*at - from).0 as f64 / length.0 as f64;
        let column = ((part * (WIDTH - 1) as f64).round() as usize).min(WIDTH - 1);
        let known = columns[column].unwrap_or(*value);
        columns[column] = Some(plot.bound.worse(known, *value));
    }
    columns
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worst_of_each_stretch_is_drawn_with_the_limit_and_a_gap_stays_a_gap() {
        let points = (0..128)
            .filter(|second| !(40..60).contains(second))
            .map(|second| {
                (EventTime(second * 1000), if second == 100 { 8.0 } else { 1.0 + (second % 2) as f64 * 0.01 })
            })
            .collect();
        let title = "voltage unbalance (%)".to_owned();
        let plot = Plot { title, points, limit: Some(3.0), bound: Bound::High, decimals: 1 };
        insta::assert_snapshot!(draw(&plot, &TimeZone::UTC), @r"
        voltage unbalance (%)
              8.0 |                                                  *
              7.0 |
              6.0 |
              5.0 |
              4.0 |
              3.0 |---------------------------------------------------------------- limit
              2.0 |
              1.0 |********************          ******************** *************
                  +----------------------------------------------------------------
                   00:00                                                      00:02
        ");
    }

    #[test]
    fn nothing_is_drawn_of_nothing() {
        let plot =
            Plot { title: String::new(), points: Vec::new(), limit: None, bound: Bound::High, decimals: 0 };
        assert_eq!(draw(&plot, &TimeZone::UTC), "");
        let flat = Plot { points: vec![(EventTime(0), 5.0), (EventTime(9000), 5.0)], ..plot };
        assert!(draw(&flat, &TimeZone::UTC).contains("5 |*"), "{}", draw(&flat, &TimeZone::UTC));
    }
}
