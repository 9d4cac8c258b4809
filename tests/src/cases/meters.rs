//! What a meter's registers and messages mean.

use super::{Area, Case, one};
use kvarden::acquire::json::resolve;
use kvarden::acquire::registers::Decoder;
use kvarden::acquire::{Found, Walk};
use kvarden_config::{NumberKind, Order, RegisterPoint, Registers, ScaleRegister, Scaling};
use toml::{Table, Value};

pub(super) const AREA: Area = Area {
    computed: &[
        ("registers_float32", 2),
        ("registers_int", 1),
        ("sunspec_scale", 3),
        ("sunspec_walk", 1),
        ("json_pointer", 3),
    ],
    later: &[],
    got,
};

fn got(case: &Case) -> Option<Table> {
    Some(match case.quantity.as_str() {
        "registers_float32" => registers(case, NumberKind::F32),
        "registers_int" => {
            let signed = case.inputs["signed"].as_bool().expect("signed is true or false");
            registers(case, if signed { NumberKind::I32 } else { NumberKind::U32 })
        }
        "sunspec_scale" => sunspec_scale(case),
        "sunspec_walk" => sunspec_walk(case),
        "json_pointer" => {
            let text = |key: &str| case.inputs[key].as_str().expect("document and pointer are texts");
            let value = resolve(text("document"), text("pointer")).unwrap_or("absent");
            Table::from_iter([("value".to_owned(), value.into())])
        }
        _ => return None,
    })
}

/// The words as a meter's registers through a map of one point.
fn registers(case: &Case, kind: NumberKind) -> Table {
    let words: Vec<u16> = case.numbers("words").into_iter().map(|word| word as u16).collect();
    let point = RegisterPoint::plain(Registers::Holding, 0, kind);
    one("value", Decoder::new(&point).sample(&words, &[]).get())
}

/// An int16 point of a model with its scale register.
fn sunspec_scale(case: &Case) -> Table {
    assert_eq!(case.inputs["type"].as_str(), Some("int16"), "{}: the cases are of int16", case.name);
    let scale = ScaleRegister {
        address: 1,
        kind: NumberKind::I16,
        order: Order::default(),
        says: Scaling::PowerOfTen,
    };
    let plain = RegisterPoint::plain(Registers::Holding, 0, NumberKind::I16);
    let point = RegisterPoint { scale_register: Some(scale), absent: vec![0x8000], ..plain };
    let (raw, factor) = (case.number("raw") as u16, case.number("sf") as u16);
    one("value", Decoder::new(&point).sample(&[raw], &[factor]).get())
}

/// A device that has these registers from its base on, and refuses others.
fn sunspec_walk(case: &Case) -> Table {
    let registers: Vec<u16> = case.numbers("registers").into_iter().map(|word| word as u16).collect();
    let base = case.number("base") as u16;
    let mut walk = Walk::default();
    while let Some((address, count)) = walk.next() {
        let from = address.checked_sub(base).map(usize::from);
        walk.answer(from.and_then(|from| registers.get(from..from + usize::from(count))));
    }
    let pair =
        |model: &Found| Value::Array(vec![i64::from(model.id).into(), i64::from(model.address).into()]);
    Table::from_iter([("models".to_owned(), Value::Array(walk.models().iter().map(pair).collect()))])
}
