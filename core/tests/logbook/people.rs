//! What people do: acknowledge, release, shelve, take out of service; and what is denied to them.

use crate::cannery::{Hall, MP1, T2, UNBALANCE, at};
use kvarden_core::input::Deed;
use kvarden_core::output::{ChangeKind, Denial};

const MP1_A: &str = "MP-1/current_a.A";

fn alert(subject: &str) -> String {
    format!("{subject}#1")
}

fn shelve(until: i64) -> Deed {
    Deed::Shelve { until: at(until), reason: "electrician called".to_owned() }
}

#[test]
fn seen_before_it_returned_it_closes_when_it_returns() {
    let mut hall = Hall::new();
    hall.unbalance(3.5).run(100);
    assert_eq!(hall.order(&alert(UNBALANCE), Deed::Acknowledge), Ok(()));
    hall.run(50).heal(T2).run(200);
    assert_eq!(
        hall.alerts(UNBALANCE),
        [
            "60 #1.1 Opened: high, unacknowledged",
            "100 #1.2 Acknowledged: high, acknowledged",
            "270 #1.3 Closed: high, normal",
        ]
    );
    let by = hall.changes().find_map(|change| match &change.what {
        ChangeKind::Acknowledged { by } => Some(by.clone()),
        _ => None,
    });
    assert_eq!(by.as_deref(), Some("Ines"), "every deed has a name");
}

#[test]
fn seen_after_it_returned_it_closes_then() {
    let mut hall = Hall::new();
    hall.unbalance(3.5).run(100).heal(T2).run(900);
    assert_eq!(
        hall.alerts(UNBALANCE).last().unwrap(),
        "220 #1.2 Returned: high, returned to normal, unacknowledged"
    );
    assert_eq!(hall.order(&alert(UNBALANCE), Deed::Acknowledge), Ok(()));
    assert_eq!(hall.alerts(UNBALANCE).last().unwrap(), "1000 #1.3 Closed: high, normal");
}

#[test]
fn low_and_journal_return_by_themselves() {
    let mut hall = Hall::new();
    hall.unbalance(2.5).show(MP1, 0, 30.0).run(100).heal(T2).run(200);
    assert_eq!(hall.alarms(UNBALANCE)[1], "220 high level 1 cleared: normal");
    hall.show(T2, 0, 188.0).run(60).heal(T2).run(100);
    assert_eq!(
        hall.alarms("T2 secondary/voltage_ll_v.AB").last().unwrap(),
        "420 low level 1 cleared: normal"
    );
}

#[test]
fn a_latched_alarm_stays_until_a_named_person_releases_it() {
    let release = || Deed::Release { note: "lug of phase A repaired, thermogram clean".to_owned() };
    let mut hall = Hall::new();
    hall.show(MP1, 0, 90.0).run(20);
    assert_eq!(hall.order(&alert(MP1_A), release()), Err(Denial::StillHolds));
    hall.heal(MP1).run(3600);
    assert_eq!(hall.order(&alert(MP1_A), Deed::Acknowledge), Ok(()));
    assert_eq!(hall.order(&alert(MP1_A), release()), Ok(()));
    assert_eq!(
        hall.alarms(MP1_A),
        [
            "10 high level 1 raised: unacknowledged",
            "30 high level 1 cleared: latched, unacknowledged",
            "3620 high level 1 acknowledged: latched, acknowledged",
            "3620 high level 1 released: normal",
        ]
    );
    assert_eq!(hall.alerts(MP1_A).last().unwrap(), "3620 #1.4 Closed: high, normal");
}

// Seen to fail when each of the four alarms of the subject made a revision of its own.
#[test]
fn one_order_is_one_revision_however_many_alarms_it_touches() {
    let mut hall = Hall::new();
    hall.unbalance(3.5).run(100);
    assert_eq!(hall.order(&alert(UNBALANCE), shelve(1000)), Ok(()));
    assert_eq!(hall.order(&alert(UNBALANCE), Deed::Unshelve), Ok(()));
    assert_eq!(
        hall.alerts(UNBALANCE)[1..],
        ["100 #1.2 Shelved: high, shelved", "100 #1.3 Unshelved: high, unacknowledged"]
    );
}

#[test]
fn shelved_it_keeps_quiet_and_tells_again_when_its_time_is_over() {
    let mut hall = Hall::new();
    hall.unbalance(2.5).run(100);
    assert_eq!(hall.order(&alert(UNBALANCE), shelve(1000)), Ok(()));
    hall.unbalance(5.5).run(100).heal(T2).run(200).unbalance(3.5).run(800);
    assert_eq!(
        hall.alerts(UNBALANCE),
        [
            "60 #1.1 Opened: low, unacknowledged",
            "100 #1.2 Shelved: low, shelved",
            "1000 #1.3 Unshelved: urgent, unacknowledged",
        ]
    );
    assert!(hall.alarms(UNBALANCE).len() > 8, "what happened meanwhile is in the record");
}

#[test]
fn shelved_and_healed_it_closes_when_the_shelving_ends() {
    let mut hall = Hall::new();
    hall.unbalance(2.5).run(100);
    assert_eq!(hall.order(&alert(UNBALANCE), shelve(1000)), Ok(()));
    hall.heal(T2).run(1000);
    assert_eq!(hall.alerts(UNBALANCE).last().unwrap(), "1000 #1.3 Closed: low, normal");
}

// Seen to fail when an alert closed while its alarms were out of service: no id was left to put them back by.
#[test]
fn out_of_service_it_can_be_found_and_put_back() {
    let mut hall = Hall::new();
    hall.unbalance(3.5).run(100);
    assert_eq!(hall.order(&alert(UNBALANCE), Deed::Acknowledge), Ok(()));
    assert_eq!(hall.order(&alert(UNBALANCE), Deed::Service { on: false }), Ok(()));
    hall.heal(T2).run(900).unbalance(5.5).run(100).heal(T2).run(500);
    assert_eq!(hall.alerts(UNBALANCE).last().unwrap(), "100 #1.3 OutOfService: high, out of service");
    assert_eq!(hall.order(&alert(UNBALANCE), Deed::Service { on: true }), Ok(()));
    assert_eq!(
        hall.alerts(UNBALANCE).last().unwrap(),
        "1600 #1.4 Unshelved: urgent, returned to normal, unacknowledged",
        "what came meanwhile still waits for a person"
    );
}

#[test]
fn orders_that_make_no_sense_are_denied_with_the_reason() {
    let mut hall = Hall::new();
    hall.unbalance(3.5).run(100);
    let id = alert(UNBALANCE);
    assert_eq!(hall.order("T2 secondary/nothing#1", Deed::Acknowledge), Err(Denial::UnknownAlert));
    assert_eq!(
        hall.order("T2 secondary/voltage_unbalance_percent#2", Deed::Acknowledge),
        Err(Denial::UnknownAlert)
    );
    assert_eq!(hall.order(&id, shelve(100)), Err(Denial::BadTime));
    assert_eq!(hall.order(&id, shelve(100 + 7 * 86_400 + 1)), Err(Denial::BadTime));
    assert_eq!(hall.order(&id, Deed::Unshelve), Err(Denial::NothingToEnd));
    assert_eq!(hall.order(&id, Deed::Service { on: true }), Err(Denial::NothingToEnd));
    assert_eq!(hall.order(&id, Deed::Release { note: String::new() }), Err(Denial::StillHolds));
    assert_eq!(hall.order(&id, Deed::Acknowledge), Ok(()));
    assert_eq!(hall.order(&id, Deed::Acknowledge), Err(Denial::AlreadyAcknowledged));
    hall.heal(T2).run(200);
    assert_eq!(hall.order(&id, Deed::Acknowledge), Err(Denial::UnknownAlert), "it is closed");
    hall.unbalance(3.5).run(100).heal(T2).run(300);
    let second = "T2 secondary/voltage_unbalance_percent#2";
    assert_eq!(hall.order(second, Deed::Release { note: String::new() }), Err(Denial::NotLatched));
}
