//! The readings that are stored around alarms, judged one by one by the tried configuration: where they cover what minutes
//! leave in doubt, they decide.

use super::{Episode, SAME, Sure};
use crate::store::{Error, RecordedMeter, Store};
use kvarden_config::Configuration;
use kvarden_core::input::Input;
use kvarden_core::measurand::Quantity;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::{ChangeKind, Output};
use kvarden_core::plan::Plan;
use kvarden_core::plant::StampedBy;
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::{EventTime, Span};
use std::collections::BTreeMap;
use std::sync::Arc;

/// What the stored readings say.
#[derive(Debug, Default)]
pub(super) struct Judged {
    /// Stretches of which readings are stored, by scope.
    covered: BTreeMap<String, Vec<(EventTime, EventTime)>>,
    /// When each alarm rose, by its key.
    raised: BTreeMap<String, Vec<EventTime>>,
}

/// Judges every recording that lies in this span.
pub(super) fn judged(
    store: &Store,
    configuration: &Configuration,
    (from, to): (EventTime, EventTime),
) -> Result<Judged, Error> {
    let mut all = Judged::default();
    let Some(plan) = plan_of_readings(configuration) else { return Ok(all) };
    for head in store.recordings(from, to)? {
        let Some(meters) = store.recording(&head.id)? else { continue };
        if head.whole {
            all.covered.entry(head.scope.clone()).or_default().push((head.from, head.to));
        }
        judge(&plan, &meters, &mut all);
    }
    for times in all.raised.values_mut() {
        times.sort_unstable();
        times.dedup();
    }
    Ok(all)
}

/// The tried plan as recordings see it: they say nothing of silence, and a short piece nothing of registers that stand still.
fn plan_of_readings(configuration: &Configuration) -> Option<Arc<Plan>> {
    let mut plant = configuration.plant.clone();
    for meter in &mut plant.meters {
        meter.wait = Span::ZERO;
        meter.stamped_by = StampedBy::Meter;
        meter.silent_after = Span(i64::MAX / 1000);
        meter.frozen_after = None;
    }
    Plan::new(&plant).ok().map(Arc::new)
}

fn judge(plan: &Arc<Plan>, meters: &[RecordedMeter], all: &mut Judged) {
    let mut readings: Vec<(EventTime, MeterId, Vec<Sample>)> = Vec::new();
    for meter in meters {
        let Some(id) = plan.meter_by_name(&meter.meter) else { continue };
        let Some(planned) = plan.meter(id) else { continue };
        let recorded: Vec<Option<Quantity>> =
            meter.series.iter().map(|key| Quantity::from_key(key)).collect();
        let places: Vec<Option<usize>> = planned.series[..planned.points]
            .iter()
            .map(|point| recorded.iter().position(|known| *known == Some(*point)))
            .collect();
        readings.extend(meter.readings.iter().map(|(at, values)| {
            let value = |place: &Option<usize>| {
                let value = place.and_then(|place| values.get(place).copied().flatten());
                value.map_or(Sample::ABSENT, Sample::new)
            };
            (*at, id, places.iter().map(value).collect())
        }));
    }
    readings.sort_by_key(|(at, ..)| *at);
    let mut monitor = Monitor::new(Arc::clone(plan));
    let mut outputs = Vec::new();
    for (at, meter, values) in &readings {
        monitor.observe(*at, Input::Reading(Reading { meter: *meter, at: *at, values }), &mut outputs);
        for output in outputs.drain(..) {
            if let Output::Alarm(change) = output
                && change.what == ChangeKind::Raised
                && let Some((key, _)) = change.alarm.rsplit_once('#')
            {
                all.raised.entry(key.to_owned()).or_default().push(change.at);
            }
        }
    }
}

impl Judged {
    /// What minutes say of one alarm, with what the readings say of it: of what is in doubt they show that it was so, or that
    /// it was not.
    pub(super) fn settle(&self, scope: &str, key: &str, would: Vec<Episode>) -> Vec<Episode> {
        let covered = self.covered.get(scope).map_or(&[][..], Vec::as_slice);
        let raised = self.raised.get(key).map_or(&[][..], Vec::as_slice);
        let within = |episode: &Episode, at: EventTime| at + SAME >= episode.from && at <= episode.to + SAME;
        let mut settled: Vec<Episode> = would
            .into_iter()
            .filter_map(|episode| {
                if episode.sure == Sure::ByMinutes {
                    return Some(episode);
                }
                if raised.iter().any(|at| within(&episode, *at)) {
                    return Some(Episode { sure: Sure::ByReadings, ..episode });
                }
                let shown = covered.iter().any(|(from, to)| *from <= episode.from && episode.to <= *to);
                (!shown).then_some(episode)
            })
            .collect();
        for at in raised {
            if !settled.iter().any(|episode| within(episode, *at)) {
                settled.push(Episode { from: *at, to: *at, sure: Sure::ByReadings });
            }
        }
        settled.sort_by_key(|episode| episode.from);
        settled
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_decide_what_minutes_leave_in_doubt() {
        let minute = |minute: i64| EventTime(minute * 60_000);
        let episode = |from, to, sure| Episode { from: minute(from), to: minute(to), sure };
        let judged = Judged {
            covered: BTreeMap::from([(
                "T2".to_owned(),
                vec![(minute(8), minute(12)), (minute(18), minute(24))],
            )]),
            raised: BTreeMap::from([("T2/a".to_owned(), vec![minute(10), minute(40)])]),
        };
        let would = vec![
            episode(10, 11, Sure::Perhaps),
            episode(20, 21, Sure::Perhaps),
            episode(22, 23, Sure::ByMinutes),
            episode(30, 31, Sure::Perhaps),
        ];
        let expected = vec![
            episode(10, 11, Sure::ByReadings),
            episode(22, 23, Sure::ByMinutes),
            episode(30, 31, Sure::Perhaps),
            episode(40, 40, Sure::ByReadings),
        ];
        assert_eq!(judged.settle("T2", "T2/a", would), expected);
    }
}
