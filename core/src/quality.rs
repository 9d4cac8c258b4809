//! What a meter gave, looked at before anything is made of it: values that can't be real, registers that stand still.

use crate::electrical::{angle, distortion};
use crate::measurand::{Kind, Quantity};
use crate::output::{Output, Quarantined, Refusal};
use crate::plan::MeterPlan;
use crate::reading::Sample;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// How often one kind of refusal of one meter is told; between, they are counted.
pub const TOLD_EVERY: Span = Span::minutes(1);

/// Counts what was refused of one meter and tells of it now and then. Bounded by the meter's quantities times the
/// kinds of refusal.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Quarantine {
    /// Quantity, kind, how many since the last word, and when that was.
    counts: Vec<(Option<Quantity>, Refusal, u32, EventTime)>,
}

impl Quarantine {
    /// Counts one refusal; the first of its kind is told at once, more of it once a minute of `clock`, which is a
    /// time that goes forward even where the refused stamps do not.
    pub fn refuse(&mut self, clock: EventTime, mut refused: Quarantined, out: &mut Vec<Output>) {
        let same = |(quantity, why, ..): &&mut (Option<Quantity>, Refusal, u32, EventTime)| {
            (*quantity, *why) == (refused.quantity, refused.why)
        };
        let Some((.., count, since)) = self.counts.iter_mut().find(same) else {
            self.counts.push((refused.quantity, refused.why, 0, clock));
            out.push(Output::Refused(refused));
            return;
        };
        *count = count.saturating_add(refused.count);
        if clock - *since >= TOLD_EVERY || clock < *since {
            refused.count = std::mem::take(count);
            *since = clock;
            out.push(Output::Refused(refused));
        }
    }

    /// Moves the memory by a correction of the clock.
    pub fn shift(&mut self, by: Span) {
        for (.., since) in &mut self.counts {
            *since += by;
        }
    }
}

/// Copies a reading into the row, angles as above -180° up to 180°; what can't be real, also a flag that is neither 0 nor
/// 1, becomes absent and is counted. Says whether anything was. `clock` goes forward also where `at` does not.
pub fn fill_row(
    plan: &MeterPlan,
    (clock, at): (EventTime, EventTime),
    values: &[Sample],
    row: &mut [Sample],
    quarantine: &mut Quarantine,
    out: &mut Vec<Output>,
) -> bool {
    let mut impossible = false;
    for (index, (slot, sample)) in row.iter_mut().zip(values).enumerate() {
        *slot = *sample;
        let Some(value) = sample.get() else { continue };
        let quantity = plan.series[index];
        let (low, high) = quantity.what.range();
        let kind = quantity.what.kind();
        if kind == Kind::Angle {
            *slot = Sample::new(angle::wrapped(value));
        }
        let between = kind == Kind::Flag && value > low && value < high;
        if between || !(low..=high).contains(&value) {
            *slot = Sample::ABSENT;
            impossible = true;
            let (quantity, value, why) = (Some(quantity), Some(value), Refusal::OutOfRange);
            quarantine.refuse(clock, Quarantined { meter: plan.id, quantity, at, value, why, count: 1 }, out);
        }
    }
    for point in &plan.of_total {
        let converted = row[*point].get().and_then(distortion::of_fundamental_percent);
        row[*point] = converted.into();
    }
    impossible
}

/// Whether one point of a meter that speaks has lost its value.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Absence {
    /// It gave a value before: a point that never did was never there to lose.
    given: bool,
    /// The first reading without it.
    since: Option<EventTime>,
    /// Measured time without it.
    held: Span,
}

/// What one reading says about the absence of a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Absent {
    /// Nothing new.
    No,
    /// For long enough, since then.
    Since(EventTime),
    /// Its first value after an absence.
    Over,
}

impl Absence {
    /// Takes the point's value in a reading that stands for `credit` and has some value.
    pub fn observe(&mut self, (at, credit): (EventTime, Span), value: Sample, after: Span) -> Absent {
        if value.get().is_some() {
            self.given = true;
            self.held = Span::ZERO;
            return if self.since.take().is_some() { Absent::Over } else { Absent::No };
        }
        if !self.given {
            return Absent::No;
        }
        let since = *self.since.get_or_insert(at);
        self.held += credit;
        if self.held >= after { Absent::Since(since) } else { Absent::No }
    }

    /// After a restart: an alarm that stands is known here, so that the first value ends it.
    pub fn align(&mut self, standing: Option<EventTime>, after: Span) {
        if let Some(since) = standing.filter(|_| self.since.is_none()) {
            *self = Self { given: true, since: Some(since), held: after };
        }
    }

    /// Moves the memory by a correction of the clock.
    pub fn shift(&mut self, by: Span) {
        if let Some(since) = &mut self.since {
            *since += by;
        }
    }
}

/// Sees registers that stand still.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct FrozenWatch {
    last: Vec<Sample>,
    same_since: Option<EventTime>,
    /// Measured time for which they stood still: what nobody saw does not count.
    held: Span,
    frozen: bool,
}

impl FrozenWatch {
    /// Takes a reading's values, which stand for `credit`. Says whether the meter is frozen: all values whose last digit always moves on a
    /// live meter have stood still for `after`, and they are not all zero, which is a dead bus.
    pub fn observe(
        &mut self,
        (at, credit): (EventTime, Span),
        values: &[Sample],
        lively: &[usize],
        after: Span,
    ) -> bool {
        if self.last.len() != lively.len() {
            self.last = lively.iter().map(|_| Sample::ABSENT).collect();
            self.same_since = None;
        }
        let mut moved = false;
        let mut speaks = false;
        for (kept, index) in self.last.iter_mut().zip(lively) {
            let value = values[*index];
            moved |= *kept != value;
            speaks |= value.get().is_some_and(|number| number != 0.0);
            *kept = value;
        }
        if moved || !speaks {
            (self.same_since, self.held) = (Some(at), Span::ZERO);
        } else {
            self.held += credit;
        }
        self.frozen = speaks && self.held >= after;
        self.frozen
    }

    /// Whether the meter is frozen now.
    pub fn is_frozen(&self) -> bool {
        self.frozen
    }

    /// Since when the values stand still.
    pub fn same_since(&self) -> Option<EventTime> {
        self.same_since
    }

    /// Moves the memory by a correction of the clock.
    pub fn shift(&mut self, by: Span) {
        if let Some(since) = &mut self.same_since {
            *since += by;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frozen_after(values: &[[f64; 2]], every: i64) -> Vec<bool> {
        let mut watch = FrozenWatch::default();
        values
            .iter()
            .enumerate()
            .map(|(index, pair)| {
                let samples = pair.map(Sample::new);
                let at = (EventTime(index as i64 * every), Span(every));
                watch.observe(at, &samples, &[0, 1], Span::seconds(3))
            })
            .collect()
    }

    #[test]
    fn standing_still_for_the_span_is_frozen_and_the_first_move_ends_it() {
        let got = frozen_after(&[[1.0, 2.0], [1.0, 2.0], [1.0, 2.0], [1.0, 2.0], [1.0, 2.1]], 1000);
        assert_eq!(got, [false, false, false, true, false]);
    }

    #[test]
    fn a_dead_bus_of_zeros_is_not_frozen() {
        assert_eq!(frozen_after(&[[0.0, 0.0]; 6], 1000), [false; 6]);
    }
}
