//! Alarms and their floods, and what is said beyond this machine.

use super::{Area, Case};
use kvarden_core::alarm::level::{LevelRule, LevelState, Step};
use kvarden_core::digest::{CHATTERING, FLOOD, most_within};
use kvarden_core::plant::Bound;
use kvarden_core::time::{EventTime, Span};
use toml::{Table, Value};

pub(super) const AREA: Area = Area {
    computed: &[("alarm_run", 1), ("chattering", 1), ("flood", 1)],
    later: &["sparkplug_seq", "syslog_pri"],
    got,
};

fn got(case: &Case) -> Option<Table> {
    Some(match case.quantity.as_str() {
        "alarm_run" => alarm_run(case),
        "chattering" => {
            let most = most_within(&times(case), CHATTERING.1);
            assert_eq!(CHATTERING.1, Span::seconds(60), "the case counts within 60 s");
            let chattering = most >= CHATTERING.0;
            Table::from_iter([
                ("most_in_60s".to_owned(), (most as i64).into()),
                ("chattering".to_owned(), chattering.into()),
            ])
        }
        "flood" => {
            let times = times(case);
            let most = most_within(&times, FLOOD.1);
            assert_eq!(FLOOD.1, Span::seconds(600), "the case counts within 600 s");
            Table::from_iter([
                ("most_in_600s".to_owned(), (most as i64).into()),
                ("flood".to_owned(), (most > FLOOD.0).into()),
                ("per_hour".to_owned(), (times.len() as f64 / case.number("period_h")).into()),
            ])
        }
        _ => return None,
    })
}

fn times(case: &Case) -> Vec<EventTime> {
    case.numbers("t_s").into_iter().map(|seconds| EventTime((seconds * 1000.0) as i64)).collect()
}

fn alarm_run(case: &Case) -> Table {
    let rule = LevelRule {
        bound: Bound::High,
        setpoint: case.number("setpoint"),
        deadband: case.number("deadband"),
        on_delay: Span::seconds(case.number("on_delay_s") as i64),
        off_delay: Span::seconds(case.number("off_delay_s") as i64),
    };
    let (times, values) = (times(case), case.numbers("values"));
    assert_eq!(times.len(), values.len(), "{}: a value for each time", case.name);
    let (mut state, mut on, mut off) = (LevelState::default(), Vec::new(), Vec::new());
    for (index, (at, value)) in times.iter().zip(values).enumerate() {
        // Each sample stands for the time since the one before.
        let credit = if index == 0 { Span::ZERO } else { *at - times[index - 1] };
        let moment = Value::Float(at.0 as f64 / 1000.0);
        match state.observe(&rule, *at, value, credit) {
            Some(Step::Raise { .. }) => on.push(moment),
            Some(Step::Clear) => off.push(moment),
            None => {}
        }
    }
    Table::from_iter([("on".to_owned(), Value::Array(on)), ("off".to_owned(), Value::Array(off))])
}
