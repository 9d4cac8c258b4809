//! The charts of a day: mean, least and largest of each ten minutes, with the share that was measured.
//!
//! Numbers are whole, in units of the last decimal that people are shown, and runs of equal shares are told once: a
//! transformer's charts of a day take thirty to forty kilobytes as JSON.

use super::{AlarmDay, Bound, DayInput, MeterRows, RecurrenceDay, meters};
use crate::measurand::{Kind, Measurand, Quantity};
use crate::output::Matter;
use crate::plant::Priority;
use crate::time::{EventTime, Span};
use serde::{Deserialize, Serialize};

/// One step of a chart: a pixel or four on paper; 138 to 150 of them make a day.
pub const STEP: Span = Span::minutes(10);

/// Lines that the charts of one transformer with its feeders have at most: at 1.2 to 1.6 kB each 30 to 45 kB a day, and as
/// much as anyone looks at. What had an alarm or an excursion comes first; the figures of the rest are kept all the same.
pub const MOST_LINES: usize = 28;

/// What is drawn, the most telling first.
const DRAWN: &[Measurand] = &[
    Measurand::LoadingPhase,
    Measurand::LoadingKva,
    Measurand::Winding,
    Measurand::Termination,
    Measurand::Ambient,
    Measurand::VoltageUnbalance,
    Measurand::CurrentUnbalance,
    Measurand::VoltageLl,
    Measurand::VoltageLn,
    Measurand::NeutralCurrent,
    Measurand::VoltageThd,
    Measurand::CurrentThd,
];

/// One line of a chart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineDay {
    /// The transformer.
    pub transformer: String,
    /// The feeder that the meter measures.
    pub feeder: Option<String>,
    /// The meter.
    pub meter: String,
    /// What.
    pub quantity: Quantity,
    /// The numbers below are in units of 10 to the power of minus this, of the quantity's unit.
    pub decimals: u8,
    /// Mean of each step, in units of the decimals; `None`: nothing was measured.
    pub mean: Vec<Option<i64>>,
    /// How far the least value of each step lies below its mean.
    pub below: Vec<u32>,
    /// How far the largest value of each step lies above its mean.
    pub above: Vec<u32>,
    /// Share of the step that was measured, in per cent: how many steps in a row, and the share.
    pub measured: Vec<(u16, u8)>,
    /// Limits in force.
    pub limits: Vec<LimitLine>,
    /// Steps in which excursions began, and how many.
    pub excursions: Vec<(u16, u32)>,
}

/// A level of a limit, as it is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LimitLine {
    /// Which way it is passed.
    pub bound: Bound,
    /// Where it begins, in the quantity's unit.
    pub setpoint: f64,
    /// Its priority.
    pub priority: Priority,
    /// It judges means over so long; `None`: each value.
    pub over: Option<Span>,
}

/// Least, mean and largest value of a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StepValue {
    /// Least.
    pub min: f64,
    /// Mean.
    pub mean: f64,
    /// Largest.
    pub max: f64,
}

impl LineDay {
    /// One per step, in the quantity's unit; `None`: nothing was measured.
    pub fn steps(&self) -> impl Iterator<Item = Option<StepValue>> + '_ {
        let unit = 10f64.powi(-i32::from(self.decimals));
        let value = move |whole: i64| whole as f64 * unit;
        self.mean.iter().enumerate().map(move |(step, mean)| {
            let (mean, of) = ((*mean)?, |side: &[u32]| i64::from(side.get(step).copied().unwrap_or(0)));
            let (below, above) = (of(&self.below), of(&self.above));
            Some(StepValue { min: value(mean - below), mean: value(mean), max: value(mean + above) })
        })
    }
}

/// The lines of one meter, all that could be drawn.
pub(super) fn lines(input: &DayInput<'_>, rows: &MeterRows) -> Vec<LineDay> {
    let columns = rows.series.iter().enumerate();
    let drawn = columns.filter(|(_, quantity)| rank(**quantity).is_some());
    drawn.filter_map(|(column, quantity)| line(input, rows, column, *quantity)).collect()
}

/// The place in the order of what is drawn; `None`: it is not.
fn rank(quantity: Quantity) -> Option<usize> {
    let is_level = quantity.what.facts().kind == Kind::Level;
    DRAWN.iter().position(|what| *what == quantity.what && is_level)
}

/// Sums of one step.
#[derive(Clone, Copy)]
struct Sums {
    weighted: f64,
    covered: f64,
    min: f64,
    max: f64,
}

fn line(input: &DayInput<'_>, rows: &MeterRows, column: usize, quantity: Quantity) -> Option<LineDay> {
    let minutes = meters::measured(input, rows, column);
    if minutes.is_empty() {
        return None;
    }
    let length = (input.to - input.from).0;
    let count = (length + STEP.0 - 1).div_euclid(STEP.0).max(0) as usize;
    let empty = Sums { weighted: 0.0, covered: 0.0, min: f64::INFINITY, max: f64::NEG_INFINITY };
    let mut sums = vec![empty; count];
    for (minute, value) in &minutes {
        let sum = &mut sums[step_of(input, *minute)];
        sum.weighted += value.mean * f64::from(value.covered_ms);
        sum.covered += f64::from(value.covered_ms);
        (sum.min, sum.max) = (sum.min.min(value.min), sum.max.max(value.max));
    }
    let decimals = quantity.what.facts().decimals;
    let whole = |value: f64| (value * 10f64.powi(i32::from(decimals))).round() as i64;
    let mut line = LineDay {
        transformer: rows.transformer.clone(),
        feeder: rows.feeder.clone(),
        meter: rows.meter.clone(),
        quantity,
        decimals,
        mean: Vec::with_capacity(count),
        below: Vec::with_capacity(count),
        above: Vec::with_capacity(count),
        measured: Vec::new(),
        limits: rows.limits.iter().filter(|one| one.quantity == quantity).map(|one| one.line).collect(),
        excursions: excursions(input, rows, quantity),
    };
    for (step, sum) in sums.iter().enumerate() {
        let mean = (sum.covered > 0.0).then(|| whole(sum.weighted / sum.covered));
        let apart = |low: i64, high: i64| u32::try_from(high.saturating_sub(low)).unwrap_or(0);
        line.mean.push(mean);
        line.below.push(mean.map_or(0, |mean| apart(whole(sum.min), mean)));
        line.above.push(mean.map_or(0, |mean| apart(mean, whole(sum.max))));
        let long = STEP.0.min(length - step as i64 * STEP.0).max(1) as f64;
        // What was measured for a moment was measured.
        let percent =
            (100.0 * sum.covered / long).round().clamp(f64::from(u8::from(mean.is_some())), 100.0) as u8;
        match line.measured.last_mut() {
            Some((steps, share)) if *share == percent => *steps += 1,
            _ => line.measured.push((1, percent)),
        }
    }
    Some(line)
}

fn step_of(input: &DayInput<'_>, at: EventTime) -> usize {
    ((at - input.from).0.max(0) / STEP.0) as usize
}

fn excursions(input: &DayInput<'_>, rows: &MeterRows, quantity: Quantity) -> Vec<(u16, u32)> {
    let mut steps: Vec<(u16, u32)> = Vec::new();
    let of_day = input.excursions.iter().filter(|one| (input.from..input.to).contains(&one.start));
    let ours = of_day.filter(|one| {
        one.subject.meter.as_deref() == Some(&rows.meter) && one.subject.matter == Matter::Quantity(quantity)
    });
    for one in ours {
        let step = step_of(input, one.start) as u16;
        match steps.iter_mut().find(|(known, _)| *known == step) {
            Some((_, count)) => *count += 1,
            None => steps.push((step, 1)),
        }
    }
    steps.sort_unstable();
    steps
}

/// Lines that are drawn together and kept together: one quantity of one meter, at all its places.
struct Group {
    transformer: String,
    meter: String,
    /// Nothing of it had an alarm or an excursion.
    calm: bool,
    of_feeder: bool,
    rank: usize,
    /// Which of the lines.
    members: Vec<usize>,
}

/// Of all lines those that are kept: for each transformer the most telling groups up to [`MOST_LINES`]. The
/// transformer's own come first, then feeder by feeder.
pub(super) fn chosen(lines: Vec<LineDay>, alarms: &[AlarmDay], short: &[RecurrenceDay]) -> Vec<LineDay> {
    let mut groups = groups(&lines, alarms, short);
    groups.sort_by(|one, other| {
        let key = |group: &Group| (!group.calm, group.of_feeder, group.rank);
        let (one_key, other_key) = (key(one), key(other));
        // Trouble first.
        let pressing = other_key.0.cmp(&one_key.0);
        one.transformer.cmp(&other.transformer).then(pressing).then(one_key.cmp(&other_key))
    });
    let mut room = (String::new(), 0);
    groups.retain(|group| {
        if room.0 != group.transformer {
            room = (group.transformer.clone(), MOST_LINES);
        }
        let fits = group.members.len() <= room.1;
        room.1 -= if fits { group.members.len() } else { 0 };
        fits
    });
    let first = |group: &Group| group.members.first().copied().unwrap_or(0);
    groups.sort_by_key(|group| {
        let feeder = group.of_feeder.then(|| lines.iter().position(|line| line.meter == group.meter));
        (group.of_feeder, feeder, group.rank, first(group))
    });
    let mut lines: Vec<Option<LineDay>> = lines.into_iter().map(Some).collect();
    groups.iter().flat_map(|group| &group.members).filter_map(|index| lines[*index].take()).collect()
}

/// What may be drawn of these lines. Of a feeder on which all was calm only the load is.
fn groups(lines: &[LineDay], alarms: &[AlarmDay], short: &[RecurrenceDay]) -> Vec<Group> {
    let troubled = |line: &LineDay| {
        let subjects = alarms.iter().map(|one| &one.subject).chain(short.iter().map(|one| &one.subject));
        let mut same = subjects.filter(|one| one.meter.as_deref() == Some(&line.meter));
        !line.excursions.is_empty() || same.any(|one| one.measurand() == Some(line.quantity.what))
    };
    let mut groups: Vec<Group> = Vec::new();
    for (index, line) in lines.iter().enumerate() {
        let Some(rank) = rank(line.quantity) else { continue };
        let calm = !troubled(line);
        match groups.iter_mut().find(|group| (&group.meter, group.rank) == (&line.meter, rank)) {
            Some(group) => {
                group.calm &= calm;
                group.members.push(index);
            }
            None => groups.push(Group {
                transformer: line.transformer.clone(),
                meter: line.meter.clone(),
                calm,
                of_feeder: line.feeder.is_some(),
                rank,
                members: vec![index],
            }),
        }
    }
    let line_to_line: Vec<&str> = lines
        .iter()
        .filter(|line| line.quantity.what == Measurand::VoltageLl)
        .map(|line| line.meter.as_str())
        .collect();
    groups.retain(|group| {
        let what = DRAWN[group.rank];
        // Line to neutral says little more where line to line is drawn.
        let doubled = what == Measurand::VoltageLn && line_to_line.contains(&group.meter.as_str());
        !group.calm || (!doubled && (!group.of_feeder || what == Measurand::LoadingPhase))
    });
    groups
}

#[cfg(test)]
#[path = "charts_tests.rs"]
mod tests;
