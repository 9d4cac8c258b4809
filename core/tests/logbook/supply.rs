//! Who feeds whom, by the states of breakers: MP-2 hangs on T2 by Q2, or on T3 by Q3. A module of T3 reads both.

use crate::cannery::{Hall, MP2, MP3, at, level, limit, meter, plan_of, plant};
use kvarden_core::input::{HealthFact, Input};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::monitor::Monitor;
use kvarden_core::output::{AlertRevision, Output};
use kvarden_core::plant::{
    AppliesTo, Limit, Meter, Plant, Priority, SideOf, State, StateIs, Supply, SupplyFrom, Target, Transformer,
};
use kvarden_core::supply::{Fed, OtherSupply};

/// The module that reads the breakers, after the meters of the hall.
const BREAKERS: usize = 6;
const Q2: usize = 0;
const Q3: usize = 1;
const SUPPLY: &str = "MP-2 supply";

fn site() -> Plant {
    let mut plant = plant();
    plant.transformers.push(Transformer { name: "T3".to_owned(), ..plant.transformers[0].clone() });
    let flag =
        |number| Quantity::numbered(Measurand::BreakerClosed, kvarden_core::phases::Place::Whole, number);
    let state = |name: &str, number| State { name: name.to_owned(), meter: BREAKERS, flag: flag(number) };
    plant.states = vec![state("Q2", 1), state("Q3", 2)];
    let way = |from, state| Supply { from, when: Some(StateIs { state, on: true }) };
    plant.feeders[1].supplies =
        vec![way(SupplyFrom::Transformer(0), Q2), way(SupplyFrom::Transformer(1), Q3)];
    // The board MP-3 hangs on MP-2 alone.
    plant.feeders[2].supplies = vec![Supply { from: SupplyFrom::Feeder(1), when: None }];
    let breakers = Target::Transformer(1, SideOf::Secondary);
    plant.meters.push(Meter {
        frozen_after: None,
        ..meter("T3 breakers", breakers, "breaker_closed.1 breaker_closed.2", 1)
    });
    for feeder in [1, 2] {
        plant.limits.push(Limit {
            of: AppliesTo::Feeder(feeder),
            ..limit(Measurand::Current, vec![level(80.0, Priority::High, 10)], 2.0, 10)
        });
    }
    plant
}

fn hall() -> Hall {
    let mut hall = Hall::of(&site());
    set(&mut hall, true, false);
    hall.run(20);
    hall
}

fn set(hall: &mut Hall, q2: bool, q3: bool) {
    hall.show(BREAKERS, Q2, f64::from(u8::from(q2))).show(BREAKERS, Q3, f64::from(u8::from(q3)));
}

/// MP-2 carries too much for so long, then no longer.
fn overload(hall: &mut Hall, meter: usize) {
    hall.show(meter, 0, 90.0).run(20).heal(meter).run(20);
}

fn of<'a>(hall: &'a Hall, name: &str) -> Vec<&'a AlertRevision> {
    hall.revisions().filter(|revision| revision.subject.meter.as_deref() == Some(name)).collect()
}

fn now(hall: &Hall, name: &str) -> Option<Fed> {
    let supply = hall.monitor.supplies().find(|supply| supply.name == name);
    supply.and_then(|supply| supply.other).map(|other| other.by)
}

fn by(name: &str) -> Fed {
    Fed::By(name.to_owned())
}

// Seen to fail when each state of a reading was followed alone: for a moment nothing fed it.
#[test]
fn a_change_of_supply_is_written_down_with_its_time_and_ends_with_the_way_back() {
    let mut hall = hall();
    assert!(hall.alarms(SUPPLY).is_empty(), "as normally");
    assert_eq!(now(&hall, "MP-2"), None);
    set(&mut hall, false, true);
    hall.run(100);
    assert_eq!(
        (now(&hall, "MP-2"), now(&hall, "MP-3")),
        (Some(by("T3")), Some(by("T3"))),
        "the board goes with it"
    );
    set(&mut hall, true, false);
    hall.run(10);
    assert_eq!(hall.alarms(SUPPLY), ["20 supply raised: unacknowledged", "120 supply cleared: normal"]);
    let change = hall.changes().find(|change| change.rule.key() == "supply").expect("it rose");
    assert!(change.alarm.starts_with("T2/supply of MP-2/by T3 Q3 on"), "{}", change.alarm);
    assert_eq!(change.priority, Priority::Journal, "for the digest: nobody need go");
}

#[test]
fn both_ways_closed_and_none_closed_are_told_apart() {
    let mut hall = hall();
    set(&mut hall, true, true);
    hall.run(10);
    assert_eq!(now(&hall, "MP-2"), Some(Fed::Several));
    set(&mut hall, false, false);
    hall.run(10);
    assert_eq!(now(&hall, "MP-2"), Some(Fed::Nothing));
    assert_eq!(
        hall.alarms(SUPPLY),
        ["20 supply raised: unacknowledged", "30 supply cleared: normal", "30 supply raised: unacknowledged"]
    );
}

#[test]
fn an_alert_of_a_feeder_that_hangs_elsewhere_says_so_and_its_id_stays() {
    let mut hall = hall();
    overload(&mut hall, MP2);
    set(&mut hall, false, true);
    hall.run(10);
    overload(&mut hall, MP2);
    overload(&mut hall, MP3);
    let fed = |name: &str| -> Vec<Option<Fed>> {
        of(&hall, name).iter().map(|told| told.fed.clone().map(|OtherSupply { by, .. }| by)).collect()
    };
    assert_eq!(fed("MP-2"), [None, None, Some(by("T3")), Some(by("T3"))]);
    assert_eq!(fed("MP-3"), [Some(by("T3")), Some(by("T3"))], "through MP-2");
    assert!(of(&hall, "MP-2").iter().all(|told| told.alert.starts_with("T2/MP-2/current_a.A#")));
    let states = &of(&hall, "MP-2")[2].fed.as_ref().expect("elsewhere").states;
    assert_eq!((states[0].name.as_str(), states[0].on), ("Q3", Some(true)));
    let own = hall.revisions().filter(|told| told.subject.feeder.is_none());
    assert!(own.into_iter().all(|told| told.fed.is_none()), "the transformer's own are its own");
}

#[test]
fn a_state_that_is_lost_is_told_as_not_known_and_nobody_is_charged() {
    let mut hall = hall();
    set(&mut hall, false, true);
    hall.run(10);
    hall.speaks[BREAKERS] = false;
    hall.run(130);
    assert_eq!(now(&hall, "MP-2"), Some(Fed::NotKnown));
    let supply = hall.alarms(SUPPLY);
    // Silent since the reading of second 29, for two minutes.
    assert_eq!(
        supply[1..],
        ["149 supply cleared: normal", "149 supply raised: unacknowledged"],
        "{supply:?}"
    );
    overload(&mut hall, MP2);
    let told = of(&hall, "MP-2")[0].fed.clone().expect("not known");
    assert_eq!((told.by, told.states.len()), (Fed::NotKnown, 2));
    hall.speaks[BREAKERS] = true;
    hall.run(1);
    assert_eq!(now(&hall, "MP-2"), Some(by("T3")));
    assert_eq!(hall.alarms(SUPPLY).len(), 5, "{:?}", hall.alarms(SUPPLY));
}

#[test]
fn after_a_start_what_was_told_stands_until_the_first_reading() {
    let mut hall = hall();
    set(&mut hall, false, true);
    hall.run(10);
    let told = hall.alarms(SUPPLY).len();
    hall.monitor.observe(at(hall.second), Input::Health(HealthFact::Resumed), &mut hall.told);
    assert_eq!(now(&hall, "MP-2"), Some(Fed::NotKnown), "nothing was heard since");
    assert_eq!(hall.alarms(SUPPLY).len(), told);
    hall.run(1);
    assert_eq!((now(&hall, "MP-2"), hall.alarms(SUPPLY).len()), (Some(by("T3")), told));
}

#[test]
fn a_restart_changes_nothing() {
    let mut through = hall();
    set(&mut through, true, true);
    through.run(10);
    let mut again = through.clone();
    let plan = plan_of(&site());
    let mut monitor = Monitor::new(plan);
    let states: Vec<_> = through.monitor.scopes().map(|scope| through.monitor.snapshot(scope)).collect();
    let mut out: Vec<Output> = Vec::new();
    for state in states {
        monitor.adopt(state, &mut out);
    }
    again.monitor = monitor;
    for hall in [&mut through, &mut again] {
        hall.told.clear();
        hall.run(5);
        set(hall, false, true);
        hall.run(5);
        overload(hall, MP2);
    }
    assert_eq!(out, []);
    assert_eq!(through.told, again.told);
    assert_eq!(through.alarms(SUPPLY).len(), 2);
}
