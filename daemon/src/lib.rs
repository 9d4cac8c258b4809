//! The daemon: reads meters, keeps what was judged, tells people. The judging itself is in `kvarden_core`.
//!
//! The data's way: [`acquire`] hands readings to [`engine`], which lets the monitor judge them and hands what comes
//! out to [`store`]; [`deliver`] takes letters from there; [`digest`] and [`control`] read. [`run`] puts it together,
//! [`replay`] feeds logged files to the same monitor.

#![warn(missing_docs)]

pub mod acquire;
pub mod batching;
pub mod broker;
pub mod check;
pub mod cli;
pub mod clock;
pub mod control;
pub mod deliver;
pub mod digest;
pub mod duty;
pub mod engine;
pub mod explain;
pub mod export;
pub mod links;
pub mod look;
pub mod reload;
pub mod replay;
pub mod restore;
pub mod run;
mod running;
pub mod status;
pub mod store;
mod tasks;
pub mod tls;
pub mod tried;
pub mod words;
pub mod world;

/// Starts logging to standard error; how much is set by the variable `KVARDEN_LOG` (default: `info`).
pub fn start_logging() {
    let filter = tracing_subscriber::EnvFilter::try_from_env("KVARDEN_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info"));
    // A second start, as in tests, changes nothing.
    let _ = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(std::io::IsTerminal::is_terminal(&std::io::stderr()))
        .with_writer(std::io::stderr)
        .try_init();
}
