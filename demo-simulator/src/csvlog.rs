//! Logged files: one CSV for each meter and a `columns.toml` that says what the columns mean.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::Path;

use crate::cannery::{METERS, MeterPlan, Place};
use crate::meter::{Face, Reading, face_of, quantities};
use crate::site::Site;

/// What was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Logged {
    /// Files, without `columns.toml`.
    pub files: usize,
    /// Rows of all files.
    pub rows: u64,
}

/// Writes what `meters` show from the site's moment (included) to `to_unix_ms` (not included), every `interval_ms`,
/// into `folder`, which is made if missing. The site stands at the end of the span afterwards. A silent meter has no
/// row, an absent value an empty cell.
///
/// # Errors
/// The folder cannot be written, `interval_ms` is not above 0, or a meter is not known.
pub fn write_logs(
    folder: &Path,
    site: &mut Site,
    meters: &[&str],
    to_unix_ms: i64,
    interval_ms: i64,
) -> io::Result<Logged> {
    if interval_ms <= 0 {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "the interval of a log is above 0 ms"));
    }
    fs::create_dir_all(folder)?;
    let plans = meters.iter().map(|name| plan_of(name)).collect::<io::Result<Vec<_>>>()?;
    fs::write(folder.join("columns.toml"), columns_text(&plans, interval_ms))?;
    let mut files = plans.iter().map(|plan| open(folder, plan)).collect::<io::Result<Vec<_>>>()?;
    let mut line = Vec::with_capacity(512);
    let mut rows = 0;
    let mut at = site.at();
    while at < to_unix_ms {
        for (plan, file) in plans.iter().zip(&mut files) {
            if let Some(reading) = site.reading(plan.name) {
                line.clear();
                write_row(&mut line, plan, &reading)?;
                file.write_all(&line)?;
                rows += 1;
            }
        }
        at += interval_ms;
        site.advance(at.min(to_unix_ms));
    }
    for mut file in files {
        file.flush()?;
    }
    Ok(Logged { files: plans.len(), rows })
}

fn plan_of(name: &str) -> io::Result<&'static MeterPlan> {
    METERS.iter().find(|plan| plan.name == name).ok_or_else(|| {
        let known: Vec<&str> = METERS.iter().map(|plan| plan.name).collect();
        io::Error::new(
            io::ErrorKind::InvalidInput,
            format!("no meter is called \"{name}\"; there are: {}", known.join(", ")),
        )
    })
}

/// File name of a meter's log.
fn file_name(plan: &MeterPlan) -> String {
    format!("{}.csv", plan.name.to_lowercase().replace(' ', "-"))
}

/// Sensor modules log readable times, meters a count of milliseconds.
fn readable_time(plan: &MeterPlan) -> bool {
    matches!(plan.place, Place::Sensors(_))
}

fn column_name(face: &Face, place: &str) -> String {
    if place.is_empty() { face.short.to_owned() } else { format!("{}_{place}", face.short) }
}

fn faces(plan: &MeterPlan) -> impl Iterator<Item = (&'static Face, &'static str)> {
    quantities(plan).into_iter().filter_map(|(key, place)| Some((face_of(key)?, place)))
}

fn open(folder: &Path, plan: &MeterPlan) -> io::Result<BufWriter<File>> {
    let mut file = BufWriter::with_capacity(1 << 16, File::create(folder.join(file_name(plan)))?);
    let names: Vec<String> = faces(plan).map(|(face, place)| column_name(face, place)).collect();
    writeln!(file, "time,{}", names.join(","))?;
    Ok(file)
}

fn write_row(line: &mut Vec<u8>, plan: &MeterPlan, reading: &Reading) -> io::Result<()> {
    if readable_time(plan) {
        let stamp = jiff::Timestamp::from_millisecond(reading.unix_ms).map_err(io::Error::other)?;
        write!(line, "{stamp}")?;
    } else {
        write!(line, "{}", reading.unix_ms)?;
    }
    for (key, _, value) in &reading.values {
        line.push(b',');
        if let (Some(value), Some(face)) = (value, face_of(key)) {
            write_decimal(line, value * face.log_factor, face.log_decimals)?;
        }
    }
    line.push(b'\n');
    Ok(())
}

/// Writes a number with so many decimals, at most 3; by whole numbers, which is several times faster than formatting
/// a float.
fn write_decimal(line: &mut Vec<u8>, value: f64, decimals: usize) -> io::Result<()> {
    let grid = [1_u64, 10, 100, 1000][decimals.min(3)];
    let scaled = (value.abs() * grid as f64).round() as u64;
    if value < 0.0 && scaled > 0 {
        line.push(b'-');
    }
    write!(line, "{}", scaled / grid)?;
    if grid > 1 {
        line.push(b'.');
        let mut digit = grid / 10;
        while digit > 0 {
            line.push(b'0' + ((scaled / digit) % 10) as u8);
            digit /= 10;
        }
    }
    Ok(())
}

/// The text of `columns.toml`.
fn columns_text(plans: &[&MeterPlan], interval_ms: i64) -> String {
    let mut text = String::from("# What the columns of these files mean.\n");
    for plan in plans {
        let form = if readable_time(plan) { "rfc3339" } else { "unix-ms" };
        let _ = write!(
            text,
            "\n[[log]]\nfile = \"{}\"\nmeter = \"{}\"\ntime = {{ column = \"time\", form = \"{form}\" }}\nevery = \
             \"{}\"\n",
            file_name(plan),
            plan.name,
            span(interval_ms),
        );
        for (face, place) in faces(plan) {
            let _ = write!(
                text,
                "[[log.column]]\ncolumn = \"{}\"\nmeasurand = \"{}\"\n",
                column_name(face, place),
                face.key
            );
            if !place.is_empty() {
                let _ = writeln!(text, "place = \"{place}\"");
            }
            let _ = writeln!(text, "unit = \"{}\"", face.log_unit);
        }
    }
    text
}

fn span(interval_ms: i64) -> String {
    if interval_ms % 1000 == 0 { format!("{}s", interval_ms / 1000) } else { format!("{interval_ms}ms") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_are_written_as_a_float_would_be() {
        let cases = [
            (0.0, 1),
            (119.949, 1),
            (-3.456, 3),
            (-0.0004, 3),
            (1234.5, 0),
            (7.05, 2),
            (0.999_9, 3),
            (60.013, 3),
        ];
        for (value, decimals) in cases {
            let mut line = Vec::new();
            write_decimal(&mut line, value, decimals).unwrap();
            let text = String::from_utf8(line).unwrap();
            assert!(
                (text.parse::<f64>().unwrap() - value).abs() <= 0.5 / 10_f64.powi(decimals as i32) + 1e-9,
                "{value} became {text}"
            );
            assert_eq!(text.split_once('.').map_or(0, |(_, after)| after.len()), decimals, "{text}");
        }
    }
}
