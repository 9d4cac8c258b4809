//! The 10-minute values of a replay's last week, made of its minutes as the store makes them of its own: for the statistics of
//! the week in the digest. Bounded: some nine days of each column that is held against the tables.

use kvarden_core::digest::{MeterRows, Tens, WEEK};
use kvarden_core::measurand::Quantity;
use kvarden_core::plan::{QualityPlan, is_distortion};
use kvarden_core::time::{EventTime, Span};
use kvarden_core::window::Pane;

/// Length of a value.
const TEN: Span = Span::minutes(10);
/// Values are kept for so long: a week before the end of the day that is closed some minutes into the next.
const KEPT: Span = Span::hours(24 * 9);

/// The columns of one meter that are held against the tables.
#[derive(Debug, Default)]
pub struct WeekOfTens {
    columns: Vec<Column>,
    /// Start of the value under way.
    open: Option<EventTime>,
}

#[derive(Debug)]
struct Column {
    index: usize,
    quantity: Quantity,
    tens: Tens,
    /// Of the value under way: squares times milliseconds, and milliseconds.
    squares: f64,
    covered_ms: f64,
}

impl WeekOfTens {
    /// Of a meter's columns, as far as a side that it belongs to is held against the tables.
    pub fn new(meter: &MeterRows, sides: &[QualityPlan]) -> Self {
        let is_held = sides.iter().any(|side| side.meters.iter().any(|(name, _)| *name == meter.meter));
        let of = |(index, quantity): (usize, &Quantity)| Column {
            index,
            quantity: *quantity,
            tens: Tens::new(),
            squares: 0.0,
            covered_ms: 0.0,
        };
        let columns = meter.series.iter().enumerate();
        let columns = columns.filter(|(_, quantity)| is_held && is_distortion(quantity.what)).map(of);
        Self { columns: columns.collect(), open: None }
    }

    /// Takes a closed minute, with a pane for each column of the meter.
    pub fn take(&mut self, minute: EventTime, panes: &[Pane]) {
        let ten = minute.floor(TEN);
        if self.open != Some(ten) {
            self.close();
            self.open = Some(ten);
        }
        for column in &mut self.columns {
            let pane = panes.get(column.index);
            if let Some((pane, rms)) = pane.and_then(|pane| Some((pane, pane.rms()?))) {
                column.squares += rms * rms * f64::from(pane.covered_ms);
                column.covered_ms += f64::from(pane.covered_ms);
            }
        }
    }

    fn close(&mut self) {
        let Some(open) = self.open.take() else { return };
        for column in &mut self.columns {
            if column.covered_ms > 0.0 {
                column.tens.push((open, (column.squares / column.covered_ms).sqrt()));
            }
            column.tens.retain(|(at, _)| *at + KEPT > open);
            (column.squares, column.covered_ms) = (0.0, 0.0);
        }
    }

    /// The values of the week up to `to`, where everything is known up to `until`.
    pub fn week(&mut self, to: EventTime, until: EventTime) -> Vec<(Quantity, Tens)> {
        if self.open.is_some_and(|open| open + TEN <= until) {
            self.close();
        }
        let within = |column: &Column| {
            column.tens.iter().copied().filter(|(at, _)| (to - WEEK..to).contains(at)).collect()
        };
        self.columns.iter().map(|column| (column.quantity, within(column))).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::measurand::Measurand;
    use kvarden_core::plant::SideOf;

    /// 3 and 4 % by turns are `√((9 + 16)/2)`, as IEC 61000-4-30:2015, 4.4 (from memory) puts r.m.s. values together.
    #[test]
    fn ten_minutes_are_one_value_and_older_ones_than_a_week_are_left_out() {
        let meter = MeterRows {
            transformer: "T2".to_owned(),
            feeder: None,
            meter: "T2 secondary".to_owned(),
            series: vec![Quantity::whole(Measurand::Current), Quantity::whole(Measurand::VoltageThd)],
            limits: Vec::new(),
            rolls_over_at: Vec::new(),
            shortest_event: None,
            rows: Vec::new(),
        };
        let side = QualityPlan {
            transformer: "T2".to_owned(),
            side: SideOf::Secondary,
            meters: Box::new([("T2 secondary".to_owned(), Span::seconds(1))]),
            volts: 208.0,
            short_circuit_ratio: None,
            at_coupling: false,
        };
        let mut week = WeekOfTens::new(&meter, &[side]);
        let days = 9 * 1440;
        for minute in 0..days {
            let mut pane = Pane::EMPTY;
            pane.push(if minute % 2 == 0 { 3.0 } else { 4.0 }, Span::minutes(1));
            week.take(EventTime(0) + Span::minutes(minute), &[Pane::EMPTY, pane]);
        }
        let to = EventTime(0) + Span::minutes(days);
        let told = week.week(to, to);
        let [(quantity, tens)] = told.as_slice() else {
            panic!("one column is held against the tables: {told:?}")
        };
        assert_eq!((quantity.what, tens.len()), (Measurand::VoltageThd, 1008));
        assert!(tens.iter().all(|(_, value)| (value - 12.5f64.sqrt()).abs() < 1e-9), "{:?}", tens[0]);
        assert!(WeekOfTens::new(&meter, &[]).week(to, to).is_empty(), "no side is held against them");
    }
}
