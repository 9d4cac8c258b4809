//! The check cases of the trade's formulas, and how each is put to the program's public functions.

use kvarden::acquire::json::resolve;
use kvarden::acquire::registers::Decoder;
use kvarden::acquire::{Found, Walk};
use kvarden_config::{NumberKind, Order, RegisterPoint, Registers, ScaleRegister, Scaling};
use kvarden_core::alarm::level::{LevelRule, LevelState, Step};
use kvarden_core::digest::{CHATTERING, FLOOD, most_within};
use kvarden_core::electrical::ratings::{
    SERVICE_VOLTAGE, VoltageRange, rated_current_single_phase, rated_current_three_phase,
};
use kvarden_core::electrical::unbalance::largest_deviation_percent;
use kvarden_core::plant::Bound;
use kvarden_core::time::{EventTime, Span};
use serde::Deserialize;
use toml::{Table, Value};

/// All cases of the file.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cases {
    /// One by one.
    #[serde(rename = "case")]
    pub cases: Vec<Case>,
}

/// One case.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Case {
    /// Unique, in words.
    pub name: String,
    /// Which formula.
    pub quantity: String,
    /// What goes in.
    pub inputs: Table,
    /// What must come out; every member.
    pub expected: Table,
    /// How near numbers must be.
    pub tolerance: Tolerance,
    /// Where the rule comes from.
    pub source: String,
    /// How sure that is.
    pub mark: String,
}

/// Stands in the file beside each case, chosen there from the digits to which its source states the result: a number
/// is right if `|got - want| <= abs + rel * |want|`. Texts, counts and truths must be exactly the same.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tolerance {
    /// In the unit of the result.
    #[serde(default)]
    pub abs: f64,
    /// As a share of the expected result.
    #[serde(default)]
    pub rel: f64,
}

/// Reads the file's text.
///
/// # Errors
/// Where it is not as it should be.
pub fn read(text: &str) -> Result<Vec<Case>, toml::de::Error> {
    Ok(toml::from_str::<Cases>(text)?.cases)
}

impl Case {
    /// What the program makes of the inputs; `None`: it does not compute this quantity.
    pub fn got(&self) -> Option<Table> {
        Some(match self.quantity.as_str() {
            "rated_current_3ph" => {
                one("amps", rated_current_three_phase(self.number("kva"), self.number("v_ll")))
            }
            "rated_current_1ph" => {
                one("amps", rated_current_single_phase(self.number("kva"), self.number("volts")))
            }
            "unbalance_max_deviation" => {
                let values = self.numbers("values");
                let values = <[f64; 3]>::try_from(values).expect("an unbalance is that of three values");
                one("pct", largest_deviation_percent(values, 0.0))
            }
            "c84_range" => {
                // The cases are of the service voltage, as their sources say.
                let range = SERVICE_VOLTAGE.range_of(self.number("volts"), self.number("nominal"));
                let word = range.map_or("absent", |range| match range {
                    VoltageRange::A => "A",
                    VoltageRange::B => "B",
                    VoltageRange::Outside => "outside",
                });
                Table::from_iter([("range".to_owned(), word.into())])
            }
            "alarm_run" => self.alarm_run(),
            "chattering" => {
                let most = most_within(&self.times(), CHATTERING.1);
                assert_eq!(CHATTERING.1, Span::seconds(60), "the case counts within 60 s");
                let chattering = most >= CHATTERING.0;
                Table::from_iter([
                    ("most_in_60s".to_owned(), (most as i64).into()),
                    ("chattering".to_owned(), chattering.into()),
                ])
            }
            "flood" => {
                let times = self.times();
                let most = most_within(&times, FLOOD.1);
                assert_eq!(FLOOD.1, Span::seconds(600), "the case counts within 600 s");
                Table::from_iter([
                    ("most_in_600s".to_owned(), (most as i64).into()),
                    ("flood".to_owned(), (most > FLOOD.0).into()),
                    ("per_hour".to_owned(), (times.len() as f64 / self.number("period_h")).into()),
                ])
            }
            "registers_float32" => self.registers(NumberKind::F32),
            "registers_int" => {
                let signed = self.inputs["signed"].as_bool().expect("signed is true or false");
                self.registers(if signed { NumberKind::I32 } else { NumberKind::U32 })
            }
            "sunspec_scale" => self.sunspec_scale(),
            "sunspec_walk" => self.sunspec_walk(),
            "json_pointer" => {
                let text = |key: &str| self.inputs[key].as_str().expect("document and pointer are texts");
                let value = resolve(text("document"), text("pointer")).unwrap_or("absent");
                Table::from_iter([("value".to_owned(), value.into())])
            }
            _ => return None,
        })
    }

    /// The first member in which `got` is not as expected, in words.
    pub fn difference(&self, got: &Table) -> Option<String> {
        self.expected.iter().find_map(|(key, want)| {
            let got = got.get(key);
            let near = match (want, got) {
                (Value::Float(want), Some(got)) => number(got).is_some_and(|got| self.is_near(got, *want)),
                (Value::Integer(want), Some(got)) => {
                    number(got).is_some_and(|got| self.is_near(got, *want as f64))
                }
                (Value::Array(want), Some(Value::Array(got))) if want.iter().all(Value::is_array) => {
                    want == got
                }
                (Value::Array(want), Some(Value::Array(got))) => {
                    let mut pairs = want.iter().zip(got).map(|(want, got)| (number(want), number(got)));
                    want.len() == got.len()
                        && pairs
                            .all(|pair| matches!(pair, (Some(want), Some(got)) if self.is_near(got, want)))
                }
                (want, Some(got)) => want == got,
                (_, None) => false,
            };
            (!near).then(|| format!("{key}: expected {want}, got {got:?}"))
        })
    }

    fn is_near(&self, got: f64, want: f64) -> bool {
        (got - want).abs() <= self.tolerance.abs + self.tolerance.rel * want.abs()
    }

    fn number(&self, key: &str) -> f64 {
        number(&self.inputs[key]).unwrap_or_else(|| panic!("{}: {key} is a number", self.name))
    }

    fn numbers(&self, key: &str) -> Vec<f64> {
        let list = self.inputs[key].as_array().unwrap_or_else(|| panic!("{}: {key} is a list", self.name));
        list.iter().map(|value| number(value).unwrap_or_else(|| panic!("{}: numbers", self.name))).collect()
    }

    fn times(&self) -> Vec<EventTime> {
        self.numbers("t_s").into_iter().map(|seconds| EventTime((seconds * 1000.0) as i64)).collect()
    }

    fn alarm_run(&self) -> Table {
        let rule = LevelRule {
            bound: Bound::High,
            setpoint: self.number("setpoint"),
            deadband: self.number("deadband"),
            on_delay: Span::seconds(self.number("on_delay_s") as i64),
            off_delay: Span::seconds(self.number("off_delay_s") as i64),
        };
        let (times, values) = (self.times(), self.numbers("values"));
        assert_eq!(times.len(), values.len(), "{}: a value for each time", self.name);
        let (mut state, mut on, mut off) = (LevelState::default(), Vec::new(), Vec::new());
        for (index, (at, value)) in times.iter().zip(values).enumerate() {
            // Each sample stands for the time since the one before.
            let credit = if index == 0 { Span::ZERO } else { *at - times[index - 1] };
            let moment = Value::Float(at.0 as f64 / 1000.0);
            match state.observe(&rule, *at, value, credit) {
                Some(Step::Raise { .. }) => on.push(moment),
                Some(Step::Clear) => off.push(moment),
                None => {}
            }
        }
        Table::from_iter([("on".to_owned(), Value::Array(on)), ("off".to_owned(), Value::Array(off))])
    }

    /// The words as a meter's registers through a map of one point.
    fn registers(&self, kind: NumberKind) -> Table {
        let words: Vec<u16> = self.numbers("words").into_iter().map(|word| word as u16).collect();
        let point = RegisterPoint::plain(Registers::Holding, 0, kind);
        one("value", Decoder::new(&point).sample(&words, &[]).get())
    }

    /// An int16 point of a model with its scale register.
    fn sunspec_scale(&self) -> Table {
        assert_eq!(self.inputs["type"].as_str(), Some("int16"), "{}: the cases are of int16", self.name);
        let scale = ScaleRegister {
            address: 1,
            kind: NumberKind::I16,
            order: Order::default(),
            says: Scaling::PowerOfTen,
        };
        let plain = RegisterPoint::plain(Registers::Holding, 0, NumberKind::I16);
        let point = RegisterPoint { scale_register: Some(scale), absent: vec![0x8000], ..plain };
        let (raw, factor) = (self.number("raw") as u16, self.number("sf") as u16);
        one("value", Decoder::new(&point).sample(&[raw], &[factor]).get())
    }

    /// A device that has these registers from its base on, and refuses others.
    fn sunspec_walk(&self) -> Table {
        let registers: Vec<u16> = self.numbers("registers").into_iter().map(|word| word as u16).collect();
        let base = self.number("base") as u16;
        let mut walk = Walk::default();
        while let Some((address, count)) = walk.next() {
            let from = address.checked_sub(base).map(usize::from);
            walk.answer(from.and_then(|from| registers.get(from..from + usize::from(count))));
        }
        let pair =
            |model: &Found| Value::Array(vec![i64::from(model.id).into(), i64::from(model.address).into()]);
        Table::from_iter([("models".to_owned(), Value::Array(walk.models().iter().map(pair).collect()))])
    }
}

fn one(key: &str, value: Option<f64>) -> Table {
    Table::from_iter([(key.to_owned(), value.map_or_else(|| "absent".into(), Value::Float))])
}

fn number(value: &Value) -> Option<f64> {
    value.as_float().or_else(|| value.as_integer().map(|whole| whole as f64))
}
