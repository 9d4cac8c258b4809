//! The scored suite: simulated scenarios of every cause, of healthy days, of pairs and of meters that lie, told to the
//! monitor as a user's configuration and readings, and its findings held against the truth.
//!
//! A finding is matched with a truth by cause and variant. What meters of a kind can't show, by physics, is counted apart.
//! Seeds for tuning and for reporting lie apart ([`Seeds`]): who changes a judge looks at the first only.

mod figures;
mod listen;
mod table;

pub use figures::{Bin, Class, Figures, TENTHS};
pub use listen::{Heard, Told, listen};
pub use table::table;

use kvarden_demo::trial::meters::Kind;
use kvarden_demo::trial::scenes::{Trial, names};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// The first seed for reporting; those below are for tuning.
pub const FIRST_REPORTING_SEED: u64 = 1_000_000;

/// Which seeds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seeds {
    /// Those that may be looked at while a judge is made.
    Tuning,
    /// Those that figures are reported of.
    Reporting,
}

/// What is to be run.
#[derive(Debug, Clone)]
pub struct Choice {
    /// Names of scenarios that begin with this.
    pub only: String,
    /// Which of its seeds is the first; from 1.
    pub from: u64,
    /// So many seeds of each.
    pub seeds: u64,
    /// Which seeds.
    pub which: Seeds,
    /// Meters.
    pub kinds: Vec<Kind>,
    /// Scenarios that run at a time.
    pub threads: usize,
}

impl Choice {
    /// The scenarios: name, seed, meters.
    fn all(&self) -> Vec<(&'static str, u64, Kind)> {
        let first = match self.which {
            Seeds::Tuning => 1,
            Seeds::Reporting => FIRST_REPORTING_SEED,
        };
        let first = first + self.from - 1;
        let seeds = first..first + self.seeds;
        names()
            .filter(|name| name.starts_with(&self.only))
            .flat_map(|name| seeds.clone().map(move |seed| (name, seed)))
            .flat_map(|(name, seed)| self.kinds.iter().map(move |kind| (name, seed, *kind)))
            .collect()
    }
}

/// Runs all scenarios of a choice. The result does not depend on how many run at a time.
///
/// # Errors
/// A scenario whose configuration has a problem, with its name.
pub fn run(choice: &Choice) -> Result<Vec<Heard>, String> {
    let all = choice.all();
    let (next, done) = (AtomicUsize::new(0), Mutex::new(Vec::with_capacity(all.len())));
    std::thread::scope(|scope| {
        for _ in 0..choice.threads.max(1) {
            scope.spawn(|| {
                while let Some((name, seed, kind)) = all.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let heard = Trial::named(name, *seed, *kind)
                        .ok_or_else(|| format!("no scenario {name}"))
                        .and_then(listen);
                    done.lock().unwrap_or_else(std::sync::PoisonError::into_inner).push(heard);
                }
            });
        }
    });
    let done = done.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    let mut heard = done.into_iter().collect::<Result<Vec<_>, _>>()?;
    heard.sort_by(|a, b| (a.name, a.kind, a.seed).cmp(&(b.name, b.kind, b.seed)));
    Ok(heard)
}
