//! Every broken file in `tests/broken` and the words that people get for it, kept beside it as text.
//!
//! After a change of wording look at the new texts: `KVARDEN_WRITE_SNAPSHOTS=1 cargo test -p kvarden-config --test broken`
//! writes them, and the version control shows what changed.

#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod common;

use common::{folder, good};
use kvarden_config::{Problem, render};
use std::path::{Path, PathBuf};

/// So many cases there are at the least: a lost folder must not pass.
const LEAST_CASES: usize = 70;

fn cases() -> Vec<PathBuf> {
    let mut cases: Vec<PathBuf> = std::fs::read_dir(folder("broken"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"))
        .collect();
    cases.sort();
    cases
}

fn problems(path: &Path) -> Vec<Problem> {
    let text = std::fs::read_to_string(path).unwrap();
    let name = path.file_name().unwrap().to_str().unwrap();
    if name.starts_with("columns-") {
        let (logs, problems) =
            kvarden_config::parse_columns(name, &text, &good().plant, &|path| path == Path::new("T2.csv"));
        assert_eq!(logs, None, "{name} gives logs in spite of its problems");
        return problems;
    }
    let (configuration, problems) =
        kvarden_config::parse(name, &text, &|path| std::fs::read_to_string(folder("broken").join(path)));
    assert_eq!(configuration, None, "{name} gives a configuration in spite of its problems");
    problems
}

#[test]
fn every_broken_file_is_told_of_in_the_words_beside_it() {
    let cases = cases();
    assert!(cases.len() >= LEAST_CASES, "only {} cases", cases.len());
    let write = std::env::var_os("KVARDEN_WRITE_SNAPSHOTS").is_some();
    let mut different = Vec::new();
    for case in &cases {
        let words = render(&problems(case));
        let beside = case.with_extension("txt");
        if write {
            std::fs::write(&beside, &words).unwrap();
        }
        if std::fs::read_to_string(&beside).unwrap_or_default() != words {
            different.push(format!("{}:\n{words}", case.display()));
        }
    }
    assert!(different.is_empty(), "{}", different.join("\n"));
}

#[test]
fn every_problem_has_a_place_a_cause_and_a_mend() {
    for case in cases() {
        let found = problems(&case);
        assert!(!found.is_empty(), "{} has no problem", case.display());
        for problem in found {
            assert!(!problem.to_string().is_empty() && !problem.mend().is_empty(), "{problem:?}");
            assert!(problem.line() >= 1 && problem.column() >= 1, "{problem:?}");
            let place = format!("[{}:{}:{}]", problem.file(), problem.line(), problem.column());
            let words = render(std::slice::from_ref(&problem));
            assert!(words.contains(&place), "{place} is not in\n{words}");
            let here = folder("").display().to_string();
            assert!(!words.contains(&here), "a path of this machine is in\n{words}");
        }
    }
}

#[test]
fn a_password_written_into_the_file_is_not_shown_again() {
    for case in ["password-in-the-file.toml", "password-unclosed.toml"] {
        let words = render(&problems(&folder("broken").join(case)));
        assert!(words.contains("password"), "{words}");
        assert!(!words.contains("correct horse"), "{words}");
    }
}
