//! The meter models of SunSpec, an open standard: which value lies where, so that no map has to be written.
//! Source of numbers, places, lengths and which values every device has: information models of SunSpec, public
//! repository sunspec/models, models 201 to 204 and 211 to 214.

use crate::fault::{Fault, suggest};
use crate::registers::{NumberKind, OneModel, RegisterPoint, Registers, ScaleRegister, Scaling, Special};
use crate::section::{Optional, Section};
use crate::values::{one_of, text, whole};
use kvarden_core::measurand::{Kind, Measurand, Quantity};
use kvarden_core::phases::Place;

/// What int16 and a scale factor hold where the device has no such value.
const NO_I16: u64 = 0x8000;
/// From the reactive energy of one quadrant to that of the next, in both kinds of models.
const NEXT_QUADRANT: u16 = 8;
/// More models than any device has: a longer list is not followed (common practice, no source).
pub const MOST_MODELS: u16 = 100;

/// A model of a meter.
#[derive(Debug, PartialEq, Eq)]
pub struct Model {
    /// Its number.
    pub id: u16,
    /// How many registers follow its header of two.
    pub length: u16,
    /// What it is of, in words.
    pub words: &'static str,
    form: Form,
    numbers: Numbers,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Single,
    Split,
    Wye,
    Delta,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Numbers {
    /// Whole numbers of 16 bits with scale registers.
    Scaled,
    /// IEEE 754 singles.
    Float,
}

/// Every model that can be read.
pub static MODELS: [Model; 8] = [
    scaled(201, "single-phase meter", Form::Single),
    scaled(202, "split-phase meter", Form::Split),
    scaled(203, "three-phase meter, wye", Form::Wye),
    scaled(204, "three-phase meter, delta", Form::Delta),
    float(211, "single-phase meter, floating point", Form::Single),
    float(212, "split-phase meter, floating point", Form::Split),
    float(213, "three-phase meter, wye, floating point", Form::Wye),
    float(214, "three-phase meter, delta, floating point", Form::Delta),
];
/// Their numbers.
static NUMBERS: [i64; 8] = [201, 202, 203, 204, 211, 212, 213, 214];

const fn scaled(id: u16, words: &'static str, form: Form) -> Model {
    Model { id, length: 105, words, form, numbers: Numbers::Scaled }
}

const fn float(id: u16, words: &'static str, form: Form) -> Model {
    Model { id, length: 124, words, form, numbers: Numbers::Float }
}

/// The model with this number.
pub fn model(id: u16) -> Option<&'static Model> {
    MODELS.iter().find(|model| model.id == id)
}

/// One row: what, where its first register stands in the scaled and in the float models, its scale register.
struct Row(Measurand, &'static [Place], u16, u16, u16);

const WHOLE: &[Place] = &[Place::Whole];

/// The values that have a measurand; phases and pairs of lines stand one after another. Reactive energy is counted by
/// quadrants: what is taken is the sum of the first two, what is given back that of the others. Without a measurand are
/// the total current, the means of the voltages, apparent energy given back, each quadrant by itself, and events.
const ROWS: &[Row] = &[
    Row(Measurand::Current, &Place::PHASES, 3, 4, 6),
    Row(Measurand::VoltageLn, &Place::PHASES, 8, 12, 15),
    Row(Measurand::VoltageLl, &Place::LINES, 12, 20, 15),
    Row(Measurand::Frequency, WHOLE, 16, 26, 17),
    Row(Measurand::Power, WHOLE, 18, 28, 22),
    Row(Measurand::Power, &Place::PHASES, 19, 30, 22),
    Row(Measurand::ApparentPower, WHOLE, 23, 36, 27),
    Row(Measurand::ApparentPower, &Place::PHASES, 24, 38, 27),
    Row(Measurand::ReactivePower, WHOLE, 28, 44, 32),
    Row(Measurand::ReactivePower, &Place::PHASES, 29, 46, 32),
    Row(Measurand::PowerFactor, WHOLE, 33, 52, 37),
    Row(Measurand::PowerFactor, &Place::PHASES, 34, 54, 37),
    Row(Measurand::EnergyExport, WHOLE, 38, 60, 54),
    Row(Measurand::EnergyExport, &Place::PHASES, 40, 62, 54),
    Row(Measurand::EnergyImport, WHOLE, 46, 68, 54),
    Row(Measurand::EnergyImport, &Place::PHASES, 48, 70, 54),
    Row(Measurand::ApparentEnergy, WHOLE, 63, 84, 71),
    Row(Measurand::ApparentEnergy, &Place::PHASES, 65, 86, 71),
    Row(Measurand::ReactiveEnergyImport, WHOLE, 72, 92, 104),
    Row(Measurand::ReactiveEnergyImport, &Place::PHASES, 74, 94, 104),
    Row(Measurand::ReactiveEnergyExport, WHOLE, 88, 108, 104),
    Row(Measurand::ReactiveEnergyExport, &Place::PHASES, 90, 110, 104),
];

impl Form {
    /// Whether such a circuit has this value.
    fn has(self, what: Measurand, place: Place) -> bool {
        let between = what == Measurand::VoltageLl;
        let to_neutral = what == Measurand::VoltageLn;
        match (self, place) {
            (_, Place::Whole) | (Self::Wye, _) => true,
            (Self::Single, place) => {
                matches!(what, Measurand::Current | Measurand::VoltageLn) && place == Place::A
            }
            (Self::Split, place) if between => place == Place::AB,
            (Self::Split, place) => place != Place::C,
            (Self::Delta, _) => between || (!to_neutral && what == Measurand::Current),
        }
    }

    /// Whether the standard asks every device for it.
    fn always_has(self, what: Measurand, place: Place) -> bool {
        match what {
            Measurand::Frequency | Measurand::Current => true,
            Measurand::Power | Measurand::EnergyExport | Measurand::EnergyImport => place == Place::Whole,
            Measurand::VoltageLn | Measurand::VoltageLl => self != Self::Single,
            _ => false,
        }
    }
}

impl Model {
    /// All values that the model can have: what, whether every device of the model has it, and where it lies, with
    /// addresses counted from the model's header.
    pub fn values(&self) -> Vec<(Quantity, bool, RegisterPoint)> {
        let mut values = Vec::new();
        for Row(what, places, scaled, float, scale) in ROWS {
            for (nth, place) in (0u16..).zip(*places).filter(|(_, place)| self.form.has(*what, **place)) {
                let always = self.form.always_has(*what, *place);
                values.push((
                    Quantity::at(*what, *place),
                    always,
                    self.point(*what, nth, (*scaled, *float), *scale),
                ));
            }
        }
        values
    }

    fn point(&self, what: Measurand, nth: u16, (scaled, float): (u16, u16), scale: u16) -> RegisterPoint {
        let counts = what.facts().kind == Kind::Counter;
        let mut point = match self.numbers {
            Numbers::Float => RegisterPoint::plain(Registers::Holding, float + 2 * nth, NumberKind::F32),
            Numbers::Scaled => {
                let (kind, absent) =
                    if counts { (NumberKind::U32, vec![]) } else { (NumberKind::I16, vec![NO_I16]) };
                let point = RegisterPoint::plain(Registers::Holding, scaled + nth * kind.registers(), kind);
                let scale_register = ScaleRegister {
                    address: scale,
                    kind: NumberKind::I16,
                    order: point.order,
                    says: Scaling::PowerOfTen,
                };
                RegisterPoint { scale_register: Some(scale_register), absent, ..point }
            }
        };
        if what == Measurand::PowerFactor {
            point.special = Special::PercentOrRatio;
        } else if counts {
            point.special = Special::ZeroUntilMoved;
        }
        if matches!(what, Measurand::ReactiveEnergyImport | Measurand::ReactiveEnergyExport) {
            point.added_at = Some(NEXT_QUADRANT);
        }
        point
    }
}

/// What a meter that is read as a model gives.
pub(crate) struct Described {
    pub(crate) model: OneModel,
    pub(crate) quantities: Vec<Quantity>,
    pub(crate) points: Vec<RegisterPoint>,
}

/// Reads `sunspec`, `which` and `also` of a meter.
pub(crate) fn points(s: &mut Section<'_>) -> Optional<Described> {
    let id = s.optional("sunspec", one_of(&NUMBERS))?;
    let Some(model) = id.and_then(|id| model(id as u16)) else {
        for (key, why) in [
            ("also", "a map names all its values"),
            ("which", "it says which of a device's models of one number the meter is"),
        ] {
            if s.has(key) {
                let message = format!("`{key}` has no meaning without `sunspec`: {why}");
                s.fault(
                    key,
                    Fault::new(message, "this value", format!("leave `{key}` out, or add `sunspec`")),
                );
            }
        }
        return Some(None);
    };
    let nth = s.or("which", 1, whole(1..=i64::from(MOST_MODELS)));
    let values = model.values();
    let also = s.list("also", |value| {
        let given = text(value)?;
        let more = values.iter().filter(|(_, always, _)| !always);
        let known: Vec<(String, Quantity)> =
            more.map(|(quantity, ..)| (quantity.to_string(), *quantity)).collect();
        let found = known.iter().find(|(name, _)| *name == given).map(|(_, quantity)| *quantity);
        found.ok_or_else(|| {
            let names: Vec<&str> = known.iter().map(|(name, _)| name.as_str()).collect();
            let message =
                format!("`also` names \"{given}\", which is no further value of model {}", model.id);
            Fault::new(message, "not known here", suggest(&given, &names))
        })
    })?;
    let taken = values.into_iter().filter(|(quantity, always, _)| *always || also.contains(quantity));
    let (quantities, points) = taken.map(|(quantity, _, point)| (quantity, point)).unzip();
    let model = OneModel { id: model.id, nth: nth? as u16 };
    Some(Some(Described { model, quantities, points }))
}
