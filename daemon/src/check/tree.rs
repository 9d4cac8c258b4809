//! Who feeds whom, as `check` prints it.

use kvarden_core::electrical::parallel::{Unit, capacity_kva, share_kva};
use kvarden_core::measurand::Measurand;
use kvarden_core::plan::Plan;
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

/// Writes which transformers run in parallel and how they share by their nameplates.
pub(super) fn parallel(plan: &Plan, text: &mut String) {
    for group in &plan.parallel {
        let names: Vec<&str> = group.units.iter().map(|unit| unit.name.as_str()).collect();
        let _ = writeln!(text, "\nSide by side: {}", names.join(", "));
        for tie in &group.ties {
            if let Some(state) = &tie.state {
                let (one, other) = (names[tie.units.0], names[tie.units.1]);
                let is = if state.on { "on" } else { "off" };
                let _ = writeln!(text, "  {one} with {other}: while {} is {is}", state.name);
            }
        }
        let known: Vec<(&str, Unit)> =
            group.units.iter().filter_map(|unit| Some((unit.name.as_str(), unit.unit?))).collect();
        let units: Vec<Unit> = known.iter().map(|(_, unit)| *unit).collect();
        for unit in group.units.iter().filter(|unit| unit.unit.is_none()) {
            let _ = writeln!(
                text,
                "  how they share is not told: {} needs impedance_percent, and a kVA that passes through it",
                unit.name
            );
        }
        if known.len() == group.units.len() {
            let shares: Vec<String> = known
                .iter()
                .enumerate()
                .filter_map(|(which, (name, _))| {
                    Some(format!("{name} {:.0} %", 100.0 * share_kva(1.0, &units, which)?))
                })
                .collect();
            let full = capacity_kva(&units).unwrap_or_default();
            let _ = writeln!(
                text,
                "  by kVA and impedance: {}; the first is full at {full:.0} kVA together",
                shares.join(", ")
            );
            for line in crate::words::parallel::circulating(&known) {
                let _ = writeln!(text, "  {line}");
            }
        }
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
