//! How figures are taken and written: the median of several runs with the least and the largest beside it.

use std::fmt;

/// So many runs make a figure.
pub(crate) const RUNS: usize = 5;

/// Whether `KVARDEN_BENCH=short` asks for about a minute in all.
pub(crate) fn is_short() -> bool {
    std::env::var("KVARDEN_BENCH").is_ok_and(|value| value == "short")
}

/// One or the other, by [`is_short`].
pub(crate) fn short_or<T>(short: T, full: T) -> T {
    if is_short() { short } else { full }
}

/// Whether a section is asked for: by a part of its name on the command line, or all if none is named.
pub(crate) fn is_wanted(section: &str) -> bool {
    let mut words = std::env::args().skip(1).filter(|word| word != "--bench").peekable();
    words.peek().is_none() || words.any(|word| section.contains(&word))
}

/// The heading of a section.
pub(crate) fn heading(text: &str) {
    println!("\n{text}");
}

/// One line of results.
pub(crate) fn line(what: &str, figure: impl fmt::Display) {
    println!("  {what:<58} {figure}");
}

/// A figure of several runs.
#[derive(Debug, Clone)]
pub(crate) struct Figures(Vec<f64>);

impl Figures {
    /// The middle one.
    pub(crate) fn median(&self) -> f64 {
        self.0.get(self.0.len() / 2).copied().unwrap_or(f64::NAN)
    }

    /// How many times the floor this is: of the medians, and of the least ones.
    pub(crate) fn over(&self, floor: &Self) -> String {
        let least = self.least() / floor.least();
        format!("{:.2} times the floor (least to least {least:.2})", self.median() / floor.median())
    }

    fn least(&self) -> f64 {
        self.0.first().copied().unwrap_or(f64::NAN)
    }
}

impl FromIterator<f64> for Figures {
    fn from_iter<T: IntoIterator<Item = f64>>(runs: T) -> Self {
        let mut runs: Vec<f64> = runs.into_iter().collect();
        runs.sort_by(f64::total_cmp);
        Self(runs)
    }
}

/// `12.3 [11.0–13.5]`, with as many decimals as the format asks for, else two.
impl fmt::Display for Figures {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let decimals = f.precision().unwrap_or(2);
        let most = self.0.last().copied().unwrap_or(f64::NAN);
        write!(f, "{:.decimals$} [{:.decimals$}–{most:.decimals$}]", self.median(), self.least())
    }
}
