//! Makes a day from what the store holds, one meter at a time: the store is asked for one meter's rows, not for all of
//! a site at once, so that neither memory nor the store's other work suffers from a large site.

use super::{DigestContext, FrozenDay, MOST_RECORDINGS, RecordingDay, Room, calendar, findings};
use crate::store::{Error, MinuteRun, PaneRow, Store};
use jiff::civil::Date;
use kvarden_core::diagnosis::FindingChange;
use kvarden_core::digest::{DayFigures, DayInput, MeterPart, MeterRows, MinuteValue, Tens, WEEK, wanted};
use kvarden_core::measurand::Quantity;
use kvarden_core::output::{Change, Excursion};
use kvarden_core::time::{EventTime, Span};
use std::sync::Arc;

/// Alarms that rose longer ago than this and still stand are known by their newest state only.
pub const LOOK_BACK: Span = Span::hours(31 * 24);

/// A day under way: everything but the minutes.
#[derive(Debug)]
pub struct Making {
    context: Arc<DigestContext>,
    date: Date,
    from: EventTime,
    to: EventTime,
    hours: Vec<(EventTime, u8)>,
    changes: Vec<Change>,
    excursions: Vec<Excursion>,
    findings: Vec<FindingChange>,
}

impl Making {
    /// Begins a day; `None` at the ends of the calendar.
    ///
    /// # Errors
    /// When the store can't be read.
    pub fn begin(store: &Store, context: Arc<DigestContext>, date: Date) -> Result<Option<Self>, Error> {
        let Some((from, to)) = calendar::bounds(date, &context.zone) else { return Ok(None) };
        let hours = calendar::hours(date, &context.zone);
        let changes = store.changes(from - LOOK_BACK, to)?;
        let excursions = store.excursions(from, to)?;
        let findings = store.findings(from - LOOK_BACK, to)?;
        Ok(Some(Self { context, date, from, to, hours, changes, excursions, findings }))
    }

    /// How many meters the day has.
    pub fn meters(&self) -> usize {
        self.context.meters.len()
    }

    /// What one meter brings.
    ///
    /// # Errors
    /// When the store can't be read.
    pub fn part(&self, store: &Store, meter: usize) -> Result<MeterPart, Error> {
        let mut rows = self.context.meters[meter].clone();
        for run in store.minutes(&rows.meter, self.from, self.to)? {
            add_run(&mut rows, &run);
        }
        rows.shortest_event = store.shortest_event(&rows.meter)?;
        let part = MeterPart::new(&self.input(), &rows);
        let wanted = wanted(&self.input(), &rows);
        if wanted.is_empty() {
            return Ok(part);
        }
        let mut tens: Vec<(Quantity, Tens)> =
            wanted.into_iter().map(|column| (rows.series[column], Vec::new())).collect();
        for run in store.tens(&rows.meter, self.to - WEEK, self.to)? {
            add_tens(&mut tens, &run);
        }
        Ok(part.with_tens(tens))
    }

    /// The day.
    ///
    /// # Errors
    /// When the store can't be read.
    pub fn end(&self, store: &Store, parts: Vec<MeterPart>) -> Result<FrozenDay, Error> {
        let levels = store.levels()?;
        let room = Room { used_bytes: levels.used_bytes, max_bytes: levels.max_bytes };
        let recordings = store.recordings(self.from, self.to)?.into_iter().take(MOST_RECORDINGS);
        let recordings = recordings
            .map(|one| RecordingDay {
                id: one.id,
                scope: one.scope,
                alarm: one.alarm,
                from: one.from,
                to: one.to,
                priority: one.priority,
                whole: one.whole,
            })
            .collect();
        let day = self.context.freeze(self.date, DayFigures::of_parts(&self.input(), parts));
        let (findings, events) = findings::of_day(&self.findings, self.from);
        Ok(FrozenDay { room: Some(room), recordings, findings, events, ..day })
    }

    fn input(&self) -> DayInput<'_> {
        DayInput {
            from: self.from,
            to: self.to,
            until: self.to,
            hours: &self.hours,
            changes: &self.changes,
            excursions: &self.excursions,
            parallel: &self.context.parallel,
            quality: &self.context.quality,
        }
    }
}

/// Works out a day from what the store holds, without freezing it.
///
/// # Errors
/// When the store can't be read.
pub fn of_store(store: &Store, context: &Arc<DigestContext>, date: Date) -> Result<Option<FrozenDay>, Error> {
    let Some(making) = Making::begin(store, Arc::clone(context), date)? else { return Ok(None) };
    let parts = (0..making.meters()).map(|meter| making.part(store, meter)).collect::<Result<_, _>>()?;
    making.end(store, parts).map(Some)
}

/// Puts stored minutes into the meter's columns of today; a column that it no longer has is left out.
fn add_run(meter: &mut MeterRows, run: &MinuteRun) {
    let columns: Vec<Option<usize>> = meter
        .series
        .iter()
        .map(|quantity| run.series.iter().position(|key| Quantity::from_key(key) == Some(*quantity)))
        .collect();
    meter.rows.extend(run.rows.iter().map(|(minute, panes)| {
        let values = columns
            .iter()
            .map(|column| column.and_then(|column| panes.get(column)).map(value).unwrap_or_default());
        (*minute, values.collect())
    }));
}

/// Puts stored tens of minutes into the columns that are wanted: the root of the mean square, as IEC 61000-4-30 puts values together,
/// else the mean.
fn add_tens(columns: &mut [(Quantity, Tens)], run: &MinuteRun) {
    for (quantity, tens) in columns {
        let same = |key: &String| Quantity::from_key(key) == Some(*quantity);
        let Some(place) = run.series.iter().position(same) else { continue };
        let value = |panes: &[PaneRow]| panes.get(place).and_then(|pane| pane.rms.or(pane.mean));
        tens.extend(run.rows.iter().filter_map(|(at, panes)| Some((*at, value(panes)?))));
    }
}

fn value(pane: &PaneRow) -> MinuteValue {
    // A counter has no mean; without a least and a largest nothing was measured that a day could tell of.
    let (Some(min), Some(max)) = (pane.min, pane.max) else { return MinuteValue::default() };
    MinuteValue { mean: pane.mean.unwrap_or(max), min, max, covered_ms: pane.covered_ms }
}
