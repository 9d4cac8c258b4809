//! What other limits would have done: the stored history judged by another configuration, next to what came.
//!
//! Of most of the past only minutes are stored: mean, least and largest value. A level that looks at each value is judged
//! twice, once as if the mildest value of a minute had stood all the minute, once as if the worst had: what the first brings
//! would have come, what only the second brings may have. Around alarms the readings themselves are stored; where they cover
//! what is in doubt, they decide.

mod judge;
mod readings;

use crate::store::{Error, PaneRow, Store};
use judge::MeterTrial;
use kvarden_config::Configuration;
use kvarden_core::output::{Change, ChangeKind, Rule, Subject};
use kvarden_core::plan::{Plan, ScopePlan};
use kvarden_core::plant::Priority;
use kvarden_core::time::{EventTime, Span};
use std::collections::BTreeMap;

/// So much of a meter's history is held at a time.
const PIECE: Span = Span::hours(6);
/// What was told within so long of what would have come is the same: a minute says not when in it a value stood.
const SAME: Span = Span::minutes(1);

/// How sure it is that an alarm would have come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sure {
    /// Within some minute the limit was passed; for how long nobody can say.
    Perhaps,
    /// Whole minutes were past the limit for as long as it waits.
    ByMinutes,
    /// The stored readings show it.
    ByReadings,
}

/// One time that an alarm would have stood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Episode {
    /// Since when the limit was passed.
    pub from: EventTime,
    /// Until when the alarm would have stood; that of the history's end if it stands.
    pub to: EventTime,
    /// How sure it is.
    pub sure: Sure,
}

/// One alarm of the tried configuration, or one that came and that it does not have.
#[derive(Debug, Clone, PartialEq)]
pub struct Tried {
    /// About what.
    pub subject: Subject,
    /// By which rule.
    pub rule: Rule,
    /// As urgent as this.
    pub priority: Priority,
    /// The limit, where it is one level; in the measurand's unit.
    pub setpoint: Option<f64>,
    /// When it came.
    pub came: Vec<EventTime>,
    /// When it would have come; `None`: the tried configuration has no such limit.
    pub would: Option<Vec<Episode>>,
}

/// A trial.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Trial {
    /// Alarms that came or would have come, in the order of the plan; those that it does not have last.
    pub alarms: Vec<Tried>,
    /// Alarms of limits that never came and never would have.
    pub quiet: usize,
    /// Quantities with a limit of which nothing is stored in this span, by meter.
    pub unknown: Vec<(String, String)>,
    /// Limits on how fast a value rises, which are not tried.
    pub rates: usize,
    /// Some of the span is known by rows of ten minutes only.
    pub coarse: bool,
}

/// Judges what is stored from `from` to `to` by another configuration.
///
/// # Errors
/// The store can't be read.
pub fn try_limits(
    store: &Store,
    configuration: &Configuration,
    plan: &Plan,
    (from, to): (EventTime, EventTime),
) -> Result<Trial, Error> {
    let mut trial = Trial::default();
    let mut came = came(store, from, to)?;
    let read = readings::judged(store, configuration, (from, to))?;
    for scope in &plan.scopes {
        for meter in &scope.meters {
            let mut of_meter = MeterTrial::new(scope, meter);
            trial.rates += of_meter.rates;
            if of_meter.is_empty() {
                continue;
            }
            trial.coarse |= walk(store, &meter.name, (from, to), &mut of_meter)?;
            trial.unknown.extend(of_meter.unknown().map(|key| (meter.name.clone(), key)));
            for (alarm, setpoint, would) in of_meter.finish(to) {
                let key = format!("{}/{}", scope.name, scope.alarms[alarm].key);
                let would = read.settle(&scope.name, &key, would);
                let came = came.remove(&key).map(|(_, times)| times).unwrap_or_default();
                if came.is_empty() && would.is_empty() {
                    trial.quiet += 1;
                } else {
                    trial.alarms.push(tried(scope, alarm, setpoint, came, would));
                }
            }
        }
    }
    trial.alarms.extend(came.into_values().map(|(change, came)| Tried {
        subject: change.subject,
        rule: change.rule,
        priority: change.priority,
        setpoint: change.setpoint,
        came,
        would: None,
    }));
    Ok(trial)
}

fn tried(
    scope: &ScopePlan,
    alarm: usize,
    setpoint: Option<f64>,
    came: Vec<EventTime>,
    would: Vec<Episode>,
) -> Tried {
    let plan = &scope.alarms[alarm];
    Tried {
        subject: scope.subjects[plan.subject].subject.clone(),
        rule: plan.rule,
        priority: plan.priority,
        setpoint,
        came,
        would: Some(would),
    }
}

/// Alarms of limits that came, by their keys, each with the first that is known of it and when it rose.
fn came(
    store: &Store,
    from: EventTime,
    to: EventTime,
) -> Result<BTreeMap<String, (Change, Vec<EventTime>)>, Error> {
    let mut all: BTreeMap<String, (Change, Vec<EventTime>)> = BTreeMap::new();
    for change in store.changes(from, to)? {
        let of_limit = matches!(change.rule, Rule::Level { .. } | Rule::Recurrence { .. });
        if !of_limit || change.what != ChangeKind::Raised {
            continue;
        }
        let key = change.alarm.rsplit_once('#').map_or(change.alarm.as_str(), |(key, _)| key).to_owned();
        let at = change.at;
        all.entry(key).or_insert_with(|| (change, Vec::new())).1.push(at);
    }
    Ok(all)
}

/// Goes through a meter's rows in their order. True: some of them were of ten minutes.
fn walk(
    store: &Store,
    meter: &str,
    (from, to): (EventTime, EventTime),
    trial: &mut MeterTrial<'_>,
) -> Result<bool, Error> {
    let mut coarse = false;
    let mut begin = from.floor(Span::hours(1));
    while begin < to {
        let end = begin + PIECE;
        let mut runs = store.minutes(meter, begin, end)?;
        if runs.is_empty() {
            runs = store.tens(meter, begin, end)?;
            coarse |= !runs.is_empty();
        }
        for run in &runs {
            let columns = trial.columns(&run.series);
            let within = run.rows.iter().filter(|(at, _)| (from..to).contains(at));
            within.for_each(|(at, row)| trial.take(*at, &columns, row));
        }
        begin = end;
    }
    Ok(coarse)
}

/// A column of a row, if it holds anything that can be judged.
fn column(row: &[PaneRow], column: Option<usize>) -> Option<&PaneRow> {
    row.get(column?).filter(|pane| pane.min.is_some() && pane.max.is_some() && pane.covered_ms > 0)
}

/// Pairs what came with what would have come, in the order of time: either may be missing.
pub fn paired(tried: &Tried) -> Vec<(Option<EventTime>, Option<Episode>)> {
    let mut came: Vec<Option<EventTime>> = tried.came.iter().copied().map(Some).collect();
    let mut pairs = Vec::new();
    for episode in tried.would.iter().flatten() {
        let mut of_it = came
            .iter_mut()
            .filter(|at| at.is_some_and(|at| at + SAME >= episode.from && at <= episode.to + SAME));
        let first = of_it.next().and_then(Option::take);
        pairs.push((first, Some(*episode)));
        // Came again while it would have stood all the time.
        pairs.extend(of_it.map(|at| (at.take(), Some(*episode))));
    }
    pairs.extend(came.into_iter().flatten().map(|at| (Some(at), None)));
    let when = |(came, would): &(Option<EventTime>, Option<Episode>)| {
        came.or(would.map(|episode| episode.from)).unwrap_or(EventTime(i64::MAX))
    };
    pairs.sort_by_key(when);
    pairs
}
