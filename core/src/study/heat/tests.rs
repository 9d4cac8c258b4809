//! The model against a unit that is cooled by the same law, with its own factor and time constant.

use super::*;
use crate::reading::Sample;
use crate::thermal::ageing::DryClass;
use crate::thermal::rise_after;
use proptest::prelude::*;

const RATED_A: f64 = 200.0;
const RISE_K: f64 = 115.0;
const STEP: Span = Span::minutes(1);

/// One winding: inputs are air, current and its temperature; results expected, residual, hot spot, time, rate, hours.
fn plan() -> HeatPlan {
    HeatPlan {
        ambients: [0].into(),
        rated_a: RATED_A,
        eddy_pu: 0.0,
        medium: Medium::Air { rise_k: RISE_K, gradient_k: 30.0 },
        fans: None,
        places: [PlacePlan {
            currents: [(1, 1.0)].into(),
            loss_factor: None,
            measured: Some(2),
            expected: Some(0),
            residual: Some(1),
        }]
        .into(),
        oil: None,
        shortfall: None,
        hot_spot: 2,
        load_time_left: Some((220.0, 3)),
        ageing: DryClass::of(220).map(|class| AgeingPlan {
            class: AgeingClass::Dry(class),
            rate: 4,
            hours: 5,
        }),
    }
}

/// A unit and the model that watches it.
struct Story {
    plan: HeatPlan,
    heat: Heat,
    row: [Sample; 6],
    minute: i64,
    rise: f64,
    factor: f64,
    tau_min: f64,
}

impl Story {
    fn new(factor: f64, tau_min: f64) -> Self {
        let plan = plan();
        let heat = Heat::new(&plan);
        Self { plan, heat, row: [Sample::ABSENT; 6], minute: 0, rise: 0.0, factor, tau_min }
    }

    /// Days of work by day and rest by night.
    fn days(&mut self, days: i64) -> &mut Self {
        for _ in 0..days * 1440 {
            let hour = self.minute / 60 % 24;
            let load = if (6..22).contains(&hour) { 0.9 } else { 0.1 };
            self.rise = rise_after(self.rise, f64::powf(load, 1.6), 1.0, self.tau_min, 0.8).expect("a rise");
            self.show([25.0, load * RATED_A, 25.0 + self.factor * RISE_K * self.rise]);
        }
        self
    }

    fn show(&mut self, inputs: [f64; 3]) {
        self.minute += 1;
        let end = EventTime(0) + STEP.times(self.minute);
        let inputs = inputs.map(Sample::new);
        self.heat.step(&self.plan, &mut Turn { end, inputs: &inputs, row: &mut self.row });
    }

    fn residual(&self) -> Option<f64> {
        self.row[1].get()
    }
}

/// Seen to fail with twice the time constant over half of each step.
#[test]
fn what_was_learned_waits_for_a_person_and_then_says_what_is_healthy() {
    let mut story = Story::new(0.92, 47.0);
    story.days(4);
    let learned = story.heat.learned().calibration.expect("it is sound");
    assert!((learned.factors[0] - 0.92).abs() < 0.01, "{learned:?}");
    assert!((learned.tau_min - 47.0).abs() < 4.0, "{learned:?}");
    assert_eq!(learned.accepted, None);
    // Noon of the next day: the nameplate still rules.
    let noon = |story: &mut Story| {
        story.days(1);
        for _ in 0..720 {
            story.show([25.0, 0.9 * RATED_A, 25.0 + story.factor * RISE_K * story.rise]);
            story.rise =
                rise_after(story.rise, f64::powf(0.9, 1.6), 1.0, story.tau_min, 0.8).expect("a rise");
        }
        story.residual().expect("it is settled")
    };
    let by_nameplate = noon(&mut story);
    assert!((by_nameplate + 0.08 * RISE_K * f64::powf(0.9, 1.6)).abs() < 1.0, "{by_nameplate}");
    assert!(story.heat.accept("Ines", EventTime(1)));
    assert!(!story.heat.accept("Jonas", EventTime(2)), "it no longer waits");
    let accepted = noon(&mut story);
    assert!(accepted.abs() < 1.0, "{accepted}");
    // A fault after that is not learned, however long it stands, and the calibration stays.
    story.factor = 1.3;
    story.days(6);
    let faulty = noon(&mut story);
    assert!(faulty > 0.3 * RISE_K * f64::powf(0.9, 1.6), "{faulty}");
    assert_eq!(story.heat.learned().calibration.expect("it stays").factors, learned.factors);
}

#[test]
fn a_fault_from_the_first_day_is_never_offered_as_healthy() {
    for (factor, tau_min, why) in [
        (1.3, 60.0, NotHealthy::Factor),
        (0.4, 60.0, NotHealthy::Factor),
        (1.0, 400.0, NotHealthy::TimeConstant),
    ] {
        let mut story = Story::new(factor, tau_min);
        story.days(5);
        let learned = story.heat.learned();
        assert_eq!((learned.calibration, learned.refused), (None, Some(why)), "{factor} {tau_min}");
        assert!(!story.heat.accept("Ines", EventTime(1)));
    }
}

#[test]
fn temperatures_that_do_not_follow_the_load_are_not_learned() {
    let mut story = Story::new(1.0, 60.0);
    for hour in 0..120 * 60 {
        let celsius = if hour % 1200 < 600 { 60.0 } else { 100.0 };
        story.show([25.0, 0.6 * RATED_A, celsius]);
    }
    assert_eq!(story.heat.learned().calibration, None);
    assert!(story.heat.learned().refused.is_some());
}

#[test]
fn dropped_it_is_learned_anew() {
    let mut story = Story::new(0.95, 60.0);
    story.days(4);
    assert!(story.heat.drop_calibration() && !story.heat.drop_calibration());
    story.factor = 1.05;
    story.days(4);
    let learned = story.heat.learned().calibration.expect("it is sound");
    assert!((learned.factors[0] - 1.05).abs() < 0.01, "{learned:?}");
}

#[test]
fn after_a_gap_too_long_to_bridge_there_is_no_residual_until_the_beginning_no_longer_matters() {
    let mut story = Story::new(1.0, 60.0);
    story.days(1);
    assert!(story.residual().is_some());
    story.minute += 181;
    story.days(0).show([25.0, 0.9 * RATED_A, 90.0]);
    assert!(story.row[0].is_present() && story.residual().is_none());
    for _ in 0..180 {
        story.show([25.0, 0.9 * RATED_A, 90.0]);
    }
    assert!(story.residual().is_some());
}

#[test]
fn the_time_left_falls_until_the_limit_is_passed() {
    let mut story = Story::new(1.0, 60.0);
    for _ in 0..300 {
        story.show([25.0, 0.5 * RATED_A, f64::NAN]);
    }
    assert_eq!(story.row[3].get(), Some(HORIZON_H), "it may stand for ever");
    let mut before = HORIZON_H;
    for minute in 0..400 {
        story.show([25.0, 1.6 * RATED_A, f64::NAN]);
        let left = story.row[3].get().expect("it is known");
        assert!(left < before || left == 0.0, "minute {minute}: {left} after {before}");
        before = left;
    }
    assert!(before == 0.0 && story.row[2].get().is_some_and(|celsius| celsius > 220.0));
}

proptest! {
    #[test]
    fn whatever_goes_in_what_comes_out_is_a_number_or_absent_and_the_next_day_is_as_ever(
        steps in prop::collection::vec((any::<f64>(), any::<f64>(), any::<f64>(), 0i64..500), 1..40),
    ) {
        let mut story = Story::new(1.0, 60.0);
        for (air, amperes, winding, minutes) in steps {
            story.minute += minutes;
            story.show([air, amperes, winding]);
            if !(air.is_finite() && amperes.is_finite()) {
                prop_assert_eq!((story.row[0].get(), story.row[1].get()), (None, None), "absent in, absent out");
            }
            prop_assert!(story.heat.learned().aged_h.is_finite());
        }
        // An absurd rise cools by the law, or is left behind by a gap.
        story.minute += 10_000;
        story.rise = 0.0;
        story.days(2);
        let residual = story.residual().expect("it is settled");
        prop_assert!(residual.abs() < 1.0, "{}", residual);
    }
}
