//! What the table says fits together, and written forms read back.

use super::{Kind, Measurand, Quantity, Unit};
use crate::phases::Place;

/// A new row needs no other line anywhere: whatever the table says must fit together by itself.
#[test]
fn every_row_has_what_people_and_files_need() {
    for (index, measurand) in Measurand::ALL.iter().enumerate() {
        let facts = measurand.facts();
        assert_eq!(Measurand::from_key(facts.key), Some(*measurand));
        for other in &Measurand::ALL[index + 1..] {
            assert!(other.key() != facts.key && other.facts().words != facts.words, "{}", facts.key);
        }
        let plain = |letter: char| letter.is_ascii_lowercase() || letter == '_';
        assert!(facts.key.chars().all(plain), "{}", facts.key);
        assert!(facts.words.is_ascii() && !facts.words.is_empty(), "{}", facts.key);
        assert!(
            facts.range.0 < facts.range.1
                && facts.range == measurand.range()
                && facts.kind == measurand.kind(),
            "{}",
            facts.key
        );
        assert_eq!(facts.kind == Kind::Flag, facts.range == (0.0, 1.0), "{}", facts.key);
        assert_eq!(facts.kind == Kind::Angle, facts.unit == Unit::Degree, "{}", facts.key);
        assert_eq!(facts.unit, unit_in(facts.key), "{}", facts.key);
    }
}

/// The unit that a key ends in.
fn unit_in(key: &str) -> Unit {
    let ends = [
        ("_v", Unit::Volt),
        ("_a", Unit::Ampere),
        ("_w", Unit::Watt),
        ("_var", Unit::Var),
        ("_va", Unit::VoltAmpere),
        ("_hz", Unit::Hertz),
        ("_percent", Unit::Percent),
        ("_c", Unit::Celsius),
        ("_k", Unit::Kelvin),
        ("_wh", Unit::WattHour),
        ("_varh", Unit::VarHour),
        ("_vah", Unit::VoltAmpereHour),
        ("_deg", Unit::Degree),
        ("_dba", Unit::Decibel),
        ("_mm_s", Unit::MillimetrePerSecond),
        ("_h", Unit::Hour),
    ];
    ends.iter().find(|(end, _)| key.ends_with(end)).map_or(Unit::One, |(_, unit)| *unit)
}

#[test]
fn every_quantity_reads_back_from_its_written_form() {
    for measurand in Measurand::ALL {
        assert!(measurand.quantities().count() > 0);
        for quantity in measurand.quantities() {
            assert!(quantity.is_allowed());
            assert_eq!(Quantity::from_key(&quantity.to_string()), Some(quantity));
        }
    }
    let fifth = Quantity::numbered(Measurand::CurrentHarmonic, Place::A, 5);
    assert_eq!(fifth.to_string(), "current_harmonic_percent.A.5");
    let second = Quantity::numbered(Measurand::BreakerClosed, Place::Whole, 2);
    assert_eq!(second.to_string(), "breaker_closed.2");
}

#[test]
fn what_the_table_does_not_allow_is_refused() {
    for key in [
        "ambient_c.A",
        "current_a",
        "current_a.A.1",
        "current_harmonic_percent.A",
        "current_harmonic_percent.5",
        "current_harmonic_percent.A.51",
        "current_harmonic_percent.5.A",
        "current_harmonic_percent.A.05",
        "current_harmonic_percent.A.+5",
        "breaker_closed.0",
        "breaker_closed.17",
        "breaker_closed.",
        "breaker_closed.2.3",
        "ambient_c.300",
        "",
    ] {
        assert_eq!(Quantity::from_key(key), None, "{key}");
    }
}

/// It stands in every window, watch and row: it stays a small plain value.
#[test]
fn a_quantity_is_three_bytes() {
    assert_eq!(size_of::<Quantity>(), 3);
}
