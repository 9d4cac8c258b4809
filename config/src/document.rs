//! One TOML file: its tree with spans, its syntax errors, and a text to show in which secrets are masked.

use crate::problem::{Problem, Words};
use std::ops::Range;
use std::sync::Arc;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Keys whose values are never shown, wherever someone writes them by mistake.
const SECRET_KEYS: [&str; 5] = ["password", "passwd", "passphrase", "secret", "token"];

/// A file as far as problems need it.
pub(crate) struct Document {
    name: String,
    shown: Arc<str>,
    broken_lines: Vec<usize>,
}

impl Document {
    /// Reads a text. The tree is what could be read of it; the problems are its syntax errors.
    pub(crate) fn open<'t>(name: &str, text: &'t str) -> (Self, Spanned<DeTable<'t>>, Vec<Problem>) {
        let (tree, errors) = DeTable::parse_recoverable(text);
        let mut shown = text.as_bytes().to_vec();
        mask(tree.get_ref(), text, &mut shown);
        mask_lines(text, &mut shown);
        one_kind_of_line_end(&mut shown);
        // Each character is overwritten by one of its own length, so this is text again.
        let shown: Arc<str> = String::from_utf8_lossy(&shown).into();
        let mut document = Self { name: name.to_owned(), shown, broken_lines: Vec::new() };
        let problems: Vec<Problem> = errors.iter().map(|error| document.syntax(error)).collect();
        document.broken_lines = problems.iter().map(Problem::line).collect();
        (document, tree, problems)
    }

    fn syntax(&self, error: &toml::de::Error) -> Problem {
        let help = if error.message() == "duplicate key" {
            "keep one of the two lines"
        } else {
            "write `key = value`; texts stand in double quotes, tables in { } or under a [heading]"
        };
        let end = self.shown.len();
        let at = error.span().unwrap_or(end..end);
        self.problem(
            at,
            Words {
                message: format!("this is not TOML: {}", error.message()),
                label: "here".to_owned(),
                help: help.to_owned(),
                follows: false,
            },
        )
    }

    /// The name of the file, as given.
    pub(crate) fn name(&self) -> &str {
        &self.name
    }

    /// What stands at a place, shortened to one line.
    pub(crate) fn written(&self, at: &Range<usize>) -> String {
        const LONGEST: usize = 40; // A message stays readable on one line.
        let text = self.shown.get(at.clone()).unwrap_or_default();
        let line = text.lines().next().unwrap_or_default();
        if line.len() == text.len() && line.chars().count() <= LONGEST {
            return line.to_owned();
        }
        line.chars().take(LONGEST).chain(['…']).collect()
    }

    /// The line of a place, counted from 1.
    pub(crate) fn line(&self, at: &Range<usize>) -> usize {
        self.shown.get(..at.start).unwrap_or(&self.shown).matches('\n').count() + 1
    }

    /// A problem in this file.
    pub(crate) fn problem(&self, at: Range<usize>, words: Words) -> Problem {
        Problem::new(&self.name, &self.shown, at, words)
    }

    /// Joins syntax errors and what the readers found, in the order of the file. Where the syntax is broken, what
    /// may only follow from that is left out: it would be gone or different once the file can be read.
    pub(crate) fn settle(&self, mut syntax: Vec<Problem>, found: Vec<Problem>) -> Vec<Problem> {
        let whole = syntax.is_empty();
        syntax.extend(found.into_iter().filter(|problem| {
            problem.file() != self.name
                || whole
                || !(problem.follows() || self.broken_lines.contains(&problem.line()))
        }));
        syntax.sort_by_key(|problem| {
            (problem.file() != self.name, problem.file().to_owned(), problem.span().start)
        });
        syntax
    }
}

/// A carriage return alone, which TOML does not allow, is shown as a blank: it would begin a line for some and not for others.
fn one_kind_of_line_end(shown: &mut [u8]) {
    for at in 0..shown.len() {
        if shown[at] == b'\r' && shown.get(at + 1) != Some(&b'\n') {
            shown[at] = b' ';
        }
    }
}

/// What covers a character of one, two, three or four bytes: lines, columns and spans stay as they are.
const COVERS: [char; 4] = ['*', '·', '•', '\u{10101}'];

/// Covers a stretch of the text, but for its line ends.
fn cover(text: &str, at: Range<usize>, shown: &mut [u8]) {
    for (ahead, character) in text.get(at.clone()).unwrap_or_default().char_indices() {
        let from = at.start + ahead;
        let length = character.len_utf8();
        if let (false, Some(bytes)) = (character == '\n', shown.get_mut(from..from + length)) {
            COVERS[length - 1].encode_utf8(bytes);
        }
    }
}

fn mask(table: &DeTable<'_>, text: &str, shown: &mut [u8]) {
    for (key, value) in table {
        mask_value(SECRET_KEYS.contains(&key.get_ref().as_ref()), value, text, shown);
    }
}

/// Masks also what the tree has lost to a syntax error: the rest of a line that begins with a secret key.
fn mask_lines(text: &str, shown: &mut [u8]) {
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        let end = start + line.trim_end().len();
        if let Some((key, _)) = line.split_once('=').filter(|(key, _)| SECRET_KEYS.contains(&key.trim())) {
            cover(text, start + key.len() + 1..end, shown);
        }
        start += line.len();
    }
}

fn mask_value(secret: bool, value: &Spanned<DeValue<'_>>, text: &str, shown: &mut [u8]) {
    match value.get_ref() {
        DeValue::Table(table) => mask(table, text, shown),
        DeValue::Array(values) => values.iter().for_each(|value| mask_value(secret, value, text, shown)),
        _ if secret => cover(text, value.span(), shown),
        _ => {}
    }
}
