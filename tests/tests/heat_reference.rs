//! Heat against scipy's general integrator, which is given the differential equations and nothing of our solutions.

use kvarden_core::thermal::dry_type::{LoadStep, NATURAL_AIR, hot_spot_step_c};
use kvarden_core::thermal::iec_liquid::{DISTRIBUTION, IecUnit, LARGE_OF, LARGE_ONAF, LARGE_ONAN};
use kvarden_core::thermal::liquid::{LiquidUnit, ONAF, ONAN, USUAL_OIL_MIN};
use kvarden_core::thermal::rise_after;
use kvarden_tests::modbus_server::{part, python};
use std::fmt::Write as _;
use std::io::Write as _;
use std::process::Stdio;

/// What scipy makes of the lines.
fn integrated(lines: &str) -> Vec<f64> {
    let mut script = python("scipy");
    script.arg(part("heat.py")).stdin(Stdio::piped()).stdout(Stdio::piped());
    let mut child = script.spawn().expect("python starts");
    child.stdin.take().expect("it has an input").write_all(lines.as_bytes()).expect("it reads");
    let output = child.wait_with_output().expect("it ends");
    assert!(output.status.success(), "the script ends well");
    let text = String::from_utf8(output.stdout).expect("numbers are text");
    text.lines().map(|line| line.parse().expect("a number")).collect()
}

#[test]
fn rises_are_those_of_a_general_integrator() {
    let (mut lines, mut ours, mut within) = (String::new(), Vec::new(), Vec::new());
    let mut ask = |line: String, value: Option<f64>, slack: f64| {
        let _ = writeln!(lines, "{line}");
        ours.push(value.expect("a value"));
        within.push(slack);
    };
    let steps = [(0.05, 1.0), (1.0, 0.05), (0.3, 0.31), (0.0, 1.4), (1.2, 0.0), (0.8, 0.8)];
    for (now, ultimate) in steps {
        for minutes in [0.5, 10.0, 45.0, 180.0, 700.0] {
            let value = rise_after(now, ultimate, minutes, 60.0, NATURAL_AIR);
            // Steps of a minute against an hour: a part in a thousand of the rated rise, or of the one that it goes to.
            ask(
                format!("dry {now} {ultimate} {minutes} 60 {NATURAL_AIR}"),
                value,
                1e-3 * f64::max(1.0, ultimate),
            );
        }
    }
    for (from, to) in [(0.2, 1.0), (1.0, 0.2), (0.7, 1.3)] {
        for minutes in [15.0, 120.0, 600.0] {
            for (exponents, ratio) in [(ONAN, 5.0), (ONAF, 3.2)] {
                let unit =
                    LiquidUnit { top_oil_rise_k: 55.0, gradient_k: 25.0, loss_ratio: ratio, exponents };
                let now = unit.oil_pu(from * from).expect("a load");
                let value = unit.oil_after(now, to * to, minutes, USUAL_OIL_MIN);
                ask(
                    format!("oil {from} {to} {minutes} {USUAL_OIL_MIN} {ratio} {}", exponents.oil),
                    value,
                    1e-3,
                );
            }
            let step = LoadStep { from_pu: from, to_pu: to, minutes };
            let value = hot_spot_step_c(0.0, 1.0, NATURAL_AIR, 60.0, step);
            ask(format!("step {from} {to} {minutes} 60 {NATURAL_AIR}"), value, 1e-8);
            for c in [DISTRIBUTION, LARGE_ONAN, LARGE_ONAF, LARGE_OF] {
                let unit = IecUnit { top_oil_rise_k: 52.0, gradient_k: 26.0, loss_ratio: 6.0, constants: c };
                let constants =
                    format!("{} {} {} {} {} {} {}", c.x, c.y, c.k11, c.k21, c.k22, c.oil_min, c.winding_min);
                let line = format!("iec {from} {to} {minutes} 6 {constants} 52 26");
                ask(line, unit.step(0.0, step).map(|now| now.hot_spot_c), 1e-6);
            }
        }
    }
    let theirs = integrated(&lines);
    assert_eq!(theirs.len(), ours.len());
    for (((line, theirs), ours), within) in lines.lines().zip(theirs).zip(ours).zip(within) {
        assert!((theirs - ours).abs() <= within, "{line}: scipy says {theirs}, we {ours}");
    }
}
