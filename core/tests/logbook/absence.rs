//! Values that stay away while messages still come: of a whole meter, and of single points.

use crate::cannery::{AIR, Hall, SENSORS, T2};
use kvarden_core::output::Rule;

const WINDING: &str = "T2 sensors/winding_c.B";

fn take_away(hall: &mut Hall, meter: usize, points: std::ops::Range<usize>) {
    for point in points {
        hall.show(meter, point, f64::NAN);
    }
}

#[test]
fn a_meter_whose_readings_are_all_empty_is_silent_and_its_first_value_ends_that() {
    let mut hall = Hall::new();
    hall.run(100);
    take_away(&mut hall, T2, 0..7);
    hall.run(900);
    assert_eq!(
        hall.alarms("T2 secondary"),
        [
            "219 silent level 1 raised: unacknowledged",
            "999 silent level 2 raised: unacknowledged",
            "999 silent level 1 suppressed: suppressed by design",
        ]
    );
    assert!(hall.changes().all(|change| change.rule != Rule::Absent), "one alarm for the meter, not seven");
    hall.show(T2, 6, 60.0).run(1);
    assert_eq!(hall.alarms("T2 secondary").last().unwrap(), "1000 silent level 2 cleared: normal");
}

#[test]
fn an_empty_reading_does_not_end_a_silence() {
    let mut hall = Hall::new();
    hall.run(100);
    hall.speaks[AIR] = false;
    hall.run(2000);
    assert_eq!(hall.alarms("Hall air"), ["900 silent level 1 raised: unacknowledged"]);
    take_away(&mut hall, AIR, 0..1);
    hall.speaks[AIR] = true;
    hall.run(600);
    assert_eq!(hall.alarms("Hall air").len(), 1);
}

#[test]
fn a_winding_sensor_that_stops_is_told_while_its_module_speaks_and_its_first_value_ends_it() {
    let mut hall = Hall::new();
    hall.run(1000);
    take_away(&mut hall, SENSORS, 1..2);
    hall.run(110);
    assert!(hall.alarms(WINDING).is_empty());
    hall.run(3010).heal(SENSORS).run(10);
    assert_eq!(hall.alarms(WINDING), ["1110 absent raised: unacknowledged", "4120 absent cleared: normal"]);
    // The cause takes the alert in after half an hour, and lets it go an hour after the last sign of it.
    hall.run(3800);
    let alerts = hall.alerts(WINDING);
    let told = ["1110 #1.1 Opened: low, unacknowledged", "2220 #1.2 Explained: low, unacknowledged"];
    assert_eq!(alerts[..2], told, "{alerts:?}");
    assert!(alerts.len() == 3 && alerts[2].ends_with("#1.3 Closed: low, normal"), "{alerts:?}");
    assert!(hall.alarms("T2 sensors").is_empty(), "the module itself speaks");
}

#[test]
fn a_point_that_never_gave_a_value_is_not_missed() {
    let mut hall = Hall::new();
    take_away(&mut hall, SENSORS, 1..3);
    hall.run(7200);
    assert!(hall.changes().next().is_none(), "{:?}", hall.changes().next());
}

#[test]
fn the_time_in_which_the_meter_was_silent_is_not_counted_as_absence() {
    let mut hall = Hall::new();
    hall.run(1000);
    hall.speaks[SENSORS] = false;
    hall.run(100);
    take_away(&mut hall, SENSORS, 1..2);
    hall.speaks[SENSORS] = true;
    hall.run(50);
    assert!(hall.alarms(WINDING).is_empty(), "{:?}", hall.alarms(WINDING));
}

#[test]
fn a_sensor_that_shows_what_cannot_be_is_absent_too() {
    let mut hall = Hall::new();
    hall.run(1000).show(SENSORS, 1, 3276.7).run(200);
    assert_eq!(hall.alarms(WINDING), ["1110 absent raised: unacknowledged"]);
}
