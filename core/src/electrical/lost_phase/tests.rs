//! Pictures that the trade knows, in volts and amperes as a meter shows them.

use super::*;

fn three(values: [f64; 3]) -> PerPhase<Option<f64>> {
    PerPhase { a: Some(values[0]), b: Some(values[1]), c: Some(values[2]) }
}

fn lines(values: [f64; 3]) -> PerLines<Option<f64>> {
    PerLines { ab: Some(values[0]), bc: Some(values[1]), ca: Some(values[2]) }
}

/// A moment of which nothing is measured.
fn nothing(form: WiringForm, volts: f64) -> Moment {
    Moment {
        form,
        volts,
        rated_a: Some(200.0),
        three_phase_only: false,
        to_neutral: PerPhase::default(),
        between: PerLines::default(),
        amperes: PerPhase::default(),
        watts: PerPhase::default(),
        volt_degrees: PerPhase::default(),
        ampere_degrees: PerPhase::default(),
    }
}

/// 208Y/120 V with these volts and amperes.
fn wye(to_neutral: [f64; 3], between: [f64; 3], amperes: [f64; 3]) -> Moment {
    Moment {
        to_neutral: three(to_neutral),
        between: lines(between),
        amperes: three(amperes),
        ..nothing(WiringForm::Wye, 208.0)
    }
}

fn seen(moment: &Moment) -> Vec<Face> {
    faces(moment).collect()
}

const GOOD: ([f64; 3], [f64; 3]) = ([120.0, 119.5, 120.4], [208.0, 207.2, 208.3]);

#[test]
fn a_healthy_moment_shows_nothing() {
    for amperes in [[100.0, 90.0, 110.0], [1.0, 0.0, 0.5], [180.0, 20.0, 60.0]] {
        assert_eq!(seen(&wye(GOOD.0, GOOD.1, amperes)), []);
    }
    let angles = Moment {
        volt_degrees: three([0.0, -120.0, 120.0]),
        ampere_degrees: three([-20.0, -150.0, 95.0]),
        ..wye(GOOD.0, GOOD.1, [100.0, 90.0, 110.0])
    };
    assert_eq!(seen(&angles), []);
    assert_eq!(seen(&nothing(WiringForm::Wye, 208.0)), []);
}

/// Line-to-neutral 60, 120 and 60 V, line-to-line 180, 180 and 0 V: worked by phasors in our guide.
// Seen to fail when the halves were also taken for volts that are gone.
#[test]
fn a_line_lost_before_a_delta_wye_unit() {
    let moment = wye([60.0, 120.0, 60.0], [180.0, 180.0, 0.0], [20.0, 25.0, 18.0]);
    let [Face::LostBeforeDeltaWye { kept, to_neutral, between }] = seen(&moment)[..] else {
        panic!("{:?}", seen(&moment));
    };
    assert_eq!(kept, Phase::B);
    assert!(to_neutral.is_some_and(|volts| (volts[0] - 0.4996).abs() < 0.001), "{to_neutral:?}");
    assert!(between.is_some_and(|volts| (volts[0] - 0.8654).abs() < 0.001), "{between:?}");
    // From the volts between the lines alone, also of a delta behind a wye.
    for form in [WiringForm::Wye, WiringForm::Delta] {
        let moment = Moment { between: lines([0.0, 180.0, 180.0]), ..nothing(form, 208.0) };
        let found = seen(&moment);
        assert!(matches!(found[..], [Face::LostBeforeDeltaWye { kept: Phase::C, .. }]), "{found:?}");
    }
    // Where the lines say otherwise it is not that: two lines float.
    let moment = wye([60.0, 120.0, 60.0], [110.0, 115.0, 90.0], [0.0, 90.0, 0.0]);
    assert!(!seen(&moment).iter().any(|face| matches!(face, Face::LostBeforeDeltaWye { .. })));
}

/// 95, 119 and 104 V with 1.15, 2.3 and 1.15 times the amperes of before: worked with a motor's sequence impedances.
/// `tests/tests/sequence.rs` works it anew by another program.
#[test]
fn the_same_while_motors_run() {
    let moment = wye([95.0, 119.0, 104.0], [178.0, 187.0, 188.0], [115.0, 230.0, 115.0]);
    let [Face::LostBeforeDeltaWyeMotorsRun { kept, volts, amperes }] = seen(&moment)[..] else {
        panic!("{:?}", seen(&moment));
    };
    assert_eq!((kept, amperes), (Phase::B, [115.0, 230.0, 115.0]));
    assert!((volts[0] - 0.791).abs() < 0.001, "{volts:?}");
    // Good volts: one phase with twice the amperes is a load.
    assert_eq!(seen(&wye(GOOD.0, GOOD.1, [115.0, 230.0, 115.0])), []);
}

// Seen to fail when amperes that go on were not asked for.
#[test]
fn a_phase_lost_on_a_wye_feeder_and_the_meters_own_fuse() {
    // The lead floats at a third of its volts.
    let volts = ([40.0, 120.0, 120.0], [125.0, 208.0, 130.0]);
    let lost = seen(&wye(volts.0, volts.1, [0.0, 90.0, 110.0]));
    let [Face::PhaseLost { phase, volts: floats, amperes, others }] = lost[..] else { panic!("{lost:?}") };
    assert_eq!((phase, amperes, others), (Phase::A, 0.0, 100.0));
    assert!((floats - 0.333).abs() < 0.001);

    let fuse =
        Moment { watts: three([0.0, 10_000.0, 12_000.0]), ..wye(volts.0, volts.1, [95.0, 90.0, 110.0]) };
    let fuse = seen(&fuse);
    assert!(
        matches!(fuse[..], [Face::MeterFuse { phase: Phase::A, amperes: 95.0, watts: Some(0.0), .. }]),
        "{fuse:?}"
    );

    // Nothing flows anywhere, or amperes are not measured: it can't be told.
    for amperes in [three([0.0, 0.5, 0.2]), PerPhase::default()] {
        let found = seen(&Moment { amperes, ..wye(volts.0, volts.1, [0.0; 3]) });
        assert!(matches!(found[..], [Face::VoltsGone { phase: Phase::A, .. }]), "{found:?}");
    }
}

/// One fuse blown and another line lost at once are told as two.
#[test]
fn two_phases_are_judged_each_by_its_own_amperes() {
    let found = seen(&wye([0.0, 5.0, 120.0], [4.0, 118.0, 120.0], [80.0, 0.0, 90.0]));
    let [Face::MeterFuse { phase: Phase::A, .. }, Face::PhaseLost { phase: Phase::B, .. }] = found[..] else {
        panic!("{found:?}");
    };
}

/// Three wires of which one floats at the middle of the other two: ½, 1, ½ between the lines.
#[test]
fn a_line_lost_on_three_wires() {
    let moment = Moment {
        between: lines([240.0, 480.0, 240.0]),
        amperes: three([0.0, 90.0, 90.0]),
        // A delta has no neutral: what a meter shows there floats, and is not looked at.
        to_neutral: three([3.0, 270.0, 280.0]),
        ..nothing(WiringForm::Delta, 480.0)
    };
    let found = seen(&moment);
    assert!(matches!(found[..], [Face::PhaseLost { phase: Phase::A, volts: 0.5, .. }]), "{found:?}");
    let fuse = Moment { amperes: three([85.0, 90.0, 90.0]), ..moment };
    assert!(matches!(seen(&fuse)[..], [Face::MeterFuse { phase: Phase::A, .. }]), "{:?}", seen(&fuse));
}

/// 0, 1.7 and 1.7 times the amperes of before (√3 by theory): on the motor's side with good volts, before it with volts that
/// the motor holds up.
#[test]
fn single_phasing_of_motors() {
    let amperes = [0.5, 173.0, 170.0];
    let circuit = Moment { three_phase_only: true, ..wye(GOOD.0, GOOD.1, amperes) };
    let found = seen(&circuit);
    assert!(matches!(found[..], [Face::OpenTowardsLoad { phase: Phase::A, .. }]), "{found:?}");
    // Where other loads hang on it, it may be a phase that is not used.
    assert_eq!(seen(&Moment { three_phase_only: false, ..circuit }), []);

    let held = seen(&wye([100.0, 119.0, 118.0], [180.0, 206.0, 182.0], amperes));
    assert!(matches!(held[..], [Face::HeldByMotors { phase: Phase::A, .. }]), "{held:?}");
    // A low supply and a phase that is not used are no such thing.
    assert_eq!(seen(&wye([110.0, 110.0, 111.0], [191.0, 190.0, 192.0], amperes)), []);
}

/// 124, 116 and 121 V with equal volts between the lines.
// Seen to fail when the lines were not asked to be equal.
#[test]
fn a_loose_neutral_parts_the_volts_to_neutral_only() {
    let moment = wye([124.0, 116.0, 121.0], [208.0, 208.5, 208.2], [60.0, 30.0, 50.0]);
    let [Face::OpenNeutral { highest, spread_percent, lines_percent, .. }] = seen(&moment)[..] else {
        panic!("{:?}", seen(&moment));
    };
    assert_eq!(highest, Phase::A);
    assert!((spread_percent - 6.65).abs() < 0.01 && (lines_percent - 0.24).abs() < 0.01);
    // An unequal supply is none.
    assert_eq!(seen(&wye([124.0, 116.0, 121.0], [214.0, 203.0, 208.0], [60.0, 30.0, 50.0])), []);
    // Split-phase: the legs part, the whole winding stays.
    let split = |a, b, both| Moment {
        to_neutral: PerPhase { a: Some(a), b: Some(b), c: None },
        between: PerLines { ab: Some(both), bc: None, ca: None },
        ..nothing(WiringForm::SplitPhase, 240.0)
    };
    let found = seen(&split(128.0, 112.5, 240.5));
    assert!(matches!(found[..], [Face::OpenNeutral { highest: Phase::A, .. }]), "{found:?}");
    assert_eq!(seen(&split(120.5, 120.0, 240.5)), []);
    assert_eq!(seen(&split(128.0, 118.0, 240.0)), [], "not of one winding: they don't add up");
}

/// 120, 208 and 120 V to neutral with 240 V between the lines.
#[test]
fn a_high_leg_that_is_said_to_be_a_wye() {
    let volts = ([120.0, 208.0, 120.0], [240.0, 240.0, 240.0]);
    let wrong = Moment { volts: 240.0, ..wye(volts.0, volts.1, [50.0, 20.0, 55.0]) };
    let found = seen(&wrong);
    assert!(matches!(found[..], [Face::HighLeg { phase: Phase::B, .. }]), "{found:?}");
    // Said as it is, it shows nothing.
    let right = Moment { form: WiringForm::HighLegDelta { high: Phase::B }, ..wrong };
    assert_eq!(seen(&right), []);
}

/// Each bound of a picture by itself: what misses it by one value is not that picture.
// Seen to fail without each of these conditions: both halves, collapsed lines, lines that stand, amperes that go on, a load that is no
// idle one, volts that are dead only below a tenth.
#[test]
fn what_misses_a_picture_by_one_value_is_not_it() {
    let is = |moment: &Moment, of: fn(&Face) -> bool| seen(moment).iter().any(of);
    let before_delta = |face: &Face| matches!(face, Face::LostBeforeDeltaWye { .. });
    for volts in [[10.0, 120.0, 60.0], [60.0, 120.0, 10.0]] {
        let neutral_only = Moment { to_neutral: three(volts), ..nothing(WiringForm::Wye, 208.0) };
        assert!(!is(&neutral_only, before_delta), "one is not half: {volts:?}");
    }
    let lines_only = Moment { between: lines([150.0, 180.0, 180.0]), ..nothing(WiringForm::Delta, 208.0) };
    assert!(!is(&lines_only, before_delta), "no pair has collapsed");
    // Phase A has 60 V and both its lines stand: the neutral has moved, and the phase is there.
    let moved = wye([60.0, 150.0, 150.0], [208.0; 3], [90.0, 90.0, 90.0]);
    let gone = |face: &Face| {
        matches!(face, Face::PhaseLost { .. } | Face::MeterFuse { .. } | Face::VoltsGone { .. })
    };
    assert!(!is(&moved, gone), "{:?}", seen(&moved));
    // A tenth of the others' amperes is neither a phase that goes on nor one that has gone.
    let little = wye([40.0, 120.0, 120.0], [125.0, 208.0, 130.0], [10.0, 100.0, 100.0]);
    assert!(matches!(seen(&little)[..], [Face::VoltsGone { phase: Phase::A, .. }]), "{:?}", seen(&little));
    // One ampere beside 200 is idle.
    let idle = Moment { three_phase_only: true, ..wye(GOOD.0, GOOD.1, [0.0, 1.0, 1.0]) };
    assert_eq!(seen(&idle), []);
    let low = wye([24.0; 3], [41.6; 3], [0.0; 3]);
    assert!(!is(&low, |face| matches!(face, Face::Dead { .. })), "a fifth of nominal is a deep sag");
}

#[test]
fn leads_that_are_exchanged() {
    let good = Moment {
        volt_degrees: three([0.0, -120.0, 120.0]),
        ampere_degrees: three([-25.0, -145.0, 95.0]),
        ..wye([120.0; 3], [208.0; 3], [100.0; 3])
    };
    assert_eq!(seen(&good), []);
    let both = Moment {
        volt_degrees: three([0.0, 120.0, -120.0]),
        ampere_degrees: three([-25.0, 95.0, -145.0]),
        ..good
    };
    assert!(matches!(seen(&both)[..], [Face::VoltsBackwards { .. }]), "{:?}", seen(&both));
    let currents = Moment { volt_degrees: good.volt_degrees, ..both };
    assert!(matches!(seen(&currents)[..], [Face::AmperesAgainstVolts { .. }]), "{:?}", seen(&currents));
}

#[test]
fn an_outage_is_one_thing() {
    let found = seen(&wye([2.0, 1.0, 0.0], [3.0, 1.0, 2.0], [0.0; 3]));
    assert!(matches!(found[..], [Face::Dead { .. }]), "{found:?}");
    // Of single-phase, one wire says it all.
    let one = Moment {
        to_neutral: PerPhase { a: Some(0.0), b: None, c: None },
        ..nothing(WiringForm::SinglePhase, 120.0)
    };
    assert!(matches!(seen(&one)[..], [Face::Dead { .. }]));
    // Two dead phases and one that is not measured may be anything.
    let part = Moment {
        to_neutral: PerPhase { a: Some(0.0), b: Some(0.0), c: None },
        ..nothing(WiringForm::Wye, 208.0)
    };
    assert_eq!(seen(&part), []);
}

/// What stands at zero by design is no fault.
#[test]
fn a_grounded_corner_is_not_dead() {
    let moment = Moment {
        to_neutral: three([480.0, 0.0, 478.0]),
        between: lines([480.0, 478.0, 479.0]),
        amperes: three([90.0; 3]),
        ..nothing(WiringForm::CornerGroundedDelta { grounded: Phase::B }, 480.0)
    };
    assert_eq!(seen(&moment), []);
}
