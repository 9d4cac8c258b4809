//! How the insulation of each transformer ages: since it is watched from the monitor, today from the stored minutes.

use crate::digest::calendar;
use crate::store::Store;
use crate::words;
use crate::words::speech::Speech;
use jiff::tz::TimeZone;
use kvarden_core::digest::{AgeingDay, LEAST_MEASURED};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::monitor::Monitor;
use kvarden_core::study::AgeingClass;
use kvarden_core::time::{EventTime, Span};

/// So early in the day nothing is told of it: the first minutes are not stored yet.
const TOO_EARLY: Span = Span::minutes(10);

/// A transformer whose insulation is known.
pub(super) struct Insulation {
    transformer: String,
    /// The meter among whose series the rate is.
    meter: String,
    class: AgeingClass,
    total_h: f64,
}

/// Every transformer whose insulation is known.
pub(super) fn insulations(monitor: &Monitor) -> Vec<Insulation> {
    let rate = Quantity::whole(Measurand::AgeingRate);
    let of = |(name, learned, _): (&str, kvarden_core::study::HeatLearned, Option<f64>)| {
        let scopes = &monitor.plan().scopes;
        let scope = scopes.iter().find(|scope| scope.transformer.as_deref() == Some(name))?;
        let class = scope.grid.as_ref()?.study.heat.as_ref()?.ageing.as_ref()?.class;
        let meter = scope.meters.iter().find(|meter| meter.series.contains(&rate))?.name.clone();
        Some(Insulation { transformer: name.to_owned(), meter, class, total_h: learned.aged_h })
    };
    monitor.heat_learned().filter_map(of).collect()
}

/// A sentence about each.
pub(super) fn told(store: &Store, all: &[Insulation], now: EventTime, zone: &TimeZone) -> Vec<String> {
    let from = calendar::bounds(calendar::date_of(now, zone), zone).map(|(from, _)| from);
    let from = from.filter(|from| now - *from >= TOO_EARLY);
    let line = |one: &Insulation| {
        let today = from.map(|from| today(store, &one.meter, (from, now)));
        let (hours, measured) = today.unwrap_or((None, 0.0));
        let day = AgeingDay { hours, total_h: Some(one.total_h), measured };
        words::ageing(&one.transformer, Some(one.class), words::Aged::Today, &day, Speech::ENGLISH)
    };
    let mut lines: Vec<String> = all.iter().map(line).collect();
    if !lines.is_empty() {
        lines.push(words::ageing_means(Speech::ENGLISH));
    }
    lines
}

/// The ageing of a part of a day in hours, where enough of it is known, and how much of it is.
fn today(store: &Store, meter: &str, (from, to): (EventTime, EventTime)) -> (Option<f64>, f64) {
    let key = Measurand::AgeingRate.key();
    let (mut aged_ms, mut known_ms) = (0.0, 0.0);
    for run in store.minutes(meter, from, to).unwrap_or_default() {
        let Some(column) = run.series.iter().position(|series| series == key) else { continue };
        for pane in run.rows.iter().filter_map(|(_, panes)| panes.get(column)) {
            if let Some(rate) = pane.mean {
                aged_ms += rate * f64::from(pane.covered_ms);
                known_ms += f64::from(pane.covered_ms);
            }
        }
    }
    let measured = (known_ms / (to - from).0.max(1) as f64).min(1.0);
    ((measured >= LEAST_MEASURED).then_some(aged_ms / 3.6e6), measured)
}
