//! A trial as files: the configuration that a user would write, a log for each meter, and the truth beside them.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::Path;

use serde_json::json;

use super::meters::{Meter, Point, Spot};
use super::network::Winding;
use super::plant::{DELTA_V, Plant, Unit, WYE_V};
use super::record::Record;
use super::scenes::Trial;
use crate::cannery::SITE_NAME;
use crate::work::TIMEZONE;

/// The text of `kvarden.toml`.
pub fn configuration(trial: &Trial, meters: &[Meter]) -> String {
    let mut text = format!("[site]\nname = \"{SITE_NAME}\"\ntimezone = \"{TIMEZONE}\"\n");
    let plant = &trial.plant;
    if plant.units.iter().any(|unit| unit.has_standby) {
        for (name, kind) in [("Utility", "utility"), ("Generator", "generator")] {
            let _ = write!(text, "\n[[source]]\nname = \"{name}\"\nkind = \"{kind}\"\n");
        }
    }
    for unit in &plant.units {
        let cooling = if unit.fans { "AA/FA" } else { "AA" };
        let _ = write!(
            text,
            "\n[[transformer]]\nname = \"{}\"\nkva = {:?}\nprimary = {{ volts = 480, form = \"delta\" }}\nsecondary = \
             {}\nimpedance_percent = {:.1}\nx_over_r = {:.1}\ncooling = \
             \"{cooling}\"\nrated_rise_c = {:?}\ninsulation_class_c = 220\ntaps = {{ percent = [5, 2.5, 0, -2.5, -5], \
             present = {:?} }}\n",
            unit.name,
            unit.kva,
            secondary(unit),
            unit.impedance_percent(),
            unit.reactance_percent / unit.resistance_percent,
            unit.rise_k,
            unit.tap_percent,
        );
        if let Some(k) = unit.k_rating {
            let _ = writeln!(text, "k_rating = {k}");
        }
        if unit.has_standby {
            text.push_str(
                "fed_by = [{ source = \"Utility\", when = \"ATS normal\" }, { source = \"Generator\", when = \"ATS emergency\" }]\n",
            );
        }
        if let (true, [one, other, ..]) = (plant.parallel, &plant.units[..])
            && unit.name == one.name
        {
            let _ = writeln!(text, "parallel_with = [\"{}\"]", other.name);
        }
    }
    for feeder in &plant.feeders {
        let fed_by = if plant.parallel && feeder.unit == 0 {
            format!(
                "[{{ transformer = \"{}\" }}, {{ transformer = \"{}\" }}]",
                plant.units[0].name, plant.units[1].name
            )
        } else {
            format!("\"{}\"", plant.units[feeder.unit].name)
        };
        let _ = write!(
            text,
            "\n[[feeder]]\nname = \"{}\"\nfed_by = {fed_by}\nrated_a = {:?}\n",
            feeder.name, feeder.rated_a
        );
    }
    for meter in meters {
        let measures = match meter.spot {
            Spot::Secondary(unit) | Spot::Sensors(unit) => {
                format!("{{ transformer = \"{}\", side = \"secondary\" }}", plant.units[unit].name)
            }
            Spot::Feeder(feeder) | Spot::Lugs(feeder) => {
                format!("{{ feeder = \"{}\" }}", plant.feeders[feeder].name)
            }
        };
        let every = trial.cadence_ms / 1000;
        let _ = write!(
            text,
            "\n[[meter]]\nname = \"{}\"\nmeasures = {measures}\nevery = \"{every}s\"\n",
            meter.name
        );
    }
    for unit in plant.units.iter().filter(|unit| unit.has_standby) {
        let _ = write!(
            text,
            "\n[[state]]\nname = \"ATS\"\nmeter = \"{} sensors\"\nmeasurand = \"transfer_to_emergency\"\n",
            unit.name
        );
    }
    text
}

/// The secondary as the configuration calls it.
fn secondary(unit: &Unit) -> String {
    let (volts, form) = match unit.winding {
        Winding::HighLeg if !unit.called_wye => (DELTA_V, "high-leg-delta"),
        Winding::Corner => (DELTA_V, "corner-grounded-delta"),
        Winding::Wye | Winding::HighLeg => (WYE_V, "wye"),
    };
    format!("{{ volts = {volts:?}, form = \"{form}\" }}")
}

/// The text of `columns.toml`.
pub fn columns(trial: &Trial, meters: &[Meter]) -> String {
    let mut text = String::new();
    for meter in meters {
        let _ = write!(
            text,
            "[[log]]\nfile = \"{}\"\nmeter = \"{}\"\ntime = {{ column = \"time\", form = \"unix-ms\" }}\nevery = \
             \"{}s\"\n",
            file_name(meter),
            meter.name,
            trial.cadence_ms / 1000,
        );
        for point in &meter.points {
            let _ = write!(
                text,
                "[[log.column]]\ncolumn = \"{}\"\nmeasurand = \"{}\"\n",
                column_name(point),
                point.key
            );
            if !point.place.is_empty() {
                let _ = writeln!(text, "place = \"{}\"", point.place);
            }
            if point.order > 0 {
                let _ = writeln!(text, "order = {}", point.order);
            }
        }
        text.push('\n');
    }
    text
}

/// The truth of a trial: its name and one object for each cause.
pub fn truth(trial: &Trial) -> serde_json::Value {
    let stamp = |ms: i64| {
        jiff::Timestamp::from_millisecond(ms).map_or_else(|_| String::new(), |stamp| stamp.to_string())
    };
    let causes: Vec<serde_json::Value> = trial
        .truths
        .iter()
        .map(|truth| {
            json!({
                "transformer": transformer(&trial.plant),
                "cause": truth.cause,
                "variant": truth.variant,
                "feeder": truth.feeder,
                "phase": truth.phase,
                "from": stamp(truth.from),
                "until": stamp(truth.until),
                "hidden": truth.hidden,
                "also": truth.also.iter().map(|(cause, variant)| json!({"cause": cause, "variant": variant})).collect::<Vec<_>>(),
            })
        })
        .collect();
    json!({
        "name": trial.name,
        "meters": trial.kind.key(),
        "from": stamp(trial.from),
        "until": stamp(trial.to),
        "causes": causes,
    })
}

/// The transformer that faults strike.
fn transformer(plant: &Plant) -> Option<&str> {
    plant.units.first().map(|unit| unit.name.as_str())
}

/// Writes a trial: `kvarden.toml` and `truth.json` into `folder`, logs and `columns.toml` into `folder/logs`.
///
/// # Errors
/// The folder can't be written.
pub fn write(trial: &Trial, folder: &Path) -> io::Result<()> {
    let logs = folder.join("logs");
    fs::create_dir_all(&logs)?;
    let mut record = Record::new(trial);
    fs::write(folder.join("kvarden.toml"), configuration(trial, &record.meters))?;
    fs::write(folder.join("truth.json"), format!("{:#}\n", truth(trial)))?;
    fs::write(logs.join("columns.toml"), columns(trial, &record.meters))?;
    let mut files = Vec::new();
    for meter in &record.meters {
        let mut file = BufWriter::new(File::create(logs.join(file_name(meter)))?);
        let names: Vec<String> = meter.points.iter().map(column_name).collect();
        writeln!(file, "time,{}", names.join(","))?;
        files.push(file);
    }
    let mut failed = None;
    let mut line = String::new();
    while failed.is_none()
        && record.round(|meter, at, values| {
            line.clear();
            let _ = write!(line, "{at}");
            for value in values {
                line.push(',');
                if let Some(value) = value {
                    let _ = write!(line, "{value}");
                }
            }
            line.push('\n');
            if let Err(error) = files[meter].write_all(line.as_bytes()) {
                failed = Some(error);
            }
        })
    {}
    if let Some(error) = failed {
        return Err(error);
    }
    files.iter_mut().try_for_each(Write::flush)
}

fn file_name(meter: &Meter) -> String {
    format!("{}.csv", meter.name.to_lowercase().replace(' ', "-"))
}

fn column_name(point: &Point) -> String {
    let mut name = point.key.to_owned();
    if !point.place.is_empty() {
        name = format!("{name}_{}", point.place);
    }
    if point.order > 0 {
        name = format!("{name}_{}", point.order);
    }
    name
}
