//! Laws that unbalance, sequence components and the faces of a lost phase keep for all numbers.

use kvarden_core::electrical::circuit::{neutral_of_magnitudes, neutral_of_phasors, volts_after};
use kvarden_core::electrical::events::{EventClass, rms_aggregate};
use kvarden_core::electrical::lost_phase::{Face, Moment, faces};
use kvarden_core::electrical::motors::derating;
use kvarden_core::electrical::phasors::{Phasor, Sequence, phasors};
use kvarden_core::electrical::ratings::{fault_current, hot_room_share, hot_spot_limit_c};
use kvarden_core::electrical::unbalance::{farthest, negative_ratio_percent};
use kvarden_core::formula::Formula;
use kvarden_core::formula::sequence::{Figure, Phasors};
use kvarden_core::phases::{PerLines, PerPhase, Phase};
use kvarden_core::reading::Sample;
use kvarden_core::wiring::WiringForm;
use proptest::prelude::*;

fn near(one: f64, other: f64) -> bool {
    (one - other).abs() <= 1e-6 * one.abs().max(other.abs()).max(1.0)
}

fn number() -> impl Strategy<Value = f64> {
    let odd =
        vec![f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN_POSITIVE, 0.0, -0.0, 5e-324];
    prop_oneof![4 => -10.0f64..500.0, 2 => any::<f64>(), 2 => prop::sample::select(odd)]
}

fn three() -> [impl Strategy<Value = f64>; 3] {
    [number(), number(), number()]
}

/// Magnitudes and angles of three phases that are far from exchanged, as of a circuit that lives.
fn alive() -> impl Strategy<Value = ([f64; 3], [f64; 3])> {
    let around = |middle: f64| middle - 20.0..middle + 20.0;
    ([80.0..160.0, 80.0..160.0, 80.0..160.0], [around(0.0), around(-120.0), around(120.0)])
}

/// Volts, amperes and all else of one moment, of any form.
fn moments() -> impl Strategy<Value = Moment> {
    let forms = vec![
        WiringForm::Wye,
        WiringForm::Delta,
        WiringForm::HighLegDelta { high: Phase::B },
        WiringForm::CornerGroundedDelta { grounded: Phase::C },
        WiringForm::OpenDelta { high: None },
        WiringForm::OpenWye,
        WiringForm::SplitPhase,
        WiringForm::SinglePhase,
    ];
    let value = || prop::option::of(number());
    let per_phase = move || (value(), value(), value()).prop_map(|(a, b, c)| PerPhase { a, b, c });
    let per_lines = (value(), value(), value()).prop_map(|(ab, bc, ca)| PerLines { ab, bc, ca });
    (
        (prop::sample::select(forms), number(), value(), any::<bool>()),
        (per_phase(), per_lines, per_phase(), per_phase(), per_phase(), per_phase()),
    )
        .prop_map(|((form, volts, rated_a, three_phase_only), of)| Moment {
            form,
            volts,
            rated_a,
            three_phase_only,
            to_neutral: of.0,
            between: of.1,
            amperes: of.2,
            watts: of.3,
            volt_degrees: of.4,
            ampere_degrees: of.5,
        })
}

/// Every number of a face.
fn numbers(face: &Face) -> Vec<f64> {
    match *face {
        Face::Dead { highest } => vec![highest],
        Face::LostBeforeDeltaWye { to_neutral, between, .. } => {
            [to_neutral, between].into_iter().flatten().flatten().collect()
        }
        Face::LostBeforeDeltaWyeMotorsRun { volts, amperes, .. } => [volts, amperes].concat(),
        Face::PhaseLost { volts, amperes, others, .. } => vec![volts, amperes, others],
        Face::MeterFuse { volts, amperes, watts, .. } => {
            [Some(volts), Some(amperes), watts].into_iter().flatten().collect()
        }
        Face::VoltsGone { volts, amperes, .. } => [Some(volts), amperes].into_iter().flatten().collect(),
        Face::HeldByMotors { volts, amperes, .. } => [&[volts], &amperes[..]].concat(),
        Face::OpenTowardsLoad { amperes, .. } => amperes.to_vec(),
        Face::OpenNeutral { volts, spread_percent, lines_percent, .. } => {
            vec![volts, spread_percent, lines_percent]
        }
        Face::HighLeg { ratio, .. } => vec![ratio],
        Face::VoltsBackwards { positive, negative } | Face::AmperesAgainstVolts { positive, negative } => {
            vec![positive, negative]
        }
    }
}

proptest! {
    #[test]
    fn whatever_goes_in_no_number_comes_out_that_is_none(values in three(), degrees in three(), extra in number()) {
        let finite = |value: Option<f64>| value.is_none_or(f64::is_finite);
        prop_assert!(finite(farthest(values, extra).ok().map(|far| far.percent)));
        prop_assert!(finite(negative_ratio_percent(values, extra).ok()));
        prop_assert!(finite(neutral_of_magnitudes(values)));
        prop_assert!(finite(derating(extra).ok()));
        prop_assert!(finite(rms_aggregate(&values)));
        prop_assert!(finite(fault_current(values[0], extra)));
        prop_assert!(finite(hot_room_share(values[0], values[1], extra)));
        prop_assert!(finite(hot_spot_limit_c(values[0], values[1], extra)));
        prop_assert!(finite(volts_after(values[0], values[1], (values[2], degrees[0]), extra)));
        let _ = EventClass::of(values[0], values[1], extra);
        if let Some(phases) = phasors(values, degrees) {
            prop_assert!(finite(neutral_of_phasors(phases)));
            if let Ok(ratios) = Sequence::of(phases).ratios(extra) {
                prop_assert!(ratios.negative_percent.is_finite() && ratios.zero_percent.is_finite());
            }
        }
        let row: Vec<Sample> = values.iter().chain(&degrees).copied().map(Sample::new).collect();
        let of = Phasors { magnitudes: [0, 1, 2], angles: [3, 4, 5], floor: extra, least_mean: extra };
        for figure in
            [Figure::NegativePercent, Figure::ZeroPercent, Figure::Positive, Figure::LinesDeviationPercent]
        {
            let got = Formula::Sequence { of, figure }.evaluate(&row).get();
            // Absent in, absent out.
            prop_assert!(got.is_none() || row.iter().all(|sample| sample.is_present()), "{:?} {:?}", figure, got);
        }
    }

    #[test]
    fn what_is_three_sequences_is_three_phases_again((magnitudes, degrees) in alive()) {
        let phases = phasors(magnitudes, degrees).unwrap();
        for (one, other) in phases.into_iter().zip(Sequence::of(phases).phases()) {
            prop_assert!((one - other).norm() < 1e-9);
        }
    }

    /// k times as large: the same ratios. Turned by any angle, and with the phases moved on by one: the same ratios. Mirrored
    /// (conjugated) with B and C exchanged: the same; without the exchange positive and negative change places.
    #[test]
    fn scale_rotation_and_mirror((magnitudes, degrees) in alive(), factor in 1e-6f64..1e6, turn in -720.0f64..720.0) {
        let phases = phasors(magnitudes, degrees).unwrap();
        let [zero, positive, negative] = Sequence::of(phases).magnitudes().unwrap();
        let same = |phases: [Phasor; 3], by: f64| {
            let got = Sequence::of(phases).magnitudes().unwrap();
            got.into_iter().zip([zero, positive, negative]).all(|(got, want)| near(got / by, want))
        };
        prop_assert!(same(phases.map(|phase| phase * factor), factor));
        prop_assert!(same(phases.map(|phase| phase * Phasor::from_polar(1.0, turn.to_radians())), 1.0));
        let [a, b, c] = phases;
        prop_assert!(same([b, c, a], 1.0));
        prop_assert!(same([a.conj(), c.conj(), b.conj()], 1.0));
        let mirrored = Sequence::of([a.conj(), b.conj(), c.conj()]).magnitudes().unwrap();
        prop_assert!(near(mirrored[1], negative) && near(mirrored[2], positive));
        // What all three have in common is zero sequence only.
        let moved = Sequence::of(phases.map(|phase| phase + Phasor::new(7.0, -3.0))).magnitudes().unwrap();
        prop_assert!(near(moved[1], positive) && near(moved[2], negative));
    }

    #[test]
    fn the_closed_form_keeps_its_laws(lines in [180.0f64..240.0, 180.0f64..240.0, 180.0f64..240.0], factor in 1e-100f64..1e100) {
        let [ab, bc, ca] = lines;
        let percent = negative_ratio_percent(lines, 0.0).unwrap();
        prop_assert!((0.0..100.0).contains(&percent));
        prop_assert!(near(negative_ratio_percent(lines.map(|volts| volts * factor), 0.0).unwrap(), percent));
        for order in [[bc, ca, ab], [ca, ab, bc], [ca, bc, ab]] {
            prop_assert!(near(negative_ratio_percent(order, 0.0).unwrap(), percent));
        }
        // Of small unbalances it is between 1 and 2/√3 times the largest deviation (from the formula's linear part, by
        // geometry); of these up to a sixth more or less.
        let deviation = farthest(lines, 0.0).unwrap().percent.abs();
        prop_assert!(percent >= 0.95 * deviation - 1e-6 && percent <= 1.2 * deviation + 1e-6, "{} {}", percent, deviation);
    }

    #[test]
    fn any_moment_at_all_is_told_in_numbers(moment in moments()) {
        for face in faces(&moment) {
            prop_assert!(numbers(&face).iter().all(|number| number.is_finite()), "{:?}", face);
        }
    }

    /// Volts within two per cent of each other and any load above a fifth: nothing.
    #[test]
    fn a_healthy_wye_shows_no_face(
        phases in [0.99f64..1.01, 0.99f64..1.01, 0.99f64..1.01],
        level in 0.9f64..1.06,
        amperes in [40.0f64..200.0, 40.0f64..200.0, 40.0f64..200.0],
    ) {
        let volts = phasors(phases.map(|share| 120.1 * level * share), [0.0, -120.0, 120.0]).unwrap();
        let [a, b, c] = volts;
        let [to_a, to_b, to_c] = volts.map(|phase| Some(phase.norm()));
        let [ab, bc, ca] = [a - b, b - c, c - a].map(|line| Some(line.norm()));
        let moment = Moment {
            form: WiringForm::Wye,
            volts: 208.0,
            rated_a: Some(200.0),
            three_phase_only: true,
            to_neutral: PerPhase { a: to_a, b: to_b, c: to_c },
            between: PerLines { ab, bc, ca },
            amperes: PerPhase { a: Some(amperes[0]), b: Some(amperes[1]), c: Some(amperes[2]) },
            watts: PerPhase::default(),
            volt_degrees: PerPhase { a: Some(0.0), b: Some(-120.0), c: Some(120.0) },
            ampere_degrees: PerPhase { a: Some(-30.0), b: Some(-140.0), c: Some(100.0) },
        };
        prop_assert_eq!(faces(&moment).collect::<Vec<_>>(), vec![]);
    }
}
