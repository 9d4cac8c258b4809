//! How transformers that run in parallel shared on a day: in the minute of their largest load together.

use super::meters::{Measured, measured};
use super::{DayInput, MeterPart, MeterRows};
use crate::diagnosis::{Part, parts};
use crate::electrical::parallel::Unit;
use crate::measurand::{Measurand, Quantity};
use crate::parallel::buses;
use crate::plan::{ParallelPlan, TieState};
use crate::time::EventTime;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The minute of the largest load together of units on one bus.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SharingDay {
    /// Which minute.
    pub at: EventTime,
    /// The units.
    pub units: Vec<SharedDay>,
    /// Share of the day in which their loads were measured and the states of their ties known, 0 to 1.
    pub measured: f64,
}

/// One of them in that minute.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SharedDay {
    /// Its name.
    pub name: String,
    /// Its nameplate.
    pub unit: Unit,
    /// What it carried.
    pub part: Part,
}

/// The columns of a meter that tell of a group: loads of its units and states of its ties.
pub(super) fn kept(input: &DayInput<'_>, rows: &MeterRows) -> Vec<(Quantity, Vec<Measured>)> {
    let loading = Quantity::whole(Measurand::LoadingKva);
    let units = input.parallel.iter().flat_map(|group| &group.units);
    let loads = units.filter(|unit| unit.name == rows.transformer && rows.feeder.is_none()).map(|_| loading);
    let ties = input.parallel.iter().flat_map(|group| &group.ties).filter_map(|tie| tie.state.as_ref());
    let states = ties.filter(|state| state.meter == rows.meter).map(|state| state.point);
    let column = |quantity: &Quantity| rows.series.iter().position(|known| known == quantity);
    loads
        .chain(states)
        .filter_map(|quantity| Some((quantity, measured(input, rows, column(&quantity)?))))
        .collect()
}

/// Loads of one unit in per cent of its rating, by minute.
type Loads = BTreeMap<EventTime, f64>;

pub(super) fn sharing_days(input: &DayInput<'_>, meters: &[MeterPart]) -> Vec<SharingDay> {
    let days = input.parallel.iter().flat_map(|group| group_days(input, group, meters));
    days.collect()
}

fn group_days(input: &DayInput<'_>, group: &ParallelPlan, meters: &[MeterPart]) -> Vec<SharingDay> {
    let loading = Quantity::whole(Measurand::LoadingKva);
    let loads: Vec<Loads> = group
        .units
        .iter()
        .map(|unit| {
            let of_unit = |meter: &&MeterPart| {
                let day = &meter.day;
                day.transformer == unit.name && day.feeder.is_none() && !minutes_of(meter, loading).is_empty()
            };
            let minutes =
                meters.iter().find(of_unit).map(|meter| minutes_of(meter, loading)).unwrap_or_default();
            minutes.iter().map(|(at, value)| (*at, value.mean)).collect()
        })
        .collect();
    let states: Vec<(&TieState, BTreeMap<EventTime, bool>)> = group
        .ties
        .iter()
        .filter_map(|tie| tie.state.as_ref())
        .map(|state| {
            let meter = meters.iter().find(|meter| meter.day.meter == state.meter);
            let minutes = meter.map(|meter| minutes_of(meter, state.point)).unwrap_or_default();
            // In the minute of a change neither stands.
            let steady = minutes.iter().filter(|(_, value)| (value.min >= 0.5) == (value.max >= 0.5));
            (state, steady.map(|(at, value)| (*at, value.mean >= 0.5)).collect())
        })
        .collect();
    let mut days: BTreeMap<Vec<usize>, (f64, SharingDay, u32)> = BTreeMap::new();
    for at in loads.first().into_iter().flat_map(|loads| loads.keys()) {
        let known = |tie: &TieState| {
            states.iter().find(|(state, _)| **state == *tie).and_then(|(_, minutes)| minutes.get(at).copied())
        };
        for bus in buses(group, known).unwrap_or_default() {
            let of = |index: &usize| {
                let unit = &group.units[*index];
                let kva = loads[*index].get(at).zip(unit.kva).map(|(percent, kva)| percent / 100.0 * kva);
                (unit.unit, kva, None)
            };
            let Ok(shares) = parts(&bus.iter().map(of).collect::<Vec<_>>()) else { continue };
            let total: f64 = shares.iter().map(|part| part.kva).sum();
            let units = bus.iter().zip(&shares).filter_map(|(index, part)| {
                let unit = &group.units[*index];
                Some(SharedDay { name: unit.name.clone(), unit: unit.unit?, part: *part })
            });
            let day = || SharingDay { at: *at, units: units.collect(), measured: 0.0 };
            match days.get_mut(&bus) {
                Some((most, largest, count)) => {
                    *count += 1;
                    if total > *most {
                        (*most, *largest) = (total, day());
                    }
                }
                None => drop(days.insert(bus.clone(), (total, day(), 1))),
            }
        }
    }
    let of_day =
        |count: u32| (f64::from(count) * 60_000.0 / (input.to - input.from).0.max(1) as f64).min(1.0);
    days.into_values().map(|(_, day, count)| SharingDay { measured: of_day(count), ..day }).collect()
}

fn minutes_of(meter: &MeterPart, quantity: Quantity) -> &[Measured] {
    meter
        .kept
        .iter()
        .find(|(known, _)| *known == quantity)
        .map(|(_, minutes)| minutes.as_slice())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::digest::{DayFigures, MinuteValue};
    use crate::plan::{ParallelUnit, TiePlan};

    fn rows(meter: &str, transformer: &str, what: Measurand, value: impl Fn(i64) -> f64) -> MeterRows {
        let row = |minute: i64| {
            let mean = value(minute);
            (EventTime(minute * 60_000), vec![MinuteValue { mean, min: mean, max: mean, covered_ms: 60_000 }])
        };
        MeterRows {
            transformer: transformer.to_owned(),
            feeder: None,
            meter: meter.to_owned(),
            series: vec![Quantity::whole(what)],
            limits: Vec::new(),
            rolls_over_at: Vec::new(),
            shortest_event: None,
            rows: (0..1440).map(row).collect(),
        }
    }

    /// 500 kVA of 4 % beside 500 kVA of 5 %: 100 % and 80 % are 900 kVA as 5 to 4. Their largest load with the tie open does not
    /// count.
    #[test]
    fn the_minute_of_the_largest_load_together_is_told_while_the_tie_is_closed() {
        let unit = |scope, name: &str, impedance_percent| ParallelUnit {
            scope,
            name: name.to_owned(),
            kva: Some(500.0),
            unit: Some(Unit { kva: 500.0, impedance_percent, open_volts: 1.0 }),
        };
        let point = Quantity::whole(Measurand::BreakerClosed);
        let state =
            TieState { name: "Tie".to_owned(), on: true, flag: None, meter: "Switchgear".to_owned(), point };
        let group = [ParallelPlan {
            units: Box::new([unit(0, "T2", 4.0), unit(1, "T3", 5.0)]),
            ties: Box::new([TiePlan { units: (0, 1), state: Some(state) }]),
        }];
        let load = |minute: i64| match minute {
            120 => 120.0,
            600 => 100.0,
            _ => 50.0,
        };
        let meters = [
            rows("T2 secondary", "T2", Measurand::LoadingKva, load),
            rows("T3 secondary", "T3", Measurand::LoadingKva, |minute| 0.8 * load(minute)),
            rows("Switchgear", "T2", Measurand::BreakerClosed, |minute| f64::from(u8::from(minute >= 360))),
        ];
        let input = DayInput {
            from: EventTime(0),
            to: EventTime(86_400_000),
            until: EventTime(86_400_000),
            hours: &[],
            changes: &[],
            excursions: &[],
            parallel: &group,
            quality: &[],
        };
        let [day] = &DayFigures::new(&input, &meters).sharing[..] else { panic!("one bus") };
        assert_eq!((day.at, day.measured), (EventTime(600 * 60_000), 0.75));
        let shares: Vec<(f64, f64, f64)> =
            day.units.iter().map(|one| (one.part.kva, one.part.share, one.part.by_impedance)).collect();
        for ((kva, share, by), (want_kva, want)) in
            shares.iter().zip([(500.0, 5.0 / 9.0), (400.0, 4.0 / 9.0)])
        {
            assert!(
                (kva - want_kva).abs() < 1e-9 && (share - want).abs() < 1e-12 && (by - want).abs() < 1e-12
            );
        }
    }
}
