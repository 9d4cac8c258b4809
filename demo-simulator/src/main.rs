//! The demonstration: yesterday of Larkspur Cannery through replay, then the living site with a fault that comes and
//! goes, watched by the whole daemon over Modbus TCP and MQTT. Free ports, no privileges, one folder.

mod demo;

use clap::Parser;
use std::path::PathBuf;
use std::process::ExitCode;

/// Shows Kvarden at work on an invented site, Larkspur Cannery.
///
/// First yesterday of the cannery is replayed from logged files, with its digest. Then the cannery lives, its meters
/// are read over Modbus TCP and MQTT, and a loose phase comes and goes every little while: watch it being caught, an
/// alert raised, acknowledged and cleared.
#[derive(Debug, Parser)]
#[command(
    name = "kvarden-demo",
    version,
    after_help = "Examples: kvarden-demo\n          kvarden-demo --seconds 120 --folder /tmp/larkspur\n          kvarden-demo --leave-to-me      (then acknowledge by yourself)"
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
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
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
