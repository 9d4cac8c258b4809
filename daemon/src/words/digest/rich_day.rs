//! A day of which a digest says nearly all that it can say, for its tests.

use super::tests::{across, day_of, day_with_causes};
use super::*;
use crate::digest::{RecordingDay, Revised, Room};
use crate::words::gap;
use kvarden_core::digest::charts::LimitLine;
use kvarden_core::digest::figures::{AlarmFigures, WorkDay};
use kvarden_core::digest::{
    CounterDay, DayInput, LimitOn, MeterRows, MinuteValue, QualityDay, RecurrenceDay, SeenDay, SharedDay,
    SharingDay, StateDay, VerdictDay, WaitingDay,
};
use kvarden_core::input::Part;
use kvarden_core::output::{Excursion, Rule};
use kvarden_core::plan::{ReasonFigure, Why};
use kvarden_core::plant::{Bound, Condition};
use kvarden_core::supply::{Fed, OtherSupply, StateNow};
use kvarden_core::time::Span;

const MINUTE: i64 = 60_000;

fn minute(minute: i64) -> EventTime {
    EventTime(minute * MINUTE)
}

fn about(meter: &str, matter: Matter) -> Subject {
    let feeder = (meter == "MP-3").then(|| "MP-3".to_owned());
    Subject { transformer: Some("T2".to_owned()), feeder, meter: Some(meter.to_owned()), matter }
}

fn unbalance() -> Subject {
    about("T2 secondary", Matter::Quantity(Quantity::whole(Measurand::VoltageUnbalance)))
}

/// The load side, not measured from 06:00 to 10:00, its distortion only for half of the day.
fn secondary() -> MeterRows {
    let columns = [
        (Quantity::at(Measurand::VoltageLl, Place::AB), 480.0),
        (Quantity::at(Measurand::VoltageLl, Place::BC), 478.0),
        (Quantity::whole(Measurand::VoltageUnbalance), 1.5),
        (Quantity::at(Measurand::CurrentTdd, Place::B), 7.0),
        (Quantity::at(Measurand::Termination, Place::A), 50.0),
        (Quantity::whole(Measurand::Ambient), 24.0),
    ];
    let value = |minute: i64, (quantity, base): &(Quantity, f64)| {
        let mean = base + minute as f64 / 1000.0;
        let late = quantity.what == Measurand::CurrentTdd && minute < 720;
        let is_measured = !(360..600).contains(&minute) && !late;
        let covered_ms = if is_measured { 60_000 } else { 0 };
        MinuteValue { mean, min: mean - 0.5, max: mean + 1.0, covered_ms }
    };
    let line = |bound, setpoint, priority| LimitLine { bound, setpoint, priority, over: None };
    MeterRows {
        transformer: "T2".to_owned(),
        feeder: None,
        meter: "T2 secondary".to_owned(),
        series: columns.map(|(quantity, _)| quantity).to_vec(),
        limits: vec![
            LimitOn { quantity: columns[2].0, line: line(Bound::High, 2.0, Priority::High) },
            LimitOn { quantity: columns[0].0, line: line(Bound::Low, 479.0, Priority::Low) },
        ],
        rolls_over_at: Vec::new(),
        shortest_event: Some(Span::seconds(5)),
        rows: (0..1440)
            .map(|at| (minute(at), columns.iter().map(|column| value(at, column)).collect()))
            .collect(),
    }
}

/// A feeder's meter that has another name.
fn hall() -> MeterRows {
    let value = MinuteValue { mean: 40.0, min: 39.0, max: 41.0, covered_ms: 60_000 };
    MeterRows {
        feeder: Some("Hall".to_owned()),
        meter: "MP-9".to_owned(),
        series: vec![Quantity::whole(Measurand::LoadingPhase)],
        limits: Vec::new(),
        shortest_event: None,
        rows: (0..1440).map(|at| (minute(at), vec![value])).collect(),
        ..secondary()
    }
}

fn alarms() -> Vec<AlarmDay> {
    let level = Rule::Level { bound: Bound::High, level: 2 };
    let alarm = AlarmDay {
        subject: unbalance(),
        rule: level,
        priority: Priority::Urgent,
        times: 3,
        first: minute(790),
        held: Span::minutes(72),
        peak: Some(4.12),
        setpoint: Some(3.0),
        over: Some(Span::minutes(10)),
        seen: None,
        standing: true,
        chattering: true,
        fed: None,
    };
    let state = StateNow { name: "Q3".to_owned(), what: Measurand::BreakerClosed, on: Some(true) };
    let tie = OtherSupply { by: Fed::By("T3".to_owned()), states: vec![state] };
    let volts = Matter::Quantity(Quantity::at(Measurand::VoltageLl, Place::AB));
    let seen = Some(SeenDay { times: 3, first: minute(780), last: minute(955) });
    let comes = Rule::Recurrence { bound: Bound::High };
    vec![
        alarm.clone(),
        AlarmDay {
            subject: about("MP-3", volts.clone()),
            rule: Rule::Level { bound: Bound::Low, level: 1 },
            priority: Priority::High,
            times: 1,
            peak: Some(431.5),
            setpoint: Some(456.0),
            over: None,
            standing: false,
            chattering: false,
            fed: Some(tie),
            ..alarm.clone()
        },
        AlarmDay { rule: comes, priority: Priority::Low, seen, standing: false, ..alarm.clone() },
        AlarmDay {
            rule: Rule::Recurrence { bound: Bound::Low },
            subject: about("T2 secondary", volts),
            priority: Priority::Journal,
            seen: None,
            ..alarm.clone()
        },
        AlarmDay {
            subject: about("MP-1", Matter::Meter),
            rule: Rule::Silent { level: 1 },
            priority: Priority::Low,
            times: 0,
            peak: None,
            setpoint: None,
            ..alarm.clone()
        },
        AlarmDay {
            subject: Subject {
                transformer: None,
                feeder: None,
                meter: None,
                matter: Matter::Part(Part::Store),
            },
            rule: Rule::Broken,
            priority: Priority::High,
            peak: None,
            setpoint: None,
            chattering: false,
            ..alarm
        },
    ]
}

fn waiting() -> Vec<WaitingDay> {
    let day = WaitingDay {
        subject: unbalance(),
        rule: Rule::Level { bound: Bound::High, level: 2 },
        priority: Priority::Urgent,
        since: minute(790),
        to_acknowledge: true,
        to_release: true,
    };
    let of = |what| about("T2 sensors", Matter::Quantity(Quantity::at(what, Place::B)));
    let winding = WaitingDay { subject: of(Measurand::Winding), to_acknowledge: false, ..day.clone() };
    let comes = Rule::Recurrence { bound: Bound::High };
    let current =
        WaitingDay { subject: of(Measurand::Current), rule: comes, to_release: false, ..day.clone() };
    vec![day, winding, current]
}

fn asked() -> AlarmFigures {
    let work = |feeder: Option<&str>, transformer: Option<&str>, until| WorkDay {
        subject: Subject {
            transformer: transformer.map(str::to_owned),
            feeder: feeder.map(str::to_owned),
            meter: None,
            matter: Matter::Work,
        },
        from: minute(600),
        until,
        by: "Ines".to_owned(),
        why: "IR-42".to_owned(),
    };
    AlarmFigures {
        rose: 20,
        most_in_an_hour: 12,
        by_priority: [15, 4, 1],
        held: Span::hours(3),
        in_flood: Span::minutes(36),
        acknowledged: 3,
        not_acknowledged: 2,
        to_acknowledge: Some((Span::minutes(4), Span::minutes(50))),
        stale: vec![(about("MP-1", Matter::Meter), Rule::Frozen, minute(-2000))],
        stale_count: 3,
        chattering: vec![(about("MP-3", Matter::Meter), Rule::Frozen)],
        chattering_count: 2,
        works: vec![work(Some("MP-3"), Some("T2"), Some(minute(660))), work(None, None, None)],
    }
}

fn quality() -> Vec<QualityDay> {
    let verdict = |what, weekly, value, at_least| VerdictDay {
        quantity: Quantity::at(what, Place::B),
        weekly,
        percent: if weekly { 95.0 } else { 99.0 },
        value,
        allowed: 8.0,
        share: 0.98,
        at_most: !weekly,
        at_least,
    };
    let day = QualityDay {
        transformer: "T2".to_owned(),
        load_side: true,
        at_coupling: false,
        short_circuit_ratio: Some(22.2),
        week: 0.98,
        verdicts: vec![
            verdict(Measurand::VoltageThd, true, 8.4, None),
            verdict(Measurand::CurrentTdd, true, 7.1, None),
            verdict(Measurand::VoltageThd, false, 9.0, Some(6.0)),
            verdict(Measurand::VoltageThd, false, 4.0, None),
        ],
    };
    let primary = QualityDay {
        load_side: false,
        at_coupling: true,
        short_circuit_ratio: None,
        week: 0.31,
        verdicts: Vec::new(),
        ..day.clone()
    };
    vec![day, primary]
}

fn sharing() -> SharingDay {
    use kvarden_core::diagnosis::Part;
    use kvarden_core::electrical::parallel::Unit;
    let unit = |name: &str, kva: f64, impedance_percent| SharedDay {
        name: name.to_owned(),
        unit: Unit { kva: 500.0, impedance_percent, open_volts: 1.0 },
        part: Part {
            kva,
            share: kva / 900.0,
            by_impedance: kva / 900.0,
            most: 0.7,
            by_rating: 0.5,
            all_of_rated: 0.9,
        },
    };
    SharingDay { at: minute(850), units: vec![unit("T2", 500.0, 4.0), unit("T3", 400.0, 5.0)], measured: 0.9 }
}

/// A state that changed, one that did not, and a counter of which a part is known.
fn add_states(figures: &mut DayFigures) {
    let state = StateDay {
        quantity: Quantity::whole(Measurand::BreakerClosed),
        on: Span::minutes(192),
        changes: 4,
        first_change: Some(minute(602)),
        last_change: Some(minute(880)),
        on_at_end: true,
        measured: 0.8,
    };
    let once = StateDay { changes: 1, last_change: Some(minute(602)), on_at_end: false, ..state.clone() };
    let still = StateDay { first_change: None, last_change: None, ..state.clone() };
    let energy = Quantity::whole(Measurand::EnergyImport);
    figures.meters[0].states = vec![state, once, still];
    figures.meters[0].counters =
        vec![CounterDay { quantity: energy, amount: 812_400.0, known: Span::hours(12) }];
}

/// Each reason for which something is not judged.
fn not_judged(speech: Speech) -> Vec<String> {
    let figure = |name| ReasonFigure { name, value: 1.24, decimals: 1 };
    let of = |why: &Why| kvarden_core::plan::Reason {
        figures: ["example", "least", "most", "falling", "carried", "half"].map(figure).to_vec(),
        conditions: vec![Condition { on: Measurand::LoadingKva, above: 20.0 }; 2],
        ..(*why).into()
    };
    Why::ALL.iter().map(|why| format!("MP-3: {}", gap::reason(&of(why), speech))).collect()
}

/// A day on which everything that can be told has happened.
pub(super) fn rich(language: &str) -> FrozenDay {
    let (from, to) = (EventTime(0), minute(1440));
    let hours: Vec<(EventTime, u8)> = (0..24).map(|hour| (minute(i64::from(hour) * 60), hour)).collect();
    let blink = |at: i64| Excursion {
        subject: unbalance(),
        bound: Bound::High,
        start: minute(at),
        length: Span::seconds(3),
        peak: 4.0,
        setpoint: 2.0,
    };
    let excursions = [blink(800), blink(803), blink(1100)];
    let input = DayInput {
        from,
        to,
        until: to,
        hours: &hours,
        changes: &[],
        excursions: &excursions,
        parallel: &[],
        quality: &[],
    };
    let mut figures = DayFigures::new(&input, &[secondary(), hall(), across(1440)]);
    (figures.alarms, figures.waiting) = (alarms(), waiting());
    let sag = RecurrenceDay {
        bound: Bound::Low,
        times: 1,
        subject: about("T2 secondary", Matter::Quantity(Quantity::at(Measurand::VoltageLl, Place::AB))),
        peak: 431.5,
        ..figures.recurrences[0].clone()
    };
    figures.recurrences.push(sag);
    figures.most_in_ten_minutes = 12;
    figures.asked = Some(asked());
    (figures.quality, figures.sharing) = (quality(), vec![sharing()]);
    add_states(&mut figures);
    let causes = day_with_causes();
    let mut day = day_of(figures);
    day.language = language.to_owned();
    (day.findings, day.events) = (causes.findings, causes.events);
    let once = crate::digest::findings::EventDay { times: 1, ..day.events[0].clone() };
    day.events.push(once);
    day.not_judged = not_judged(Speech::of(Some(language)));
    day.transformers.push("T3".to_owned());
    day.room = Some(Room { used_bytes: 1_400_000_000, max_bytes: 4_000_000_000 });
    day.revision = 2;
    day.revised = Some(Revised { at: minute(1900), late: vec![("T2 across meters".to_owned(), 36)] });
    day.recordings = vec![RecordingDay {
        id: "R-1".to_owned(),
        scope: "T2".to_owned(),
        alarm: "T2/T2 secondary/voltage_unbalance_percent/high 2#1".to_owned(),
        from: minute(789),
        to: minute(795),
        priority: Priority::Urgent,
        whole: false,
    }];
    day
}

/// The same day to its log's end, with more that needs a person than is listed.
pub(super) fn rich_until_its_log_ends(language: &str) -> FrozenDay {
    let mut day = rich(language);
    day.figures.until = minute(1300);
    let alarm = day.figures.alarms[0].clone();
    for level in 10..60 {
        let rule = Rule::Level { bound: Bound::High, level };
        let priority = if level % 2 == 0 { Priority::Low } else { Priority::High };
        let subject = about("MP-9", alarm.subject.matter.clone());
        day.figures.alarms.push(AlarmDay { subject, rule, priority, ..alarm.clone() });
    }
    day
}
