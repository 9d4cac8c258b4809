//! Reader of register maps, and what they share with JSON maps: points, each with what it means.

use crate::document::Document;
use crate::fault::Fault;
use crate::keys::{REGISTER_MAP, REGISTER_POINT};
use crate::names::is_new;
use crate::problem::Problem;
use crate::section::{Optional, Section, Value};
use crate::settings::{NumberKind, RegisterPoint, Registers, WordOrder};
use crate::values::{choice, factor, measured, offset, place_of, whole};
use kvarden_core::measurand::{Measurand, Quantity};
use kvarden_core::phases::Place;

/// What a map says: quantities and where they lie, in the same order.
#[derive(Clone)]
pub(crate) struct Map<P, T> {
    pub(crate) quantities: Vec<Quantity>,
    pub(crate) points: Vec<P>,
    pub(crate) time: T,
}

/// A register map; it has no time.
pub(crate) type RegisterMap = Map<RegisterPoint, ()>;

/// Reads a register map.
pub(crate) fn register_map(name: &str, text: &str) -> (Option<RegisterMap>, Vec<Problem>) {
    read(name, text, &REGISTER_MAP, |s| {
        let orders = [("high first", WordOrder::HighFirst), ("low first", WordOrder::LowFirst)];
        let order = s.or("word_order", WordOrder::HighFirst, choice(&orders));
        let mut seen = Vec::new();
        let mut taken = Vec::new();
        let points = s.tables("point", &REGISTER_POINT, |s| {
            let quantity = quantity(s, &mut seen);
            let point = register_point(s, order.unwrap_or(WordOrder::HighFirst));
            if let Some(point) = &point {
                not_taken(s, point, &mut taken);
            }
            Some((quantity?, point?))
        });
        let (quantities, points) = whole_points(s, points)?;
        order.map(|_| Map { quantities, points, time: () })
    })
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
    let quantity = Quantity::numbered(what?, place, number?.unwrap_or_default());
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

/// The points, if there are any and all could be read.
pub(crate) fn whole_points<P>(
    s: &mut Section<'_>,
    points: Vec<Option<(Quantity, P)>>,
) -> Option<(Vec<Quantity>, Vec<P>)> {
    if points.is_empty() {
        s.missing(
            "the map has no points".to_owned(),
            "add a [[point]] for each value that the meter gives".to_owned(),
        );
        return None;
    }
    Some(points.into_iter().collect::<Option<Vec<_>>>()?.into_iter().unzip())
}

fn register_point(s: &mut Section<'_>, word_order: WordOrder) -> Option<RegisterPoint> {
    let tables = [("holding", Registers::Holding), ("input", Registers::Input)];
    let registers = s.or("registers", Registers::Holding, choice(&tables));
    let kinds = [
        ("u16", NumberKind::U16),
        ("i16", NumberKind::I16),
        ("u32", NumberKind::U32),
        ("i32", NumberKind::I32),
        ("f32", NumberKind::F32),
    ];
    let kind = s.required("kind", "\"f32\"", choice(&kinds));
    let last = i64::from(u16::MAX) + 1 - i64::from(kind.map_or(1, NumberKind::registers));
    let address = s.required("address", "0", whole(0..=last));
    let scale = s.or("scale", 1.0, factor);
    let offset = s.or("offset", 0.0, offset);
    let (low, high) = kind.map_or((i64::MIN, i64::MAX), NumberKind::raw_range);
    let absent = s.list("absent", whole(low..=high));
    Some(RegisterPoint {
        registers: registers?,
        address: address? as u16,
        kind: kind?,
        word_order,
        scale: scale?,
        offset: offset?,
        absent: absent?,
    })
}

fn not_taken(s: &mut Section<'_>, point: &RegisterPoint, taken: &mut Vec<(Registers, u32, u32)>) {
    let first = u32::from(point.address);
    let end = first + u32::from(point.kind.registers());
    let overlaps =
        |known: &&(Registers, u32, u32)| known.0 == point.registers && first < known.2 && known.1 < end;
    if let Some((_, from, to)) = taken.iter().find(overlaps) {
        let message = format!(
            "`address` is {first}, but register {} is already read by another point",
            first.max(*from)
        );
        let help = format!(
            "that point takes registers {from} to {}; u32, i32 and f32 take two registers each",
            to - 1
        );
        s.fault("address", Fault::new(message, "overlaps", help));
    }
    taken.push((point.registers, first, end));
}
