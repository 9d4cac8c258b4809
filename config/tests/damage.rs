//! Damage to any one value of the good files is found, and the problem points at the damaged place.

#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod common;
mod every;

use common::{good, good_file};
use every::good_texts;
use kvarden_config::{Problem, render};
use proptest::prelude::*;
use std::ops::Range;
use std::path::Path;
use toml::de::{DeTable, DeValue};

/// Every single value of a file: where it stands, and whether it is a text.
fn leaves(text: &str) -> Vec<(Range<usize>, bool)> {
    fn walk(value: &toml::Spanned<DeValue<'_>>, found: &mut Vec<(Range<usize>, bool)>) {
        match value.get_ref() {
            DeValue::Table(table) => table.values().for_each(|value| walk(value, found)),
            DeValue::Array(items) => items.iter().for_each(|value| walk(value, found)),
            leaf => found.push((value.span(), leaf.is_str())),
        }
    }
    let mut found = Vec::new();
    DeTable::parse(text).unwrap().get_ref().values().for_each(|value| walk(value, &mut found));
    found
}

/// Reads the good main file with one of its files replaced.
fn read_with(file: &str, damaged: &str) -> Vec<Problem> {
    if file == "columns.toml" {
        return kvarden_config::parse_columns(file, damaged, &good().plant, &|path| {
            path == Path::new("T2.csv")
        })
        .1;
    }
    let files = |path: &Path| if path == Path::new(file) { Ok(damaged.to_owned()) } else { good_file(path) };
    let main = match file {
        "whole.toml" | "maps/states.toml" => "whole.toml",
        file if file.contains("every") => "every.toml",
        _ => "kvarden.toml",
    };
    kvarden_config::parse(main, &files(Path::new(main)).unwrap(), &files).1
}

/// Replaces one value and demands a problem that covers it.
fn check(file: &str, text: &str, at: &Range<usize>, by: &str) {
    let damaged = format!("{}{by}{}", &text[..at.start], &text[at.end..]);
    let end = at.start + by.len();
    let problems = read_with(file, &damaged);
    let covers = |problem: &&Problem| {
        problem.file() == file && problem.span().start <= at.start && problem.span().end >= end
    };
    assert!(
        problems.iter().any(|problem| covers(&problem)),
        "{file}: {} replaced by {by} gives no problem there, but\n{}",
        &text[at.clone()],
        render(&problems)
    );
}

#[test]
fn any_one_value_damaged_is_found_where_it_stands() {
    let mut damages = 0;
    for (file, text) in good_texts() {
        for (at, is_text) in leaves(&text) {
            let bad: &[&str] = if text[at.clone()].contains(" °") {
                &["2026-03-09", "\"7 miles\"", "\"7\"", "\"°F\"", "\"1e300 °F\"", "[]", "nan"]
            } else if is_text {
                &["2026-03-09", "7", "[]", "\"\\u0007\""]
            } else {
                &["2026-03-09", "\"seven\"", "nan", "1e300", "{}"]
            };
            for by in bad {
                // What recurs has defaults for all of it.
                if *by == "{}" && text[..at.start].ends_with("recurs = ") {
                    continue;
                }
                check(file, &text, &at, by);
                damages += 1;
            }
        }
    }
    assert!(damages > 1200, "only {damages} damages were tried");
}

/// A letter typed twice is a slip of the pen: the key that was meant is suggested.
fn suggests(file: &str, text: &str, at: &Range<usize>, key: &str) {
    let last = &key[key.len() - 1..];
    let problems = read_with(file, &format!("{}{key}{last}{}", &text[..at.start], &text[at.end..]));
    let meant = format!("did you mean `{key}`?");
    let told =
        problems.iter().any(|problem| problem.span().start == at.start && problem.mend().contains(&meant));
    assert!(told, "{file}: `{key}{last}` is not told to be `{key}`, but\n{}", render(&problems));
}

/// Seen to fail with the nearest key left out of the mend.
#[test]
fn any_one_key_misspelled_is_found_where_it_stands_and_the_nearest_suggested() {
    fn keys(table: &DeTable<'_>, found: &mut Vec<Range<usize>>) {
        for (key, value) in table {
            found.push(key.span());
            match value.get_ref() {
                DeValue::Table(table) => keys(table, found),
                DeValue::Array(items) => {
                    items
                        .iter()
                        .filter_map(|item| item.get_ref().as_table())
                        .for_each(|table| keys(table, found));
                }
                _ => {}
            }
        }
    }
    for (file, text) in good_texts() {
        let mut found = Vec::new();
        keys(DeTable::parse(&text).unwrap().get_ref(), &mut found);
        // A broken heading leaves the headings under it without their parent, which is a syntax error elsewhere.
        for at in found.into_iter().filter(|at| !text[..at.start].ends_with('[')) {
            let key = &text[at.clone()];
            check(file, &text, &at, &format!("{key}_x"));
            suggests(file, &text, &at, key);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Whatever stands in a file, reading it ends with problems or with a configuration, and the words can be written.
    #[test]
    fn no_text_stops_the_reader(cut in 0usize..2500, put in "[ -~\n]{0,12}") {
        for (file, text) in good_texts() {
            let at = (0..=cut % text.len()).rev().find(|at| text.is_char_boundary(*at)).unwrap_or(0);
            let problems = read_with(file, &format!("{}{put}{}", &text[..at], &text[at..]));
            prop_assert!(problems.iter().all(|problem| !render(std::slice::from_ref(problem)).is_empty()));
        }
    }
}
