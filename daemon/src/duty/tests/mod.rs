//! Who is on duty, and who is told what and when; here what the tests share.

mod held;
mod property;
mod rota;
mod telling;

use super::*;
use crate::words::tests::unbalance;
use jiff::Timestamp;
use jiff::civil::{Weekday, date};
use kvarden_config::{Language, Quiet, RotaSpec, RuleSpec};
use kvarden_core::alarm::state::AlarmState;

fn utc(text: &str) -> EventTime {
    EventTime(text.parse::<Timestamp>().unwrap().as_millisecond())
}

fn zone(name: &str) -> TimeZone {
    TimeZone::get(name).unwrap()
}

const DENVER: &str = "America/Denver";

fn turns(hand_over: (Weekday, (u8, u8)), from: (i16, i8, i8), weeks: &[usize]) -> RotaSpec {
    RotaSpec { hand_over, from: date(from.0, from.1, from.2), weeks: weeks.to_vec(), exceptions: Vec::new() }
}

fn person(name: &str, quiet: Option<Quiet>) -> PersonSpec {
    PersonSpec {
        name: name.to_owned(),
        language: Language::English,
        quiet,
        mail: Some(format!("{}@larkspur.example", name.to_lowercase())),
        command: None,
        webhook: false,
    }
}

fn rules() -> Rules {
    let rule = |again, next: Option<i64>, wait| RuleSpec {
        by: vec![Way::Mail],
        again: Some(Span::minutes(again)),
        next_in_line: next.map(Span::minutes),
        wait_for_cause: Span::minutes(wait),
    };
    let quiet = Some(Quiet { from: (22, 0), until: (6, 0) });
    let spec = turns((Weekday::Monday, (7, 0)), (2026, 11, 2), &[0, 1, 2]);
    Rules {
        people: vec![person("Ines", quiet), person("Tomas", None), person("Ida", quiet)],
        rota: Rota::new(Some(spec), 3, zone(DENVER)),
        telling: TellingSpec {
            urgent: Some(rule(15, Some(30), 0)),
            high: Some(rule(120, None, 5)),
            low: None,
        },
        daily: None,
    }
}

fn duty() -> Duty {
    Duty::begin(rules(), Vec::new(), |_| None, Vec::new())
}

fn alert(name: &str, revision: u32, priority: Priority) -> AlertRevision {
    AlertRevision { alert: name.to_owned(), revision, priority, ..unbalance() }
}

fn seen(of: &AlertRevision) -> AlertRevision {
    AlertRevision {
        revision: of.revision + 1,
        state: AlarmState::Acknowledged,
        why: Revised::Acknowledged { by: "Ines".to_owned() },
        ..of.clone()
    }
}

fn over(of: &AlertRevision) -> AlertRevision {
    AlertRevision {
        revision: of.revision + 1,
        open: false,
        state: AlarmState::Normal,
        why: Revised::Closed,
        ..of.clone()
    }
}

/// Lets seconds pass and writes down what is told: minutes since `from`, to whom, why.
fn pass(duty: &mut Duty, from: EventTime, (start, end): (i64, i64)) -> Vec<String> {
    let mut told = Vec::new();
    for second in start * 60..end * 60 {
        let now = from + Span::seconds(second);
        if duty.is_due(now) {
            told.extend(duty.attend(now, true).iter().map(|telling| {
                let name = &rules().people[telling.person].name;
                let more = if telling.others.is_empty() { "" } else { " and more" };
                format!("{} {name} {}{more}", second / 60, telling.why.words())
            }));
        }
    }
    told
}

/// Thursday, 26 November 2026, 14:00 in Denver: the fourth week, so it is the turn of the first again.
const AFTERNOON: &str = "2026-11-26T21:00:00Z";
/// Two o'clock that night.
const NIGHT: &str = "2026-11-27T09:00:00Z";

/// The store: rows and letters of batches that were written whole.
#[derive(Debug, Default)]
struct Kept {
    rows: BTreeMap<String, String>,
    alerts: BTreeMap<String, AlertRevision>,
    /// Id and moment.
    letters: Vec<(String, EventTime)>,
}

impl Kept {
    fn begin(&self) -> Duty {
        let rows = self.rows.iter().map(|(key, body)| (key.clone(), body.clone())).collect();
        let open = self.alerts.values().filter(|one| one.open).cloned().collect();
        Duty::begin(rules(), rows, |alert| self.alerts.get(alert).cloned(), open)
    }

    /// One transaction.
    fn keep(&mut self, alerts: &[AlertRevision], rows: Vec<Row>) {
        self.alerts.extend(alerts.iter().map(|one| (one.alert.clone(), one.clone())));
        for (key, body) in rows {
            match body {
                Some(body) => drop(self.rows.insert(key, body)),
                None => drop(self.rows.remove(&key)),
            }
        }
    }
}
