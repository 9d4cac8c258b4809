//! What is told of floods, of what chatters, and when planned work has ended.

use super::cause::{lug, told_with};
use super::*;
use kvarden_core::output::{Flooding, Held, Risen};

fn flood(open: u32, over: bool) -> AlertRevision {
    let first = Risen {
        alarm: "T2/MP-3/voltage_unbalance_percent/high level 2#1".to_owned(),
        subject: unbalance().subject,
        rule: unbalance().rule,
        at: at("13:10"),
    };
    let subject =
        Subject { transformer: Some("T2".to_owned()), feeder: None, meter: None, matter: Matter::Flood };
    let facts = Flooding { first, count: 14, open, over };
    AlertRevision {
        rule: Rule::Flood,
        subject,
        value: None,
        peak: None,
        setpoint: None,
        flood: Some(Box::new(facts)),
        ..unbalance()
    }
}

#[test]
fn a_flood_names_the_first_alarm_and_the_likely_root() {
    let open = flood(14, false);
    let named = told_with(lug(), true, AlertRevision { why: Revised::Explained, ..open.clone() });
    let over = revised(&flood(1, true), Revised::Returned, AlarmState::ReturnedUnacknowledged, "13:40");
    let closed = revised(&flood(0, true), Revised::Closed, AlarmState::Normal, "13:50");
    assert_eq!(
        lines(&[open, named, over, closed]),
        "HIGH Larkspur Cannery T2: alarm flood, 14 alarms since 13:10, the first: T2, MP-3: voltage unbalance above limit 2; other \
         alarms are held back except urgent ones, see kvarden status\n\
         HIGH Lark..nery T2: alarm flood, 14 alarms since 13:10, the first: T2, MP-3: voltage unbalance above limit 2; likely \
         root: loose phase B connection at MP-3; other alarms are held back except urgent ones, see kvarden status\n\
         HIGH Larkspur Cannery T2: alarm flood over, 14 alarms since 13:10; 1 other alert is still open; still to be acknowledged\n\
         HIGH Larkspur Cannery T2: alarm flood over, 14 alarms since 13:10; no other alert is open, closed at 13:50"
    );
}

#[test]
fn what_chatters_and_what_planned_work_held_back_says_so() {
    let open = unbalance();
    let said = [
        Revised::Chattering,
        Revised::Calm,
        Revised::WorkBegun,
        Revised::Stands { after: Held::Work },
        Revised::Stands { after: Held::Flood },
    ]
    .map(|why| revised(&open, why, AlarmState::Unacknowledged, "13:20"));
    let gone =
        AlertRevision { open: false, ..revised(&open, Revised::SupplyLost, AlarmState::Normal, "13:20") };
    let text = lines(&said);
    let ends: Vec<&str> =
        text.lines().filter_map(|line| line.split_once("since 13:10").map(|(_, end)| end)).collect();
    assert_eq!(
        ends,
        [
            "; rises again and again: held down until it is calm",
            "; calm again, and it stands",
            "; planned work has begun: nothing more of it is told until that ends",
            "; told now: planned work has ended and it stands",
            "; told now: the alarm flood is over and it stands",
        ]
    );
    assert!(lines(&[gone]).contains("follows from the loss of the supply above"));
}
