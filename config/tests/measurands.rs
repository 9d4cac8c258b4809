//! The table of measurands and what the configuration knows of it are one: the reference lists every row, and each
//! quantity that a meter can give is read from a map.

use kvarden_config::{Configuration, Problem, SourceSpec, parse, render};
use kvarden_core::measurand::{Facts, Measurand, Numbers, Quantity};
use kvarden_core::phases::Place;
use std::fmt::Write;
use std::io;

const REFERENCE: &str = include_str!("../OPTIONS.md");

/// What stands in the reference under its last heading.
fn table() -> String {
    let mut text =
        String::from("| key | what | unit | places | number | source |\n|---|---|---|---|---|---|\n");
    for measurand in Measurand::ALL {
        let Facts { key, words, unit, places, numbers, .. } = measurand.facts();
        let places: Vec<&str> = places
            .list()
            .iter()
            .map(|place| if *place == Place::Whole { "whole" } else { place.key() })
            .collect();
        let number = match numbers {
            Numbers::Single => "",
            Numbers::Orders => "`order` 1 to 50",
            Numbers::Several => "`number` 1 to 16, or none",
        };
        let source = if measurand.is_computed() { "computed here" } else { "meter" };
        let unit = unit.symbol();
        let _ = writeln!(text, "| `{key}` | {words} | {unit} | {} | {number} | {source} |", places.join(" "));
    }
    text
}

/// `KVARDEN_WRITE_SNAPSHOTS=1` writes the part of the reference anew.
#[test]
fn the_reference_lists_the_table() {
    let (before, after) = REFERENCE.split_once("\n## Measurands\n").unwrap();
    let told = after.rsplit("\n\n").next().unwrap();
    if std::env::var_os("KVARDEN_WRITE_SNAPSHOTS").is_some() {
        let intro = after.trim_start().split("\n\n").next().unwrap();
        let text = format!("{before}\n## Measurands\n\n{intro}\n\n{}", table());
        std::fs::write(concat!(env!("CARGO_MANIFEST_DIR"), "/OPTIONS.md"), text).unwrap();
        return;
    }
    assert_eq!(told, table());
}

fn read(map: &str) -> (Option<Configuration>, Vec<Problem>) {
    let main = "[site]\nname = \"Larkspur Cannery\"\ntimezone = \"America/Denver\"\n\
        [[transformer]]\nname = \"T2\"\nkva = 75\nprimary = { volts = 480, form = \"delta\" }\n\
        secondary = { volts = 208, form = \"wye\" }\n\
        [broker]\naddress = \"127.0.0.1:1883\"\n\
        [[meter]]\nname = \"M\"\nmeasures = { transformer = \"T2\" }\nmqtt = { topic = \"a\", map = \"map.toml\" }\n";
    parse("kvarden.toml", main, &|path| match path.to_str() {
        Some("map.toml") => Ok(map.to_owned()),
        _ => Err(io::Error::from(io::ErrorKind::NotFound)),
    })
}

fn point(quantity: Quantity, index: usize) -> String {
    let mut text = format!("[[point]]\npointer = \"/{index}\"\nmeasurand = \"{}\"\n", quantity.what.key());
    if quantity.place != Place::Whole {
        let _ = writeln!(text, "place = \"{}\"", quantity.place);
    }
    if let (Some(key), 1..) = (quantity.what.facts().numbers.key(), quantity.number) {
        let _ = writeln!(text, "{key} = {}", quantity.number);
    }
    text
}

#[test]
fn a_map_can_name_every_quantity_that_a_meter_gives() {
    for measurand in Measurand::ALL.iter().filter(|measurand| !measurand.is_computed()) {
        let all: Vec<Quantity> = measurand.quantities().collect();
        let map: String = all.iter().enumerate().map(|(index, one)| point(*one, index)).collect();
        let (configuration, problems) = read(&map);
        assert!(problems.is_empty(), "{map}\n{}", render(&problems));
        assert_eq!(configuration.unwrap().plant.meters[0].points, all);
    }
}

#[test]
fn a_number_under_the_wrong_key_or_missing_is_told_of() {
    for (point, words) in [
        ("measurand = \"current_harmonic_percent\"\nplace = \"A\"", "needs an `order`"),
        ("measurand = \"current_harmonic_percent\"\nplace = \"A\"\nnumber = 5", "write `order` instead"),
        ("measurand = \"current_harmonic_percent\"\nplace = \"A\"\norder = 51", "outside 1 to 50"),
        ("measurand = \"breaker_closed\"\norder = 2", "write `number` instead"),
        ("measurand = \"breaker_closed\"\nnumber = 17", "outside 1 to 16"),
        ("measurand = \"breaker_closed\"\nnumber = 0", "outside 1 to 16"),
        ("measurand = \"current_a\"\nplace = \"A\"\nnumber = 2", "leave `number` out"),
    ] {
        let (_, problems) = read(&format!("[[point]]\npointer = \"/v\"\n{point}\n"));
        let told = render(&problems);
        assert!(told.contains(words), "{point}\n{told}");
        assert_eq!(problems.len(), 1, "{told}");
    }
}

#[test]
fn a_counter_has_an_end_and_a_distortion_its_base_and_any_value_its_unit() {
    let (configuration, problems) = read(
        "[[point]]\npointer = \"/e\"\nmeasurand = \"energy_import_wh\"\nunit = \"kWh\"\nrolls_over_at = 1e9\n\
         [[point]]\npointer = \"/t\"\nmeasurand = \"current_thd_percent\"\nplace = \"A\"\nthd_base = \"total\"\n\
         [[point]]\npointer = \"/w\"\nmeasurand = \"winding_c\"\nplace = \"A\"\nunit = \"°F\"\nscale = 0.1\n",
    );
    assert!(problems.is_empty(), "{}", render(&problems));
    let configuration = configuration.unwrap();
    let meter = &configuration.plant.meters[0];
    assert_eq!((&meter.rolls_over_at[..], &meter.of_total[..]), (&[(0, 1e9)][..], &[1][..]));
    let SourceSpec::Mqtt(spec) = &configuration.sources[0] else { panic!("it is told by MQTT") };
    assert!((spec.points[0].scale - 1000.0).abs() < 1e-9);
    // 2120 tenths of a degree Fahrenheit are 100 °C.
    let value = 2120.0 * spec.points[2].scale + spec.points[2].offset;
    assert!((value - 100.0).abs() < 1e-9, "{value}");
    for (point, words) in [
        ("measurand = \"ambient_c\"\nrolls_over_at = 100", "has no meaning for ambient_c"),
        ("measurand = \"ambient_c\"\nthd_base = \"total\"", "has no meaning for ambient_c"),
        ("measurand = \"energy_import_wh\"\nunit = \"kW\"", "which does not fit energy_import_wh"),
    ] {
        let told = render(&read(&format!("[[point]]\npointer = \"/v\"\n{point}\n")).1);
        assert!(told.contains(words), "{point}\n{told}");
    }
}
