//! The two acts of the demonstration and what is said around them.

mod live;
mod narrator;
mod yesterday;

use std::path::PathBuf;

/// What is wanted.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    /// Where everything is written.
    pub(crate) folder: PathBuf,
    /// Ends by itself after so long.
    pub(crate) seconds: Option<u64>,
    /// Whether alerts are acknowledged by the demonstration.
    pub(crate) acknowledges: bool,
    /// Where chance comes from.
    pub(crate) seed: u64,
}

/// Why the demonstration can't go on.
#[derive(Debug)]
pub(crate) enum DemoError {
    /// Files or sockets.
    Machine(std::io::Error),
    /// The daemon.
    Daemon(kvarden::run::RunError),
    /// The configuration that was written is not accepted: the words of the problems.
    Configuration(String),
}

impl std::fmt::Display for DemoError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Machine(error) => write!(f, "{error}; is the folder writable, and is there room?"),
            Self::Daemon(error) => write!(f, "{error}"),
            Self::Configuration(words) => f.write_str(words),
        }
    }
}

impl From<std::io::Error> for DemoError {
    fn from(error: std::io::Error) -> Self {
        Self::Machine(error)
    }
}

/// Both acts.
pub(crate) fn run(plan: &Plan) -> Result<(), DemoError> {
    std::fs::create_dir_all(&plan.folder)?;
    yesterday::show(plan)?;
    live::show(plan)
}

/// A line across the page with a heading.
fn heading(words: &str) {
    println!("\n{}\n{words}\n{}", "=".repeat(78), "=".repeat(78));
}
