//! When a frozen day gets another revision, and what of the one before stays in it.

use super::{FrozenDay, Revised};
use crate::store::Late;
use kvarden_core::digest::{DayFigures, MeterDay};
use kvarden_core::time::{EventTime, Span};

/// Minutes often come late by the hundred, as when a link is back: a revision waits until none has come for so long.
const SETTLED: Span = Span::minutes(10);
/// Those that come one by one for hours do not put it off for longer than this.
const LONGEST_WAIT: Span = Span::hours(1);
/// Revisions that a day can have; each takes about as many bytes as the first.
pub(super) const MOST_REVISIONS: u32 = 20;

/// Whether what came late is to be told now. A clock that was set back keeps nothing waiting.
pub(super) fn is_due(late: &Late, now: EventTime) -> bool {
    now < late.first || now - late.last >= SETTLED || now - late.first >= LONGEST_WAIT
}

/// The next revision of a day: `fresh` with the limits that were in force on the day, if it knows more than `old`.
///
/// The oldest minutes go when room or their time is over, so a day made anew can know less: then `old` stays.
pub(super) fn revised(
    old: &FrozenDay,
    mut fresh: DayFigures,
    late: &Late,
    now: EventTime,
) -> Option<FrozenDay> {
    let knows = |meters: &[MeterDay], name: &str| {
        meters.iter().find(|meter| meter.meter == name).map_or(0.0, |meter| meter.measured)
    };
    let less = |meter: &MeterDay| {
        let is_there = fresh.meters.iter().any(|one| one.meter == meter.meter);
        is_there && knows(&fresh.meters, &meter.meter) < meter.measured
    };
    if old.revision >= MOST_REVISIONS || old.figures.meters.iter().any(less) {
        return None;
    }
    // What was taken out of the configuration since was there on the day.
    for meter in &old.figures.meters {
        if !fresh.meters.iter().any(|one| one.meter == meter.meter) {
            fresh.meters.push(meter.clone());
            fresh.lines.extend(old.figures.lines.iter().filter(|line| line.meter == meter.meter).cloned());
        }
    }
    // What was learned of it by then; minutes that came late say nothing new of that.
    for meter in &mut fresh.meters {
        if let Some(was) = old.figures.meters.iter().find(|one| one.meter == meter.meter) {
            meter.shortest_event = was.shortest_event;
        }
    }
    for line in &mut fresh.lines {
        let was =
            old.figures.lines.iter().find(|one| (&one.meter, one.quantity) == (&line.meter, line.quantity));
        if let Some(was) = was {
            line.limits.clone_from(&was.limits);
        }
    }
    if fresh == old.figures {
        return None;
    }
    Some(FrozenDay {
        format: super::FORMAT,
        made_by: env!("CARGO_PKG_VERSION").to_owned(),
        revision: old.revision + 1,
        revised: Some(Revised { at: now, late: late.meters.clone() }),
        figures: fresh,
        ..old.clone()
    })
}
