//! What the worked examples of formulas leave open: bounds that belong to one side, signs, weights of several values. Each test
//! was seen to fail with the change that it names; where no source is named, the figures are worked by hand from the
//! definitions beside the functions.

use kvarden_core::electrical::contact::lagged;
use kvarden_core::electrical::demand::Week;
use kvarden_core::electrical::energy::energy_wh;
use kvarden_core::electrical::flow::power_factor;
use kvarden_core::electrical::joint::{alone_ohm, neutral_in_phase_a, resistance, times_apart};
use kvarden_core::electrical::loss::most_other_stray;
use kvarden_core::electrical::neutral::over_highest_phase_percent;
use kvarden_core::electrical::permissible::{Bounded, Weights};
use kvarden_core::electrical::phasors::{Phasor, Sequence};
use kvarden_core::electrical::robust::{By, Point, fit};
use kvarden_core::electrical::standard::STATISTICS;
use kvarden_core::electrical::unbalance::farthest;
use kvarden_core::electrical::week::WeekClasses;
use kvarden_core::formula::sequence::{Figure, Phasors};
use kvarden_core::formula::{Formula, Harmonics, PhaseOrders, PowerSource, SecondOrder};
use kvarden_core::reading::Sample;
use kvarden_core::time::{EventTime, Span};

fn near(got: f64, want: f64) {
    assert!((got - want).abs() <= 1e-9 * (1.0 + want.abs()), "{got} is not {want}");
}

fn row(values: &[f64]) -> Vec<Sample> {
    values.iter().copied().map(Sample::new).collect()
}

/// Twice as much negative as positive sequence is a fault with a figure of 200 %, not two leads exchanged.
// Seen to fail without the factor for turning backwards.
#[test]
fn more_negative_than_positive_sequence_is_no_exchange_of_leads() {
    let [zero, positive, negative] = [0.0, 10.0, 20.0].map(|size| Phasor::new(size, 0.0));
    let ratios = Sequence { zero, positive, negative }.ratios(1.0).expect("a figure");
    near(ratios.negative_percent, 200.0);
}

// Seen to fail with `>` for `>=` at each of these floors.
#[test]
fn a_floor_belongs_to_what_counts() {
    assert!(farthest([20.0; 3], 20.0).is_ok());
    assert_eq!(over_highest_phase_percent(5.0, [Some(40.0); 3], 40.0), Some(12.5));
    assert_eq!(power_factor(6_000.0, 7_500.0, 75.0), Some(0.8));
    let block = |index: i64| EventTime(0) + Span::minutes(15 * (index + 1));
    let mut week = Week::default();
    for index in 0..96 {
        week.take(block(index), 50.0);
    }
    assert_eq!(week.load_factor_percent(block(95), 96), Some(100.0));
    let daily = STATISTICS[0];
    let mut values = vec![12.0; 25_920];
    let verdict = daily.verdict(&mut values, 8.0).expect("nine tenths of a day");
    assert!(verdict.holds(), "the percentile is what is allowed");
}

// Seen to fail with `>=` for `>`.
#[test]
fn of_two_that_are_as_far_the_first_is_told() {
    let far = farthest([90.0, 100.0, 110.0], 20.0).expect("an unbalance");
    assert_eq!((far.which, far.percent), (0, -10.0));
}

/// All in one order the weights are `h²` and `h^0.8`, so that the bound is met: 5^0.8 = 3.6239.
// Seen to fail with the exponent 0.8.
#[test]
fn other_stray_loss_of_a_single_order_is_its_bound() {
    let most = most_other_stray(25.0).expect("a bound");
    assert!((most - 3.623_898).abs() < 1e-6, "{most}");
}

/// `(1 + 0.05)/(1 + 6·0.05)` is less than `(1 + 0.05 + 0.4)/(1 + 6·0.05 + 1·0.4)`: the hottest place bounds it.
// Seen to fail with the losses alone.
#[test]
fn of_a_liquid_filled_unit_the_lesser_of_both_bounds_counts() {
    let bounded = Bounded::Liquid { eddy_pu: 0.05, other_stray_pu: 0.4 };
    let got = bounded.permissible_pu(Weights { eddy: 6.0, other_stray: 1.0 }).expect("a bound");
    near(got, (1.05f64 / 1.3).sqrt());
}

// Seen to fail when each step of a counter stood for a second.
#[test]
fn energy_is_known_for_the_time_between_its_readings() {
    let counted = energy_wh([(EventTime(0), 0.0), (EventTime(10_000), 100.0)], None).expect("counted");
    assert_eq!((counted.amount, counted.known), (100.0, Span::seconds(10)));
}

/// After one time constant 1/e of the way is left.
// Seen to fail with twice the pace.
#[test]
fn a_lagged_mean_has_its_time_constant() {
    near(lagged(0.0, 1.0, 20.0, 20.0), 1.0 - (-1.0f64).exp());
}

/// 30 A against 10 and 20 A: 30 − 15 A are in phase with its volts. 4.2 mΩ against 3.0 at the least: 1.4 times. 3.7 mΩ against peers of
/// 3.0: 0.7 more, beyond a fifth of 3.0 and not of 3.7.
// Seen to fail with the sum of the others, with the first for the least, and with a fifth of its own.
#[test]
fn a_way_is_judged_by_the_other_phases() {
    near(neutral_in_phase_a(30.0, [10.0, 20.0]), 15.0);
    near(times_apart([0.0042, 0.0030, 0.0031]).expect("resistances"), 1.4);
    let [_, more, _] = alone_ohm([Some(0.0030), Some(0.0037), Some(0.0030)]);
    near(more.expect("two peers"), 0.0007);
}

/// Points whose two explaining values go together by a known part: `share` of the second is the first.
fn together(share: f64) -> Vec<Point> {
    (0..60u32)
        .map(|index| {
            let (one, other) = (f64::from(index * 37 % 61), f64::from(index * 53 % 59));
            let x = [one, share * one + (1.0 - share) * other];
            Point { x, y: 0.3 + 0.002 * x[0] + 0.001 * x[1] + 0.004 * f64::from(index * 29 % 7) }
        })
        .collect()
}

/// The half-width is 1.96 standard errors (normal distribution), and what goes together by more than 95 % of its variance is not told
/// apart.
// Seen to fail with one standard error, and with next to nothing left of its own.
#[test]
fn confidence_and_what_cannot_be_told_apart() {
    let points = together(0.3);
    let (plane, found) = (fit(&points, By::Both).expect("a plane"), resistance(&points, 60.0));
    if let Ok(found) = found {
        near(found.own_within_ohm, 1.96 * plane.errors[0]);
    } else {
        panic!("{found:?}");
    }
    assert!(fit(&together(0.9), By::Both).is_none(), "of the second some 1 % is its own");
    assert!(fit(&together(0.7), By::Both).is_some(), "some 16 %");
}

/// Of 40 values the 95th percentile is the 38th: of 37 at 0.4 and three at 0.9 it is a large one.
// Seen to fail with a rank less.
#[test]
fn the_weeks_percentile_is_at_its_rank() {
    let mut week = WeekClasses::default();
    let at = |index: i64| EventTime(0) + Span::minutes(index + 1);
    for index in 0..40 {
        week.take(at(index), if index < 37 { 0.4 } else { 0.9 });
    }
    let got = week.percentile(at(40), 95.0).expect("values");
    assert!((got - 0.9).abs() <= 0.0125, "{got}");
}

// Seen to fail with three times phase A, with amperes for per cent, and with the frequency upside down.
#[test]
fn formulas_take_all_their_values() {
    let loading = Formula::LoadingKva { power: PowerSource::Phases([0, 1, 2]), kva: 75.0 };
    near(loading.evaluate(&row(&[10_000.0, 20_000.0, 30_000.0])).get().expect("a loading"), 80.0);
    let second = Formula::SecondOrder { order: SecondOrder::Amperes(0), rated_a: 200.0 };
    near(second.evaluate(&row(&[2.0])).get().expect("a share"), 1.0);
    // 100 % of the tap's volts at 57 of 60 Hz without load: 60/57 of what 110 % are built for.
    let excited = Formula::Excitation { tap: 0, load: Some(1), frequency: Some(2) };
    let got = excited.evaluate(&row(&[100.0, 0.0, 57.0])).get().expect("an excitation");
    near(got, 100.0 * (60.0 / 57.0) / 1.10);
}

/// Three equal volts of 20 V to neutral, 34.6 V between the lines, where 24 and 41.6 V are the least.
// Seen to fail with the floor of the volts to neutral for those between the lines.
#[test]
fn lines_have_the_floor_of_lines() {
    let of = Phasors { magnitudes: [0, 1, 2], angles: [3, 4, 5], floor: 1.0, least_mean: 24.0 };
    assert_eq!(
        of.evaluate(Figure::LinesDeviationPercent, &row(&[20.0, 20.0, 20.0, 0.0, -120.0, 120.0])),
        None
    );
    let enough = of.evaluate(Figure::LinesDeviationPercent, &row(&[25.0, 25.0, 25.0, 0.0, -120.0, 120.0]));
    assert!(enough.is_some_and(|percent| percent < 1e-9), "{enough:?}");
}

/// Phase A carries 100 A with orders; B and C carry half an ampere, too little for a spectrum: the neutral is told, as that of A alone.
// Seen to fail when a phase below the floor took the figure away.
#[test]
fn a_phase_that_carries_hardly_anything_leaves_the_neutral_known() {
    let phase = |index: usize| PhaseOrders {
        slots: [3u8, 5, 7, 9, 11, 13].into_iter().zip(7 * index..).collect(),
        percent: true,
        total: Some(7 * index + 6),
        floor: 2.0,
    };
    let formula = Formula::Harmonics(Harmonics::Neutral {
        phases: Box::new([phase(0), phase(1), phase(2)]),
        angles: None,
    });
    let of = |total: f64| [30.0, 20.0, 10.0, 5.0, 3.0, 2.0, total];
    let values = [of(100.0), of(0.5), of(0.5)].concat();
    let got = formula.evaluate(&row(&values)).get().expect("a neutral");
    assert!((got - 100.0).abs() < 1.0, "{got}");
}
