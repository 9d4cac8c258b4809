//! What comes too late to be judged and is history all the same.
//!
//! A reading that comes behind the door's wait is never judged: it raises nothing, clears nothing and moves no window. But
//! where nothing of its meter was judged at its time, it is the only one who knows, and is added to its own minute. So
//! what is remembered are the gaps. What lies in none was told before, and is only counted: a broker that sends a message
//! again changes nothing.

use crate::measurand::Kind;
use crate::meter::{MINUTE, MeterState};
use crate::output::{Closed, Output};
use crate::panes::Panes;
use crate::plan::{MeterPlan, ScopePlan};
use crate::quality::fill_row;
use crate::reading::{Reading, Sample};
use crate::scope::Scope;
use crate::time::{EventTime, Span};
use crate::window::is_gap;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// What is further behind the newest reading than this is not taken any more. A day's digest is revised for what comes
/// late within a week, and a link that is away longer than that is repaired by hand.
pub const MOST_LATE: Span = Span::hours(7 * 24);

/// Gaps of one meter that are remembered, the newest: a link that breaks each half hour for a week leaves as many.
pub const MOST_GAPS: usize = 336;

/// A late minute is told so long after its first reading, or when the next one begins: what comes late comes in a burst.
pub const SETTLES: Span = Span::minutes(1);

/// The stretches between two judged readings of one meter in which there was none, in order of time.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub(crate) struct Gaps(VecDeque<(EventTime, EventTime)>);

impl Gaps {
    /// A reading was judged at `at`, the one before it at `last`, of a meter that gives one `every` so often.
    pub(crate) fn pass(&mut self, last: EventTime, at: EventTime, every: Span) {
        while self.0.front().is_some_and(|(_, end)| *end + MOST_LATE <= at) {
            self.0.pop_front();
        }
        if is_gap(at - last, every) {
            self.0.push_back((last, at));
            self.bound();
        }
    }

    /// Whether a reading of `at` fills a gap, now that readings up to `newest` are judged. Then it has two smaller ones
    /// beside it, or none.
    pub(crate) fn fill(&mut self, at: EventTime, newest: EventTime, every: Span) -> bool {
        let Some(index) = self.0.iter().position(|(from, to)| (*from < at) && (at < *to)) else {
            return false;
        };
        if at + MOST_LATE <= newest {
            return false;
        }
        let Some((from, to)) = self.0.remove(index) else { return false };
        for part in [(at, to), (from, at)] {
            if is_gap(part.1 - part.0, every) {
                self.0.insert(index, part);
            }
        }
        self.bound();
        true
    }

    fn bound(&mut self) {
        while self.0.len() > MOST_GAPS {
            self.0.pop_front();
        }
    }
}

/// A minute under way of readings that came late.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct LateMinute {
    pub(crate) minute: EventTime,
    /// When it is told, in our time.
    pub(crate) due: EventTime,
    pub(crate) panes: Panes,
}

impl MeterState {
    /// Whether a reading of `at`, which is too late to be judged, tells of a time of which nothing is known.
    pub(crate) fn fills_gap(&mut self, plan: &MeterPlan, at: EventTime) -> bool {
        self.cadence.last().is_some_and(|newest| self.gaps.fill(at, newest, plan.every))
    }

    /// Adds a late reading, whose values and what is computed of them stand in `row`, to the minute of its own time.
    pub(crate) fn add_late(
        &mut self,
        plan: &MeterPlan,
        (now, at): (EventTime, EventTime),
        row: &mut [Sample],
        out: &mut Vec<Output>,
    ) {
        let minute = at.floor(MINUTE);
        if self.minute == Some(minute) {
            // A minute has the first and the latest reading of a counter: this is neither.
            let counters = plan.series.iter().zip(row.iter_mut());
            for (_, sample) in counters.filter(|(quantity, _)| quantity.what.kind() == Kind::Counter) {
                *sample = Sample::ABSENT;
            }
            self.panes.push(row, plan.every);
            return;
        }
        if self.late.as_ref().is_some_and(|late| late.minute != minute) {
            self.close_late(plan, out);
        }
        let late = self.late.get_or_insert_with(|| {
            Box::new(LateMinute { minute, due: now + SETTLES, panes: Panes::new(&plan.series) })
        });
        late.panes.push(row, plan.every);
    }

    /// Tells the late minute, if there is one with anything in it.
    pub(crate) fn close_late(&mut self, plan: &MeterPlan, out: &mut Vec<Output>) {
        let Some(late) = self.late.take().filter(|late| !late.panes.is_empty()) else { return };
        let panes = late.panes.settled(&plan.series);
        out.push(Output::Minute(Closed { meter: plan.id, minute: late.minute, panes, late: true }));
    }
}

impl Scope {
    /// Puts a reading that came too late to be judged into the minute of its own time, and nowhere else.
    pub(crate) fn record_late(
        &mut self,
        plan: &ScopePlan,
        local: usize,
        now: EventTime,
        reading: &Reading<'_>,
        out: &mut Vec<Output>,
    ) {
        let (meter, state) = (&plan.meters[local], &mut self.meters[local]);
        let own = meter.first_slot..meter.first_slot + meter.series.len();
        // Formulas find their inputs in the row, so it holds these values for the moment.
        self.spare[..meter.series.len()].copy_from_slice(&self.row[own.clone()]);
        self.row[own.clone()].fill(Sample::ABSENT);
        let row = &mut self.row[own.clone()];
        let clock = state.cadence.last().unwrap_or(reading.at);
        fill_row(meter, (clock, reading.at), reading.values, row, &mut state.quarantine, out);
        self.compute(meter);
        let state = &mut self.meters[local];
        if let Some(metered) = meter.metered {
            // It needs the reading before.
            self.row[meter.first_slot + metered.power] = Sample::ABSENT;
        }
        state.add_late(meter, (now, reading.at), &mut self.row[own.clone()], out);
        self.row[own].copy_from_slice(&self.spare[..meter.series.len()]);
        if let Some(late) = &self.meters[local].late {
            self.soonest(late.due);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Span = Span::seconds(1);

    fn at(second: i64) -> EventTime {
        EventTime(second * 1000)
    }

    fn gaps(of: &[(i64, i64)]) -> Gaps {
        Gaps(of.iter().map(|(from, to)| (at(*from), at(*to))).collect())
    }

    #[test]
    fn a_gap_is_filled_once_and_in_any_order() {
        let mut open = Gaps::default();
        open.pass(at(10), at(11), SECOND);
        assert_eq!(open, gaps(&[]));
        open.pass(at(11), at(15), SECOND);
        let mut fill = |second| open.fill(at(second), at(15), SECOND);
        assert_eq!([10, 11, 15, 16].map(&mut fill), [false; 4], "nothing is missing there");
        assert_eq!([13, 13, 12, 14, 12, 14].map(&mut fill), [true, false, true, true, false, false]);
        assert_eq!(open, gaps(&[]));
    }

    #[test]
    fn what_is_older_than_a_week_is_no_history_any_more() {
        let week = MOST_LATE.0 / 1000;
        let mut open = gaps(&[(0, 10), (20, 2000)]);
        open.pass(at(week + 900), at(week + 900), SECOND);
        assert_eq!(open, gaps(&[(20, 2000)]));
        assert!(!open.fill(at(900), at(week + 900), SECOND));
        assert!(open.fill(at(901), at(week + 900), SECOND));
    }

    #[test]
    fn gaps_are_bounded_and_the_oldest_forgotten() {
        let mut open = Gaps::default();
        for gap in 0..MOST_GAPS as i64 + 2 {
            open.pass(at(100 * gap), at(100 * gap + 100), SECOND);
        }
        assert_eq!(open.0.len(), MOST_GAPS);
        assert!(!open.fill(at(150), at(100_000), SECOND));
        assert!(open.fill(at(250), at(100_000), SECOND));
        assert_eq!(open.0.len(), MOST_GAPS, "two halves, and the oldest had to go");
    }
}
