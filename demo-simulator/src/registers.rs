//! Two register maps of the cannery's own invention: which number stands in which register. The same table fills
//! the registers and writes the map file.

use std::fmt::Write as _;

use crate::cannery::{METERS, MeterPlan, Place};
use crate::meter::{Reading, quantities};

/// Registers in a meter's image, counted from address 0.
pub const IMAGE_LENGTH: usize = 320;

/// The table that a read asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Table {
    /// Holding registers (function 3).
    Holding,
    /// Input registers (function 4).
    Input,
}

/// The form of a number in registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// One register, no sign; 65535 means no value.
    U16,
    /// One register with sign; -32768 means no value.
    I16,
    /// Two registers with sign; -2147483648 means no value.
    I32,
    /// Two registers, IEEE 754; not-a-number means no value.
    F32,
}

/// One number of the map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RegisterPoint {
    /// Measurand key.
    pub key: &'static str,
    /// Place, "" for the whole.
    pub place: &'static str,
    /// Its first register, counted from 0.
    pub address: u16,
    /// Its form.
    pub kind: Kind,
    /// Value = raw times this.
    pub scale: f64,
}

/// The map of a kind of meter.
#[derive(Debug, Clone)]
pub struct RegisterMap {
    /// Name of the map's file, without folder.
    pub file: &'static str,
    /// Table that holds all its points.
    pub table: Table,
    /// Whether the high word of a long number comes first.
    pub high_first: bool,
    /// Its points.
    pub points: Vec<RegisterPoint>,
}

impl RegisterMap {
    /// The map of a meter; `None` for a sensor module, which has no registers.
    pub fn of(plan: &MeterPlan) -> Option<Self> {
        let (file, table, high_first, base) = match plan.place {
            Place::Secondary(_) => ("main-meter.toml", Table::Holding, true, 100),
            Place::Feeder(_) => ("feeder-meter.toml", Table::Input, false, 20),
            Place::Sensors(_) => return None,
        };
        let mut points = Vec::new();
        let mut address = base;
        let mut last = "";
        for (key, place) in quantities(plan) {
            let (kind, scale) = form(key)?;
            // Makers leave room between groups, and start long numbers at even addresses.
            if key != last {
                address = (address + 4) & !1;
                last = key;
            }
            points.push(RegisterPoint { key, place, address, kind, scale });
            address += if matches!(kind, Kind::I32 | Kind::F32) { 2 } else { 1 };
        }
        Some(Self { file, table, high_first, points })
    }

    /// The registers that show this reading; registers without a point are 0.
    pub fn image(&self, reading: &Reading) -> Vec<u16> {
        let mut image = vec![0; IMAGE_LENGTH];
        for point in &self.points {
            let value = reading.value(point.key, point.place);
            let at = usize::from(point.address);
            match words(point, value) {
                (word, None) => image[at] = word,
                (high, Some(low)) if self.high_first => image[at..at + 2].copy_from_slice(&[high, low]),
                (high, Some(low)) => image[at..at + 2].copy_from_slice(&[low, high]),
            }
        }
        image
    }

    /// The map as the configuration's map file says it.
    pub fn text(&self) -> String {
        let order = if self.high_first { "high first" } else { "low first" };
        let table = if self.table == Table::Holding { "holding" } else { "input" };
        let mut text = format!("word_order = \"{order}\"\n");
        for point in &self.points {
            let (kind, absent) = match point.kind {
                Kind::U16 => ("u16", "absent = [65535]\n"),
                Kind::I16 => ("i16", "absent = [-32768]\n"),
                Kind::I32 => ("i32", "absent = [-2147483648]\n"),
                Kind::F32 => ("f32", ""),
            };
            let _ = write!(text, "\n[[point]]\nmeasurand = \"{}\"\n", point.key);
            if !point.place.is_empty() {
                let _ = writeln!(text, "place = \"{}\"", point.place);
            }
            let _ = write!(
                text,
                "registers = \"{table}\"\naddress = {}\nkind = \"{kind}\"\nscale = {:?}\n{absent}",
                point.address, point.scale
            );
        }
        text
    }
}

/// The meters that have registers, by unit id.
pub fn units() -> impl Iterator<Item = (u8, &'static MeterPlan)> {
    METERS.iter().filter_map(|plan| match plan.wire {
        crate::cannery::Wire::Modbus(unit) => Some((unit, plan)),
        crate::cannery::Wire::Mqtt(_) => None,
    })
}

/// How a measurand is held: form and scale.
fn form(key: &str) -> Option<(Kind, f64)> {
    Some(match key {
        "voltage_ln_v" | "voltage_ll_v" => (Kind::U16, 0.1),
        "current_a" | "neutral_current_a" | "frequency_hz" => (Kind::F32, 1.0),
        "power_w" | "reactive_power_var" | "apparent_power_va" => (Kind::I32, 1.0),
        "power_factor" => (Kind::I16, 0.001),
        "voltage_thd_percent" | "current_thd_percent" => (Kind::U16, 0.01),
        _ => return None,
    })
}

/// The raw words of a value, the high one first.
fn words(point: &RegisterPoint, value: Option<f64>) -> (u16, Option<u16>) {
    let raw = value.map(|value| (value / point.scale).round());
    let split = |bits: u32| ((bits >> 16) as u16, Some(bits as u16));
    match point.kind {
        Kind::U16 => (raw.map_or(u16::MAX, |raw| raw.clamp(0.0, 65_534.0) as u16), None),
        Kind::I16 => (raw.map_or(i16::MIN, |raw| raw.clamp(-32_767.0, 32_767.0) as i16) as u16, None),
        Kind::I32 => split(raw.map_or(i32::MIN, |raw| raw as i32) as u32),
        Kind::F32 => split(value.map_or(f32::NAN, |value| (value / point.scale) as f32).to_bits()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_points_share_a_register_and_all_fit_one_read() {
        for (_, plan) in units() {
            let map = RegisterMap::of(plan).unwrap();
            let mut taken = std::collections::BTreeSet::new();
            for point in &map.points {
                let length = if matches!(point.kind, Kind::I32 | Kind::F32) { 2 } else { 1 };
                for address in point.address..point.address + length {
                    assert!(taken.insert(address), "{}: register {address} twice", plan.name);
                }
            }
            let (first, last) = (*taken.first().unwrap(), *taken.last().unwrap());
            assert!(last - first < 125, "{}: {first} to {last}", plan.name);
            assert!(usize::from(last) < IMAGE_LENGTH);
        }
    }

    #[test]
    fn an_absent_value_has_its_own_pattern() {
        let map = RegisterMap::of(&METERS[4]).unwrap();
        let reading = Reading { meter: "T2 secondary", unix_ms: 0, values: Vec::new() };
        let image = map.image(&reading);
        for point in &map.points {
            let word = image[usize::from(point.address)];
            let wanted = match point.kind {
                Kind::U16 => 65_535,
                Kind::I16 | Kind::I32 => 0x8000,
                Kind::F32 => 0x7fc0,
            };
            assert_eq!(word, wanted, "{point:?}");
        }
    }
}
