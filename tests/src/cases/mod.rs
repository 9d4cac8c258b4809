//! The check cases of the trade's formulas, and how each is put to the program's public functions: a room for each area,
//! with the quantities that it computes and those that wait for a later version.

mod connections;
mod harmonics;
mod heat;
mod meters;
mod ratings;
mod running;
mod unbalance;

use serde::Deserialize;
use toml::{Table, Value};

/// The quantities of one area.
#[derive(Debug)]
pub struct Area {
    /// Quantities of this version and how many cases the file has of them.
    pub computed: &'static [(&'static str, usize)],
    /// Quantities that are computed in a later version. A quantity that gets its function moves up to `computed`.
    pub later: &'static [&'static str],
    /// What the program makes of a case's inputs; `None`: it does not compute this quantity.
    got: fn(&Case) -> Option<Table>,
}

/// All areas.
pub const AREAS: [Area; 7] = [
    ratings::AREA,
    unbalance::AREA,
    harmonics::AREA,
    heat::AREA,
    connections::AREA,
    running::AREA,
    meters::AREA,
];

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
        AREAS.iter().find_map(|area| (area.got)(self))
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
}

/// A table of one member; without a value it says "absent".
fn one(key: &str, value: Option<f64>) -> Table {
    Table::from_iter([(key.to_owned(), value.map_or_else(|| "absent".into(), Value::Float))])
}

fn number(value: &Value) -> Option<f64> {
    value.as_float().or_else(|| value.as_integer().map(|whole| whole as f64))
}
