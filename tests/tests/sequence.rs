//! Sequence components and the closed form of three line-to-line voltages against numpy; and the picture of motors behind a
//! delta–wye transformer that has lost a line, worked by numpy from the motor's sequence impedances, put to the classifier.

use kvarden_core::electrical::lost_phase::{Face, Moment, faces};
use kvarden_core::electrical::phasors::{Sequence, phasors};
use kvarden_core::electrical::unbalance::{NoUnbalance, negative_ratio_percent};
use kvarden_core::phases::{PerLines, PerPhase, Phase};
use kvarden_core::wiring::WiringForm;
use kvarden_tests::modbus_server::{part, python};
use kvarden_tests::program::text;
use kvarden_tests::wait::{Chance, run_to_end};
use serde::Deserialize;
use serde_json::json;

#[derive(Debug, Deserialize)]
struct Answers {
    phasors: Vec<PhasorAnswer>,
    motors: Vec<MotorAnswer>,
}

#[derive(Debug, Deserialize)]
struct PhasorAnswer {
    /// Zero, positive, negative; each by its parts.
    sequences: [[f64; 2]; 3],
    lines: [f64; 3],
    negative_percent: f64,
}

#[derive(Debug, Deserialize)]
struct MotorAnswer {
    volts: [f64; 3],
    between: [f64; 3],
    amperes: [f64; 3],
}

/// Magnitude and angle of three phases.
type Question = [[f64; 2]; 3];

fn numpy(phasors: &[Question], motors: &serde_json::Value) -> Answers {
    let questions = json!({ "phasors": phasors, "motors": motors });
    let output = run_to_end(python("numpy").arg(part("sequence.py")).arg(questions.to_string()));
    assert!(output.status.success(), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("the script answers what it says")
}

/// Healthy volts, unbalanced ones, and three that have nothing to do with each other.
fn questions(chance: &mut Chance) -> Vec<Question> {
    let mut questions = Vec::new();
    for (apart, off) in [(0.02, 2.0), (0.3, 30.0), (1.0, 180.0)] {
        for _ in 0..150 {
            let phase = |middle: f64, chance: &mut Chance| {
                let around = |chance: &mut Chance| 2.0 * chance.share() - 1.0;
                [120.0 * (1.0 + apart * around(chance)), middle + off * around(chance)]
            };
            questions.push([phase(0.0, chance), phase(-120.0, chance), phase(120.0, chance)]);
        }
    }
    questions
}

#[test]
fn sequence_components_and_the_closed_form_are_what_numpy_makes_of_random_phasors() {
    let questions = questions(&mut Chance(20_261_126));
    let answers = numpy(&questions, &json!([]));
    let mut closed_forms = 0;
    for (question, answer) in questions.iter().zip(&answers.phasors) {
        let (magnitudes, degrees) = (question.map(|phase| phase[0]), question.map(|phase| phase[1]));
        let sequence = Sequence::of(phasors(magnitudes, degrees).expect("magnitudes and angles"));
        for (got, want) in [sequence.zero, sequence.positive, sequence.negative].iter().zip(answer.sequences)
        {
            assert!(
                (got.re - want[0]).hypot(got.im - want[1]) < 1e-9,
                "{question:?}: {got}, numpy says {want:?}"
            );
        }
        // Magnitudes don't say which way they rotate: the closed form takes the larger sequence as the positive one.
        let want = answer.negative_percent.min(1e4 / answer.negative_percent);
        match negative_ratio_percent(answer.lines, 0.0) {
            Ok(got) => {
                assert!((got - want).abs() < 1e-6, "{question:?}: {got}, numpy says {want}");
                closed_forms += 1;
            }
            Err(why) => {
                assert!(why == NoUnbalance::NoTriangle && want > 99.99, "{question:?}: {why:?} {want}");
            }
        }
    }
    assert_eq!(answers.phasors.len(), questions.len());
    assert!(closed_forms > 400, "{closed_forms} closed forms were compared");
}

/// The guide's figures for a running motor are 0.79, 0.99 and 0.87 of nominal volts with 1 : 2 : 1 amperes; the volts depend
/// on the motor, the amperes do not.
#[test]
fn motors_behind_a_lost_line_are_known_from_numpys_own_circuit() {
    let mut motors = Vec::new();
    for (degrees, negative) in [(25.0f64, 0.15), (30.0, 0.18), (35.0, 0.22), (40.0, 0.25)] {
        for line in 0..3 {
            let (sin, cos) = degrees.to_radians().sin_cos();
            motors.push(json!([[cos, sin], [0.26 * negative, 0.97 * negative], line]));
        }
    }
    let answers = numpy(&[], &json!(motors));
    assert_eq!(answers.motors.len(), 12);
    for (index, answer) in answers.motors.iter().enumerate() {
        // With the secondary 30° behind, the phase whose winding is between the lines that are left keeps its volts.
        let kept = [Phase::C, Phase::A, Phase::B][index % 3];
        let three = |values: [f64; 3], by: f64| PerPhase {
            a: Some(by * values[0]),
            b: Some(by * values[1]),
            c: Some(by * values[2]),
        };
        let [ab, bc, ca] = answer.between.map(|volts| Some(208.0 * volts));
        let moment = Moment {
            form: WiringForm::Wye,
            volts: 208.0,
            rated_a: Some(200.0),
            three_phase_only: false,
            to_neutral: three(answer.volts, 208.0 / 3f64.sqrt()),
            between: PerLines { ab, bc, ca },
            amperes: three(answer.amperes, 90.0),
            watts: PerPhase::default(),
            volt_degrees: PerPhase::default(),
            ampere_degrees: PerPhase::default(),
        };
        let found: Vec<Face> = faces(&moment).collect();
        assert!(
            matches!(found[..], [Face::LostBeforeDeltaWyeMotorsRun { kept: got, .. }] if got == kept),
            "{kept:?} {answer:?}: {found:?}"
        );
    }
    // Nothing that turns: nearly no load at all gives one half, one half and one.
    let idle = numpy(&[], &json!([[[1e6, 0.0], [1e6, 0.0], 0]]));
    for (got, want) in idle.motors[0].volts.into_iter().zip([0.5, 0.5, 1.0]) {
        assert!((got - want).abs() < 1e-3, "{idle:?}");
    }
}
