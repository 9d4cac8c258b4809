//! A quiet second allocates nothing: once every meter was heard and every buffer has its size, the readings of all
//! meters go through the monitor without one allocation, also those that wait for their order at the door.

#[path = "cannery/mod.rs"]
mod cannery;

use allocation_counter::measure;
use cannery::{AIR, Hall, MP3, T2, at, meter, plant};
use kvarden_core::input::Input;
use kvarden_core::measurand::Measurand;
use kvarden_core::phases::Place;
use kvarden_core::plant::{Meter, SideOf, Target};
use kvarden_core::reading::{MeterId, Reading, Sample};
use kvarden_core::time::Span;
use std::fmt::Write;

// Seen to fail when the door made a new buffer for each reading that waits.
#[test]
fn a_quiet_second_allocates_nothing() {
    let mut hall = Hall::new();
    hall.run(905);
    let mut out = Vec::with_capacity(64);
    // Thirty seconds inside one minute (MP-3 ends its minutes 3 s late), with steps of the grid and of windows.
    for second in 905..935 {
        hall.second = second;
        let values: Vec<Vec<Sample>> = (T2..=AIR).map(|meter| hall.values(meter)).collect();
        let now = at(second);
        let counted = measure(|| {
            hall.monitor.advance(now, &mut out);
            for (meter, values) in values.iter().enumerate() {
                let every = if meter <= MP3 { 1 } else { 10 };
                if meter != AIR && second % every == 0 {
                    let reading = Reading { meter: MeterId(meter as u32), at: now, values };
                    hall.monitor.observe(now, Input::Reading(reading), &mut out);
                }
            }
        });
        assert_eq!((counted.count_total, out.len()), (0, 0), "in second {second}");
    }
}

/// Hours of learning what a healthy transformer shows.
fn learning_h(hall: &Hall) -> f64 {
    let (_, _, hours) = hall.monitor.heat_learned().next().expect("T2 has a model of its heat");
    hours.expect("a calibration is being learned")
}

/// The grid waits for the slowest meter, so here the thermometer speaks every ten seconds and steps of the models lie
/// within what is counted.
#[test]
fn learning_what_a_healthy_unit_shows_allocates_nothing() {
    let mut plant = plant();
    plant.meters[AIR].every = Span::seconds(10);
    let mut hall = Hall::of(&plant);
    // After three time constants the model is settled, and what is measured is learned from.
    let from = 3 * 3600 + 905;
    hall.run(from);
    let (before, mut out) = (learning_h(&hall), Vec::with_capacity(64));
    for second in from..from + 30 {
        hall.second = second;
        let values: Vec<Vec<Sample>> = (T2..=AIR).map(|meter| hall.values(meter)).collect();
        let now = at(second);
        let counted = measure(|| {
            hall.monitor.advance(now, &mut out);
            for (meter, values) in values.iter().enumerate() {
                let every = if meter <= MP3 { 1 } else { 10 };
                if second % every == 0 {
                    let reading = Reading { meter: MeterId(meter as u32), at: now, values };
                    hall.monitor.observe(now, Input::Reading(reading), &mut out);
                }
            }
        });
        assert_eq!((counted.count_total, out.len()), (0, 0), "in second {second}");
    }
    assert!(learning_h(&hall) > before, "it was learned from");
}

#[test]
fn messages_that_arrive_out_of_order_allocate_nothing_either() {
    let mut hall = Hall::new();
    hall.run(906);
    let values = hall.values(MP3);
    let mut out = Vec::with_capacity(64);
    let swap = |second: i64| if second % 2 == 0 { second + 1 } else { second - 1 };
    // The door has its largest size after the first pairs.
    for second in 906..934 {
        let now = at(second + 1);
        let reading = Reading { meter: MeterId(MP3 as u32), at: at(swap(second)), values: &values };
        let counted = measure(|| hall.monitor.observe(now, Input::Reading(reading), &mut out));
        assert_eq!((counted.count_total, out.len()), (0, 0), "in second {second}");
    }
}

/// A meter of 60 values with angles and orders: all that is computed of them, without one allocation a reading.
#[test]
fn the_formulas_of_a_meter_with_orders_and_angles_allocate_nothing() {
    let mut plant = plant();
    let mut points = String::from("neutral_current_a power_w frequency_hz ");
    for place in ["A", "B", "C"] {
        for what in ["voltage_ln_v", "current_a", "voltage_angle_deg", "current_angle_deg", "power_w"] {
            let _ = write!(points, "{what}.{place} ");
        }
        for order in (1..=25).step_by(2) {
            let _ = write!(points, "current_harmonic_a.{place}.{order} ");
        }
    }
    points += "voltage_ll_v.AB voltage_ll_v.BC voltage_ll_v.CA";
    let quality = meter("quality", Target::Transformer(0, SideOf::Secondary), &points, 1);
    // It shows the same all the time: a frozen meter would have nothing to compute from.
    plant.meters.push(Meter { frozen_after: None, ..quality });
    let number = plant.meters.len() - 1;
    assert_eq!(plant.meters[number].points.len(), 60);
    let mut hall = Hall::of(&plant);
    for (point, quantity) in plant.meters[number].points.iter().enumerate() {
        let turn = [(Place::B, -120.0), (Place::C, 120.0)].iter().find(|(place, _)| *place == quantity.place);
        let value = match quantity.what {
            Measurand::CurrentHarmonicAmperes => 80.0 / f64::from(quantity.number),
            Measurand::Current => 90.0,
            Measurand::NeutralCurrent => 85.0,
            Measurand::VoltageAngle | Measurand::CurrentAngle => turn.map_or(0.0, |(_, turn)| *turn),
            Measurand::VoltageLl => 208.0,
            Measurand::Frequency => 60.0,
            _ => 120.0,
        };
        hall.show(number, point, value);
    }
    hall.run(905);
    let meter = hall.monitor.plan().scopes[0].meters[number].clone();
    assert!(meter.formulas.len() > 20, "{} formulas", meter.formulas.len());
    let (values, mut out) = (hall.values(number), Vec::with_capacity(64));
    for second in 905..935 {
        let now = at(second);
        let counted = measure(|| {
            let reading = Reading { meter: MeterId(number as u32), at: now, values: &values };
            hall.monitor.observe(now, Input::Reading(reading), &mut out);
        });
        assert_eq!(counted.count_total, 0, "in second {second}");
    }
}

/// Heat, demand current, terminations, ways and hum of one transformer take their steps without one allocation.
// Seen to fail when a step of the ways made a list of its own.
#[test]
fn all_models_of_a_transformer_allocate_nothing() {
    let mut plant = plant();
    plant.meters[AIR].every = Span::seconds(10);
    let secondary = Target::Transformer(0, SideOf::Secondary);
    let mut quality = String::from("sound_tone_dba.1 sound_tone_dba.2 power_w");
    let mut end = String::from("neutral_current_a");
    for place in ["A", "B", "C"] {
        let _ = write!(quality, " voltage_ln_v.{place} current_a.{place}");
        let _ = write!(end, " voltage_ln_v.{place} current_a.{place}");
        for order in (3..=13).step_by(2) {
            let _ = write!(quality, " current_harmonic_a.{place}.{order}");
        }
    }
    let first = plant.meters.len();
    let still = |meter| Meter { frozen_after: None, ..meter };
    plant.meters.push(still(meter("T2 quality", secondary, &quality, 1)));
    plant.meters.push(still(meter("MP-1 end", Target::Feeder(0), &end, 1)));
    let mut hall = Hall::of(&plant);
    for number in [first, first + 1] {
        for (point, quantity) in plant.meters[number].points.iter().enumerate() {
            let value = match quantity.what {
                Measurand::VoltageLn => 120.0,
                Measurand::Current => 90.0,
                Measurand::Power => 30_000.0,
                _ => 5.0,
            };
            hall.show(number, point, value);
        }
    }
    let plan = hall.monitor.plan().clone();
    let study = &plan.scopes[0].grid.as_ref().expect("models").study;
    assert!(study.heat.is_some() && study.demand_current.is_some() && study.hum.is_some());
    assert!(!study.terminations.is_empty() && !study.ways.is_empty());
    hall.run(3 * 3600 + 905);
    let (from, mut out) = (hall.second, Vec::with_capacity(64));
    for second in from..from + 30 {
        hall.second = second;
        let values: Vec<Vec<Sample>> = (T2..first + 2).map(|meter| hall.values(meter)).collect();
        let now = at(second);
        let counted = measure(|| {
            hall.monitor.advance(now, &mut out);
            for (meter, values) in values.iter().enumerate() {
                let every = plant.meters[meter].every;
                if second % (every.0 / 1000) == 0 {
                    let reading = Reading { meter: MeterId(meter as u32), at: now, values };
                    hall.monitor.observe(now, Input::Reading(reading), &mut out);
                }
            }
        });
        assert_eq!((counted.count_total, out.len()), (0, 0), "in second {second}");
    }
}
