//! The configuration that fits the cannery: the main file and the maps, for the living site or for its logged files.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use crate::cannery::{FEEDERS, METERS, MeterPlan, Place, SITE_NAME, TRANSFORMERS, Wire};
use crate::mqtt::map_text;
use crate::registers::RegisterMap;
use crate::work::TIMEZONE;

/// Name of the main file.
pub const MAIN_FILE: &str = "kvarden.toml";

/// Where the meters are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sources {
    /// From the running servers.
    Live {
        /// The Modbus server.
        modbus: SocketAddr,
        /// The broker, which also takes the alerts.
        broker: SocketAddr,
    },
    /// From logged files only.
    Logged,
}

/// Writes `kvarden.toml` and, for the living site, `maps/*.toml` into `folder`, which is made if missing. `more` is put
/// at the end of the main file: limits or settings of the caller. Returns the path of the main file.
///
/// # Errors
/// The folder cannot be written.
pub fn write_configuration(folder: &Path, sources: Sources, more: &str) -> io::Result<PathBuf> {
    fs::create_dir_all(folder)?;
    if let Sources::Live { .. } = sources {
        fs::create_dir_all(folder.join("maps"))?;
        for (file, text) in map_files() {
            fs::write(folder.join("maps").join(file), text)?;
        }
    }
    let path = folder.join(MAIN_FILE);
    fs::write(&path, main_text(sources, more))?;
    Ok(path)
}

/// The map files by name.
fn map_files() -> BTreeMap<String, String> {
    let files = METERS.iter().map(|plan| match RegisterMap::of(plan).filter(|_| is_modbus(plan)) {
        Some(map) => (map.file.to_owned(), map.text()),
        None => (json_map(plan).to_owned(), map_text(plan)),
    });
    files.collect()
}

fn is_modbus(plan: &MeterPlan) -> bool {
    matches!(plan.wire, Wire::Modbus(_))
}

/// The map file of a meter read over MQTT.
fn json_map(plan: &MeterPlan) -> &'static str {
    match plan.place {
        Place::Secondary(_) => "main-json.toml",
        Place::Feeder(_) => "feeder-json.toml",
        Place::Sensors(_) => "sensors-json.toml",
    }
}

/// The text of the main file.
pub fn main_text(sources: Sources, more: &str) -> String {
    let mut text = format!("[site]\nname = \"{SITE_NAME}\"\ntimezone = \"{TIMEZONE}\"\n");
    for plan in &TRANSFORMERS {
        let _ = write!(
            text,
            "\n[[transformer]]\nname = \"{}\"\nlocation = \"{}\"\nkva = {:?}\nprimary = {{ volts = 480, form = \
             \"delta\" }}\nsecondary = {{ volts = 208, form = \"wye\" }}\nimpedance_percent = {:?}\ncooling = \
             \"dry\"\nrated_rise_c = {:?}\ninsulation_class_c = {}\n",
            plan.name,
            plan.location,
            plan.kva,
            plan.impedance_percent,
            plan.rated_rise_c,
            plan.insulation_class_c,
        );
        if let Some(k) = plan.k_rating {
            let _ = writeln!(text, "k_rating = {k}");
        }
    }
    for feeder in &FEEDERS {
        let _ = write!(
            text,
            "\n[[feeder]]\nname = \"{}\"\nfed_by = \"{}\"\nrated_a = {:?}\nlocation = \"{}\"\n",
            feeder.name, TRANSFORMERS[feeder.fed_by].name, feeder.rated_a, feeder.location
        );
    }
    for plan in &METERS {
        meter_text(&mut text, plan, sources);
    }
    if let Sources::Live { broker, .. } = sources {
        let _ = write!(text, "\n[broker]\naddress = \"{broker}\"\n");
    }
    if !more.is_empty() {
        let _ = write!(text, "\n{}\n", more.trim_end());
    }
    text
}

fn meter_text(text: &mut String, plan: &MeterPlan, sources: Sources) {
    let measures = match plan.place {
        Place::Secondary(unit) | Place::Sensors(unit) => {
            format!("{{ transformer = \"{}\", side = \"secondary\" }}", TRANSFORMERS[unit].name)
        }
        Place::Feeder(feeder) => format!("{{ feeder = \"{}\" }}", FEEDERS[feeder].name),
    };
    let _ = write!(text, "\n[[meter]]\nname = \"{}\"\nmeasures = {measures}\n", plan.name);
    let Sources::Live { modbus, .. } = sources else { return };
    let _ = match (plan.wire, RegisterMap::of(plan)) {
        (Wire::Modbus(unit), Some(map)) => writeln!(
            text,
            "modbus = {{ address = \"{modbus}\", unit = {unit}, map = \"maps/{}\", every = \"1s\" }}",
            map.file
        ),
        (Wire::Mqtt(topic), _) => writeln!(
            text,
            "mqtt = {{ topic = \"{topic}\", map = \"maps/{}\", every = \"1s\" }}",
            json_map(plan)
        ),
        (Wire::Modbus(_), None) => Ok(()),
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    fn live() -> Sources {
        let at = |port| SocketAddr::from(([127, 0, 0, 1], port));
        Sources::Live { modbus: at(15_020), broker: at(18_830) }
    }

    #[test]
    fn every_map_that_the_main_file_names_is_written() {
        let folder = tempfile::tempdir().unwrap();
        let path = write_configuration(folder.path(), live(), "").unwrap();
        let text = fs::read_to_string(path).unwrap();
        let named: Vec<&str> =
            text.split("map = \"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
        assert_eq!(named.len(), METERS.len());
        for map in named {
            let text = fs::read_to_string(folder.path().join(map)).unwrap();
            assert!(text.contains("[[point]]"), "{map}");
        }
    }

    #[test]
    fn for_replay_no_source_is_named() {
        let text = main_text(Sources::Logged, "[store]\nfolder = \"data\"");
        assert!(!text.contains("modbus") && !text.contains("mqtt") && !text.contains("[broker]"));
        assert_eq!(text.matches("[[meter]]").count(), METERS.len());
        assert!(text.ends_with("[store]\nfolder = \"data\"\n"));
    }
}
