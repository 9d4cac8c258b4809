//! The names that a file gives to things, and finding the thing that another place names.

use crate::fault::{Fault, listed, nearest};
use crate::section::{Section, Value, wrong_kind};
use crate::values::is_plain;

/// The names of one kind of thing, in the order of the file.
pub(crate) struct Names {
    kind: &'static str,
    names: Vec<Option<String>>,
}

impl Names {
    /// Looks through `[[key]]` of the main file. A name that is used twice is a problem.
    pub(crate) fn scan(root: &mut Section<'_>, key: &'static str) -> Self {
        let mut names: Vec<Option<String>> = Vec::new();
        for table in root.peek(key) {
            let value = table.get("name");
            let name = value
                .and_then(|value| value.get_ref().as_str())
                .filter(|name| is_plain(name))
                .map(str::to_owned);
            if let (Some(_), Some(value)) = (name.as_ref().filter(|_| names.contains(&name)), value) {
                root.fault_at(value.span(), used_twice(key, value.get_ref().as_str().unwrap_or_default()));
            }
            names.push(name);
        }
        if names.is_empty() && root.has(key) {
            names.push(None); // It is there in some other form, which its reader tells of.
        }
        Self { kind: key, names }
    }

    /// The names that also another kind has are a problem: an alert could mean either.
    pub(crate) fn part_from(&self, other: &Self, root: &mut Section<'_>) {
        for table in root.peek(self.kind) {
            let Some(value) = table.get("name") else { continue };
            let name = value.get_ref().as_str();
            if name.is_some() && other.names.iter().any(|known| known.as_deref() == name) {
                let message = format!(
                    "a {} and a {} are both called \"{}\"",
                    other.kind,
                    self.kind,
                    name.unwrap_or_default()
                );
                root.fault_at(
                    value.span(),
                    Fault::new(message, "the same name", "give one of them another name"),
                );
            }
        }
    }

    /// Which one has this name.
    pub(crate) fn position(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|known| known.as_deref() == Some(name))
    }

    /// Which one the value names.
    pub(crate) fn find(&self, value: &Value<'_>) -> Result<usize, Fault> {
        find(&[self], value).map(|(_, index)| index)
    }
}

fn used_twice(kind: &str, name: &str) -> Fault {
    let message = format!("there are two {kind}s called \"{name}\"");
    Fault::new(message, "used before", format!("give each {kind} a name of its own"))
}

/// Which one of several kinds the value names: kind and index. The first kind that has the name wins.
pub(crate) fn find(kinds: &[&Names], value: &Value<'_>) -> Result<(usize, usize), Fault> {
    let what = kinds.iter().map(|names| names.kind).collect::<Vec<_>>().join(" or ");
    let Some(given) = value.node.as_str() else {
        return Err(wrong_kind(value, &format!("the name of a {what}"), "put the name in double quotes"));
    };
    for (kind, names) in kinds.iter().enumerate() {
        if let Some(index) = names.position(given) {
            return Ok((kind, index));
        }
    }
    if kinds.iter().any(|names| names.names.contains(&None)) {
        return Err(Fault::Elsewhere); // It may be the one whose name can't be read, which is told of there.
    }
    let known: Vec<&str> =
        kinds.iter().flat_map(|names| &names.names).flatten().map(String::as_str).collect();
    let help = match nearest(given, known.iter().copied()) {
        Some(near) => format!("did you mean \"{near}\"? Known: {}", listed(&known)),
        None if known.is_empty() => format!("add a [[{}]] with this name", kinds[0].kind),
        None => format!("known: {}", listed(&known)),
    };
    Err(Fault::new(
        format!("`{}` names \"{given}\", but no {what} is called so", value.key),
        "not known",
        help,
    ))
}

/// A name that a list may hold once: `true` if it is new.
pub(crate) fn is_new<T: PartialEq>(seen: &mut Vec<T>, item: T) -> bool {
    let new = !seen.contains(&item);
    if new {
        seen.push(item);
    }
    new
}
