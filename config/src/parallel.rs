//! Reader of `parallel_with`: which transformers have their load sides joined.

use crate::fault::Fault;
use crate::keys::PARALLEL;
use crate::section::Section;
use crate::supplies::{Known, condition};
use kvarden_core::plant::{Beside, Transformer, WiringForm};
use std::ops::Range;
use toml::de::DeValue;

/// The most units that run in parallel with one: more stand on no drawing.
const MOST_BESIDE: usize = 8;
/// Rated volts of units in parallel may differ by so much: what rounding on a nameplate makes (common practice, no source).
const VOLTS_TOLERANCE: f64 = 0.005;

/// Where one transformer says what runs in parallel with it.
pub(crate) struct BesidePlace(Range<usize>);

/// `parallel_with`: names of transformers, or a list of tables of which each may say by which state.
pub(crate) fn parallel_with(
    s: &mut Section<'_>,
    known: &Known<'_>,
    places: &mut Vec<BesidePlace>,
) -> Option<Vec<Beside>> {
    places.push(BesidePlace(s.place("parallel_with")));
    let has_tables = match s.node("parallel_with") {
        Some(DeValue::Array(items)) => items.iter().any(|item| item.get_ref().as_table().is_some()),
        _ => false,
    };
    let beside: Vec<Beside> = if has_tables {
        s.tables("parallel_with", &PARALLEL, |s| one(s, known)).into_iter().collect::<Option<_>>()?
    } else {
        let names = s.list("parallel_with", |value| known.transformers.find(value))?;
        names.into_iter().map(|transformer| Beside { transformer, when: None }).collect()
    };
    let twice = beside
        .iter()
        .enumerate()
        .any(|(index, one)| beside[..index].iter().any(|known| known.transformer == one.transformer));
    if twice || beside.len() > MOST_BESIDE {
        let message = if twice {
            "`parallel_with` names a transformer twice".to_owned()
        } else {
            format!("`parallel_with` names {} transformers", beside.len())
        };
        let help = format!("name each other transformer once, at most {MOST_BESIDE}");
        s.fault("parallel_with", Fault::new(message, "this list", help));
        return None;
    }
    Some(beside)
}

fn one(s: &mut Section<'_>, known: &Known<'_>) -> Option<Beside> {
    let transformer = s.required("transformer", "\"T3\"", |value| known.transformers.find(value));
    let when = s.optional("when", |value| condition(value, known));
    Some(Beside { transformer: transformer?, when: when? })
}

/// Tells of units that can't run in parallel as they are described.
pub(crate) fn check(root: &mut Section<'_>, units: &[Option<Transformer>], places: &[BesidePlace]) {
    for (index, (unit, place)) in units.iter().zip(places).enumerate() {
        let Some(unit) = unit else { continue };
        for beside in &unit.beside {
            let Some(Some(other)) = units.get(beside.transformer) else { continue };
            if let Some(fault) = misfit(unit, other, index == beside.transformer) {
                root.fault_at(place.0.clone(), fault);
            } else if other.beside.iter().any(|back| back.transformer == index && back.when != beside.when) {
                let message = format!(
                    "\"{}\" and \"{}\" say of each other that they run in parallel, but by different states",
                    unit.name, other.name
                );
                let help =
                    "one of them is enough: leave `parallel_with` out of the other, or write the same `when`";
                root.fault_at(place.0.clone(), Fault::new(message, "not the same", help));
            }
        }
    }
}

fn misfit(unit: &Transformer, other: &Transformer, is_itself: bool) -> Option<Fault> {
    if is_itself {
        let message = format!("\"{}\" can't run in parallel with itself", unit.name);
        return Some(Fault::new(message, "its own name", "name the other transformer"));
    }
    let (own, theirs) = (unit.secondary, other.secondary);
    if (own.volts / theirs.volts - 1.0).abs() > VOLTS_TOLERANCE {
        let message = format!(
            "\"{}\" has {} V on its load side, \"{}\" has {} V: joined, a large current would go round between them",
            unit.name, own.volts, other.name, theirs.volts
        );
        return Some(Fault::new(
            message,
            "unequal volts",
            "mend `volts` of one secondary, or leave `parallel_with` out",
        ));
    }
    if unit.phases != other.phases || lags(unit) != lags(other) {
        let message = format!(
            "the volts of \"{}\" and \"{}\" do not stand at the same angle: their sides are joined otherwise",
            unit.name, other.name
        );
        let help = "units in parallel are of one kind, as two of delta and wye: mend `form` of a side, or leave `parallel_with` out";
        return Some(Fault::new(message, "these do not fit", help));
    }
    None
}

/// Whether its load side stands 30° from its source side: one is joined in a star, the other in a triangle.
fn lags(unit: &Transformer) -> bool {
    let is_star = |form| matches!(form, WiringForm::Wye | WiringForm::OpenWye);
    unit.phases == 3 && is_star(unit.primary.form) != is_star(unit.secondary.form)
}
