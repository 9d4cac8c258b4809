//! What kind of number a quantity is decides what may be made of it: shares of time of a flag, directions of an angle,
//! differences of a counter.

use crate::cannery::{Hall, level, limit, meter, plan_of, plant};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::output::Output;
use kvarden_core::phases::Place;
use kvarden_core::plant::{Bound, Limit, Meter, Plant, Priority, SideOf, Target};
use kvarden_core::window::Pane;

const ENERGY: usize = 0;
const ANGLE: usize = 1;
const BREAKER: usize = 2;

/// The hall with one meter more, whose values are of every kind. `rolls_over_at` is the end of its counter.
fn with(rolls_over_at: f64) -> (Plant, usize) {
    let mut plant = plant();
    let points = "energy_import_wh voltage_angle_deg.A breaker_closed.1 breaker_closed.2";
    plant.meters.push(Meter {
        rolls_over_at: vec![(ENERGY, rolls_over_at)],
        ..meter("T2 quality", Target::Transformer(0, SideOf::Secondary), points, 1)
    });
    let last = plant.meters.len() - 1;
    (plant, last)
}

/// A hall whose new meter shows these values, one list a second.
fn run(plant: &Plant, number: usize, values: impl Iterator<Item = [f64; 4]>) -> Hall {
    let mut hall = Hall::of(plant);
    for second in values {
        for (point, value) in second.into_iter().enumerate() {
            hall.show(number, point, value);
        }
        hall.run(1);
    }
    hall
}

/// The panes of one quantity of the meter, minute by minute.
fn panes(hall: &Hall, number: usize, quantity: Quantity) -> Vec<Pane> {
    let meter = hall.monitor.plan().scopes[0].meters[number].clone();
    let index = meter.series.iter().position(|known| *known == quantity).expect("the meter gives it");
    let of_meter = hall.told.iter().filter_map(|output| match output {
        Output::Minute(closed) if closed.meter == meter.id => Some(closed.panes[index]),
        _ => None,
    });
    of_meter.collect()
}

fn counted(second: i64, start: f64, end: f64) -> f64 {
    (start + second as f64 * 10.0) % end
}

// Seen to fail when a counter that goes back was always a roll-over.
#[test]
fn a_roll_over_keeps_the_power_and_a_reset_leaves_a_hole_and_no_giant() {
    let (plant, number) = with(100_000.0);
    // 36 kW all the time. The counter rolls over in the second minute and is set back to 0 in the fifth.
    let shown = |second: i64| {
        let counter =
            if second < 270 { counted(second, 99_000.0, 100_000.0) } else { (second - 270) as f64 * 10.0 };
        [counter, 0.0, 1.0, 1.0]
    };
    let hall = run(&plant, number, (0..600).map(shown));
    let power: Vec<_> = panes(&hall, number, Quantity::whole(Measurand::MeteredPower));
    let means: Vec<Option<f64>> = power.iter().map(Pane::mean).collect();
    assert_eq!(means[0], None, "no whole interval yet");
    for (minute, mean) in means.iter().enumerate().skip(1) {
        assert!(mean.is_some_and(|mean| (mean - 36_000.0).abs() < 1e-6), "minute {minute}: {mean:?}");
    }
    assert!(power[4].covered_ms <= 30_000, "from the reset to the next whole interval nothing is known");
    let counter = panes(&hall, number, Quantity::whole(Measurand::EnergyImport));
    assert_eq!((counter[1].min(), counter[1].max()), (Some(99_600.0), Some(190.0)), "first and latest");
    assert!(counter.iter().all(|pane| pane.mean().is_none() && pane.rms().is_none()));
}

// Seen to fail when angles were averaged as numbers.
#[test]
fn an_angle_about_half_a_turn_has_its_mean_there_and_its_limit_judges_that() {
    let (mut plant, number) = with(1e6);
    let over = Some(kvarden_core::time::Span::seconds(10));
    let levels = vec![kvarden_core::plant::Level { over, ..level(90.0, Priority::Low, 0) }];
    plant.limits.push(limit(Measurand::VoltageAngle, levels, 5.0, 0));
    let shown = |second: i64| [0.0, if second % 2 == 0 { 179.0 } else { 181.0 }, 1.0, 1.0];
    let hall = run(&plant, number, (0..130).map(shown));
    let quantity = Quantity::at(Measurand::VoltageAngle, Place::A);
    let pane = panes(&hall, number, quantity)[1];
    let mean = pane.mean().unwrap();
    assert!((mean.abs() - 180.0).abs() < 1e-9, "{mean}");
    assert_eq!((pane.min(), pane.max()), (None, None));
    assert_eq!(
        hall.alarms("T2 quality/voltage_angle_deg.A"),
        ["8 high level 1 raised: unacknowledged"],
        "as soon as four fifths of the window are measured"
    );
}

#[test]
fn a_flag_is_on_for_a_share_of_the_time_and_one_of_several_has_its_own_limit() {
    let (mut plant, number) = with(1e6);
    plant.limits.push(Limit {
        number: Some(2),
        bound: Bound::Low,
        ..limit(Measurand::BreakerClosed, vec![level(0.5, Priority::High, 0)], 0.2, 0)
    });
    // Both open after a quarter of a minute; a meter that shows 0.5 shows nothing.
    let shown = |second: i64| {
        let closed = if second < 75 { 1.0 } else { 0.0 };
        [0.0, 0.0, if second == 100 { 0.5 } else { closed }, closed]
    };
    let hall = run(&plant, number, (0..130).map(shown));
    let breaker = |which| Quantity::numbered(Measurand::BreakerClosed, Place::Whole, which);
    assert_eq!(panes(&hall, number, breaker(2))[1].mean(), Some(0.25));
    assert_eq!(panes(&hall, number, breaker(1))[1].count, 59);
    assert_eq!(hall.refused(), ["breaker_closed.1 OutOfRange 1"]);
    assert_eq!(hall.alarms("T2 quality/breaker_closed.2"), ["75 low level 1 raised: unacknowledged"]);
    assert_eq!(hall.alarms("T2 quality/breaker_closed.1"), Vec::<String>::new());
    assert_eq!(hall.monitor.plan().scopes[0].meters[number].series[BREAKER], breaker(1));
    assert_eq!(hall.monitor.plan().scopes[0].meters[number].series[ANGLE].what, Measurand::VoltageAngle);
}

#[test]
fn no_limit_is_on_a_counter_and_nothing_counts_its_power_twice() {
    let (mut plant, number) = with(1e6);
    plant.limits.push(limit(Measurand::EnergyImport, vec![level(1.0, Priority::High, 0)], 0.5, 0));
    let plan = plan_of(&plant);
    let meter = &plan.scopes[0].meters[number];
    assert!(meter.limits.iter().all(|limit| meter.series[limit.series].what != Measurand::EnergyImport));
    // Power by the counter is no source of loading: a meter of nothing else has none.
    assert!(meter.series.contains(&Quantity::whole(Measurand::MeteredPower)));
    assert!(meter.series.iter().all(|quantity| quantity.what != Measurand::LoadingKva));
}
