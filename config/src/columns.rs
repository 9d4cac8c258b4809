//! Reader of `columns.toml`: which column of which logged file means what.

use crate::document::Document;
use crate::fault::{Fault, suggest};
use crate::files::{from_disk, reason};
use crate::keys::{COLUMNS, LOG, LOG_COLUMN, LOG_TIME};
use crate::maps::quantity;
use crate::names::is_new;
use crate::notes::notes;
use crate::problem::Problem;
use crate::section::{Section, Value};
use crate::settings::{LogColumn, LogSpec, LogTime};
use crate::values::{choice, delimiter, factor, span, text};
use kvarden_core::plant::{Meter, Plant};
use kvarden_core::time::Span;
use std::path::Path;

/// Rows of a log are at least this far apart.
const FASTEST_ROWS: Span = Span(1);
/// And at most a day.
const SLOWEST_ROWS: Span = Span::hours(24);

/// Reads a `columns.toml`, or the one of a folder. Files that it names are relative to its folder, and must be there.
pub fn load_columns(path: &Path, plant: &Plant) -> (Option<Vec<LogSpec>>, Vec<Problem>) {
    let path = if path.is_dir() { path.join("columns.toml") } else { path.to_owned() };
    let name = path.display().to_string();
    match from_disk(&path) {
        Ok(text) => parse_columns(&name, &text, plant, &Path::is_file),
        Err(error) => {
            let help = "write a columns.toml beside the logged files that says what their columns mean";
            (None, vec![Problem::unreadable(&name, &reason(&error), help)])
        }
    }
}

/// Reads the text of a `columns.toml`. `exists` says whether a file is there; its path is joined to the folder of `name`.
pub fn parse_columns(
    name: &str,
    text: &str,
    plant: &Plant,
    exists: &dyn Fn(&Path) -> bool,
) -> (Option<Vec<LogSpec>>, Vec<Problem>) {
    let (document, tree, syntax) = Document::open(name, text);
    let mut root = Section::open(&document, tree.get_ref(), 0..0, &COLUMNS);
    let base = Path::new(name).parent().unwrap_or(Path::new(""));
    let mut seen = Vec::new();
    let logs = root.tables("log", &LOG, |s| log(s, plant, base, exists, &mut seen));
    if logs.is_empty() {
        let help = "add a [[log]] for each meter whose values were logged";
        root.missing("there is no [[log]]".to_owned(), help.to_owned());
    }
    let problems = document.settle(syntax, root.close());
    let logs: Option<Vec<LogSpec>> = logs.into_iter().collect();
    (logs.filter(|_| problems.is_empty()), problems)
}

fn log(
    s: &mut Section<'_>,
    plant: &Plant,
    base: &Path,
    exists: &dyn Fn(&Path) -> bool,
    seen: &mut Vec<usize>,
) -> Option<LogSpec> {
    let file = s.required("file", "\"T2.csv\"", |value| {
        let written = text(value)?;
        let path = base.join(&written);
        if exists(&path) {
            return Ok(path);
        }
        let help = "write the path of the logged file, counted from the folder of this file";
        Err(Fault::new(format!("there is no file \"{written}\""), "this file", help))
    });
    let meter = s.required("meter", "\"T2 secondary\"", |value| meter(value, &plant.meters));
    if meter.is_some_and(|meter| !is_new(seen, meter)) {
        let message = "this meter has a [[log]] already".to_owned();
        let help = "one [[log]] for each meter: join its files, or put all its columns into one [[log]]";
        s.fault("meter", Fault::new(message, "given before", help));
    }
    let time = s.required_table("time", "{ column = \"time\", form = \"rfc3339\" }", &LOG_TIME, time);
    let delimiter = s.or("delimiter", b',', delimiter);
    let every = s.optional("every", span(FASTEST_ROWS..=SLOWEST_ROWS));
    let mut quantities = Vec::new();
    let mut heads: Vec<String> = time.iter().map(|(column, _)| column.clone()).collect();
    let columns = s.tables("column", &LOG_COLUMN, |s| column(s, &mut quantities, &mut heads));
    if columns.is_empty() {
        let help = "add a [[log.column]] for each column with values";
        s.missing("this [[log]] has no columns".to_owned(), help.to_owned());
    }
    let columns: Option<Vec<LogColumn>> = columns.into_iter().collect();
    let (time_column, time_form) = time?;
    Some(LogSpec {
        file: file?,
        meter: meter?,
        time_column,
        time_form,
        delimiter: delimiter?,
        every: every?,
        columns: columns?,
    })
}

fn meter(value: &Value<'_>, meters: &[Meter]) -> Result<usize, Fault> {
    let known: Vec<(&str, usize)> = meters.iter().map(|meter| meter.name.as_str()).zip(0..).collect();
    let given = text(value)?;
    known.iter().find(|(name, _)| *name == given).map(|(_, index)| *index).ok_or_else(|| {
        let names: Vec<&str> = known.iter().map(|(name, _)| *name).collect();
        let message = format!("`meter` names \"{given}\", but no meter of the configuration is called so");
        Fault::new(message, "not known", suggest(&given, &names))
    })
}

fn time(s: &mut Section<'_>) -> Option<(String, LogTime)> {
    let forms = [
        ("rfc3339", LogTime::Rfc3339),
        ("unix-s", LogTime::UnixSeconds),
        ("unix-ms", LogTime::UnixMillis),
        ("local", LogTime::Local),
    ];
    let column = s.required("column", "\"time\"", text);
    let form = s.required("form", "\"rfc3339\"", choice(&forms));
    Some((column?, form?))
}

fn column(
    s: &mut Section<'_>,
    quantities: &mut Vec<kvarden_core::measurand::Quantity>,
    heads: &mut Vec<String>,
) -> Option<LogColumn> {
    let column = s.required("column", "\"Ua\"", text);
    if let Some(column) = column.as_ref().filter(|column| !is_new(heads, (*column).clone())) {
        let message = format!("the column \"{column}\" is used twice");
        s.fault(
            "column",
            Fault::new(message, "used before", "give each quantity, and the time, a column of its own"),
        );
    }
    let quantity = quantity(s, quantities);
    let noted = notes(s, quantity.map(|quantity| quantity.what));
    let factor = s.or("factor", 1.0, factor);
    let (conversion, notes) = noted?;
    Some(LogColumn {
        column: column?,
        quantity: quantity?,
        factor: factor? * conversion.factor,
        offset: conversion.offset,
        notes,
    })
}
