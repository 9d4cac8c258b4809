//! Hostile bytes: every kept example of every target, and seeded mutations of it. What once broke a reader is kept
//! as an example in `tests/corpora/`. `KVARDEN_FUZZ=100000` makes so many mutations for each target.

#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use kvarden_tests::targets::mutation::damaged;
use kvarden_tests::targets::{TARGETS, Target};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

/// Mutations for each target, where the environment names no number.
const MUTATIONS: u64 = 1500;
/// So many examples each target has at the least: a lost folder must not pass.
const LEAST_EXAMPLES: usize = 5;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("corpora")
}

fn examples(target: &Target) -> Vec<(String, Vec<u8>)> {
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(folder().join(target.name)).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    let read = |path: PathBuf| {
        (path.file_name().unwrap().to_string_lossy().into_owned(), std::fs::read(&path).unwrap())
    };
    files.into_iter().map(read).collect()
}

fn run(target: &Target, bytes: &[u8], whence: &str) {
    let went_well = catch_unwind(AssertUnwindSafe(|| (target.run)(bytes))).is_ok();
    assert!(went_well, "{} breaks on {whence}; these bytes:\nb\"{}\"", target.name, bytes.escape_ascii());
}

fn mutations() -> u64 {
    let Ok(number) = std::env::var("KVARDEN_FUZZ") else { return MUTATIONS };
    number.parse().expect("KVARDEN_FUZZ is how many mutations each target gets")
}

/// Runs all of a target.
fn target(name: &str) {
    let target = TARGETS.iter().find(|target| target.name == name).unwrap();
    let (names, all): (Vec<String>, Vec<Vec<u8>>) = examples(target).into_iter().unzip();
    assert!(names.len() >= LEAST_EXAMPLES, "only {} examples of {name}", names.len());
    for (file, bytes) in names.iter().zip(&all) {
        run(target, bytes, &format!("the example {file}"));
    }
    for seed in 0..mutations() {
        let which = seed as usize % all.len();
        run(target, &damaged(&all, which, seed), &format!("{} with the damage of seed {seed}", names[which]));
    }
}

#[test]
fn configuration() {
    target("configuration");
}

#[test]
fn json_payloads() {
    target("json_payloads");
}

#[test]
fn csv() {
    target("csv");
}

#[test]
fn modbus_answers() {
    target("modbus_answers");
}

#[test]
fn sunspec_blocks() {
    target("sunspec_blocks");
}

#[test]
fn every_target_has_a_test_and_every_folder_a_target() {
    let here = include_str!("corpora.rs");
    for known in TARGETS {
        assert!(here.contains(&format!("fn {}() {{\n", known.name)), "{} has no test", known.name);
    }
    for entry in std::fs::read_dir(folder()).unwrap() {
        let name = entry.unwrap().file_name();
        assert!(TARGETS.iter().any(|known| known.name == name), "{} is no target's folder", name.display());
    }
}

#[test]
fn a_target_that_panics_is_told_with_its_bytes() {
    let broken = Target { name: "broken", run: |bytes| assert!(!bytes.contains(&b'x'), "an x") };
    run(&broken, b"abc", "an example");
    let told = catch_unwind(|| run(&broken, b"a\x00x", "seed 7")).unwrap_err();
    let told = told.downcast_ref::<String>().unwrap();
    assert!(told.contains("seed 7") && told.contains("a\\x00x"), "{told}");
}
