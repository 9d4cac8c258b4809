//! The store told as a logbook: what is opened, stored, told, lost and found again.

mod applying;
mod asking;
mod backup;
mod damage;
mod guessed;
mod held;
mod late;
mod left;
mod letters;
mod opening;
mod recording;
mod room;
mod salvage;
mod tens;
mod undated;

use super::*;
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::output::{AlertRevision, Change, ChangeKind, Matter, Revised, Rule, Subject};
use kvarden_core::phases::Place;
use kvarden_core::plant::{Bound, Priority};
use kvarden_core::time::Span;
use kvarden_core::window::Pane;
use std::sync::Arc;
use tempfile::TempDir;

/// 2026-11-25T00:00:00Z.
const NOW: EventTime = EventTime(1_795_564_800_000);

fn folder() -> TempDir {
    tempfile::tempdir().unwrap()
}

fn open(folder: &TempDir) -> Store {
    Store::open(folder.path(), Options::default(), NOW).unwrap().store
}

fn subject() -> Subject {
    Subject {
        transformer: Some("T2".to_owned()),
        feeder: None,
        meter: Some("T2 secondary".to_owned()),
        matter: Matter::Quantity(Quantity::at(Measurand::Current, Place::B)),
    }
}

fn change(rise: u32, step: u32, to: AlarmState) -> Change {
    Change {
        alarm: format!("T2/current_a.B high level 1#{rise}"),
        step,
        at: NOW + Span::seconds(i64::from(rise * 100 + step)),
        what: ChangeKind::Raised,
        from: AlarmState::Normal,
        to,
        subject: subject(),
        rule: Rule::Level { bound: Bound::High, level: 1 },
        priority: Priority::High,
        since: NOW,
        value: Some(312.5),
        peak: Some(320.25),
        setpoint: Some(300.0),
        over: None,
        recurred: None,
        fed: None,
    }
}

fn alert(name: &str, revision: u32, open: bool) -> AlertRevision {
    AlertRevision {
        alert: name.to_owned(),
        revision,
        at: NOW + Span::seconds(i64::from(revision)),
        why: Revised::Opened,
        open,
        state: AlarmState::Unacknowledged,
        priority: Priority::High,
        subject: subject(),
        rule: Rule::Level { bound: Bound::High, level: 1 },
        value: Some(312.5),
        peak: Some(320.25),
        setpoint: Some(300.0),
        over: None,
        since: NOW,
        recurred: None,
        fed: None,
        cause: None,
        held: None,
        flood: None,
    }
}

fn letter(alert: &str, revision: u32) -> NewLetter {
    NewLetter {
        id: format!("book:{alert}:{revision}:mqtt"),
        channel: "mqtt".to_owned(),
        alert: alert.to_owned(),
        revision,
        created: NOW,
        message: format!("{{\"alert\":\"{alert}\",\"revision\":{revision}}}"),
        to: None,
        due: NOW,
        reminds: false,
    }
}

/// Columns as a meter with so many of them would have.
fn columns(count: usize) -> Arc<[Quantity]> {
    Measurand::ALL.iter().flat_map(|what| what.quantities()).cycle().take(count).collect()
}

/// A full minute of one-second samples that differ from column to column and minute to minute.
fn minute_row(meter: &str, series: &Arc<[Quantity]>, minute: i64) -> MinuteRow {
    let panes = (0..series.len()).map(|column| {
        let mut pane = Pane::EMPTY;
        for second in 0..60 {
            let wave = f64::from(second * 7 + minute as i32 % 977).sin();
            pane.push(230.0 + column as f64 + wave, Span::seconds(1));
        }
        pane
    });
    MinuteRow {
        meter: meter.into(),
        series: Arc::clone(series),
        minute: EventTime(NOW.0 + minute * 60_000),
        panes: panes.collect(),
        late: false,
        guessed: false,
    }
}
