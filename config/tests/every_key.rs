//! Every key that the readers know, and so every key of the option reference, occurs in one of the good files: what is
//! proven by them is proven of every key.
//!
//! Seen to fail without `answers_as` in `good/every.toml`.

mod every;

use every::good_texts;
use kvarden_config::SECTIONS;
use std::collections::BTreeSet;
use toml::de::{DeTable, DeValue};

/// The section that a file begins with.
fn root(file: &str) -> &'static str {
    match file {
        "columns.toml" => "columns.toml",
        "maps/main-meter.toml" | "maps/every-register.toml" => "a register map",
        file if file.starts_with("maps/") => "a JSON map",
        _ => "kvarden.toml",
    }
}

/// The section of the table (or tables) under a key.
fn below(section: &'static str, key: &str) -> Option<&'static str> {
    let found = SECTIONS.iter().find(|known| match (section, key) {
        ("kvarden.toml", _) => known.name == format!("[{key}]") || known.name == format!("[[{key}]]"),
        ("[[transformer]]", "primary" | "secondary") => known.name == "a side of a [[transformer]]",
        ("[tell]", "urgent" | "high" | "low") => known.name == "a priority of [tell]",
        ("[[limit]]", "levels") => known.name == "a level of a [[limit]]",
        ("a register map" | "a JSON map", "point") => known.name == format!("[[point]] of {section}"),
        ("[[point]] of a register map", "scale_register") => known.name == "scale_register of a [[point]]",
        ("columns.toml", "log") => known.name == "[[log]]",
        ("[[log]]", "column") => known.name == "[[log.column]]",
        ("[[log]]", "time") => known.name == "time of a [[log]]",
        _ => {
            let section = section.trim_start_matches("a ");
            [format!("{key} of {section}"), format!("{key} of a {section}")]
                .iter()
                .any(|name| name == known.name)
        }
    });
    found.map(|shape| shape.name)
}

fn gather(section: &'static str, table: &DeTable<'_>, found: &mut BTreeSet<(&'static str, String)>) {
    for (key, value) in table {
        let name: &str = key.get_ref().as_ref();
        found.insert((section, name.to_owned()));
        let tables: Vec<&DeTable<'_>> = match value.get_ref() {
            DeValue::Table(table) => vec![table],
            DeValue::Array(items) => items.iter().filter_map(|item| item.get_ref().as_table()).collect(),
            _ => Vec::new(),
        };
        for table in tables {
            let below =
                below(section, name).unwrap_or_else(|| panic!("no section for `{name}` of {section}"));
            gather(below, table, found);
        }
    }
}

#[test]
fn every_key_occurs_in_a_good_file() {
    let mut found = BTreeSet::new();
    for (file, text) in good_texts() {
        gather(root(file), DeTable::parse(&text).unwrap().get_ref(), &mut found);
    }
    let all =
        SECTIONS.iter().flat_map(|section| section.keys.iter().map(|key| (section.name, (*key).to_owned())));
    let missing: Vec<_> = all.filter(|one| !found.contains(one)).collect();
    assert!(missing.is_empty(), "in no good file: {missing:?}");
}
