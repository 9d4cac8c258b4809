//! One thing that is wrong in a file: where, what was given, what is allowed, how to mend it.

use miette::{
    Diagnostic, GraphicalReportHandler, GraphicalTheme, LabeledSpan, MietteError, MietteSpanContents,
    SourceCode, SourceSpan, SpanContents,
};
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

/// Columns of the rendered text: fits a terminal of 100 and a printed page.
const WIDTH: usize = 96;

/// Something wrong in a configuration file.
#[derive(Debug, Clone, thiserror::Error)]
#[error("{message}")]
pub struct Problem {
    message: String,
    label: String,
    help: String,
    file: String,
    /// The text as shown: secrets are masked. `None`: the file could not be read at all.
    shown: Option<Shown>,
    at: Range<usize>,
    line: usize,
    column: usize,
    follows: bool,
}

/// The words of a problem, before it is known where it belongs.
pub(crate) struct Words {
    pub(crate) message: String,
    pub(crate) label: String,
    pub(crate) help: String,
    /// Whether a syntax error in the same file may be the true cause.
    pub(crate) follows: bool,
}

/// A file's text with its name. Its columns count characters, as editors do.
#[derive(Debug, Clone)]
struct Shown {
    file: String,
    text: Arc<str>,
}

impl SourceCode for Shown {
    fn read_span<'a>(
        &'a self,
        span: &SourceSpan,
        lines_before: usize,
        lines_after: usize,
    ) -> Result<Box<dyn SpanContents<'a> + 'a>, MietteError> {
        let found = self.text.read_span(span, lines_before, lines_after)?;
        let column = self.text.get(..found.span().offset()).map_or(found.column(), characters_into_the_line);
        Ok(Box::new(MietteSpanContents::new_named(
            self.file.clone(),
            found.data(),
            *found.span(),
            found.line(),
            column,
            found.line_count(),
        )))
    }
}

/// How many characters stand before the end of a text on its last line. The mark of byte order that some editors put
/// at the start of a file is none that people see.
fn characters_into_the_line(before: &str) -> usize {
    let seen = before.strip_prefix('\u{feff}').unwrap_or(before);
    seen.rsplit('\n').next().unwrap_or_default().chars().count()
}

impl Problem {
    pub(crate) fn new(file: &str, shown: &Arc<str>, at: Range<usize>, words: Words) -> Self {
        let before = shown.get(..at.start).unwrap_or(shown);
        Self {
            message: words.message,
            label: words.label,
            help: words.help,
            file: file.to_owned(),
            shown: Some(Shown { file: file.to_owned(), text: Arc::clone(shown) }),
            line: before.matches('\n').count() + 1,
            column: characters_into_the_line(before) + 1,
            at,
            follows: words.follows,
        }
    }

    /// A file that can't be read: there is nothing to point at.
    pub(crate) fn unreadable(file: &str, why: &str, help: &str) -> Self {
        Self {
            message: format!("{file} can't be read: {why}"),
            label: String::new(),
            help: help.to_owned(),
            file: file.to_owned(),
            shown: None,
            at: 0..0,
            line: 1,
            column: 1,
            follows: false,
        }
    }

    /// The file, as it was named by the caller or in the main file.
    pub fn file(&self) -> &str {
        &self.file
    }

    /// Line, counted from 1.
    pub fn line(&self) -> usize {
        self.line
    }

    /// Column in characters, counted from 1.
    pub fn column(&self) -> usize {
        self.column
    }

    /// The bytes of the file that it points at.
    pub fn span(&self) -> Range<usize> {
        self.at.clone()
    }

    /// How to mend it.
    pub fn mend(&self) -> &str {
        &self.help
    }

    pub(crate) fn follows(&self) -> bool {
        self.follows
    }
}

impl Diagnostic for Problem {
    fn help(&self) -> Option<Box<dyn fmt::Display + '_>> {
        Some(Box::new(&self.help))
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        self.shown.as_ref().map(|source| source as &dyn SourceCode)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        self.shown.as_ref()?;
        let label = LabeledSpan::new(Some(self.label.clone()), self.at.start, self.at.len());
        Some(Box::new(std::iter::once(label)))
    }
}

/// Every problem as plain text: file with line and column, the place marked, the cause and the mend.
pub fn render(problems: &[Problem]) -> String {
    let handler = GraphicalReportHandler::new_themed(GraphicalTheme::unicode_nocolor())
        .with_width(WIDTH)
        .without_syntax_highlighting();
    let mut text = String::new();
    for problem in problems {
        if handler.render_report(&mut text, problem).is_err() {
            // Writing into a string does not fail; a broken span would, and then the bare words must do.
            let (file, line, column) = (&problem.file, problem.line, problem.column);
            text.extend([
                file.as_str(),
                ":",
                &line.to_string(),
                ":",
                &column.to_string(),
                ": ",
                &problem.message,
                "\n",
            ]);
        }
        text.push('\n');
    }
    text
}
