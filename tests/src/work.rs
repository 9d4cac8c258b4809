//! A small piece of the store's work: alerts with their alarms, letters and saved states.

use kvarden::store::{Batch, NewLetter, OwnedInput, Precious, TailRecord};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::input::Part;
use kvarden_core::output::{AlertRevision, Change, ChangeKind, Matter, Revised, Rule, Subject};
use kvarden_core::plant::Priority;
use kvarden_core::time::{EventTime, Span};

/// 2026-11-25T00:00:00Z.
pub const BEGIN: EventTime = EventTime(1_795_564_800_000);

/// The channel of the letters.
pub const CHANNEL: &str = "log";

/// The scope of the saved states.
pub const SCOPE: &str = "site";

/// The id of alert `number`.
pub fn alert(number: u64) -> String {
    format!("{SCOPE}/store#{number}")
}

/// The id of its letter.
pub fn letter(number: u64) -> String {
    format!("{}:1:{CHANNEL}", alert(number))
}

/// An input that only says that time went on.
pub fn tick(number: u64) -> TailRecord {
    TailRecord { number, now: BEGIN + Span::seconds(number as i64), input: OwnedInput::Tick }
}

/// Alert `number` and all that comes with it, judged with input `input`.
pub fn told(number: u64, input: u64) -> Batch {
    let at = BEGIN + Span::seconds(input as i64);
    let subject = Subject { transformer: None, feeder: None, meter: None, matter: Matter::Part(Part::Store) };
    let alert = alert(number);
    let change = Change {
        alarm: alert.clone(),
        step: 1,
        at,
        what: ChangeKind::Raised,
        from: AlarmState::Normal,
        to: AlarmState::Unacknowledged,
        subject: subject.clone(),
        rule: Rule::Broken,
        priority: Priority::High,
        since: at,
        value: None,
        peak: None,
        setpoint: None,
        over: None,
        recurred: None,
        fed: None,
    };
    let revision = AlertRevision {
        alert: alert.clone(),
        revision: 1,
        at,
        why: Revised::Opened,
        open: true,
        state: AlarmState::Unacknowledged,
        priority: Priority::High,
        subject,
        rule: Rule::Broken,
        value: None,
        peak: None,
        setpoint: None,
        over: None,
        since: at,
        recurred: None,
        fed: None,
        cause: None,
        held: None,
        flood: None,
    };
    let letter = NewLetter {
        id: letter(number),
        channel: CHANNEL.to_owned(),
        alert,
        revision: 1,
        created: at,
        message: "{}".to_owned(),
        to: None,
        due: at,
        reminds: false,
    };
    let precious = Precious { scope: SCOPE.into(), number: input, body: format!("{{\"alerts\":{number}}}") };
    Batch {
        tail: vec![tick(input)],
        changes: vec![change],
        alerts: vec![revision],
        letters: vec![letter],
        precious: vec![precious],
        ..Batch::default()
    }
}
