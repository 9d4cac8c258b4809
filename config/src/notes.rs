//! What a map or a `columns.toml` says of a value besides where it lies: its unit, where a counter ends, and on which base
//! a distortion is given.

use crate::fault::{Fault, listed};
use crate::section::{Section, Value};
use crate::settings::Notes;
use crate::units::{Conversion, fitting};
use crate::values::{choice, number};
use kvarden_core::measurand::{Kind, Measurand};

/// The most that a counter may be said to count to: where a 64-bit float still counts single units.
const MOST_COUNT: f64 = 1e15;

/// The unit that a value is written in, and what else is said of it.
pub(crate) fn notes(s: &mut Section<'_>, what: Option<Measurand>) -> Option<(Conversion, Notes)> {
    let own = Conversion { factor: 1.0, offset: 0.0 };
    let unit = s.or("unit", own, |value| unit(value, what));
    let rolls_over_at = s.optional("rolls_over_at", |value| match what {
        Some(what) if what.kind() != Kind::Counter => {
            Err(no_meaning(value, what, "it does not only count up"))
        }
        what => number(1.0..=MOST_COUNT, what.map_or("", |what| what.facts().unit.symbol()))(value),
    });
    let of_total = s.or("thd_base", false, |value| match what {
        Some(what) if !matches!(what, Measurand::VoltageThd | Measurand::CurrentThd) => {
            Err(no_meaning(value, what, "it is no distortion"))
        }
        _ => choice(&[("fundamental", false), ("total", true)])(value),
    });
    Some((unit?, Notes { rolls_over_at: rolls_over_at?, of_total: of_total? }))
}

fn no_meaning(value: &Value<'_>, what: Measurand, why: &str) -> Fault {
    let message = format!("`{}` has no meaning for {}: {why}", value.key, what.key());
    Fault::new(message, "this value", format!("leave `{}` out", value.key))
}

/// How the written unit becomes the measurand's own.
fn unit(value: &Value<'_>, what: Option<Measurand>) -> Result<Conversion, Fault> {
    let Some(what) = what else { return Err(Fault::Elsewhere) };
    let units = fitting(what.facts().unit);
    let names: Vec<&str> = units.iter().map(|(name, _)| *name).collect();
    let written = value.written.clone();
    let fits = choice(units)(value);
    fits.map_err(|_| {
        let message = format!("`unit` is {written}, which does not fit {}", what.key());
        Fault::new(message, "this unit", format!("allowed: {}", listed(names)))
    })
}

impl Conversion {
    /// Scale and offset to the measurand's unit, from those to the written one.
    pub(crate) fn after(self, scale: f64, offset: f64) -> (f64, f64) {
        (scale * self.factor, offset * self.factor + self.offset)
    }
}
