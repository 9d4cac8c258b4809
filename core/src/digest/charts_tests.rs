//! Lines of charts, made by hand.

use super::*;
use crate::digest::{DayFigures, LimitOn, MinuteValue};
use crate::measurand::{Quantity, Unit};
use crate::output::{Excursion, Subject};
use crate::phases::Place;

const MINUTE: i64 = 60_000;

fn meter(
    name: &str,
    feeder: bool,
    series: Vec<Quantity>,
    value: impl Fn(i64, usize) -> Option<f64>,
) -> MeterRows {
    let columns = series.len();
    let cell = |minute, column| match value(minute, column) {
        Some(mean) => MinuteValue { mean, min: mean - 0.5, max: mean + 0.25, covered_ms: 60_000 },
        None => MinuteValue::default(),
    };
    MeterRows {
        transformer: "T2".into(),
        feeder: feeder.then(|| name.to_owned()),
        meter: name.into(),
        series,
        limits: Vec::new(),
        rolls_over_at: Vec::new(),
        shortest_event: None,
        rows: (0..1440)
            .map(|minute| {
                (EventTime(minute * MINUTE), (0..columns).map(|column| cell(minute, column)).collect())
            })
            .collect(),
    }
}

fn figures(meters: &[MeterRows], excursions: &[Excursion]) -> DayFigures {
    let (from, to) = (EventTime(0), EventTime(1440 * MINUTE));
    let hours: Vec<(EventTime, u8)> =
        (0..24).map(|hour| (EventTime(i64::from(hour) * 60 * MINUTE), hour)).collect();
    DayFigures::new(
        &DayInput {
            from,
            to,
            until: to,
            hours: &hours,
            changes: &[],
            excursions,
            parallel: &[],
            quality: &[],
        },
        meters,
    )
}

fn excursion(meter: &str, quantity: Quantity, minute: i64) -> Excursion {
    Excursion {
        subject: Subject {
            transformer: Some("T2".into()),
            feeder: None,
            meter: Some(meter.into()),
            matter: Matter::Quantity(quantity),
        },
        bound: Bound::High,
        start: EventTime(minute * MINUTE),
        length: Span::seconds(4),
        peak: 4.0,
        setpoint: 2.0,
    }
}

#[test]
fn a_gap_is_a_gap_and_what_was_measured_keeps_its_least_mean_and_largest() {
    let winding = Quantity::at(Measurand::Winding, Place::A);
    // Nothing from 06:00 to 07:05.
    let rows = meter("T2 sensors", false, vec![winding], |minute, _| {
        (!(360..425).contains(&minute)).then_some(90.0 + minute as f64 / 100.0)
    });
    let figures = figures(&[rows], &[]);
    let line = &figures.lines[0];
    assert_eq!(line.mean.len(), 144);
    assert_eq!(line.measured, [(36, 100), (6, 0), (1, 50), (101, 100)]);
    assert!(line.mean[36..42].iter().all(Option::is_none), "absent is not zero: {:?}", &line.mean[36..42]);
    let steps: Vec<Option<StepValue>> = line.steps().collect();
    let first = steps[0].unwrap();
    // Minutes 0 to 9: mean 90.045, least 89.5, largest 90.34; in tenths of a degree.
    assert!((first.mean - 90.0).abs() < 1e-9 && (first.min - 89.5).abs() < 1e-9, "{first:?}");
    assert!((first.max - 90.3).abs() < 1e-9, "{first:?}");
}

#[test]
fn excursions_are_ticks_at_their_steps_and_limits_go_with_their_quantity() {
    let unbalance = Quantity::whole(Measurand::VoltageUnbalance);
    let line = LimitLine { bound: Bound::High, setpoint: 2.0, priority: Priority::Low, over: None };
    let mut rows = meter("T2 secondary", false, vec![unbalance], |_, _| Some(1.0));
    rows.limits.push(LimitOn { quantity: unbalance, line });
    rows.limits.push(LimitOn { quantity: Quantity::whole(Measurand::LoadingKva), line });
    let at = |minute| excursion("T2 secondary", unbalance, minute);
    let figures = figures(&[rows], &[at(780), at(781), at(799), at(-5)]);
    assert_eq!(figures.lines[0].excursions, [(78, 2), (79, 1)]);
    assert_eq!(figures.lines[0].limits, [line]);
}

#[test]
fn of_many_feeders_the_troubled_ones_are_drawn_and_the_bound_holds() {
    let phase = Quantity::whole(Measurand::LoadingPhase);
    let names: Vec<String> = (1..=40).map(|number| format!("MP-{number}")).collect();
    let meters: Vec<MeterRows> =
        names.iter().map(|name| meter(name, true, vec![phase], |_, _| Some(50.0))).collect();
    let figures = figures(&meters, &[excursion("MP-39", phase, 60)]);
    assert_eq!(figures.lines.len(), MOST_LINES);
    assert!(figures.lines.iter().any(|line| line.meter == "MP-39"));
    assert_eq!(figures.meters.len(), 40, "the figures of the others are kept");
}

/// A transformer with everything: about 30 kB a day, as the design has it.
#[test]
fn the_lines_of_a_transformer_take_about_thirty_kilobytes() {
    let at = |what: Measurand| what.facts().places.list().iter().map(move |place| Quantity::at(what, *place));
    let series: Vec<Quantity> = DRAWN.iter().flat_map(|what| at(*what)).collect();
    assert!(series.len() >= 25, "{}", series.len());
    // Values as on a working day: a slow wave with some noise about a level of its unit.
    let level = |quantity: &Quantity| match quantity.what.facts().unit {
        Unit::Volt => 208.0,
        Unit::Celsius => 95.0,
        Unit::Ampere => 40.0,
        _ => 12.0,
    };
    let levels: Vec<f64> = series.iter().map(level).collect();
    let wave = |minute: i64, column: usize| {
        let (slow, noise) = (minute as f64 / 230.0 + column as f64, (minute * 37 % 101) as f64 / 101.0 - 0.5);
        Some(levels[column] * (1.0 + 0.2 * slow.sin()) + noise)
    };
    let figures = figures(&[meter("T2 secondary", false, series, wave)], &[]);
    let bytes = serde_json::to_string(&figures.lines).unwrap().len();
    assert!(bytes <= 36_000, "{bytes} bytes for {} lines", figures.lines.len());
}
