//! A nameplate as `check` prints it, with what may be judged of each side's wiring.

use kvarden_core::plant::{Side, SideOf, Transformer};
use std::fmt::Write;

/// Writes what is known of a transformer.
pub(super) fn write(unit: &Transformer, text: &mut String) {
    let kind = if unit.kind.carries_its_kva() { String::new() } else { format!(" {}", unit.kind.key()) };
    let _ = writeln!(
        text,
        "  {} kVA{kind}, {} phase, {} V to {} V, {}",
        unit.kva,
        unit.phases,
        unit.primary.volts,
        unit.secondary.volts,
        unit.cooling.words()
    );
    if unit.is_open_bank() {
        let through = unit.through_kva().unwrap_or_default();
        let _ = writeln!(
            text,
            "  an open bank of two units: carries 57.7 % of its closed bank, {through:.1} kVA"
        );
    }
    side("primary", unit, unit.primary, SideOf::Primary, text);
    side("secondary", unit, unit.secondary, SideOf::Secondary, text);
    let records = &unit.records;
    for (head, words) in [
        ("feeds", &records.feeds),
        ("call", &records.call),
        ("spare", &records.spare),
        ("a new one takes", &records.lead_time),
    ] {
        if let Some(words) = words {
            let _ = writeln!(text, "  {head}: {words}");
        }
    }
}

fn side(name: &str, unit: &Transformer, side: Side, of: SideOf, text: &mut String) {
    let rated = unit.rated_a(of).map_or_else(String::new, |rated| format!(", rated {rated:.1} A"));
    let judged = side.form.judged();
    let _ = writeln!(text, "  {name}: {}{rated}; judged: {}", side.form.key(), judged.yes);
    if !judged.no.is_empty() {
        let _ = writeln!(text, "    not judged: {}", judged.no);
    }
}
