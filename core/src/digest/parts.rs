//! What one meter brings to a day, so that the rows of one meter at a time are held: its figures, its lines, and the
//! worst of its own values for alarms that stood beyond the day.

use super::alarms::episodes;
use super::charts::{LineDay, lines};
use super::meters::{Measured, measured, meter_day};
use super::{DayInput, MeterDay, MeterRows, Tens, sharing, very_short};
use crate::measurand::Quantity;
use crate::output::Matter;
use crate::plant::Bound;
use crate::time::{EventTime, Span};
use std::collections::BTreeMap;

/// What one meter brings to a day.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterPart {
    pub(super) day: MeterDay,
    pub(super) lines: Vec<LineDay>,
    /// By the alarm's id.
    worst: Vec<(String, f64)>,
    /// Minutes of what tells how units in parallel share.
    pub(super) kept: Vec<(Quantity, Vec<Measured>)>,
    /// Of distortions between what the day's percentile of their 3-second values lies.
    pub(super) daily: Vec<very_short::Daily>,
    /// Of distortions the week's 10-minute values.
    pub(super) tens: Vec<(Quantity, Tens)>,
}

impl MeterPart {
    /// Works it out from the meter's rows of the day.
    pub fn new(input: &DayInput<'_>, rows: &MeterRows) -> Self {
        Self {
            day: meter_day(input, rows),
            lines: lines(input, rows),
            worst: worst(input, rows),
            kept: sharing::kept(input, rows),
            daily: very_short::daily(input, rows),
            tens: Vec::new(),
        }
    }

    /// With the 10-minute values of the week up to the end of the day, of the columns that are [`wanted`](super::wanted).
    #[must_use]
    pub fn with_tens(self, tens: Vec<(Quantity, Tens)>) -> Self {
        Self { tens, ..self }
    }
}

/// The day's own worst value of each alarm that stood beyond the day, by its id.
pub(super) fn worst_by_alarm(parts: &[MeterPart]) -> BTreeMap<&str, f64> {
    parts.iter().flat_map(|part| &part.worst).map(|(alarm, worst)| (alarm.as_str(), *worst)).collect()
}

fn worst(input: &DayInput<'_>, rows: &MeterRows) -> Vec<(String, f64)> {
    let mut worst = Vec::new();
    for episode in episodes(input, Some(&rows.meter)).iter().filter(|one| one.crosses(input)) {
        let subject = &episode.raised.subject;
        let Matter::Quantity(quantity) = subject.matter else { continue };
        let Some(column) = rows.series.iter().position(|one| *one == quantity) else { continue };
        let bound = episode.raised.rule.bound().unwrap_or(Bound::High);
        let minutes = measured(input, rows, column);
        let from = episode.raised.at.max(input.from).floor(Span::minutes(1));
        let held = from..episode.cleared.unwrap_or(input.to).min(input.to);
        let of_bound = |one: &Measured| if bound == Bound::High { one.1.max } else { one.1.min };
        let values: Vec<f64> = if let Some(over) = episode.raised.over {
            let whole = means(&minutes, over).filter(|(at, _)| *at >= input.from + over);
            whole.filter(|(at, _)| held.contains(at)).map(|(_, mean)| mean).collect()
        } else {
            minutes.iter().filter(|(at, _)| held.contains(at)).map(of_bound).collect()
        };
        worst.extend(
            values
                .into_iter()
                .reduce(|one, other| bound.worse(one, other))
                .map(|value| (episode.raised.alarm.clone(), value)),
        );
    }
    worst
}

/// For each minute the mean over the time up to its end.
fn means(minutes: &[Measured], over: Span) -> impl Iterator<Item = (EventTime, f64)> + '_ {
    let weight = |one: &Measured| f64::from(one.1.covered_ms);
    minutes.iter().enumerate().map(move |(last, (at, _))| {
        let since = *at + Span::minutes(1) - over.max(Span::minutes(1));
        let within = minutes[..=last].iter().rev().take_while(|(minute, _)| *minute >= since);
        let (sum, covered) = within
            .fold((0.0, 0.0), |(sum, covered), one| (sum + one.1.mean * weight(one), covered + weight(one)));
        (*at, sum / covered)
    })
}
