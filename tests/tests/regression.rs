//! The robust regression behind contact heat against scipy's, and the search for a step against numpy's by trying every
//! place (`parts/regression.py` shares no code with either).

use kvarden_core::electrical::robust::{By, Point, fit};
use kvarden_core::electrical::step::slope_step;
use kvarden_tests::modbus_server::part;
use kvarden_tests::modbus_server::python;
use kvarden_tests::program::text;
use kvarden_tests::wait::Chance;
use serde_json::{Value, json};
use std::io::Write;
use std::process::Stdio;

/// Drops of volts over a way of `ohm` with noise, and wild points as where a motor started between two meters' moments.
fn points(chance: &mut Chance, count: usize, ohm: f64) -> Vec<Point> {
    (0..count)
        .map(|_| {
            let (own, neutral) = (20.0 + 160.0 * chance.share(), 60.0 * chance.share() - 30.0);
            let noise = (0..12).map(|_| chance.share() - 0.5).sum::<f64>();
            let wild = if chance.below(12) == 0 { 1.5 } else { 0.0 };
            Point { x: [own, neutral], y: 0.3 + ohm * own + 0.0008 * neutral + 0.02 * noise + wild }
        })
        .collect()
}

/// The same, with a joint that gains from one point on.
fn stepping(chance: &mut Chance, count: usize, at: usize) -> Vec<Point> {
    let change = |index: usize| if index < at { 0.0 } else { 0.001 };
    let plain = points(chance, count, 0.002).into_iter().enumerate();
    plain.map(|(index, point)| Point { y: point.y + change(index) * point.x[0], ..point }).collect()
}

#[test]
fn slopes_and_steps_are_those_of_scipy_and_numpy() {
    let seed = 20_261_126;
    let mut chance = Chance(seed);
    let clouds: Vec<Vec<Point>> = (0..12u8)
        .map(|index| {
            let count = 60 + 19 * usize::from(index);
            points(&mut chance, count, 0.002 + 0.0005 * f64::from(index))
        })
        .collect();
    let rows: Vec<Vec<Point>> = (0..8).map(|index| stepping(&mut chance, 150, 20 + 15 * index)).collect();
    let planes: Vec<_> = clouds.iter().map(|cloud| fit(cloud, By::Both).expect("a plane")).collect();
    let split = |cloud: &[Point]| -> (Vec<[f64; 2]>, Vec<f64>) {
        cloud.iter().map(|point| (point.x, point.y)).unzip()
    };
    let asked = clouds.iter().zip(&planes).map(|(cloud, plane)| {
        let (x, y) = split(cloud);
        json!({ "x": x, "y": y, "scale": plane.scale })
    });
    let steps = rows.iter().map(|row| {
        let (x, y) = split(row);
        json!({ "step": true, "x": x, "y": y })
    });
    let told = asks(asked.chain(steps));
    assert_eq!(told.len(), clouds.len() + rows.len());
    for (index, (plane, told)) in planes.iter().zip(&told).enumerate() {
        for (which, slope) in plane.slopes.iter().enumerate() {
            let theirs = told["slopes"][which].as_f64().expect("a slope");
            assert!((slope - theirs).abs() < 1e-7, "cloud {index} of seed {seed}: {slope}, scipy {theirs}");
        }
        let theirs = told["intercept"].as_f64().expect("a number");
        assert!(
            (plane.intercept - theirs).abs() < 1e-5,
            "cloud {index}: {}, scipy {theirs}",
            plane.intercept
        );
        let of_theirs = |key: &str, index: usize| told[key][index].as_f64().expect("a number");
        for (which, error) in plane.errors.iter().enumerate() {
            let theirs = of_theirs("errors", which);
            assert!((error / theirs - 1.0).abs() < 1e-4, "cloud {index}: {error}, numpy {theirs}");
        }
        let theirs = told["correlation"].as_f64().expect("a number");
        assert!(
            (plane.correlation - theirs).abs() < 1e-6,
            "cloud {index}: {}, numpy {theirs}",
            plane.correlation
        );
        // Another robust slope lies within a few standard errors.
        let theil_sen = told["theil_sen"].as_f64().expect("a slope");
        assert!(
            (plane.slopes[0] - theil_sen).abs() < 4.0 * plane.errors[0],
            "{plane:?}, Theil-Sen {theil_sen}"
        );
    }
    for (row, told) in rows.iter().zip(&told[clouds.len()..]) {
        let found = slope_step(row).expect("a place");
        assert_eq!(Some(found.index as u64), told["index"].as_u64(), "seed {seed}");
        assert!((found.by - told["by"].as_f64().expect("a slope")).abs() < 1e-9, "{found:?}, numpy {told}");
        let strength = told["strength"].as_f64().expect("a number");
        assert!((found.strength / strength - 1.0).abs() < 1e-6, "{found:?}, numpy {told}");
    }
}

/// What repeated draws of the same line scatter by is what the standard error says: the coverage of its 95 % interval.
#[test]
fn the_confidence_interval_holds_the_truth_as_often_as_it_says() {
    let seed = 20_261_127;
    let mut chance = Chance(seed);
    let draws = 600;
    let held = (0..draws)
        .filter(|_| {
            let plane = fit(&points(&mut chance, 120, 0.002), By::Both).expect("a plane");
            (plane.slopes[0] - 0.002).abs() <= 1.96 * plane.errors[0]
        })
        .count();
    let share = held as f64 / f64::from(draws);
    assert!((0.92..=0.98).contains(&share), "{share} of 0.95, seed {seed}");
}

fn asks(lines: impl Iterator<Item = Value>) -> Vec<Value> {
    let mut child = python("scipy")
        .arg(part("regression.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python starts");
    let mut stdin = child.stdin.take().expect("it was piped");
    for line in lines {
        writeln!(stdin, "{line}").expect("it reads");
    }
    drop(stdin);
    let output = child.wait_with_output().expect("it ends");
    assert!(output.status.success(), "{}", text(&output.stderr));
    text(&output.stdout).lines().map(|line| serde_json::from_str(line).expect("a line of JSON")).collect()
}
