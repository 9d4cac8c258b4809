//! Every check case of a formula that this version computes, put to the program's own functions; and a count that
//! lets no case slip by unseen.

use kvarden_tests::cases::{AREAS, Case, read};
use std::collections::BTreeSet;

const TEXT: &str = include_str!("../check-cases.toml");

fn computed() -> impl Iterator<Item = &'static (&'static str, usize)> {
    AREAS.iter().flat_map(|area| area.computed)
}

fn later() -> impl Iterator<Item = &'static str> {
    AREAS.iter().flat_map(|area| area.later).copied()
}

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
    let counted: usize = computed().map(|(_, count)| count).sum();
    assert_eq!(run, counted, "cases that were run, against those counted in their areas");
}

#[test]
fn every_quantity_of_the_file_is_either_computed_or_named_as_of_a_later_version() {
    let cases = cases();
    let known = |quantity: &str| {
        computed().any(|(name, _)| *name == quantity) || later().any(|name| name == quantity)
    };
    let unknown: BTreeSet<_> = cases.iter().map(|case| &case.quantity).filter(|name| !known(name)).collect();
    assert!(unknown.is_empty(), "in neither list: {unknown:?}");
    for (quantity, count) in computed() {
        assert!(!later().any(|name| name == *quantity), "{quantity} is in both lists");
        assert_eq!(
            cases.iter().filter(|case| case.quantity == *quantity).count(),
            *count,
            "cases of {quantity}"
        );
    }
    for case in &cases {
        let computed = computed().any(|(name, _)| *name == case.quantity);
        assert_eq!(case.got().is_some(), computed, "{} is computed, or is not", case.quantity);
    }
}

#[test]
fn no_quantity_is_named_as_of_a_later_version_without_a_case() {
    let cases = cases();
    for quantity in later() {
        assert!(cases.iter().any(|case| case.quantity == quantity), "{quantity} has no case (any more)");
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
