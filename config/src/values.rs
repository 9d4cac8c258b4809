//! Readers of single values: each takes what stands in the file and gives the value or says what is wrong.

use crate::fault::{Fault, suggest};
use crate::registers::NumberKind;
use crate::section::{Value, wrong_kind};
use crate::units::fitting;
use kvarden_core::measurand::{Measurand, Unit};
use kvarden_core::phases::Place;
use kvarden_core::plant::Priority;
use kvarden_core::time::Span;
use std::ops::RangeInclusive;
use toml::de::DeValue;

/// The longest text: more does not fit an MQTT topic level, a page or a person's eye.
pub(crate) const LONGEST_TEXT: usize = 200;
/// The longest span: a month. More is a slip of the pen.
pub(crate) const LONGEST: Span = Span::hours(31 * 24);

/// A value that can't be taken, with why and how to mend it.
pub(crate) fn says<T>(value: &Value<'_>, wrong: &str, help: impl Into<String>) -> Result<T, Fault> {
    Err(Fault::new(format!("`{}` is {}, {wrong}", value.key, value.written), "this value", help))
}

/// A text: not empty, without control characters.
pub(crate) fn text(value: &Value<'_>) -> Result<String, Fault> {
    let text = raw_text(value)?;
    if text.trim().is_empty() {
        return says(value, "which is empty", "write a text, or leave the key out if it has a default");
    }
    if !is_plain(text) {
        return says(
            value,
            "which has blanks at an end or control characters",
            "write one line without blanks at its ends",
        );
    }
    if text.chars().count() > LONGEST_TEXT {
        return says(value, "which is too long", format!("use at most {LONGEST_TEXT} characters"));
    }
    Ok(text.to_owned())
}

/// Whether it is one line with something on it and no blanks at its ends.
pub(crate) fn is_plain(text: &str) -> bool {
    !text.is_empty() && text.trim() == text && !text.chars().any(char::is_control)
}

fn raw_text<'d>(value: &Value<'d>) -> Result<&'d str, Fault> {
    value.node.as_str().ok_or_else(|| wrong_kind(value, "a text", "put it in double quotes"))
}

/// One of some words.
pub(crate) fn choice<T: Copy>(known: &[(&'static str, T)]) -> impl Fn(&Value<'_>) -> Result<T, Fault> {
    move |value| {
        let names: Vec<&str> = known.iter().map(|(name, _)| *name).collect();
        let given = value.node.as_str().ok_or_else(|| wrong_kind(value, "a word", &suggest("", &names)))?;
        match known.iter().find(|(name, _)| *name == given) {
            Some((_, meaning)) => Ok(*meaning),
            None => says(value, "which is not one of its words", suggest(given, &names)),
        }
    }
}

/// How soon a person must act.
pub(crate) fn priority(value: &Value<'_>) -> Result<Priority, Fault> {
    choice(&Priority::ALL.map(|priority| (priority.key(), priority)))(value)
}

/// `true` or `false`.
pub(crate) fn yes_or_no(value: &Value<'_>) -> Result<bool, Fault> {
    value
        .node
        .as_bool()
        .ok_or_else(|| wrong_kind(value, "true or false", "write true or false, without quotes"))
}

fn as_number(node: &DeValue<'_>) -> Option<f64> {
    match node {
        DeValue::Integer(number) => {
            i64::from_str_radix(number.as_str(), number.radix()).ok().map(|number| number as f64)
        }
        DeValue::Float(number) => number.as_str().parse().ok(),
        _ => None,
    }
}

/// A number within bounds, in `unit`.
pub(crate) fn number(
    range: RangeInclusive<f64>,
    unit: &'static str,
) -> impl Fn(&Value<'_>) -> Result<f64, Fault> {
    move |value| {
        let (low, high) = (range.start(), range.end());
        let blank = if unit.is_empty() { "" } else { " " };
        let help = format!("write a number from {low} to {high}{blank}{unit}, without quotes");
        match as_number(value.node) {
            None => Err(wrong_kind(value, "a number", &help)),
            Some(number) if range.contains(&number) => Ok(number),
            Some(_) => says(value, &format!("outside {low} to {high}{blank}{unit}"), help),
        }
    }
}

/// A temperature in °C, or a difference of temperatures in K, within bounds. Written as a number in that unit, or as a
/// text with its unit: `"185 °F"`. A difference is converted as a difference.
pub(crate) fn temperature(
    range: RangeInclusive<f64>,
    unit: Unit,
) -> impl Fn(&Value<'_>) -> Result<f64, Fault> {
    move |value| {
        let (low, high, own) = (range.start(), range.end(), unit.symbol());
        let (usual, zero) = if unit == Unit::Kelvin { (15.0, 0.0) } else { (85.0, 32.0) };
        let example = if range.contains(&usual) { usual } else { *low } * 1.8 + zero;
        let help = format!(
            "write a number from {low} to {high} {own}, or a text with its unit such as \"{example:.0} °F\""
        );
        let converted = match value.node.as_str() {
            None => as_number(value.node),
            Some(text) => text.rsplit_once(' ').and_then(|(number, written)| {
                let (_, conversion) = fitting(unit).iter().find(|(name, _)| *name == written)?;
                let number: f64 = number.trim_end().parse().ok()?;
                // To a billionth, so that 356 °F are told as 180 °C again.
                Some(((number * conversion.factor + conversion.offset) * 1e9).round() / 1e9)
            }),
        };
        match converted {
            Some(number) if range.contains(&number) => Ok(number),
            Some(_) => says(value, &format!("outside {low} to {high} {own}"), help),
            None if value.node.is_str() => {
                says(value, "which is not a number with a unit of temperature", help)
            }
            None => Err(wrong_kind(value, "a number or a text with its unit", &help)),
        }
    }
}

/// Factors and offsets of raw numbers stay below this, and factors above its inverse: units differ by a million.
const MOST_FACTOR: f64 = 1e9;

/// A number to multiply by. Zero would make every value the same.
pub(crate) fn factor(value: &Value<'_>) -> Result<f64, Fault> {
    const HELP: &str = "write a number other than 0, for example 0.1; a negative one turns the sign";
    match as_number(value.node) {
        None => Err(wrong_kind(value, "a number", HELP)),
        Some(number) if (MOST_FACTOR.recip()..=MOST_FACTOR).contains(&number.abs()) => Ok(number),
        Some(_) => says(value, "which makes no value of anything", HELP),
    }
}

/// A number to add.
pub(crate) fn offset(value: &Value<'_>) -> Result<f64, Fault> {
    const HELP: &str = "write a plain number, for example -40";
    match as_number(value.node) {
        None => Err(wrong_kind(value, "a number", HELP)),
        Some(number) if number.abs() <= MOST_FACTOR => Ok(number),
        Some(_) => says(value, "which is no number to add", HELP),
    }
}

/// A whole number within bounds.
pub(crate) fn whole(range: RangeInclusive<i64>) -> impl Fn(&Value<'_>) -> Result<i64, Fault> {
    move |value| {
        let (low, high) = (range.start(), range.end());
        let help = format!("write a whole number from {low} to {high}, without quotes");
        let DeValue::Integer(given) = value.node else {
            return Err(wrong_kind(value, "a whole number", &help));
        };
        match i64::from_str_radix(given.as_str(), given.radix()) {
            Ok(number) if range.contains(&number) => Ok(number),
            _ => says(value, &format!("outside {low} to {high}"), help),
        }
    }
}

/// A raw number of a register, as the bits of its kind: of a float either the number itself, written with a decimal
/// point, or its bits as a whole number. Without the kind any whole number will do.
pub(crate) fn raw_number(kind: Option<NumberKind>) -> impl Fn(&Value<'_>) -> Result<u64, Fault> {
    move |value| {
        let (low, high) = kind.map_or((i128::from(i64::MIN), i128::from(u64::MAX)), NumberKind::raw_range);
        let help = format!("write a whole number from {low} to {high}, without quotes");
        match (value.node, kind) {
            (DeValue::Float(given), Some(kind)) if kind.is_float() => match given.as_str().parse::<f64>() {
                Ok(number) if kind == NumberKind::F32 => Ok(u64::from((number as f32).to_bits())),
                Ok(number) => Ok(number.to_bits()),
                Err(_) => says(value, "which is not a number", help),
            },
            (DeValue::Integer(given), _) => match i128::from_str_radix(given.as_str(), given.radix()) {
                Ok(number) if (low..=high).contains(&number) => {
                    Ok(kind.map_or(number as u64, |kind| kind.bits_of(number)))
                }
                _ => says(value, &format!("outside {low} to {high}"), help),
            },
            _ => Err(wrong_kind(value, "a whole number", &help)),
        }
    }
}

/// One of some whole numbers.
pub(crate) fn one_of(known: &'static [i64]) -> impl Fn(&Value<'_>) -> Result<i64, Fault> {
    move |value| {
        let names: Vec<String> = known.iter().map(ToString::to_string).collect();
        let help = format!("allowed: {}", names.join(", "));
        let DeValue::Integer(given) = value.node else {
            return Err(wrong_kind(value, "a whole number", &help));
        };
        match i64::from_str_radix(given.as_str(), given.radix()) {
            Ok(number) if known.contains(&number) => Ok(number),
            _ => says(value, "which is not one of its values", help),
        }
    }
}

/// A span such as `"90s"`, within bounds.
pub(crate) fn span(range: RangeInclusive<Span>) -> impl Fn(&Value<'_>) -> Result<Span, Fault> {
    move |value| {
        let (low, high) = (written_span(*range.start()), written_span(*range.end()));
        let usual = Span::seconds(60);
        let example = if range.contains(&usual) { "60s" } else { &high };
        let help = format!(
            "write a number with ms, s, m, h or d, from \"{low}\" to \"{high}\", for example \"{example}\""
        );
        let given = value.node.as_str().ok_or_else(|| wrong_kind(value, "a span in quotes", &help))?;
        match parse_span(given) {
            None => says(value, "which is not a span", help),
            Some(span) if range.contains(&span) => Ok(span),
            Some(_) => says(value, &format!("outside {low} to {high}"), help),
        }
    }
}

/// A span, or `"never"`.
pub(crate) fn span_or_never(
    range: RangeInclusive<Span>,
) -> impl Fn(&Value<'_>) -> Result<Option<Span>, Fault> {
    move |value| {
        if value.node.as_str() == Some("never") {
            return Ok(None);
        }
        span(range.clone())(value).map(Some)
    }
}

const SPAN_UNITS: [(&str, i64); 5] =
    [("ms", 1), ("s", 1000), ("m", 60_000), ("h", 3_600_000), ("d", 86_400_000)];

fn parse_span(text: &str) -> Option<Span> {
    let digits = text.find(|c: char| !c.is_ascii_digit())?;
    let (number, unit) = text.split_at(digits);
    let (_, millis) = SPAN_UNITS.iter().find(|(name, _)| *name == unit)?;
    number.parse::<i64>().ok()?.checked_mul(*millis).map(Span)
}

/// The shortest written form of a span.
pub(crate) fn written_span(span: Span) -> String {
    let fitting = SPAN_UNITS.iter().rev().find(|(_, millis)| span.0 != 0 && span.0 % millis == 0);
    match fitting {
        Some((unit, millis)) => format!("{}{unit}", span.0 / millis),
        None => format!("{}s", span.0 / 1000),
    }
}

/// Bytes such as `"2 GiB"`, at least `least`.
pub(crate) fn bytes(least: u64) -> impl Fn(&Value<'_>) -> Result<u64, Fault> {
    move |value| {
        let help = format!(
            "write a number with MiB, GiB or TiB, at least \"{} MiB\", for example \"2 GiB\"",
            least >> 20
        );
        let given = value.node.as_str().ok_or_else(|| wrong_kind(value, "a size in quotes", &help))?;
        match parse_bytes(given) {
            None => says(value, "which is not a size", help),
            Some(bytes) if (least..=1 << 44).contains(&bytes) => Ok(bytes),
            Some(_) => says(value, &format!("outside {} MiB to 16 TiB", least >> 20), help),
        }
    }
}

fn parse_bytes(text: &str) -> Option<u64> {
    let digits = text.find(|c: char| !c.is_ascii_digit())?;
    let (number, unit) = text.split_at(digits);
    let one: u64 = match unit.trim_start() {
        "KiB" => 1 << 10,
        "MiB" => 1 << 20,
        "GiB" => 1 << 30,
        "TiB" => 1 << 40,
        _ => return None,
    };
    number.parse::<u64>().ok()?.checked_mul(one)
}

/// `host:port`.
pub(crate) fn address(value: &Value<'_>) -> Result<String, Fault> {
    const HELP: &str =
        "write host and port, for example \"192.0.2.20:502\", \"meter-t2.lan:502\" or \"[2001:db8::20]:502\"";
    let given = value.node.as_str().ok_or_else(|| wrong_kind(value, "an address in quotes", HELP))?;
    let Some((host, port)) = given.rsplit_once(':') else { return says(value, "which has no port", HELP) };
    if port.parse::<u16>().unwrap_or(0) == 0 {
        return says(value, "whose port is not a number from 1 to 65535", HELP);
    }
    let is_v6 = host
        .strip_prefix('[')
        .and_then(|rest| rest.strip_suffix(']'))
        .is_some_and(|inner| inner.parse::<std::net::Ipv6Addr>().is_ok());
    let is_name = !host.is_empty() && host.chars().all(|c| c.is_ascii_alphanumeric() || "-._".contains(c));
    if is_v6 || is_name {
        Ok(given.to_owned())
    } else {
        says(value, "whose host is not a name or number", HELP)
    }
}

/// A time of day such as `"06:00"`.
pub(crate) fn time_of_day(value: &Value<'_>) -> Result<(u8, u8), Fault> {
    const HELP: &str =
        "write hour and minute of the local day, from \"00:00\" to \"23:59\", for example \"06:00\"";
    let given = value.node.as_str().ok_or_else(|| wrong_kind(value, "a time of day in quotes", HELP))?;
    parse_time_of_day(given).map_or_else(|| says(value, "which is not a time of day", HELP), Ok)
}

/// `06:00`.
pub(crate) fn parse_time_of_day(text: &str) -> Option<(u8, u8)> {
    let two = |text: &str| {
        let plain = text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_digit());
        plain.then(|| text.parse::<u8>().ok()).flatten()
    };
    let (hour, minute) = text.split_once(':')?;
    let (hour, minute) = (two(hour)?, two(minute)?);
    (hour < 24 && minute < 60).then_some((hour, minute))
}

/// One character between cells.
pub(crate) fn delimiter(value: &Value<'_>) -> Result<u8, Fault> {
    const HELP: &str = "write one of \",\", \";\", \"|\" or \"\\t\"";
    let given = value.node.as_str().ok_or_else(|| wrong_kind(value, "one character in quotes", HELP))?;
    match given.as_bytes() {
        [one @ (b',' | b';' | b'|' | b'\t')] => Ok(*one),
        _ => says(value, "which can't part two cells", HELP),
    }
}

/// A measurand's key.
pub(crate) fn measurand(value: &Value<'_>) -> Result<Measurand, Fault> {
    let all: Vec<(&str, Measurand)> = Measurand::ALL.iter().map(|known| (known.key(), *known)).collect();
    choice(&all)(value)
}

/// A measurand that a meter can give.
pub(crate) fn measured(value: &Value<'_>) -> Result<Measurand, Fault> {
    let measured: Vec<(&str, Measurand)> = Measurand::ALL
        .iter()
        .filter(|known| !known.is_computed())
        .map(|known| (known.key(), *known))
        .collect();
    let given = value.node.as_str().and_then(Measurand::from_key);
    if given.is_some_and(Measurand::is_computed) {
        let help = "leave it out: it is computed here from what the meters give, and may have a [[limit]]";
        return says(value, "which is computed here and not read from a meter", help);
    }
    choice(&measured)(value)
}

/// A place that the measurand may have. Without the measurand any place will do.
pub(crate) fn place_of(what: Option<Measurand>) -> impl Fn(&Value<'_>) -> Result<Place, Fault> {
    move |value| {
        let places = what.map_or(&Place::ALL[..], |what| what.facts().places.list());
        let known: Vec<(&str, Place)> = places
            .iter()
            .filter(|place| **place != Place::Whole)
            .map(|place| (place.key(), *place))
            .collect();
        match what {
            Some(what) if known.is_empty() && value.node.as_str().is_some() => {
                let wrong = format!("but {} has no place", what.key());
                says(value, &wrong, "leave `place` out: it is one value for the whole")
            }
            _ => choice(&known)(value),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_are_read_and_written_alike() {
        for (text, millis) in
            [("500ms", 500), ("60s", 60_000), ("2m", 120_000), ("6h", 21_600_000), ("7d", 604_800_000)]
        {
            assert_eq!(parse_span(text), Some(Span(millis)), "{text}");
        }
        assert_eq!(written_span(Span(500)), "500ms");
        assert_eq!(written_span(Span(120_000)), "2m");
        assert_eq!(written_span(Span::ZERO), "0s");
        for text in
            ["", "s", "5", "1.5h", "-2s", "2 m", "5 weeks", "99999999999999999999s", "9223372036854775807d"]
        {
            assert_eq!(parse_span(text), None, "{text}");
        }
    }

    #[test]
    fn sizes_need_a_binary_unit() {
        assert_eq!(parse_bytes("2 GiB"), Some(2 << 30));
        assert_eq!(parse_bytes("64MiB"), Some(64 << 20));
        for text in ["2", "GiB", "2 GB", "1.5 GiB", "18446744073709551615 TiB"] {
            assert_eq!(parse_bytes(text), None, "{text}");
        }
    }
}
