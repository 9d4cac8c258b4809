//! The demonstration: yesterday of Larkspur Cannery through replay, then the living site with a fault that comes and
//! goes, watched by the whole daemon over Modbus TCP and MQTT. Free ports, no privileges, one folder.

mod demo;

use clap::{Parser, Subcommand};
use kvarden_demo::trial::{files, meters::Kind, scenes};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Shows Kvarden at work on an invented site, Larkspur Cannery.
///
/// First yesterday of the cannery is replayed from logged files, with its digest. Then the cannery lives, its meters
/// are read over Modbus TCP and MQTT, and a loose phase comes and goes every little while: watch it being caught, an
/// alert raised, its cause named, and acknowledged.
#[derive(Debug, Parser)]
#[command(
    name = "kvarden-demo",
    version,
    after_help = "Examples: kvarden-demo\n          kvarden-demo --seconds 120 --folder /tmp/larkspur\n          kvarden-demo --leave-to-me      (then acknowledge by yourself)\n          kvarden-demo scenario loose-connection-steady --seed 3 --to loose"
)]
struct Arguments {
    /// Where everything is written; without it, a new folder among the temporary files.
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
    /// End by itself after so many seconds; without it, Ctrl-C ends it.
    #[arg(long, value_name = "SECONDS")]
    seconds: Option<u64>,
    /// Don't acknowledge alerts; the commands to do so are shown.
    #[arg(long)]
    leave_to_me: bool,
    /// Every chance of the site comes from this number.
    #[arg(long, default_value_t = 7)]
    seed: u64,
    #[command(subcommand)]
    command: Option<Command>,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Writes one simulated scenario as a configuration with logged files, and the truth about it in truth.json.
    ///
    /// Then: kvarden replay FOLDER/kvarden.toml --from FOLDER/logs --json
    #[command(after_help = names())]
    Scenario {
        /// Which; the names stand below.
        name: String,
        /// Plant, times and strength come from this number.
        #[arg(long, default_value_t = 1)]
        seed: u64,
        /// What the meters are able to: full, no-angles, no-harmonics, no-terminations, slow.
        #[arg(long, default_value = "full")]
        meters: String,
        /// The folder to write, made if missing.
        #[arg(long, value_name = "FOLDER")]
        to: PathBuf,
    },
}

/// The scenarios, a line each.
fn names() -> String {
    let names: Vec<&str> = scenes::names().collect();
    format!("Scenarios:\n  {}", names.join("\n  "))
}

fn write_scenario(name: &str, seed: u64, meters: &str, to: &Path) -> Result<(), String> {
    let kind = Kind::named(meters).ok_or_else(|| {
        let kinds: Vec<&str> = Kind::ALL.iter().map(|kind| kind.key()).collect();
        format!("no meters are called \"{meters}\"; there are: {}", kinds.join(", "))
    })?;
    let trial = scenes::Trial::named(name, seed, kind)
        .ok_or_else(|| format!("no scenario is called \"{name}\". {}", names()))?;
    files::write(&trial, to).map_err(|error| format!("can't write {}: {error}", to.display()))?;
    println!("kvarden replay {0}/kvarden.toml --from {0}/logs --json", to.display());
    Ok(())
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    if let Some(Command::Scenario { name, seed, meters, to }) = &arguments.command {
        return match write_scenario(name, *seed, meters, to) {
            Ok(()) => ExitCode::SUCCESS,
            Err(error) => {
                eprintln!("kvarden-demo: {error}");
                ExitCode::FAILURE
            }
        };
    }
    let folder = arguments
        .folder
        .unwrap_or_else(|| std::env::temp_dir().join(format!("kvarden-demo-{}", std::process::id())));
    let plan = demo::Plan {
        folder,
        seconds: arguments.seconds,
        acknowledges: !arguments.leave_to_me,
        seed: arguments.seed,
    };
    match demo::run(&plan) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("kvarden-demo: {error}");
            ExitCode::FAILURE
        }
    }
}
