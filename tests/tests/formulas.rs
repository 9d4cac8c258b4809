//! The table of formulas: every code path and test that it names exists, and no row is without a source and a test.

use kvarden_tests::cases::AREAS;
use std::path::Path;

const PAGE: &str = include_str!("../../docs/formulas.md");

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the package lies in the workspace")
}

/// What stands in backticks.
fn names(cell: &str) -> Vec<&str> {
    cell.split('`').skip(1).step_by(2).collect()
}

/// The cells of each row of the page's tables.
fn rows() -> Vec<[&'static str; 4]> {
    let lines = PAGE.lines().filter(|line| line.starts_with('|') && !line.starts_with("|---"));
    let cells = lines.map(|line| line.trim_matches('|').split('|').map(str::trim).collect::<Vec<_>>());
    cells
        .filter(|cells| cells.first() != Some(&"formula"))
        .map(|cells| <[&str; 4]>::try_from(cells.clone()).unwrap_or_else(|_| panic!("four cells: {cells:?}")))
        .collect()
}

/// What is wrong with a name: nothing, if the file is there and has it.
fn fault(name: &str, test: bool) -> Option<String> {
    let Some((path, item)) = name.split_once("::") else { return Some(format!("{name}: no `path::name`")) };
    let Ok(text) = std::fs::read_to_string(root().join(path)) else {
        return Some(format!("{name}: no file"));
    };
    if path.ends_with("check-cases.toml") {
        let run = AREAS.iter().flat_map(|area| area.computed).any(|(quantity, _)| *quantity == item);
        return (!run).then(|| format!("{name}: no case of it is run"));
    }
    let starts = ["fn ", "struct ", "enum ", "const ", "static "];
    let defined = |line: &str| {
        let line = ["pub(crate) ", "pub(super) ", "pub "]
            .iter()
            .fold(line.trim_start(), |line, door| line.trim_start_matches(door));
        starts.iter().any(|start| {
            let name = line.strip_prefix("const fn ").or_else(|| line.strip_prefix(start));
            name.and_then(|name| name.strip_prefix(item))
                .is_some_and(|rest| !rest.starts_with(|next: char| next.is_alphanumeric() || next == '_'))
        })
    };
    let Some(at) = text.lines().position(defined) else { return Some(format!("{name}: not in its file")) };
    let before = text.lines().take(at).collect::<Vec<_>>();
    let heads = before.iter().rev().take_while(|line| {
        let line = line.trim_start();
        line.starts_with("//") || line.starts_with("#[")
    });
    let is_test = heads.into_iter().any(|line| line.trim() == "#[test]");
    // A property's macro takes functions with and without the attribute.
    let in_properties = before.iter().any(|line| line.trim_start().starts_with("proptest!"));
    (test && !is_test && !in_properties).then(|| format!("{name}: no test"))
}

#[test]
fn every_formula_of_the_page_stands_where_it_says_and_has_a_source_and_a_test() {
    let rows = rows();
    assert!(rows.len() > 20, "the page has lost its rows");
    let mut faults = Vec::new();
    for [formula, source, code, test] in rows {
        for (what, empty) in [
            ("source", source.is_empty()),
            ("code", names(code).is_empty()),
            ("test", names(test).is_empty()),
        ] {
            if empty {
                faults.push(format!("{formula}: no {what}"));
            }
        }
        faults.extend(names(code).into_iter().filter_map(|name| fault(name, false)));
        faults.extend(names(test).into_iter().filter_map(|name| fault(name, true)));
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn a_wrong_name_on_the_page_is_seen() {
    assert_eq!(fault("core/src/electrical/loss.rs::loss_factor", false), None);
    for (name, test) in [
        ("core/src/electrical/loss.rs::loss_facto", false),
        ("core/src/electrical/lost.rs::loss_factor", false),
        ("core/src/electrical/loss.rs::loss_factor", true),
        ("tests/check-cases.toml::no_such_quantity", true),
        ("loss_factor", false),
    ] {
        assert!(fault(name, test).is_some(), "{name}");
    }
}
