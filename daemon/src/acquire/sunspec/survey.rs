//! A look at a whole device: what it says of itself, its models, and what the meters among them give now.

use super::walk::{Found, Walk};
use crate::acquire::frame::Question;
use crate::acquire::modbus::{Fault, Line};
use crate::acquire::requests::ReadPlan;
use crate::acquire::special::Specials;
use kvarden_config::{MOST_REGISTERS, ModbusSpec, Model, OneModel, Reach, Registers, model};
use kvarden_core::measurand::Quantity;
use kvarden_core::reading::Sample;
use kvarden_core::time::Span;
use std::time::Duration;

/// The number of the model that says who made the device.
const COMMON: u16 = 1;
/// Registers of it that are read, without its header: with or without its last one, which only pads.
const COMMON_LENGTH: u16 = 65;

/// What a look has shown.
#[derive(Debug, Clone, PartialEq)]
pub struct Survey {
    /// What it says of who made it: once, or where it stands for several devices, once for each.
    pub makers: Vec<Maker>,
    /// All its models, in their order.
    pub models: Vec<Found>,
    /// Those that are meters.
    pub meters: Vec<Surveyed>,
}

/// Who made a device, as it says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Maker {
    /// Address of the model that says it.
    pub address: u16,
    /// Maker, model, version and serial number; empty texts where it says nothing.
    pub says: [String; 4],
}

/// A meter among the models.
#[derive(Debug, Clone, PartialEq)]
pub struct Surveyed {
    /// The model.
    pub model: &'static Model,
    /// Which of those with its number, from 1.
    pub nth: u16,
    /// Address of its header.
    pub address: u16,
    /// What it can give, whether every device of the model must give it, and its value now.
    pub values: Vec<(Quantity, bool, Option<f64>)>,
}

/// Looks at a device.
///
/// * `whom` – the unit, and the unit that stands in its answers.
///
/// # Errors
/// Why a question has no answer. That an address does not exist is none.
pub async fn survey(line: &mut Line, whom: (u8, u8), deadline: Duration) -> Result<Survey, Fault> {
    let ask = |address, count| Question {
        unit: whom.0,
        answers_as: whom.1,
        registers: Registers::Holding,
        address,
        count,
    };
    let mut walk = Walk::default();
    while let Some((address, count)) = walk.next() {
        let mut words = [0; 2];
        match line.ask(ask(address, count), deadline, &mut words).await {
            Ok(_) => walk.answer(Some(&words)),
            Err(fault) if fault.is_of_the_map() => walk.answer(None),
            // Some devices say nothing at addresses that they don't have.
            Err(Fault::Late) if walk.seeks_marker() => walk.answer(None),
            Err(fault) => return Err(fault),
        }
    }
    let mut words = [0; MOST_REGISTERS as usize];
    let mut makers = Vec::new();
    for common in walk.of(COMMON).filter(|common| common.length >= COMMON_LENGTH) {
        line.ask(ask(common.address + 2, COMMON_LENGTH), deadline, &mut words).await?;
        let part = |from: usize, count: usize| shown(&words[from..from + count]);
        let says = [part(0, 16), part(16, 16), part(40, 8), part(48, 16)];
        makers.push(Maker { address: common.address, says });
    }
    let mut meters = Vec::new();
    for found in walk.models() {
        let Some(model) = model(found.id).filter(|model| found.length >= model.length) else { continue };
        let nth = walk.of(found.id).take_while(|one| one.address <= found.address).count() as u16;
        let (spec, quantities, always) = everything(model);
        let plan = ReadPlan::new(&spec, &[]);
        let mut values = vec![Sample::ABSENT; plan.points()];
        for request in plan.requests() {
            let question = request.question(whom, found.address).ok_or(Fault::NoModel)?;
            line.ask(question, deadline, &mut words[request.range()]).await?;
        }
        plan.decode(&words[..plan.words()], &[], &mut values);
        Specials::new(&spec.points, &quantities).settle(&mut values);
        let values = quantities.into_iter().zip(always).zip(values);
        let values = values.map(|((quantity, always), value)| (quantity, always, value.get())).collect();
        meters.push(Surveyed { model, nth, address: found.address, values });
    }
    Ok(Survey { makers, models: walk.models().to_vec(), meters })
}

/// A meter that gives all that its model can have.
fn everything(model: &Model) -> (ModbusSpec, Vec<Quantity>, Vec<bool>) {
    let values = model.values();
    let quantities = values.iter().map(|(quantity, ..)| *quantity).collect();
    let always = values.iter().map(|(_, always, _)| *always).collect();
    let spec = ModbusSpec {
        address: String::new(),
        unit: 0,
        answers_as: 0,
        every: Span::seconds(1),
        reach: Reach { gap: MOST_REGISTERS, most: MOST_REGISTERS },
        points: values.into_iter().map(|(.., point)| point).collect(),
        sunspec: Some(OneModel { id: model.id, nth: 1 }),
    };
    (spec, quantities, always)
}

/// A text of a device as it may be shown: up to its first zero, and nothing that moves a cursor.
fn shown(words: &[u16]) -> String {
    let bytes: Vec<u8> =
        words.iter().flat_map(|word| word.to_be_bytes()).take_while(|byte| *byte != 0).collect();
    let plain = |byte: u8| if byte == b' ' || byte.is_ascii_graphic() { char::from(byte) } else { '?' };
    let text: String = bytes.into_iter().map(plain).collect();
    text.trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_of_a_device_moves_no_cursor() {
        assert_eq!(shown(&[0x4B65, 0x1B5B, 0x3241, 0, 0x4B65]), "Ke?[2A");
        assert_eq!(shown(&[0x2020, 0]), "");
    }

    #[test]
    fn all_values_of_a_model_and_its_header_come_with_one_request() {
        for model in &kvarden_config::MODELS {
            let (spec, ..) = everything(model);
            let plan = ReadPlan::new(&spec, &[]);
            let [only] = plan.requests() else { panic!("model {} needs several requests", model.id) };
            assert_eq!(only.address(), 0);
            assert!(only.count() <= MOST_REGISTERS && only.count() <= model.length + 2);
        }
    }
}
