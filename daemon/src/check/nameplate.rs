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
    for (head, words) in [
        ("by the nameplate", ratings(unit)),
        ("points of the winding's sensor", trip_points(unit)),
        ("taps", taps(unit)),
        ("by the test report", report(unit)),
        ("made", made(unit)),
        ("lugs", lugs(unit)),
    ] {
        if !words.is_empty() {
            let _ = writeln!(text, "  {head}: {}", words.join(", "));
        }
    }
    let records = &unit.records;
    for (head, words) in [
        ("clearances", &records.clearances),
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

/// What is known of these, each in its words; what the nameplate leaves out is left out here.
fn known<const N: usize>(words: [Option<String>; N]) -> Vec<String> {
    words.into_iter().flatten().collect()
}

fn ratings(unit: &Transformer) -> Vec<String> {
    known([
        unit.impedance_percent.map(|z| format!("impedance {z} %")),
        unit.x_over_r.map(|ratio| format!("X/R {ratio}")),
        unit.rated_rise_k.map(|rise| format!("rise {rise:.0} K")),
        unit.insulation_class_c.map(|class| format!("insulation {class} °C")),
        unit.k_rating.map(|k| format!("K-{k}")),
        unit.rated_ambient_c.map(|ambient| format!("average ambient {ambient} °C")),
        unit.neutral_rating_percent.map(|percent| format!("neutral {percent} % of the line amperes")),
    ])
}

fn trip_points(unit: &Transformer) -> Vec<String> {
    let points = unit.trip_points;
    known([
        points.warn_c.map(|at| format!("warns at {at:.0} °C")),
        points.trip_c.map(|at| format!("trips at {at:.0} °C")),
    ])
}

fn taps(unit: &Transformer) -> Vec<String> {
    let Some(taps) = &unit.taps else { return Vec::new() };
    let of = |(tap, volts): (usize, &f64)| {
        let present = if tap == taps.present { " (in use)" } else { "" };
        format!("{volts:.0} V{present}")
    };
    taps.volts.iter().enumerate().map(of).collect()
}

fn report(unit: &Transformer) -> Vec<String> {
    let losses = unit.losses;
    known([
        losses.no_load_w.map(|watts| format!("{watts:.0} W without load")),
        losses.load_w.map(|watts| format!("{watts:.0} W at rated load")),
        losses
            .resistances_ohm
            .map(|(primary, secondary)| format!("{primary} and {secondary} ohm between line terminals")),
        losses.eddy_percent.map(|percent| format!("winding eddy loss {percent} %")),
    ])
}

fn made(unit: &Transformer) -> Vec<String> {
    let records = &unit.records;
    known([
        records.year.map(|year| year.to_string()),
        unit.winding.map(|metal| format!("{} windings", metal.key())),
        records.serial.as_ref().map(|serial| format!("serial {serial}")),
    ])
}

fn lugs(unit: &Transformer) -> Vec<String> {
    let marks = &unit.records.lugs;
    known([marks.rated_c.map(|at| format!("{at:.0} °C")), marks.size.clone(), marks.torque.clone()])
}

fn side(name: &str, unit: &Transformer, side: Side, of: SideOf, text: &mut String) {
    let rated = unit.rated_a(of).map_or_else(String::new, |rated| format!(", rated {rated:.1} A"));
    let judged = side.form.judged();
    let _ = writeln!(text, "  {name}: {}{rated}; judged: {}", side.form.key(), judged.yes);
    if !judged.no.is_empty() {
        let _ = writeln!(text, "    not judged: {}", judged.no);
    }
}
