//! Days made by hand, and their figures.

use super::*;
use crate::alarm::state::AlarmState;
use crate::measurand::Measurand;
use crate::output::Matter;

fn subject() -> Subject {
    Subject {
        transformer: Some("T2".into()),
        feeder: Some("MP-3".into()),
        meter: Some("MP-3".into()),
        matter: Matter::Quantity(Quantity::whole(Measurand::VoltageUnbalance)),
    }
}

fn change(number: u32, minute: i64, what: ChangeKind, peak: f64) -> Change {
    Change {
        alarm: format!("T2/MP-3#{number}"),
        step: 1,
        at: EventTime(minute * 60_000),
        what,
        from: AlarmState::Normal,
        to: AlarmState::Unacknowledged,
        subject: subject(),
        rule: Rule::Level { bound: Bound::High, level: 1 },
        priority: Priority::High,
        since: EventTime(minute * 60_000),
        value: Some(peak),
        peak: Some(peak),
        setpoint: Some(3.0),
        over: None,
        recurred: None,
        fed: None,
    }
}

fn day(changes: &[Change], excursions: &[Excursion], meters: &[MeterRows]) -> DayFigures {
    let (from, to) = (EventTime(0), EventTime(86_400_000));
    let hours: Vec<(EventTime, u8)> =
        (0..24).map(|hour| (EventTime(i64::from(hour) * 3_600_000), hour)).collect();
    DayFigures::new(
        &DayInput { from, to, until: to, hours: &hours, changes, excursions, parallel: &[], quality: &[] },
        meters,
    )
}

#[test]
fn an_alarm_that_stood_at_midnight_counts_from_midnight_and_one_without_end_to_the_end() {
    let changes = [
        change(1, -30, ChangeKind::Raised, 3.5),
        change(1, 30, ChangeKind::Cleared, 4.2),
        change(2, 24 * 60 - 10, ChangeKind::Raised, 3.1),
    ];
    let figures = day(&changes, &[], &[]);
    assert_eq!(figures.alarms.len(), 1);
    let alarm = &figures.alarms[0];
    assert_eq!((alarm.held, alarm.times, alarm.standing), (Span::minutes(40), 1, true));
    assert_eq!(alarm.peak, Some(4.2));
}

#[test]
fn what_ended_before_the_day_is_not_of_the_day() {
    let changes = [change(1, -30, ChangeKind::Raised, 3.5), change(1, -20, ChangeKind::Cleared, 3.5)];
    assert!(day(&changes, &[], &[]).alarms.is_empty());
}

#[test]
fn excursions_are_counted_by_local_hour() {
    let at = |minute: i64| Excursion {
        subject: subject(),
        bound: Bound::High,
        start: EventTime(minute * 60_000),
        length: Span::seconds(minute % 7 + 2),
        peak: 4.0 + minute as f64 / 1000.0,
        setpoint: 2.0,
    };
    let figures = day(&[], &[at(790), at(800), at(850)], &[]);
    assert_eq!(figures.recurrences[0].by_hour, [(13, 2), (14, 1)]);
    assert_eq!(figures.recurrences[0].times, 3);
}

#[test]
fn a_figure_says_what_share_of_the_day_was_measured() {
    let value = |mean: f64| MinuteValue { mean, min: mean - 1.0, max: mean + 1.0, covered_ms: 60_000 };
    let rows = (0..360).map(|minute| (EventTime(minute * 60_000), vec![value(minute as f64)])).collect();
    let meter = MeterRows {
        transformer: "T2".into(),
        feeder: None,
        meter: "T2 secondary".into(),
        series: vec![Quantity::whole(Measurand::LoadingKva), Quantity::whole(Measurand::LoadingPhase)],
        limits: Vec::new(),
        rolls_over_at: Vec::new(),
        shortest_event: None,
        rows,
    };
    let figures = day(&[], &[], &[meter]);
    let series = &figures.meters[0].series;
    assert_eq!(series.len(), 1, "what was never measured has no figures");
    assert!((series[0].measured - 0.25).abs() < 1e-12);
    assert_eq!((series[0].max, series[0].max_at), (360.0, EventTime(359 * 60_000)));
    assert_eq!((series[0].min, series[0].mean), (-1.0, 179.5));
}

#[test]
fn a_fault_that_lasted_or_was_told_by_a_level_is_no_short_excursion() {
    let one = |minute: i64, length: Span| Excursion {
        subject: subject(),
        bound: Bound::High,
        start: EventTime(minute * 60_000),
        length,
        peak: 4.0,
        setpoint: 2.0,
    };
    let excursions = [one(60, Span::seconds(9)), one(120, Span::hours(8)), one(700, Span::minutes(3))];
    let figures = day(&[change(1, 701, ChangeKind::Raised, 4.0)], &excursions, &[]);
    let short = &figures.recurrences[0];
    assert_eq!((short.times, short.longest), (1, Span::seconds(9)));
    let mean = Change { over: Some(Span::minutes(10)), ..change(1, 701, ChangeKind::Raised, 4.0) };
    let figures = day(&[mean], &excursions, &[]);
    assert_eq!(figures.recurrences[0].times, 2, "a mean of ten minutes says nothing about one excursion");
}

#[test]
fn a_recurrence_was_seen_when_its_excursions_were_and_not_while_it_was_watched_for() {
    let rule = Rule::Recurrence { bound: Bound::High };
    let of = |minute: i64, what| Change { rule, ..change(1, minute, what, 4.0) };
    let one = |minute: i64| Excursion {
        subject: subject(),
        bound: Bound::High,
        start: EventTime(minute * 60_000),
        length: Span::seconds(9),
        peak: 4.0,
        setpoint: 2.0,
    };
    let changes = [of(790, ChangeKind::Raised), of(1315, ChangeKind::Cleared)];
    let figures = day(&changes, &[one(780), one(785), one(790), one(955)], &[]);
    let seen = SeenDay { times: 4, first: EventTime(780 * 60_000), last: EventTime(955 * 60_000) };
    assert_eq!(figures.alarms[0].seen, Some(seen));
    assert_eq!(day(&changes, &[], &[]).alarms[0].seen, None);
}

#[test]
fn what_waits_for_a_person_is_known_by_the_last_state_of_each_alarm() {
    let left = |number, minute, what, to| Change { to, ..change(number, minute, what, 3.5) };
    let by = "Ines".to_owned();
    let mut changes = vec![
        left(1, 10, ChangeKind::Raised, AlarmState::Unacknowledged),
        left(1, 20, ChangeKind::Cleared, AlarmState::ReturnedUnacknowledged),
    ];
    let waits = |changes: &[Change]| -> Vec<(bool, bool)> {
        day(changes, &[], &[]).waiting.iter().map(|one| (one.to_acknowledge, one.to_release)).collect()
    };
    assert_eq!(waits(&changes), [(true, false)], "it stands no more, and still nobody has seen it");
    changes.push(left(2, 30, ChangeKind::Raised, AlarmState::Unacknowledged));
    changes.push(left(2, 40, ChangeKind::Acknowledged { by: by.clone() }, AlarmState::Acknowledged));
    assert!(waits(&changes).is_empty());
    changes.push(left(2, 50, ChangeKind::Cleared, AlarmState::LatchedAcknowledged));
    assert_eq!(waits(&changes), [(false, true)]);
    let released = ChangeKind::Released { by, note: "joint remade".to_owned() };
    changes.push(left(2, 24 * 60 + 1, released, AlarmState::Normal));
    assert_eq!(waits(&changes), [(false, true)], "what is done on the next day is not of this day");
}

#[test]
fn the_least_measured_point_of_a_meter_stands_beside_its_best() {
    let value = |covered_ms| MinuteValue { mean: 90.0, min: 90.0, max: 90.0, covered_ms };
    let [a, b, c] = crate::phases::Place::PHASES.map(|place| Quantity::at(Measurand::Winding, place));
    let meter = MeterRows {
        transformer: "T2".into(),
        feeder: None,
        meter: "T2 sensors".into(),
        series: vec![a, b, c, Quantity::whole(Measurand::CurrentUnbalance)],
        limits: Vec::new(),
        rolls_over_at: Vec::new(),
        shortest_event: None,
        rows: (0..1440)
            .map(|minute| {
                let of_b = if minute < 720 { 60_000 } else { 0 };
                (EventTime(minute * 60_000), vec![value(60_000), value(of_b), value(60_000), value(0)])
            })
            .collect(),
    };
    let figures = day(&[], &[], &[meter]);
    assert!((figures.meters[0].measured - 1.0).abs() < 1e-12);
    assert_eq!(figures.meters[0].least, Some((b, 0.5)));
}

fn loading(rows: Vec<(EventTime, Vec<MinuteValue>)>) -> MeterRows {
    MeterRows {
        transformer: "T2".into(),
        feeder: Some("MP-3".into()),
        meter: "MP-3".into(),
        series: vec![Quantity::whole(Measurand::VoltageUnbalance)],
        limits: Vec::new(),
        rolls_over_at: Vec::new(),
        shortest_event: None,
        rows,
    }
}

fn flat(mean: f64, max: f64) -> Vec<MinuteValue> {
    vec![MinuteValue { mean, min: mean, max, covered_ms: 60_000 }]
}

#[test]
fn an_alarm_that_stood_beyond_the_day_has_the_worst_value_of_the_day() {
    let minute = |minute: i64, value| (EventTime(minute * 60_000), value);
    // It rose yesterday at 9 %, stood at 3.5 %, once 4.4 %, and clears tomorrow.
    let rows = (0..1440).map(|at| minute(at, flat(3.5, if at == 700 { 4.4 } else { 3.6 }))).collect();
    let changes = [change(1, -30, ChangeKind::Raised, 9.0)];
    let figures = day(&changes, &[], &[loading(rows)]);
    assert_eq!(figures.alarms[0].peak, Some(4.4));
    assert_eq!(day(&changes, &[], &[]).alarms[0].peak, Some(9.0), "without rows only the rise is known");
}

#[test]
fn an_alarm_on_a_mean_that_stands_has_the_worst_mean_of_the_day() {
    let minute = |minute: i64, value| (EventTime(minute * 60_000), value);
    // Ten minutes of 5 % among 3.5 %: the worst mean of ten minutes is 5 %, that of the values is 8 %.
    let rows = (0..1440)
        .map(|at| minute(at, if (700..710).contains(&at) { flat(5.0, 8.0) } else { flat(3.5, 3.5) }))
        .collect();
    let raised = Change { over: Some(Span::minutes(10)), ..change(1, 600, ChangeKind::Raised, 3.2) };
    assert_eq!(day(&[raised], &[], &[loading(rows)]).alarms[0].peak, Some(5.0));
}

fn one_column(what: Measurand, rows: Vec<(EventTime, Vec<MinuteValue>)>) -> MeterRows {
    MeterRows { series: vec![Quantity::whole(what)], ..loading(rows) }
}

#[test]
fn a_counter_tells_what_it_counted_also_across_a_gap_and_its_end_but_not_across_a_reset() {
    // 100 Wh a minute from 990 000 on; it ends at 1 000 000. Nothing is read from 10:00 to 12:00; set back at 18:00.
    let value = |at: i64| {
        let whole = 990_000.0 + 100.0 * at as f64;
        if at >= 1080 {
            5_000.0 + 100.0 * (at - 1080) as f64
        } else if whole >= 1e6 {
            whole - 1e6
        } else {
            whole
        }
    };
    let rows = (0..1440).filter(|at| !(600..720).contains(at)).map(|at| {
        let first = MinuteValue { mean: 0.0, min: value(at), max: value(at) + 99.0, covered_ms: 60_000 };
        (EventTime(at * 60_000), vec![first])
    });
    let mut meter = one_column(Measurand::EnergyImport, rows.collect());
    meter.rolls_over_at = vec![(Quantity::whole(Measurand::EnergyImport), 1e6)];
    let figures = day(&[], &[], &[meter]);
    let counted = figures.meters[0].counters[0];
    // A whole day but one step, the one of the reset, and the last 1 Wh.
    assert!((counted.amount - (144_000.0 - 2.0)).abs() < 1e-6, "{counted:?}");
    assert!(counted.known >= Span::minutes(1439), "{counted:?}");
    assert!(figures.meters[0].series.is_empty(), "a counter has no mean");
}

#[test]
fn a_state_tells_how_long_it_was_on_and_when_it_changed() {
    let minute = |at: i64, mean: f64, min: f64, max: f64| {
        (EventTime(at * 60_000), vec![MinuteValue { mean, min, max, covered_ms: 60_000 }])
    };
    // Off, on within 08:00 for its last quarter, on to 09:59, off from 10:00 on.
    let rows = (0..1440).map(|at| match at {
        480 => minute(at, 0.25, 0.0, 1.0),
        481..600 => minute(at, 1.0, 1.0, 1.0),
        _ => minute(at, 0.0, 0.0, 0.0),
    });
    let figures = day(&[], &[], &[one_column(Measurand::FanRunning, rows.collect())]);
    let fan = &figures.meters[0].states[0];
    assert_eq!(fan.on, Span(119 * 60_000 + 15_000));
    assert_eq!((fan.changes, fan.on_at_end), (2, false));
    assert_eq!(
        (fan.first_change, fan.last_change),
        (Some(EventTime(480 * 60_000)), Some(EventTime(600 * 60_000)))
    );
}
