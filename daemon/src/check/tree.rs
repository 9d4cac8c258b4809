//! Who feeds whom, as `check` prints it.

use kvarden_core::measurand::Measurand;
use kvarden_core::plant::{Circuit, Plant, Supply, SupplyFrom};
use std::fmt::Write;

/// No tree of a real site is deeper; supplies that go in a circle by their conditions end here.
const DEEPEST: usize = 12;

/// Writes the tree: each thing once, under its normal supply.
pub(super) fn write(plant: &Plant, text: &mut String) {
    let worth_it = !plant.sources.is_empty()
        || !plant.circuits.is_empty()
        || plant.transformers.iter().any(|unit| !unit.supplies.is_empty())
        || plant.feeders.iter().any(|feeder| !feeder.supplies.is_empty());
    if !worth_it {
        return;
    }
    let _ = writeln!(text, "\nWho feeds whom, normally");
    for (index, source) in plant.sources.iter().enumerate() {
        let _ = writeln!(text, "  {} ({})", source.name, source.kind.key());
        under(plant, SupplyFrom::Source(index), 2, text);
    }
    for (index, unit) in plant.transformers.iter().enumerate().filter(|(_, unit)| unit.supplies.is_empty()) {
        let _ = writeln!(text, "  {}", unit.name);
        under(plant, SupplyFrom::Transformer(index), 2, text);
    }
    for state in &plant.states {
        let meter = plant.meters.get(state.meter).map_or("", |meter| meter.name.as_str());
        let _ = writeln!(text, "  state {}: {} of {meter}", state.name, state.flag);
    }
}

fn under(plant: &Plant, parent: SupplyFrom, depth: usize, text: &mut String) {
    if depth > DEEPEST {
        return;
    }
    let indent = "  ".repeat(depth);
    for (index, unit) in plant.transformers.iter().enumerate() {
        if unit.supplies.first().is_some_and(|supply| supply.from == parent) {
            let _ = writeln!(text, "{indent}{}{}", unit.name, ways(plant, &unit.supplies));
            under(plant, SupplyFrom::Transformer(index), depth + 1, text);
        }
    }
    for (index, feeder) in plant.feeders.iter().enumerate() {
        let normal =
            feeder.supplies.first().map_or(SupplyFrom::Transformer(feeder.fed_by), |supply| supply.from);
        if normal != parent {
            continue;
        }
        let form = feeder.form.map_or_else(String::new, |form| format!(", {}", form.key()));
        let _ = writeln!(text, "{indent}{}{form}{}", feeder.name, ways(plant, &feeder.supplies));
        for circuit in plant.circuits.iter().filter(|circuit| circuit.feeder == index) {
            let _ = writeln!(text, "{indent}  {}", circuit_words(circuit));
        }
        under(plant, SupplyFrom::Feeder(index), depth + 1, text);
    }
}

/// Each way with its condition, where there is a choice.
fn ways(plant: &Plant, supplies: &[Supply]) -> String {
    if supplies.iter().all(|supply| supply.when.is_none()) && supplies.len() < 2 {
        return String::new();
    }
    let ways: Vec<String> = supplies
        .iter()
        .map(|supply| {
            let from = match supply.from {
                SupplyFrom::Source(index) => plant.sources.get(index).map(|source| source.name.as_str()),
                SupplyFrom::Transformer(index) => {
                    plant.transformers.get(index).map(|unit| unit.name.as_str())
                }
                SupplyFrom::Feeder(index) => plant.feeders.get(index).map(|feeder| feeder.name.as_str()),
            };
            let when = supply.when.and_then(|when| Some((plant.states.get(when.state)?, when.on)));
            let when = when.map_or_else(String::new, |(state, on)| {
                format!(" when {} is {}", state.name, word(state.flag.what, on))
            });
            format!("{}{when}", from.unwrap_or_default())
        })
        .collect();
    format!(" (by {})", ways.join(", else by "))
}

fn word(flag: Measurand, on: bool) -> &'static str {
    let (yes, no) = flag.state_words();
    if on { yes } else { no }
}

fn circuit_words(circuit: &Circuit) -> String {
    let phases: Vec<&str> =
        circuit.phases.iter().map(|phase| kvarden_core::phases::Place::from(*phase).key()).collect();
    let mut words = format!("{}: {} {} A", circuit.name, phases.concat(), circuit.breaker_a);
    if let Some(feeds) = &circuit.feeds {
        let _ = write!(words, ", {feeds}");
    }
    for mark in &circuit.marks {
        let _ = write!(words, ", {}", mark.words());
    }
    words
}
