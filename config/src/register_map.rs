//! Reader of a register map: which register of a Modbus meter means what.

use crate::fault::Fault;
use crate::keys::{REGISTER_MAP, REGISTER_POINT, SCALE_REGISTER};
use crate::maps::{Map, quantity, read, settled, whole_points};
use crate::notes::notes;
use crate::problem::Problem;
use crate::registers::{
    Bits, ByteOrder, MOST_REGISTERS, NumberKind, Order, Reach, RegisterPoint, Registers, ScaleRegister,
    Scaling, Special, WordOrder,
};
use crate::section::{Optional, Section};
use crate::values::{choice, factor, measured, offset, place_of, raw_number, whole};
use kvarden_core::measurand::{Numbers, Quantity};
use kvarden_core::phases::Place;
use std::ops::RangeInclusive;

/// A register map, and what one request may span.
pub(crate) type RegisterMap = Map<RegisterPoint, Reach>;

const KINDS: [(&str, NumberKind); 8] = [
    ("u16", NumberKind::U16),
    ("i16", NumberKind::I16),
    ("u32", NumberKind::U32),
    ("i32", NumberKind::I32),
    ("f32", NumberKind::F32),
    ("u64", NumberKind::U64),
    ("i64", NumberKind::I64),
    ("f64", NumberKind::F64),
];

/// Reads a register map.
pub(crate) fn register_map(name: &str, text: &str) -> (Option<RegisterMap>, Vec<Problem>) {
    read(name, text, &REGISTER_MAP, |s| {
        let order = order(s, Order::default());
        let gap = s.or("read_gaps_up_to", 0, whole(0..=i64::from(MOST_REGISTERS) - 2));
        let most = s.or("most_at_once", i64::from(MOST_REGISTERS), whole(4..=i64::from(MOST_REGISTERS)));
        let mut seen = Vec::new();
        let mut taken = Vec::new();
        let points = s.tables("point", &REGISTER_POINT, |s| {
            let quantities = quantities(s, &mut seen);
            let first = point(s, order.unwrap_or_default());
            let what = quantities.as_ref().and_then(|all| all.first()).map(|quantity| quantity.what);
            let noted = notes(s, what);
            let (count, step) = (quantities.as_ref().map_or(1, Vec::len), step(s, first.as_ref())?);
            let (mut first, (unit, mut notes)) = (first?, noted?);
            (first.scale, first.offset) = unit.after(first.scale, first.offset);
            notes.rolls_over_at = notes.rolls_over_at.or_else(|| first.counts_to(what?));
            let points = block(s, &first, count, step)?;
            for point in &points {
                not_taken(s, point, &mut taken);
            }
            let noted = points.into_iter().map(|point| (point, notes));
            Some(quantities?.into_iter().zip(noted).collect())
        });
        let (quantities, points, notes) = whole_points(s, each_apart(points))?;
        let reach = Reach { gap: gap? as u16, most: most? as u16 };
        order.map(|_| Map { quantities, points, notes, more: reach })
    })
}

/// In which order the parts of a number stand, where it is not said in which.
fn order(s: &mut Section<'_>, usual: Order) -> Option<Order> {
    let words = [
        ("high first", WordOrder::HighFirst),
        ("low first", WordOrder::LowFirst),
        ("low first in pairs", WordOrder::LowFirstInPairs),
        ("low pair first", WordOrder::LowPairFirst),
    ];
    let bytes = [("high first", ByteOrder::HighFirst), ("low first", ByteOrder::LowFirst)];
    let words = s.or("word_order", usual.words, choice(&words));
    let bytes = s.or("byte_order", usual.bytes, choice(&bytes));
    Some(Order { words: words?, bytes: bytes? })
}

fn point(s: &mut Section<'_>, usual: Order) -> Option<RegisterPoint> {
    let tables = [
        ("holding", Registers::Holding),
        ("input", Registers::Input),
        ("coils", Registers::Coils),
        ("discrete inputs", Registers::DiscreteInputs),
    ];
    let registers = s.or("registers", Registers::Holding, choice(&tables));
    let order = order(s, usual);
    let kind = if registers.is_some_and(Registers::are_bits) {
        for key in ["kind", "word_order", "byte_order", "bit", "bits", "scale_register", "absent"] {
            if s.has(key) {
                let message =
                    format!("`{key}` has no meaning for coils and discrete inputs: each is one bit");
                s.fault(key, Fault::new(message, "this value", format!("leave `{key}` out")));
            }
        }
        Some(NumberKind::Bit)
    } else {
        s.required("kind", "\"f32\"", choice(&KINDS))
    };
    let address = s.required("address", "0", whole(addresses(kind)));
    let bits = bits(s, kind);
    let scale = s.or("scale", 1.0, factor);
    let offset = s.or("offset", 0.0, offset);
    let absent = match kind {
        Some(NumberKind::Bit) => Some(Vec::new()),
        kind => s.list("absent", raw_number(kind)),
    };
    let order = order?;
    let scale_register = s.table("scale_register", &SCALE_REGISTER, |s| scale_register(s, order));
    Some(RegisterPoint {
        registers: registers?,
        address: address? as u16,
        kind: kind?,
        order,
        added_at: None,
        bits: bits?,
        scale: scale?,
        scale_register: scale_register?,
        offset: offset?,
        absent: absent?,
        special: Special::None,
    })
}

/// What a point means: one quantity, or one harmonic for each of `orders`.
fn quantities(s: &mut Section<'_>, seen: &mut Vec<Quantity>) -> Option<Vec<Quantity>> {
    if !s.has("orders") {
        for key in ["orders_by", "step"] {
            if s.has(key) {
                let message = format!("`{key}` has no meaning without `orders`");
                s.fault(
                    key,
                    Fault::new(message, "this value", format!("leave `{key}` out, or add `orders`")),
                );
            }
        }
        return quantity(s, seen).map(|quantity| vec![quantity]);
    }
    let what = s.required("measurand", "\"current_harmonic_percent\"", measured);
    let place = s.optional("place", place_of(what))?.unwrap_or(Place::Whole);
    for key in ["order", "number"] {
        if s.has(key) {
            let message = format!("`{key}` and `orders` are both given for one point");
            s.fault(key, Fault::new(message, "one too many", "leave one of the two out"));
        }
    }
    let what = what?;
    let orders = s.list("orders", whole(1..=i64::from(*Numbers::Orders.range().end())));
    let by = s.or("orders_by", 1, whole(1..=i64::from(*Numbers::Orders.range().end())));
    let (orders, by) = (orders?, by?);
    let [first, last] = orders[..] else {
        let message = format!("`orders` has {} numbers, but it needs two", orders.len());
        s.fault(
            "orders",
            Fault::new(message, "these", "write the first and the last order, for example [2, 50]"),
        );
        return None;
    };
    if first > last {
        let message =
            format!("`orders` begins with order {first} and ends with order {last}, which is lower");
        s.fault("orders", Fault::new(message, "this way round", format!("write [{last}, {first}]")));
        return None;
    }
    if what.facts().numbers != Numbers::Orders {
        let message = format!("`orders` has no meaning for {}", what.key());
        s.fault("orders", Fault::new(message, "this value", "leave `orders` out: it is no harmonic"));
        return None;
    }
    let orders = (first..=last).step_by(by as usize).map(|order| order as u8);
    orders.map(|order| settled(s, Quantity::numbered(what, place, order), seen)).collect()
}

/// How many registers from one order to the next.
fn step(s: &mut Section<'_>, first: Option<&RegisterPoint>) -> Option<u16> {
    let least = first.map_or(1, |point| point.kind.registers());
    s.or("step", i64::from(least), whole(i64::from(least)..=i64::from(MOST_REGISTERS)))
        .map(|step| step as u16)
}

/// The points of a block: like the first one, each a step further.
fn block(s: &mut Section<'_>, first: &RegisterPoint, count: usize, step: u16) -> Option<Vec<RegisterPoint>> {
    let address = |nth: usize| u32::from(first.address) + u32::from(step) * nth as u32;
    let end = address(count - 1) + u32::from(first.kind.registers());
    if end > u32::from(u16::MAX) + 1 {
        let message =
            format!("`address` is {}, so that the last order would lie beyond register 65535", first.address);
        s.fault("address", Fault::new(message, "too high", "mend `address`, `step` or `orders`"));
        return None;
    }
    Some((0..count).map(|nth| RegisterPoint { address: address(nth) as u16, ..first.clone() }).collect())
}

/// Blocks taken apart; one that can't be read keeps its place.
fn each_apart<T>(blocks: Vec<Option<Vec<T>>>) -> Vec<Option<T>> {
    let apart = |block: Option<Vec<T>>| match block {
        Some(points) => points.into_iter().map(Some).collect(),
        None => vec![None],
    };
    blocks.into_iter().flat_map(apart).collect()
}

/// The addresses at which a number may begin.
fn addresses(kind: Option<NumberKind>) -> RangeInclusive<i64> {
    0..=i64::from(u16::MAX) + 1 - i64::from(kind.map_or(1, NumberKind::registers))
}

fn scale_register(s: &mut Section<'_>, order: Order) -> Option<ScaleRegister> {
    let kind = s.or("kind", NumberKind::I16, choice(&KINDS));
    let address = s.required("address", "12", whole(addresses(kind)));
    let says = [("power of ten", Scaling::PowerOfTen), ("factor", Scaling::Factor)];
    let says = s.or("says", Scaling::PowerOfTen, choice(&says));
    Some(ScaleRegister { address: address? as u16, kind: kind?, order, says: says? })
}

/// Which bits of the number the point means: `bit`, or the first and the last of `bits`.
fn bits(s: &mut Section<'_>, kind: Option<NumberKind>) -> Optional<Bits> {
    let key = match (s.has("bit"), s.has("bits")) {
        (false, false) => return Some(None),
        (true, true) => {
            let message = "`bit` and `bits` are both given for one point".to_owned();
            s.fault("bits", Fault::new(message, "one too many", "leave one of the two out"));
            return None;
        }
        (true, false) => "bit",
        (false, true) => "bits",
    };
    let kind = kind?;
    if kind == NumberKind::Bit {
        return None; // Told of already.
    }
    if !kind.is_unsigned() {
        let message = format!("`{key}` is given, but the number has a sign or a decimal point");
        s.fault(key, Fault::new(message, "not of this kind", "write kind = \"u16\", \"u32\" or \"u64\""));
        return None;
    }
    let allowed = whole(0..=i64::from(kind.width()) - 1);
    let (first, last) = if key == "bit" {
        let only = s.optional("bit", &allowed)??;
        (only, only)
    } else {
        let list = s.list("bits", &allowed)?;
        let [first, last] = list[..] else {
            let message = format!("`bits` has {} numbers, but it needs two", list.len());
            let help = "write the first and the last bit, counted from 0, the lowest, for example [4, 7]";
            s.fault("bits", Fault::new(message, "these", help));
            return None;
        };
        (first, last)
    };
    if first > last {
        let message = format!("`bits` begins with bit {first} and ends with bit {last}, which is lower");
        s.fault("bits", Fault::new(message, "this way round", format!("write [{last}, {first}]")));
        return None;
    }
    Some(Some(Bits { first: first as u8, last: last as u8 }))
}

/// What a point takes of a table.
struct Taken {
    registers: Registers,
    first: u32,
    end: u32,
    bits: Option<Bits>,
}

impl Taken {
    fn overlaps(&self, other: &Self) -> bool {
        let apart = match (self.bits, other.bits) {
            // Bit fields of one and the same number share its registers, but no bit.
            (Some(one), Some(two)) if (self.first, self.end) == (other.first, other.end) => {
                one.last < two.first || two.last < one.first
            }
            _ => false,
        };
        self.registers == other.registers && self.first < other.end && other.first < self.end && !apart
    }
}

fn not_taken(s: &mut Section<'_>, point: &RegisterPoint, taken: &mut Vec<Taken>) {
    let first = u32::from(point.address);
    let end = first + u32::from(point.kind.registers());
    let this = Taken { registers: point.registers, first, end, bits: point.bits };
    if let Some(known) = taken.iter().find(|known| known.overlaps(&this)) {
        let (from, to) = (known.first, known.end - 1);
        let one = if point.registers.are_bits() { "bit" } else { "register" };
        let message =
            format!("`address` is {first}, but {one} {} is already read by another point", first.max(from));
        let help = if point.registers.are_bits() {
            "give each coil or discrete input to one point".to_owned()
        } else if known.bits.is_some() && point.bits.is_some() {
            "bit fields may share a register if they share no bit of it".to_owned()
        } else {
            format!(
                "that point takes registers {from} to {to}; u32, i32 and f32 take two registers each, u64, i64 \
                 and f64 four"
            )
        };
        s.fault("address", Fault::new(message, "overlaps", help));
    }
    taken.push(this);
}
