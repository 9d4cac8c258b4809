//! The day of each column of a meter: levels have figures, states have times, counters what they counted.

use super::ageing::ageing_day;
use super::{CounterDay, DayInput, MeterDay, MeterRows, MinuteValue, SeriesDay, StateDay};
use crate::electrical::energy::energy_wh;
use crate::measurand::{Kind, Measurand, Quantity};
use crate::time::{EventTime, Span};

/// A minute in which a column was measured.
pub(super) type Measured = (EventTime, MinuteValue);

pub(super) fn meter_day(input: &DayInput<'_>, rows: &MeterRows) -> MeterDay {
    let mut day = MeterDay {
        transformer: rows.transformer.clone(),
        feeder: rows.feeder.clone(),
        meter: rows.meter.clone(),
        series: Vec::new(),
        states: Vec::new(),
        counters: Vec::new(),
        ageing: ageing_day(input, rows),
        measured: 0.0,
        least: None,
        shortest_event: rows.shortest_event,
    };
    for (column, quantity) in rows.series.iter().enumerate() {
        let minutes = measured(input, rows, column);
        let share = share(input, &minutes);
        day.measured = day.measured.max(share);
        // What is computed may be absent by its nature, such as an unbalance without load: it does not count.
        if !quantity.what.is_computed() && day.least.is_none_or(|(_, least)| share < least) {
            day.least = Some((*quantity, share));
        }
        match quantity.what.facts().kind {
            Kind::Level => day.series.extend(series_day(*quantity, &minutes, share)),
            Kind::Flag => day.states.extend(state_day(*quantity, &minutes, share)),
            // Told as what it is: of the day, and since it is watched.
            Kind::Counter if quantity.what == Measurand::AgeingHours => {}
            Kind::Counter => {
                let end = rows.rolls_over_at.iter().find(|(known, _)| known == quantity).map(|(_, end)| *end);
                day.counters.extend(counter_day(*quantity, &minutes, end));
            }
            // An angle says something only beside the others of its moment.
            Kind::Angle => {}
        }
    }
    day
}

/// The minutes of the day in which a column was measured.
pub(super) fn measured(input: &DayInput<'_>, rows: &MeterRows, column: usize) -> Vec<Measured> {
    let of_day = rows.rows.iter().filter(|(minute, _)| (input.from..input.to).contains(minute));
    of_day
        .filter_map(|(minute, values)| {
            Some((*minute, *values.get(column).filter(|value| value.covered_ms > 0)?))
        })
        .collect()
}

pub(super) fn covered(minutes: &[Measured]) -> f64 {
    // A sum of nothing would be a negative zero.
    minutes.iter().fold(0.0, |sum, (_, value)| sum + f64::from(value.covered_ms))
}

pub(super) fn share(input: &DayInput<'_>, minutes: &[Measured]) -> f64 {
    (covered(minutes) / (input.to - input.from).0.max(1) as f64).min(1.0)
}

fn series_day(quantity: Quantity, minutes: &[Measured], share: f64) -> Option<SeriesDay> {
    let (min_at, lowest) = minutes.iter().min_by(|one, other| one.1.min.total_cmp(&other.1.min))?;
    let largest = minutes.iter().map(|(_, value)| value.max).fold(f64::NEG_INFINITY, f64::max);
    let (max_at, _) = minutes.iter().find(|(_, value)| value.max.total_cmp(&largest).is_eq())?;
    let weighted: f64 = minutes.iter().map(|(_, value)| value.mean * f64::from(value.covered_ms)).sum();
    Some(SeriesDay {
        quantity,
        mean: weighted / covered(minutes),
        min: lowest.min,
        min_at: *min_at,
        max: largest,
        max_at: *max_at,
        measured: share,
    })
}

/// A minute's mean of a state is the share of its time in which it was on.
fn state_day(quantity: Quantity, minutes: &[Measured], share: f64) -> Option<StateDay> {
    let on: f64 = minutes.iter().map(|(_, value)| value.mean * f64::from(value.covered_ms)).sum();
    let mut changed = Vec::new();
    let mut before: Option<bool> = None;
    for (minute, value) in minutes {
        let (first, last) = (value.min >= 0.5, value.max >= 0.5);
        let within = first != last;
        if within || before.is_some_and(|before| before != last) {
            changed.push(*minute);
        }
        // After a change within the minute it is not known how the minute ended: the next one is no change by itself.
        before = (!within).then_some(last);
    }
    let (_, latest) = minutes.last()?;
    Some(StateDay {
        quantity,
        on: Span(on.round() as i64),
        changes: changed.len() as u32,
        first_change: changed.first().copied(),
        last_change: changed.last().copied(),
        on_at_end: latest.mean >= 0.5,
        measured: share,
    })
}

/// A minute of a counter has its first value as least and its latest as largest.
fn counter_day(quantity: Quantity, minutes: &[Measured], rolls_over_at: Option<f64>) -> Option<CounterDay> {
    let both = |(minute, value): &Measured| {
        // Less than the whole minute may lie between the two: the time from minute to minute is what counts.
        [(*minute, value.min), (*minute + Span::minutes(1), value.max)]
    };
    let counted = energy_wh(minutes.iter().flat_map(both), rolls_over_at)?;
    Some(CounterDay { quantity, amount: counted.amount, known: counted.known })
}
