//! The neutral against its rating and its phases.

use crate::cannery::{Hall, MP1, meter, plant};
use kvarden_core::plant::{Meter, Target};

const RATIO: &str = "MP-1/neutral_over_phase_percent";
const UNBALANCE: &str = "MP-1/current_unbalance_percent";
const NEUTRAL: &str = "MP-1/neutral_current_a";

/// MP-1, 100 A, with a neutral that is measured.
fn hall(phases: [f64; 3], neutral: f64) -> Hall {
    let mut plant = plant();
    let points = "current_a.A current_a.B current_a.C neutral_current_a";
    // Its values stand still here, and are judged all the same.
    plant.meters[MP1] = Meter { frozen_after: None, ..meter("MP-1", Target::Feeder(0), points, 1) };
    plant.limits.truncate(1);
    let mut hall = Hall::of(&plant);
    show(&mut hall, phases, neutral);
    hall
}

fn show(hall: &mut Hall, [a, b, c]: [f64; 3], neutral: f64) {
    hall.show(MP1, 0, a).show(MP1, 1, b).show(MP1, 2, c).show(MP1, 3, neutral);
}

/// Phases of 120 A and a neutral of 184 A are a triplen load (common practice); here the same shape at 100 A rated.
// Seen to fail without the condition, and with the ratio to nine tenths of the highest phase.
#[test]
fn a_neutral_above_the_highest_phase_is_for_the_next_visit_where_the_load_means_something() {
    let mut light = hall([24.0, 25.0, 24.0], 38.0);
    light.run(2000);
    assert!(light.alarms(RATIO).is_empty(), "a quarter of the load: noise and small loads");
    let mut hall = hall([55.0, 60.0, 55.0], 58.0);
    hall.run(2000);
    assert!(hall.alarms(RATIO).is_empty(), "above the mean of the phases, not above the highest");
    show(&mut hall, [55.0, 60.0, 55.0], 92.0);
    hall.run(2000);
    let told = hall.alarms(RATIO);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].contains("high level 1 raised"), "{told:?}");
    show(&mut hall, [55.0, 60.0, 55.0], 20.0);
    hall.run(2000);
    assert!(hall.alarms(RATIO)[1].ends_with("cleared: normal"), "not latched: {:?}", hall.alarms(RATIO));
}

/// The table of default limits: 30 %, and worst phase above 80 % rated or neutral above 80 % of its rating.
// Seen to fail when all conditions had to hold, and when only the first was asked.
#[test]
fn current_unbalance_counts_with_a_full_phase_or_a_full_neutral() {
    let mut hall = hall([75.0, 35.0, 75.0], 50.0);
    hall.run(1000);
    assert!(hall.alarms(UNBALANCE).is_empty(), "43 %, but neither is full");
    show(&mut hall, [75.0, 35.0, 75.0], 85.0);
    hall.run(1000);
    assert_eq!(hall.alarms(UNBALANCE).len(), 1, "the neutral is at 85 %");
    let mut hall = self::hall([90.0, 40.0, 90.0], 50.0);
    hall.run(1000);
    assert_eq!(hall.alarms(UNBALANCE).len(), 1, "a phase is at 90 %");
}

#[test]
fn where_the_neutral_is_not_measured_the_phases_alone_decide() {
    let mut plant = plant();
    plant.meters[MP1].frozen_after = None;
    let mut hall = Hall::of(&plant);
    hall.show(MP1, 0, 75.0).show(MP1, 1, 35.0).show(MP1, 2, 75.0).run(1000);
    assert!(hall.alarms(UNBALANCE).is_empty());
    hall.show(MP1, 0, 90.0).show(MP1, 2, 90.0).run(1000);
    assert_eq!(hall.alarms(UNBALANCE).len(), 1);
}

/// The guide: neutral, loose connection, lost phase and over-temperature latch.
// Seen to fail without the default's `latch`.
#[test]
fn a_neutral_that_was_over_its_rating_waits_for_a_person_after_the_load_went() {
    let mut hall = hall([70.0, 72.0, 70.0], 110.0);
    hall.run(1000);
    show(&mut hall, [30.0, 30.0, 30.0], 10.0);
    hall.run(1000);
    let told = hall.alarms(NEUTRAL);
    assert!(told.last().expect("it rose").ends_with("cleared: latched, unacknowledged"), "{told:?}");
}
