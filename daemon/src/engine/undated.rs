//! Minutes measured while time was only a guess. They wait for the correction, which dates them, before they are
//! stored: the store never moves a row.

use crate::store::MinuteRow;
use kvarden_core::meter::MINUTE;
use kvarden_core::plan::Plan;
use kvarden_core::plant::StampedBy;
use kvarden_core::time::Span;

/// So many minutes wait at most; beyond, the oldest are stored as they are dated. An hour of three hundred meters.
const MOST: usize = 20_000;

/// Minutes that wait for their date.
#[derive(Debug, Default)]
pub(super) struct Undated {
    holds: bool,
    rows: Vec<MinuteRow>,
}

impl Undated {
    /// Whether minutes wait from now on. Those that waited and were not dated go as they are.
    pub(super) fn hold(&mut self, holds: bool, to: &mut Vec<MinuteRow>) {
        self.holds = holds;
        if !holds {
            to.append(&mut self.rows);
        }
    }

    /// Keeps back what just came out and has its date from our clock.
    pub(super) fn take(&mut self, plan: &Plan, minutes: &mut Vec<MinuteRow>) {
        if !self.holds {
            return;
        }
        let (theirs, ours) = std::mem::take(minutes).into_iter().partition(|row| dates_itself(plan, row));
        *minutes = theirs;
        self.rows.extend::<Vec<_>>(ours);
        let over = self.rows.len().saturating_sub(MOST);
        minutes.extend(self.rows.drain(..over));
    }

    /// The clock was corrected: what it stamped moves with it.
    pub(super) fn correct(&mut self, by: Span, to: &mut Vec<MinuteRow>) {
        for mut row in self.rows.drain(..) {
            row.minute = (row.minute + by).floor(MINUTE);
            to.push(row);
        }
    }
}

/// Whether the meter stamped it itself, so that it needs no date of ours.
fn dates_itself(plan: &Plan, row: &MinuteRow) -> bool {
    let meter = plan.meter_by_name(&row.meter).and_then(|meter| plan.meter(meter));
    meter.is_some_and(|meter| meter.stamped_by == StampedBy::Meter)
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::time::EventTime;
    use std::sync::Arc;

    fn row(minute: i64) -> MinuteRow {
        MinuteRow {
            meter: Arc::from("MP-3"),
            series: Arc::from([]),
            minute: EventTime(minute * MINUTE.0),
            panes: Box::default(),
            late: false,
        }
    }

    fn minutes(rows: &[MinuteRow]) -> Vec<i64> {
        rows.iter().map(|row| row.minute.0 / MINUTE.0).collect()
    }

    fn nothing_planned() -> Plan {
        Plan {
            site: String::new(),
            meters: Box::default(),
            scopes: Box::default(),
            not_judged: Vec::new(),
            supply: kvarden_core::plan::SupplyPlan::default(),
        }
    }

    // Seen to fail without the move by the correction.
    #[test]
    fn minutes_of_a_guess_wait_and_are_dated_by_the_correction() {
        let (mut undated, mut stored) = (Undated::default(), vec![row(1)]);
        undated.take(&nothing_planned(), &mut stored);
        assert_eq!(minutes(&stored), [1]);
        undated.hold(true, &mut stored);
        let mut came = vec![row(2), row(3)];
        undated.take(&nothing_planned(), &mut came);
        assert!(came.is_empty());
        undated.correct(Span(MINUTE.0 * 100 + 20_000), &mut stored);
        assert_eq!(minutes(&stored), [1, 102, 103]);
    }

    #[test]
    fn what_is_never_dated_is_stored_as_it_is_and_the_wait_is_bounded() {
        let (mut undated, mut stored) = (Undated::default(), Vec::new());
        undated.hold(true, &mut stored);
        let mut came: Vec<_> = (0..MOST as i64 + 2).map(row).collect();
        undated.take(&nothing_planned(), &mut came);
        assert_eq!(minutes(&came), [0, 1]);
        undated.hold(false, &mut stored);
        assert_eq!((stored.len(), minutes(&stored)[0]), (MOST, 2));
    }
}
