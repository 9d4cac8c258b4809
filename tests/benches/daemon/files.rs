//! What a replay of logged files costs, windows and limits on, against reading the same file alone.

use crate::figures::{Figures, RUNS, heading, line, short_or};
use crate::plant;
use crate::process::{floor, kvarden, run_to_end};
use kvarden_core::measurand::Quantity;
use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::process::Command;

/// Columns besides the time.
const QUANTITIES: usize = 29;
/// One row a minute.
const STEP_MS: u64 = 60_000;

const SITE: &str = r#"
[site]
name = "Larkspur Cannery"
timezone = "America/Denver"
[[transformer]]
name = "T2"
kva = 75
primary = { volts = 480, form = "delta" }
secondary = { volts = 208, form = "wye" }
[[meter]]
name = "T2 secondary"
measures = { transformer = "T2", side = "secondary" }
"#;

/// Runs the section.
pub(crate) fn run() {
    let rows: u64 = short_or(60_000, 525_600);
    heading(&format!("replay: CSV of {rows} rows of {QUANTITIES} quantities, processor time, s"));
    let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
    let (config, file) = (folder.path().join("kvarden.toml"), folder.path().join("T2.csv"));
    let quantities: Vec<Quantity> = plant::quantities().into_iter().take(QUANTITIES).collect();
    std::fs::write(&config, SITE).expect("the folder is there");
    std::fs::write(folder.path().join("columns.toml"), columns(&quantities)).expect("the folder is there");
    write_log(&file, rows, &quantities).expect("the folder has room");
    let bytes = std::fs::metadata(&file).map_or(0, |facts| facts.len());
    let (bare, _) = measure(|| floor(&["csv", &file.display().to_string()]));
    line("floor: reading the file alone", format!("{bare:.3} s, {:.0} MB", bytes as f64 / 1e6));
    let (whole, most) = measure(|| {
        let mut command = kvarden();
        command.args(["replay", "--json"]).arg(&config).arg("--from").arg(folder.path());
        command
    });
    let pace = rows as f64 / whole.median();
    line("kvarden replay --json", format!("{whole:.3} s, {pace:.0} rows/s, RSS {most:.1} MiB at most"));
    line("the replay against the floor", whole.over(&bare));
}

fn measure(command: impl Fn() -> Command) -> (Figures, f64) {
    let mut most = 0f64;
    let runs = (0..RUNS).map(|_| {
        let (used, rss_mib) = run_to_end(command());
        most = most.max(rss_mib);
        used
    });
    (runs.collect::<Vec<_>>().into_iter().collect(), most)
}

fn columns(quantities: &[Quantity]) -> String {
    let mut text = String::from(
        "[[log]]\nfile = \"T2.csv\"\nmeter = \"T2 secondary\"\ntime = { column = \"time\", form = \"unix-ms\" }\n",
    );
    for quantity in quantities {
        let key = plant::key(*quantity);
        let _ = writeln!(text, "[[log.column]]\ncolumn = \"{quantity}\"\n{key}");
    }
    text
}

fn write_log(file: &Path, rows: u64, quantities: &[Quantity]) -> std::io::Result<()> {
    let mut out = BufWriter::new(File::create(file)?);
    write!(out, "time")?;
    for quantity in quantities {
        write!(out, ",{quantity}")?;
    }
    for row in 0..rows {
        write!(out, "\n{}", 1_767_225_600_000 + row * STEP_MS)?;
        // A day's swing of one per cent: nothing to tell.
        let swing = 1.0 + 0.01 * (row as f64 / 229.0).sin();
        for quantity in quantities {
            write!(out, ",{:.3}", plant::ordinary(*quantity) * swing)?;
        }
    }
    writeln!(out)?;
    out.flush()
}
