//! What the two kinds of map have in common: points, each with what it means.

use crate::document::Document;
use crate::fault::Fault;
use crate::names::is_new;
use crate::problem::Problem;
use crate::section::{Optional, Section, Value};
use crate::settings::Notes;
use crate::values::{measured, place_of, whole};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::phases::Place;

/// What a map says: quantities and where they lie, in the same order.
#[derive(Clone)]
pub(crate) struct Map<P, T> {
    pub(crate) quantities: Vec<Quantity>,
    pub(crate) points: Vec<P>,
    pub(crate) notes: Vec<Notes>,
    /// What it says besides.
    pub(crate) more: T,
}

/// Reads a map of either kind.
pub(crate) fn read<P, T>(
    name: &str,
    text: &str,
    shape: &'static crate::keys::Shape,
    reader: impl FnOnce(&mut Section<'_>) -> Option<Map<P, T>>,
) -> (Option<Map<P, T>>, Vec<Problem>) {
    let (document, tree, syntax) = Document::open(name, text);
    let mut section = Section::open(&document, tree.get_ref(), 0..0, shape);
    let map = reader(&mut section);
    let problems = document.settle(syntax, section.close());
    (map.filter(|_| problems.is_empty()), problems)
}

/// What a point means. The same quantity twice is a problem.
pub(crate) fn quantity(s: &mut Section<'_>, seen: &mut Vec<Quantity>) -> Option<Quantity> {
    let what = s.required("measurand", "\"current_a\"", measured);
    let place = s.optional("place", place_of(what))?.unwrap_or(Place::Whole);
    let number = number_of(s, what);
    settled(s, Quantity::numbered(what?, place, number?.unwrap_or_default()), seen)
}

/// A quantity that its measurand allows and that no other point of the map has.
pub(crate) fn settled(s: &mut Section<'_>, quantity: Quantity, seen: &mut Vec<Quantity>) -> Option<Quantity> {
    let facts = quantity.what.facts();
    if !facts.places.list().contains(&quantity.place) {
        let keys: Vec<&str> = quantity.what.facts().places.list().iter().map(|place| place.key()).collect();
        let message = format!("{} needs a `place`", quantity.what.key());
        s.missing(message, format!("add the place, for example: place = \"{}\"", keys.join("\" or \"")));
        return None;
    }
    if !facts.numbers.range().contains(&quantity.number) {
        let message = format!("{} needs an `order`", quantity.what.key());
        s.missing(message, "add which harmonic it is, for example: order = 5".to_owned());
        return None;
    }
    if !is_new(seen, quantity) {
        let help = "leave one of the two out, or mend its measurand, place, order or number";
        s.fault("measurand", Fault::new(format!("{quantity} is given twice"), "given before", help));
        return None;
    }
    Some(quantity)
}

/// The number of a quantity, under the key that its measurand has for it: `order` of a harmonic, `number` of several.
pub(crate) fn number_of(s: &mut Section<'_>, what: Option<Measurand>) -> Optional<u8> {
    let range = what.map_or(1..=50, |what| what.facts().numbers.range());
    let own = what.and_then(|what| what.facts().numbers.key());
    let mut number = Some(None);
    for key in ["order", "number"] {
        let fits = |value: &Value<'_>| match what {
            Some(what) if own != Some(key) => Err(no_number(value, what)),
            _ => whole(1..=i64::from(*range.end()))(value),
        };
        let given = s.optional(key, fits);
        number = match (number, given) {
            (None, _) | (_, None) => None,
            (Some(known), Some(given)) => Some(given.map(|number| number as u8).or(known)),
        };
    }
    number
}

fn no_number(value: &Value<'_>, what: Measurand) -> Fault {
    let (key, own) = (what.key(), what.facts().numbers.key());
    let help = match own {
        Some(own) => format!("write `{own}` instead"),
        None => format!("leave `{}` out: there is one for each place", value.key),
    };
    Fault::new(format!("`{}` has no meaning for {key}", value.key), "this value", help)
}

/// A point: what it means, where it lies, and what is said of it besides.
pub(crate) type Noted<P> = (Quantity, (P, Notes));

/// The points, if there are any and all could be read.
pub(crate) fn whole_points<P>(
    s: &mut Section<'_>,
    points: Vec<Option<Noted<P>>>,
) -> Option<(Vec<Quantity>, Vec<P>, Vec<Notes>)> {
    if points.is_empty() {
        s.missing(
            "the map has no points".to_owned(),
            "add a [[point]] for each value that the meter gives".to_owned(),
        );
        return None;
    }
    let points = points.into_iter().collect::<Option<Vec<_>>>()?;
    let (quantities, rest): (Vec<Quantity>, Vec<(P, Notes)>) = points.into_iter().unzip();
    let (points, notes) = rest.into_iter().unzip();
    Some((quantities, points, notes))
}
