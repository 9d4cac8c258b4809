//! One table of a file: hands out its values by key, and in the end tells of keys that no one knows.
//!
//! Every answer is an `Option`: nothing means that it is wrong or missing and that a problem says so.

use crate::document::Document;
use crate::fault::{Fault, nearest};
use crate::keys::Shape;
use crate::problem::{Problem, Words};
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What may be left out. Nothing outside: it is wrong, and told of. Nothing inside: it is not there.
pub(crate) type Optional<T> = Option<Option<T>>;

/// A value with its key and the text that stands in the file.
#[derive(Clone)]
pub(crate) struct Value<'d> {
    /// The key it was given for.
    pub(crate) key: &'d str,
    /// The value.
    pub(crate) node: &'d DeValue<'d>,
    /// As written, shortened.
    pub(crate) written: String,
}

/// A table that is being read.
pub(crate) struct Section<'d> {
    doc: &'d Document,
    table: &'d DeTable<'d>,
    shape: &'static Shape,
    header: Range<usize>,
    problems: Vec<Problem>,
}

impl<'d> Section<'d> {
    /// Begins a table whose heading (or braces) stand at `header`.
    pub(crate) fn open(
        doc: &'d Document,
        table: &'d DeTable<'d>,
        header: Range<usize>,
        shape: &'static Shape,
    ) -> Self {
        Self { doc, table, shape, header, problems: Vec::new() }
    }

    /// Ends it: unknown keys are told of, and all problems handed over.
    pub(crate) fn close(mut self) -> Vec<Problem> {
        for key in self.table.keys() {
            let name = key.get_ref().as_ref();
            if self.shape.keys.contains(&name) {
                continue;
            }
            let known: Vec<String> = self.shape.keys.iter().map(|key| format!("`{key}`")).collect();
            let help = match nearest(name, self.shape.keys.iter().copied()) {
                Some(near) => format!("did you mean `{near}`? Keys here: {}", known.join(", ")),
                None => format!("keys here: {}", known.join(", ")),
            };
            let message = format!("there is no key `{name}` in {}", self.shape.name);
            // Under a broken heading keys fall to the table before, so a strange one may only follow from that.
            let follows = help.starts_with("keys");
            let words = Words { message, label: "not known here".to_owned(), help, follows };
            self.problems.push(self.doc.problem(key.span(), words));
        }
        self.problems
    }

    /// The file that it stands in.
    pub(crate) fn document(&self) -> &'d Document {
        self.doc
    }

    /// The line of its heading.
    pub(crate) fn line(&self) -> usize {
        self.doc.line(&self.header)
    }

    /// Whether the key is there at all.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.find(key).is_some()
    }

    /// The place of a key's value, or of the heading.
    pub(crate) fn place(&self, key: &str) -> Range<usize> {
        self.find(key).map_or_else(|| self.header.clone(), Spanned::span)
    }

    fn find(&self, key: &str) -> Option<&'d Spanned<DeValue<'d>>> {
        debug_assert!(self.shape.keys.contains(&key), "{key} is not in the keys of {}", self.shape.name);
        self.table.get(key)
    }

    fn value(&self, key: &str) -> Option<(Value<'d>, Range<usize>)> {
        let key = self.shape.keys.iter().find(|known| **known == key)?;
        let found = self.find(key)?;
        let at = found.span();
        Some((Value { key, node: found.get_ref(), written: self.doc.written(&at) }, at))
    }

    /// Tells of a fault at a place.
    pub(crate) fn fault_at(&mut self, at: Range<usize>, fault: Fault) {
        if let Fault::Says { message, label, help } = fault {
            let words = Words { message, label: label.to_owned(), help, follows: false };
            self.problems.push(self.doc.problem(at, words));
        }
    }

    /// Tells of a fault at a key's value.
    pub(crate) fn fault(&mut self, key: &str, fault: Fault) {
        self.fault_at(self.place(key), fault);
    }

    /// Tells that something must be there and is not.
    pub(crate) fn missing(&mut self, message: String, help: String) {
        let words = Words { message, label: "in here".to_owned(), help, follows: true };
        self.problems.push(self.doc.problem(self.header.clone(), words));
    }

    /// Takes over problems of another file.
    pub(crate) fn extend(&mut self, problems: Vec<Problem>) {
        self.problems.extend(problems);
    }

    fn read<T>(
        &mut self,
        value: &Value<'d>,
        at: Range<usize>,
        read: impl FnOnce(&Value<'d>) -> Result<T, Fault>,
    ) -> Option<T> {
        match read(value) {
            Ok(read) => Some(read),
            Err(fault) => {
                self.fault_at(at, fault);
                None
            }
        }
    }

    /// A value that must be there.
    pub(crate) fn required<T>(
        &mut self,
        key: &str,
        example: &str,
        read: impl FnOnce(&Value<'d>) -> Result<T, Fault>,
    ) -> Option<T> {
        let Some((value, at)) = self.value(key) else {
            let message = format!("{} needs `{key}`", self.shape.name);
            self.missing(message, format!("add it, for example: {key} = {example}"));
            return None;
        };
        self.read(&value, at, read)
    }

    /// A value that may be left out.
    pub(crate) fn optional<T>(
        &mut self,
        key: &str,
        read: impl FnOnce(&Value<'d>) -> Result<T, Fault>,
    ) -> Optional<T> {
        match self.value(key) {
            None => Some(None),
            Some((value, at)) => self.read(&value, at, read).map(Some),
        }
    }

    /// A value with a default.
    pub(crate) fn or<T>(
        &mut self,
        key: &str,
        default: T,
        read: impl FnOnce(&Value<'d>) -> Result<T, Fault>,
    ) -> Option<T> {
        Some(self.optional(key, read)?.unwrap_or(default))
    }

    /// A list of values; left out it is empty.
    pub(crate) fn list<T>(
        &mut self,
        key: &str,
        read: impl Fn(&Value<'d>) -> Result<T, Fault>,
    ) -> Option<Vec<T>> {
        let Some((value, at)) = self.value(key) else { return Some(Vec::new()) };
        let DeValue::Array(items) = value.node else {
            self.fault_at(at, wrong_kind(&value, "a list", "write it in brackets, with commas between"));
            return None;
        };
        let read: Vec<Option<T>> = items
            .iter()
            .map(|item| {
                let at = item.span();
                let value = Value { node: item.get_ref(), written: self.doc.written(&at), ..value.clone() };
                self.read(&value, at, &read)
            })
            .collect();
        read.into_iter().collect()
    }

    /// A table that may be left out.
    pub(crate) fn table<T>(
        &mut self,
        key: &str,
        shape: &'static Shape,
        read: impl FnOnce(&mut Section<'d>) -> Option<T>,
    ) -> Optional<T> {
        let Some((value, at)) = self.value(key) else { return Some(None) };
        let DeValue::Table(table) = value.node else {
            let braces = format!("write it as {{ … }} with these keys: {}", shape.keys.join(", "));
            self.fault_at(at, wrong_kind(&value, "a table", &braces));
            return None;
        };
        self.nested(table, at, shape, read).map(Some)
    }

    /// A table that must be there.
    pub(crate) fn required_table<T>(
        &mut self,
        key: &str,
        example: &str,
        shape: &'static Shape,
        read: impl FnOnce(&mut Section<'d>) -> Option<T>,
    ) -> Option<T> {
        if self.has(key) {
            return self.table(key, shape, read)?;
        }
        let message = format!("{} needs `{key}`", self.shape.name);
        self.missing(message, format!("add it, for example: {key} = {example}"));
        None
    }

    /// Each table of a list, in order; what can't be read keeps its place as nothing. Left out the list is empty.
    pub(crate) fn tables<T>(
        &mut self,
        key: &str,
        shape: &'static Shape,
        mut read: impl FnMut(&mut Section<'d>) -> Option<T>,
    ) -> Vec<Option<T>> {
        let Some((value, at)) = self.value(key) else { return Vec::new() };
        let DeValue::Array(items) = value.node else {
            let help = match shape.name.split_once("]]").filter(|_| shape.name.starts_with("[[")) {
                Some((heading, _)) => format!("write {heading}]], with two brackets on each side"),
                None => {
                    format!("write {key} = [{{ … }}, {{ … }}] with these keys: {}", shape.keys.join(", "))
                }
            };
            self.fault_at(at, wrong_kind(&value, "a list of tables", &help));
            return vec![None];
        };
        let mut all = Vec::new();
        for item in items {
            let at = item.span();
            all.push(if let DeValue::Table(table) = item.get_ref() {
                self.nested(table, at, shape, &mut read)
            } else {
                let value = Value { node: item.get_ref(), written: self.doc.written(&at), ..value.clone() };
                let braces = format!("write it as {{ … }} with these keys: {}", shape.keys.join(", "));
                self.fault_at(at, wrong_kind(&value, "a table", &braces));
                None
            });
        }
        all
    }

    fn nested<T>(
        &mut self,
        table: &'d DeTable<'d>,
        at: Range<usize>,
        shape: &'static Shape,
        read: impl FnOnce(&mut Section<'d>) -> Option<T>,
    ) -> Option<T> {
        let mut section = Section::open(self.doc, table, at, shape);
        let value = read(&mut section);
        self.problems.extend(section.close());
        value
    }

    /// A value as it stands, for a first look at its kind.
    pub(crate) fn node(&self, key: &str) -> Option<&'d DeValue<'d>> {
        self.find(key).map(Spanned::get_ref)
    }

    /// The tables of a list as they stand, for a first look at their names.
    pub(crate) fn peek(&self, key: &str) -> Vec<&'d DeTable<'d>> {
        match self.node(key) {
            Some(DeValue::Array(items)) => {
                items.iter().filter_map(|item| item.get_ref().as_table()).collect()
            }
            _ => Vec::new(),
        }
    }
}

/// A value of the wrong TOML type.
pub(crate) fn wrong_kind(value: &Value<'_>, wanted: &str, help: &str) -> Fault {
    let given = match value.node {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    };
    Fault::new(format!("`{}` is {given}, but {wanted} is needed", value.key), "not of this kind", help)
}
