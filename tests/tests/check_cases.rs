//! Every check case of a formula that this version computes, put to the program's own functions; and a count that
//! lets no case slip by unseen.

use kvarden_tests::cases::{Case, read};
use std::collections::BTreeSet;

const TEXT: &str = include_str!("../check-cases.toml");

/// Quantities of this version and how many cases the file has of them.
const COMPUTED: &[(&str, usize)] = &[
    ("rated_current_3ph", 2),
    ("rated_current_1ph", 1),
    ("unbalance_max_deviation", 4),
    ("c84_range", 3),
    ("alarm_run", 1),
    ("chattering", 1),
    ("flood", 1),
    ("registers_float32", 2),
    ("registers_int", 1),
    ("sunspec_scale", 3),
    ("sunspec_walk", 1),
    ("json_pointer", 3),
];

/// Quantities that are computed in a later version. A quantity that gets its function moves up to [`COMPUTED`].
const LATER: &[&str] = &[
    "allowed_temperature",
    "ambient_altitude_capacity",
    "connection_resistance",
    "current_limit_519",
    "delta_t_corrected",
    "delta_wye_relations",
    "demand_block",
    "demand_factors",
    "demand_sliding",
    "dry_ageing_rate",
    "dry_hot_spot_steady",
    "dry_hot_spot_step",
    "dry_life_hours",
    "dry_time_constant",
    "eddy_loss_split",
    "event_class",
    "faa",
    "factor_k_eu",
    "fault_current_3ph",
    "feqa",
    "harmonic_loss_factor",
    "harmonic_sequence",
    "iec_ageing_rate",
    "iec_difference",
    "iec_step",
    "insulation_budget",
    "k_factor",
    "liquid_steady",
    "liquid_step",
    "liquid_with_harmonics",
    "load_schedule",
    "max_current_dry",
    "motor_derating",
    "neta_ambient",
    "neta_similar",
    "neutral_current",
    "neutral_with_harmonics",
    "oil_time_constant",
    "percentile_rank",
    "rms_aggregate",
    "sequence_components",
    "sequence_ratios",
    "six_pulse_ideal",
    "sparkplug_seq",
    "syslog_pri",
    "tdd",
    "thd",
    "unbalance_negative_ratio",
    "voltage_drop_phasor",
    "wiring_power",
];

fn cases() -> Vec<Case> {
    read(TEXT).expect("the cases are written as their head says")
}

#[test]
fn every_case_of_a_computed_quantity_comes_out_as_its_source_says() {
    let mut failures = Vec::new();
    let mut run = 0;
    for case in cases() {
        let Some(got) = case.got() else { continue };
        run += 1;
        if let Some(difference) = case.difference(&got) {
            failures
                .push(format!("{}: {difference}\n    source ({}): {}", case.name, case.mark, case.source));
        }
    }
    assert!(failures.is_empty(), "{} of {run} cases:\n  {}", failures.len(), failures.join("\n  "));
    let counted: usize = COMPUTED.iter().map(|(_, count)| count).sum();
    assert_eq!(run, counted, "cases that were run, against those counted in COMPUTED");
}

#[test]
fn every_quantity_of_the_file_is_either_computed_or_named_as_of_a_later_version() {
    let cases = cases();
    let known =
        |quantity: &str| COMPUTED.iter().any(|(name, _)| *name == quantity) || LATER.contains(&quantity);
    let unknown: BTreeSet<_> = cases.iter().map(|case| &case.quantity).filter(|name| !known(name)).collect();
    assert!(unknown.is_empty(), "in neither list: {unknown:?}");
    for (quantity, count) in COMPUTED {
        assert!(!LATER.contains(quantity), "{quantity} is in both lists");
        assert_eq!(
            cases.iter().filter(|case| case.quantity == *quantity).count(),
            *count,
            "cases of {quantity}"
        );
    }
    for case in &cases {
        let computed = COMPUTED.iter().any(|(name, _)| *name == case.quantity);
        assert_eq!(case.got().is_some(), computed, "{} is computed, or is not", case.quantity);
    }
}

#[test]
fn no_quantity_is_named_as_of_a_later_version_without_a_case() {
    let cases = cases();
    for quantity in LATER {
        assert!(cases.iter().any(|case| case.quantity == *quantity), "{quantity} has no case (any more)");
    }
}

#[test]
fn a_wrong_number_word_or_list_is_seen() {
    for (quantity, key, wrong) in [
        ("rated_current_3ph", "amps", toml::Value::Float(208.3)),
        ("c84_range", "range", "outside".into()),
        ("alarm_run", "on", vec![80.0].into()),
        ("chattering", "most_in_60s", 4.into()),
        ("flood", "flood", true.into()),
    ] {
        let case = cases().into_iter().rfind(|case| case.quantity == quantity).expect("it was counted");
        let mut got = case.got().expect("it is computed");
        assert_eq!(case.difference(&got), None);
        got.insert(key.to_owned(), wrong);
        assert!(case.difference(&got).is_some(), "{quantity}: a wrong {key} goes unseen");
        got.remove(key);
        assert!(case.difference(&got).is_some(), "{quantity}: a missing {key} goes unseen");
    }
}
