//! Limits on how fast a value rises, beside those on the value itself. That the slope is the one of least squares is checked
//! against numpy beside [`kvarden_core::window::Window::slope_per_hour`].

use crate::cannery::{Hall, SENSORS, level, limit, plant};
use kvarden_core::measurand::Measurand;
use kvarden_core::output::Matter;
use kvarden_core::plant::{Level, Limit, Plant, Priority};
use kvarden_core::time::Span;

const RATE: &str = "T2 sensors/winding_c.A rate";

/// At most 20 K an hour over ten minutes, 2 K/h back before it ends.
fn hurried() -> Plant {
    let mut plant = plant();
    let over = Some(Span::minutes(10));
    let levels = vec![Level { over, ..level(20.0, Priority::High, 60) }];
    plant.limits.push(Limit { rate: true, ..limit(Measurand::Winding, levels, 2.0, 60) });
    plant
}

/// Shows a winding that changes by so many kelvin an hour for so many seconds, from `from` degrees.
fn ramp(hall: &mut Hall, from: f64, per_hour: f64, seconds: i64) -> f64 {
    let mut value = from;
    for second in 0..seconds {
        value = from + per_hour * second as f64 / 3600.0;
        hall.show(SENSORS, 0, value).run(1);
    }
    value
}

fn alarms(hall: &Hall) -> Vec<String> {
    let of_rate = hall.changes().filter(|change| matches!(change.subject.matter, Matter::Rate(_)));
    of_rate.map(|change| format!("{} {:?}", change.alarm, change.what)).collect()
}

#[test]
fn a_value_that_rises_too_fast_is_told_long_before_it_is_too_high() {
    let mut hall = Hall::of(&hurried());
    let value = ramp(&mut hall, 60.0, 19.0, 1800);
    assert_eq!(alarms(&hall), Vec::<String>::new(), "19 K/h is not too fast");
    let value = ramp(&mut hall, value, 22.0, 1200);
    assert_eq!(alarms(&hall), [format!("T2/{RATE}/high level 1#1 Raised")]);
    let raised = hall.changes().find(|change| matches!(change.subject.matter, Matter::Rate(_)));
    let raised = raised.map(|change| (change.setpoint, change.over));
    assert_eq!(raised, Some((Some(20.0), Some(Span::minutes(10)))));
    ramp(&mut hall, value, 0.0, 1800);
    assert_eq!(alarms(&hall).len(), 2, "{:?}", alarms(&hall));
    assert!(hall.alarms("T2 sensors/winding_c.A").is_empty(), "it was never too hot");
}

#[test]
fn with_too_little_measured_there_is_no_slope() {
    let mut hall = Hall::of(&hurried());
    let mut value = 60.0;
    for _ in 0..4 {
        value = ramp(&mut hall, value, 60.0, 300);
        hall.speaks[SENSORS] = false;
        hall.run(300);
        hall.speaks[SENSORS] = true;
    }
    assert_eq!(alarms(&hall), Vec::<String>::new(), "half of each window is not measured");
}
