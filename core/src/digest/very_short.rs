//! The day's 3-second values of IEEE 519, by what is kept of their minutes: mean, least and largest of each. What they prove
//! is an interval in which the day's percentile lies.

use super::meters::{Measured, covered, measured};
use super::quality::{LEAST_OF_QUALITY, VerdictDay};
use super::{DayInput, MeterRows, MinuteValue};
use crate::electrical::standard::{CurrentLimits, Edition, STATISTICS, VoltageLimits};
use crate::measurand::{Measurand, Quantity};
use crate::time::Span;

/// The percentile of a day, of volts and of currents (IEEE 519-2014 clause 5, from memory).
const DAILY_PERCENT: f64 = 99.0;
/// The length of the values. A meter that is read less often has none.
const THREE_SECONDS: Span = Span::seconds(3);
/// A meter that gives a value less than twice in so long gives one 3-second value each time; of a faster one several readings make one.
const SEVERAL_IN: Span = Span::seconds(3);
/// Halvings of the range in which a percentile is looked for: a part in a million million of it.
const HALVINGS: u32 = 40;

/// Between what a percentile lies.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Between {
    least: f64,
    most: f64,
}

/// Between what the percentile of the 3-second values of some minutes lies, of a meter that gives a value `every` so often. `None`
/// without any.
///
/// Of values from `a` to `b` with the mean `m`, at most `(m − a)/(t − a)` of them are above `t` (Markov's inequality), and at
/// least `(m − t)/(b − t)` for `t` below `m` (the same from the other end); where a reading is a 3-second value, one of them at
/// least is `b`. Of a faster meter a value is the root of a mean of squares of readings, and its mean over the minute lies
/// between that of the readings and `√(m² + (b − m)(m − a))`, the most that the variance lets it (Bhatia and Davis, 2000).
///
/// Source: nearest rank as IEEE 519-2014 clause 4 words it: at most 1 % exceed the 99th percentile; inequalities: textbook.
fn between(minutes: &[MinuteValue], percent: f64, every: Span) -> Option<Between> {
    let known = || minutes.iter().filter(|value| value.covered_ms > 0);
    let whole: f64 = known().map(|value| f64::from(value.covered_ms)).sum();
    let low = known().map(|value| value.min).reduce(f64::min)?;
    let high = known().map(|value| value.max).reduce(f64::max)?;
    if !(low.is_finite() && high.is_finite() && low >= 0.0) {
        return None;
    }
    let single = every.times(2) >= SEVERAL_IN;
    let allowed = (1.0 - percent / 100.0) * whole;
    let least_with = |above: &dyn Fn(&MinuteValue, f64) -> f64| {
        let enough = |t: f64| {
            let time: f64 = known().map(|value| f64::from(value.covered_ms) * above(value, t)).sum();
            time <= allowed * (1.0 + 1e-12)
        };
        let (mut from, mut to) = (low, high);
        for _ in 0..HALVINGS {
            let middle = f64::midpoint(from, to);
            if enough(middle) {
                to = middle;
            } else {
                from = middle;
            }
        }
        to
    };
    let at_most = |value: &MinuteValue, t: f64| most_above(value, t, single);
    let at_least = |value: &MinuteValue, t: f64| least_above(value, t, single);
    Some(Between { least: least_with(&at_least), most: least_with(&at_most) })
}

/// The largest share of a minute's values that can be above `t`.
fn most_above(value: &MinuteValue, t: f64, single: bool) -> f64 {
    let MinuteValue { mean, min, max, .. } = *value;
    let mean = mean.clamp(min, max);
    let mean = if single { mean } else { (mean * mean + (max - mean) * (mean - min)).sqrt().min(max) };
    if t >= max {
        0.0
    } else if t <= min {
        1.0
    } else {
        ((mean - min) / (t - min)).min(1.0)
    }
}

/// The smallest share of them that must be.
fn least_above(value: &MinuteValue, t: f64, single: bool) -> f64 {
    let MinuteValue { mean, min, max, covered_ms } = *value;
    let mean = mean.clamp(min, max);
    if t >= max {
        return 0.0;
    }
    if t < min {
        return 1.0;
    }
    let one = if single { (THREE_SECONDS.0 as f64 / f64::from(covered_ms)).min(1.0) } else { 0.0 };
    if t < mean { ((mean - t) / (max - t)).max(one) } else { one }
}

/// Between what the day's 99th percentile of the 3-second values of a distortion lies, in its own unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Daily {
    quantity: Quantity,
    between: Between,
    /// Share of the day that was measured, 0 to 1.
    share: f64,
}

/// Those of a meter that gives values often enough, and of the demand current what it was on the day.
pub(super) fn daily(input: &DayInput<'_>, rows: &MeterRows) -> Vec<Daily> {
    let meters =
        || input.quality.iter().flat_map(|plan| &plan.meters).filter(|(name, _)| *name == rows.meter);
    let Some((_, every)) = meters().next() else { return Vec::new() };
    let of_interest = |quantity: &Quantity| match quantity.what {
        Measurand::VoltageHarmonic | Measurand::CurrentHarmonicAmperes => quantity.number > 1,
        Measurand::VoltageThd | Measurand::DistortionCurrent => true,
        _ => false,
    };
    let columns = rows.series.iter().enumerate();
    columns
        .filter_map(|(column, quantity)| {
            let is_demand = quantity.what == Measurand::TddDemand;
            if !(is_demand || *every <= THREE_SECONDS && of_interest(quantity)) {
                return None;
            }
            let minutes: Vec<Measured> = measured(input, rows, column);
            let share = (covered(&minutes) / (input.to - input.from).0.max(1) as f64).min(1.0);
            let values: Vec<MinuteValue> = minutes.into_iter().map(|(_, value)| value).collect();
            let between = if is_demand {
                let least = values.iter().map(|value| value.min).reduce(f64::min)?;
                Between { least, most: values.iter().map(|value| value.max).reduce(f64::max)? }
            } else {
                between(&values, DAILY_PERCENT, *every)?
            };
            Some(Daily { quantity: *quantity, between, share })
        })
        .collect()
}

/// What the minutes of the day's 3-second values say of one distortion. Currents are put on the demand current of the day:
/// on its least for the most that they can be, on its largest for the least.
pub(super) fn daily_verdict(
    one: &Daily,
    all: &[&Daily],
    volts: Option<&VoltageLimits>,
    currents: Option<&CurrentLimits>,
) -> Option<VerdictDay> {
    let Daily { quantity, between, share } = *one;
    let place = quantity.place;
    let demand = || all.iter().find(|one| one.quantity.what == Measurand::TddDemand).map(|one| one.between);
    let of_demand = |amperes: Between| {
        let demand = demand().filter(|demand| demand.least > 0.0)?;
        Some(Between {
            least: 100.0 * amperes.least / demand.most,
            most: 100.0 * amperes.most / demand.least,
        })
    };
    let (told, limit, between) = match quantity.what {
        Measurand::VoltageThd => (quantity, volts?.thd, between),
        Measurand::VoltageHarmonic => (quantity, volts?.order, between),
        Measurand::DistortionCurrent => {
            (Quantity::at(Measurand::CurrentTdd, place), currents?.tdd, of_demand(between)?)
        }
        Measurand::CurrentHarmonicAmperes => {
            let told = Quantity::numbered(Measurand::CurrentHarmonic, place, quantity.number);
            (told, currents?.order_percent(quantity.number, Edition::Y2022)?, of_demand(between)?)
        }
        _ => return None,
    };
    let is_current = !matches!(quantity.what, Measurand::VoltageThd | Measurand::VoltageHarmonic);
    let statistic = STATISTICS.iter().find(|one| !one.weekly && one.current == is_current)?;
    (share >= LEAST_OF_QUALITY).then(|| VerdictDay {
        at_most: true,
        at_least: Some(between.least),
        ..VerdictDay::of(told, statistic, (between.most, statistic.times * limit, share))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::digest::{DayFigures, QualityDay};
    use crate::electrical::standard::percentile;
    use crate::phases::Place;
    use crate::plan::QualityPlan;
    use crate::plant::SideOf;
    use crate::time::EventTime;
    use proptest::prelude::*;

    /// Minutes of values of 3 s.
    fn minutes(values: &[f64], per_minute: usize) -> Vec<MinuteValue> {
        let of = |part: &[f64]| MinuteValue {
            mean: part.iter().sum::<f64>() / part.len() as f64,
            min: part.iter().copied().fold(f64::INFINITY, f64::min),
            max: part.iter().copied().fold(0.0, f64::max),
            covered_ms: 60_000,
        };
        values.chunks_exact(per_minute).map(of).collect()
    }

    /// Worked: of a hundred minutes two are at 8 % and the others at 3 %: more than one in a hundred is above 3 %, and nothing above 8 %.
    #[test]
    fn minutes_that_stand_still_leave_no_doubt() {
        let mut values = vec![3.0; 2000];
        values[..40].fill(8.0);
        let found = between(&minutes(&values, 20), 99.0, THREE_SECONDS).expect("values");
        assert!((found.least - 8.0).abs() < 1e-9 && (found.most - 8.0).abs() < 1e-9, "{found:?}");
        values[20..40].fill(3.0);
        let found = between(&minutes(&values, 20), 99.0, THREE_SECONDS).expect("values");
        assert!((found.least - 3.0).abs() < 1e-9 && (found.most - 3.0).abs() < 1e-9, "{found:?}");
        assert_eq!(between(&[], 99.0, THREE_SECONDS), None);
        assert_eq!(between(&[MinuteValue::default()], 99.0, THREE_SECONDS), None, "nothing was measured");
    }

    /// A start of a motor each minute: one value of twenty at 20 %, the others at 2 %: more than one in a hundred.
    // Seen to fail without the one value that is the largest.
    #[test]
    fn what_is_more_than_one_in_a_hundred_is_known_to_be() {
        let values: Vec<f64> = (0..2000).map(|index| if index % 20 == 7 { 20.0 } else { 2.0 }).collect();
        let found = between(&minutes(&values, 20), 99.0, THREE_SECONDS).expect("values");
        assert!(found.least > 19.9 && found.most <= 20.0 + 1e-9, "{found:?}");
        // Of a meter that is read each second nobody knows that a whole 3-second value was as large.
        let found = between(&minutes(&values, 20), 99.0, Span::seconds(1)).expect("values");
        assert!(found.least < 3.0 && found.most > 19.9, "{found:?}");
    }

    const TO: EventTime = EventTime(8 * 86_400_000);

    /// A day of a side at 208 V and a ratio of 22.2, whose meter gives a value `every` so often; `value` gives mean and largest of
    /// each minute, the least is 1.
    fn day(every: Span, value: impl Fn(Measurand, i64) -> (f64, f64)) -> QualityDay {
        let series = vec![
            Quantity::at(Measurand::VoltageThd, Place::B),
            Quantity::at(Measurand::DistortionCurrent, Place::B),
            Quantity::numbered(Measurand::CurrentHarmonicAmperes, Place::B, 5),
            Quantity::whole(Measurand::TddDemand),
        ];
        let minute = |quantity: &Quantity, minute: i64| {
            let (mean, max) = value(quantity.what, minute);
            let min = if quantity.what == Measurand::TddDemand { mean } else { mean.min(1.0) };
            MinuteValue { mean, min, max, covered_ms: 60_000 }
        };
        let from = TO - Span::hours(24);
        let rows = (0..1440).map(|at| {
            (from + Span::minutes(at), series.iter().map(|quantity| minute(quantity, at)).collect())
        });
        let rows = MeterRows {
            transformer: "T2".to_owned(),
            feeder: None,
            meter: "T2 secondary".to_owned(),
            series: series.clone(),
            limits: Vec::new(),
            rolls_over_at: Vec::new(),
            shortest_event: None,
            rows: rows.collect(),
        };
        let plans = [QualityPlan {
            transformer: "T2".to_owned(),
            side: SideOf::Secondary,
            meters: Box::new([("T2 secondary".to_owned(), every)]),
            volts: 208.0,
            short_circuit_ratio: Some(22.2),
            at_coupling: false,
        }];
        let input = DayInput {
            from,
            to: TO,
            until: TO,
            hours: &[],
            changes: &[],
            excursions: &[],
            parallel: &[],
            quality: &plans,
        };
        DayFigures::new(&input, &[rows]).quality.remove(0)
    }

    fn of(day: &QualityDay, what: Measurand) -> VerdictDay {
        *day.verdicts.iter().find(|one| one.quantity.what == what).expect("a verdict")
    }

    /// IEEE 519-2014 clause 5 (memory): a day's 99th percentile of the volts against one and a half times, of the currents against twice the
    /// table: 8, 8 and 7 % of a side below 1 kV at a ratio of 20 to 50. Demand 200 A: 10 A are 5 %, 40 A are 20 %.
    #[test]
    fn a_day_of_3_second_values_is_held_against_the_tables() {
        let quiet = day(THREE_SECONDS, |what, _| match what {
            Measurand::TddDemand => (200.0, 200.0),
            Measurand::VoltageThd => (3.0, 3.0),
            _ => (10.0, 10.0),
        });
        let volts = of(&quiet, Measurand::VoltageThd);
        assert_eq!((volts.allowed, volts.holds(), volts.percent), (12.0, Some(true), 99.0));
        let tdd = of(&quiet, Measurand::CurrentTdd);
        assert_eq!((tdd.allowed, tdd.holds()), (16.0, Some(true)));
        let near = |value: f64| (value - 5.0).abs() < 1e-6;
        assert!(tdd.at_most && near(tdd.value) && tdd.at_least.is_some_and(near), "{tdd:?}");
        let fifth = of(&quiet, Measurand::CurrentHarmonic);
        assert_eq!((fifth.allowed, fifth.holds(), fifth.quantity.number), (14.0, Some(true), 5));
        // Half an hour of 1440 minutes is 2 %, all of it above what is allowed; ten minutes are 0.7 %.
        let busy = |minutes: i64| {
            day(THREE_SECONDS, move |what, minute| match what {
                Measurand::TddDemand => (200.0, 200.0),
                Measurand::VoltageThd => (1.0, 1.0),
                _ if minute < minutes => (40.0, 40.0),
                _ => (1.0, 1.0),
            })
        };
        assert_eq!(of(&busy(30), Measurand::CurrentTdd).holds(), Some(false));
        assert_eq!(of(&busy(10), Measurand::CurrentTdd).holds(), Some(true));
    }

    /// What may be within or beyond is told as that, and a meter that is read every ten seconds has no 3-second values.
    // Seen to fail when a meter of ten seconds counted.
    #[test]
    fn what_minutes_do_not_prove_is_not_told() {
        let peaks = |what, _| match what {
            Measurand::TddDemand => (200.0, 200.0),
            _ => (2.0, 20.0),
        };
        let open = of(&day(Span::seconds(1), peaks), Measurand::VoltageThd);
        assert!(open.holds().is_none() && open.value > 19.9, "{open:?}");
        assert!(day(Span::seconds(10), peaks).verdicts.is_empty());
    }

    proptest! {
        // Seen to fail with half of the share that Markov's inequality allows, and with readings of a faster meter taken for
        // 3-second values.
        #[test]
        fn the_true_percentile_lies_between(
            base in prop::collection::vec((0.0..10.0f64, 0.0..6.0f64), 20..60),
            shape in prop::collection::vec(0.0..1.0f64, 60),
            faster in any::<bool>(),
        ) {
            let (readings, every) = if faster { (60, Span::seconds(1)) } else { (20, THREE_SECONDS) };
            let values: Vec<f64> = base
                .iter()
                .flat_map(|(low, over)| shape[..readings].iter().map(move |shape| low + over * shape.powi(4)))
                .collect();
            let mut threes: Vec<f64> = if faster {
                values.chunks_exact(3).map(|part| (part.iter().map(|one| one * one).sum::<f64>() / 3.0).sqrt()).collect()
            } else {
                values.clone()
            };
            let truth = percentile(&mut threes, 99.0).expect("values");
            let found = between(&minutes(&values, readings), 99.0, every).expect("values");
            prop_assert!(found.least <= truth + 1e-6 && truth <= found.most + 1e-6, "{found:?} {truth}");
        }
    }
}
