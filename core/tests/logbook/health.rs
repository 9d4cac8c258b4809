//! Troubles of a meter besides silence: told from outside, or found in its own readings.

use crate::cannery::{Hall, MP3, at};
use kvarden_core::input::{HealthFact, MeterTrouble};
use kvarden_core::output::Revised;

fn trouble(meter: &str, trouble: MeterTrouble, holds: bool) -> HealthFact {
    HealthFact::Meter { meter: meter.to_owned(), trouble, holds }
}

#[test]
fn a_trouble_told_from_outside_is_an_alarm_of_that_meter_alone() {
    let mut hall = Hall::new();
    hall.run(10).health(trouble("MP-3", MeterTrouble::MapWrong, true));
    hall.health(trouble("MP-3", MeterTrouble::MapWrong, true)).health(trouble(
        "MP-9",
        MeterTrouble::MapWrong,
        true,
    ));
    hall.run(50).health(trouble("MP-3", MeterTrouble::MapWrong, false)).run(10);
    assert_eq!(hall.alarms("MP-3"), ["10 map wrong raised: unacknowledged", "60 map wrong cleared: normal"]);
    assert_eq!(hall.alerts("MP-3"), ["10 #1.1 Opened: low, unacknowledged", "60 #1.2 Closed: low, normal"]);
    assert_eq!(hall.changes().count(), 2, "the neighbours are not disturbed");
}

#[test]
fn what_a_meter_is_told_to_have_is_news_only_once() {
    let mut hall = Hall::new();
    hall.run(10);
    let (holds, over) = (
        trouble("MP-3", MeterTrouble::LinkUnstable, true),
        trouble("MP-3", MeterTrouble::LinkUnstable, false),
    );
    assert!(hall.monitor.is_news(&holds) && !hall.monitor.is_news(&over));
    hall.health(holds.clone());
    assert!(!hall.monitor.is_news(&holds) && hall.monitor.is_news(&over));
    assert!(!hall.monitor.is_news(&trouble("MP-9", MeterTrouble::LinkUnstable, true)));
}

// Seen to fail when only a change of priority, not of the kind of alarm, made a revision.
#[test]
fn when_the_trouble_is_over_and_the_silence_stays_the_alert_says_so() {
    let mut hall = Hall::new();
    hall.run(100);
    hall.speaks[MP3] = false;
    hall.health(trouble("MP-3", MeterTrouble::NotAuthorised, true)).run(1000);
    hall.health(trouble("MP-3", MeterTrouble::NotAuthorised, false)).run(7000);
    assert_eq!(
        hall.alerts("MP-3"),
        [
            "100 #1.1 Opened: low, unacknowledged",
            "1100 #1.2 Instead: low, unacknowledged",
            "7299 #1.3 Worse: high, unacknowledged",
        ]
    );
    let instead = hall.revisions().find(|revision| revision.why == Revised::Instead).unwrap();
    assert_eq!(instead.since, at(99), "since when it is silent, not since when it was refused");
}
