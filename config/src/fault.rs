//! What a value reader says when it can't take a value: the words, not yet the place.

use std::fmt::Display;

/// Why a value can't be taken.
pub(crate) enum Fault {
    /// It is wrong, and these words say so.
    Says {
        /// What is wrong, with the value given.
        message: String,
        /// At the marked place.
        label: &'static str,
        /// How to mend it.
        help: String,
    },
    /// It names something whose own place is wrong and is told of there.
    Elsewhere,
}

impl Fault {
    /// A fault with its mend.
    pub(crate) fn new(message: String, label: &'static str, help: impl Into<String>) -> Self {
        Self::Says { message, label, help: help.into() }
    }
}

/// The names written for people: `"a", "b" or "c"`.
pub(crate) fn listed<T: Display>(names: impl IntoIterator<Item = T>) -> String {
    let names: Vec<String> = names.into_iter().map(|name| format!("\"{name}\"")).collect();
    match names.split_last() {
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
        None => "nothing".to_owned(),
    }
}

/// The known name that was most likely meant, if one is near enough.
pub(crate) fn nearest<'a>(given: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = given.to_lowercase();
    let length = lower.chars().count();
    known
        .into_iter()
        .map(|name| (distance(&lower, &name.to_lowercase()), name))
        .filter(|(distance, name)| {
            *distance <= (length / 3).max(1) && *distance < length.min(name.chars().count())
        })
        // Of those that are as near, one whose letters only stand in another order, else the first.
        .min_by_key(|(distance, name)| (*distance, letters(&lower) != letters(&name.to_lowercase())))
        .map(|(_, name)| name)
}

/// The letters of a word in an order of their own.
fn letters(word: &str) -> Vec<char> {
    let mut letters: Vec<char> = word.chars().collect();
    letters.sort_unstable();
    letters
}

/// How many slips part two words; a word that only lacks its end or its beginning is one slip away.
fn distance(given: &str, known: &str) -> usize {
    const TELLING: usize = 4; // Fewer letters begin too many words.
    if given != known && given.len() >= TELLING && (known.starts_with(given) || known.ends_with(given)) {
        return 1;
    }
    strsim::damerau_levenshtein(given, known)
}

/// "Did you mean …?" and what is allowed.
pub(crate) fn suggest(given: &str, known: &[&str]) -> String {
    match nearest(given, known.iter().copied()) {
        Some(name) => format!("did you mean \"{name}\"? Allowed: {}", listed(known)),
        None => format!("allowed: {}", listed(known)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_pen_finds_its_name_and_a_stranger_finds_none() {
        assert_eq!(nearest("on_dely", ["on_delay", "off_delay"]), Some("on_delay"));
        assert_eq!(nearest("t2", ["T1", "T2"]), Some("T2"));
        assert_eq!(nearest("password", ["username", "password_file"]), Some("password_file"));
        assert_eq!(nearest("Denver", ["America/Boise", "America/Denver"]), Some("America/Denver"));
        assert_eq!(nearest("N", ["A", "B", "C"]), None);
        assert_eq!(nearest("AC", ["A", "B", "C", "AB", "BC", "CA", "ABC"]), Some("CA"));
        assert_eq!(nearest("AB", ["A", "B", "C"]), None, "no letter more than the other");
        assert_eq!(nearest("colour", ["on_delay", "off_delay"]), None);
    }

    #[test]
    fn a_list_reads_as_a_sentence() {
        assert_eq!(listed(["a", "b", "c"]), "\"a\", \"b\" or \"c\"");
        assert_eq!(listed(["a"]), "\"a\"");
    }
}
