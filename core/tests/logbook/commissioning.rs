//! A meter that is new: until its values have fitted the nameplate once, or a person has said that they are right, no limit
//! judges them.

use crate::cannery::{Hall, T2, UNBALANCE, at, plan_of, plant};
use kvarden_core::input::Deed;
use kvarden_core::monitor::Monitor;
use kvarden_core::output::Denial;
use kvarden_core::plant::Plant;
use kvarden_core::saved::Rebuildable;

const VOLTS: &str = "T2 secondary/voltage_ll_v.AB";

/// Volts ten times too many, as by a scale of 1 in place of 0.1, and so unbalanced that it would be an urgent alarm.
fn ten_times(hall: &mut Hall) {
    hall.show(T2, 0, 2500.0).show(T2, 1, 2080.0).show(T2, 2, 2080.0);
}

/// What was asked and answered about the voltage between A and B; its own limits are not of this story.
fn asked(hall: &Hall) -> Vec<String> {
    hall.alarms(VOLTS).into_iter().filter(|line| line.contains("nameplate")).collect()
}

/// Fault: a wrong word order or scale. Seen to fail where the limits judge such a reading, and where it is not told.
#[test]
fn values_that_do_not_fit_the_nameplate_are_told_and_not_judged() {
    let mut hall = Hall::new();
    ten_times(&mut hall);
    hall.run(600);
    assert_eq!(asked(&hall), ["0 nameplate raised: unacknowledged"]);
    let revision = hall.revisions().next().unwrap();
    assert_eq!((revision.value, revision.setpoint), (Some(2500.0), Some(312.0)), "the one furthest off");
    assert_eq!(hall.alarms(UNBALANCE), Vec::<String>::new());
    assert_eq!(hall.changes().count(), 1, "and nothing else");
}

/// Seen to fail where one reading that fits is enough.
#[test]
fn three_readings_in_a_row_that_fit_end_it_and_arm_the_limits() {
    let mut hall = Hall::new();
    ten_times(&mut hall);
    hall.run(10).heal(T2).run(2);
    ten_times(&mut hall);
    hall.run(1).heal(T2).run(3).unbalance(6.0).run(60);
    assert_eq!(
        asked(&hall),
        ["0 nameplate raised: unacknowledged", "15 nameplate cleared: returned to normal, unacknowledged",],
        "two good readings are not enough"
    );
    assert!(
        hall.alarms(UNBALANCE).iter().any(|line| line.contains("raised")),
        "{:?}",
        hall.alarms(UNBALANCE)
    );
}

#[test]
fn a_true_fault_after_that_is_judged_at_once() {
    let mut hall = Hall::new();
    hall.run(1);
    ten_times(&mut hall);
    hall.run(60);
    assert_eq!(asked(&hall), Vec::<String>::new());
    assert!(!hall.alarms(UNBALANCE).is_empty(), "its first reading fitted");
}

/// Seen to fail where the acceptance ends the alarm and forgets what was accepted.
#[test]
fn a_person_who_says_that_the_values_are_right_ends_it_for_good() {
    let mut hall = Hall::new();
    ten_times(&mut hall);
    hall.run(10);
    let note = || Deed::Release { note: "a 2.4 kV unit behind this plate".to_owned() };
    assert_eq!(hall.order(&format!("{VOLTS}#1"), note()), Ok(()));
    hall.run(60);
    assert_eq!(
        asked(&hall),
        ["0 nameplate raised: unacknowledged", "10 nameplate released: normal"],
        "it does not come back"
    );
    assert!(!hall.alarms(UNBALANCE).is_empty(), "and now the limits judge");
    assert_eq!(hall.order(&format!("{VOLTS}#1"), note()), Err(Denial::UnknownAlert), "the alert is closed");
}

#[test]
fn a_new_value_of_a_known_meter_is_looked_at_too() {
    let mut hall = Hall::new();
    hall.show(T2, 0, f64::NAN).run(5);
    ten_times(&mut hall);
    hall.run(5);
    assert_eq!(asked(&hall), ["5 nameplate raised: unacknowledged"], "it gave no value before");
}

/// Another process with this plan, from what was saved: all of it, or only what is precious.
fn again(hall: &mut Hall, plant: &Plant, precious_only: bool) {
    let mut monitor = Monitor::new(plan_of(plant));
    for scope in hall.monitor.scopes() {
        let mut state = hall.monitor.snapshot(scope);
        if precious_only {
            state.rebuildable = Rebuildable::default();
        }
        monitor.adopt(state, &mut hall.told);
    }
    hall.monitor = monitor;
    hall.monitor.advance(at(hall.second), &mut hall.told);
}

#[test]
fn a_restart_keeps_what_was_accepted_and_asks_on_what_was_not() {
    for precious_only in [false, true] {
        let mut hall = Hall::new();
        hall.run(5);
        again(&mut hall, &plant(), precious_only);
        ten_times(&mut hall);
        hall.run(60);
        assert_eq!(asked(&hall), Vec::<String>::new(), "a fault, not a new meter");
        assert!(!hall.alarms(UNBALANCE).is_empty());

        let mut hall = Hall::new();
        ten_times(&mut hall);
        hall.run(5);
        again(&mut hall, &plant(), precious_only);
        hall.run(60);
        assert_eq!(asked(&hall).len(), 1, "it still holds, and is not told again");
        assert_eq!(hall.alarms(UNBALANCE), Vec::<String>::new());
        hall.heal(T2).run(3);
        assert_eq!(asked(&hall).len(), 2, "and ends as it would have");
    }
}

/// Seen to fail without the comparison of the fingerprint.
#[test]
fn a_meter_whose_map_has_changed_is_new() {
    let mut hall = Hall::new();
    hall.run(5);
    let mut changed = plant();
    changed.meters[T2].fingerprint += 1;
    again(&mut hall, &changed, false);
    ten_times(&mut hall);
    hall.run(5);
    assert_eq!(asked(&hall), ["5 nameplate raised: unacknowledged"]);
}
