//! Written forms of rows: JSON text for what stays for years, postcard for what is read back soon or often.

use super::{Error, Result};
use serde::Serialize;
use serde::de::DeserializeOwned;

/// A fact as JSON text.
pub(super) fn text<T: Serialize + ?Sized>(fact: &T) -> Result<String> {
    serde_json::to_string(fact).map_err(|error| Error::row("(new)", error))
}

/// A fact from JSON text.
pub(super) fn fact<T: DeserializeOwned>(table: &'static str, text: &str) -> Result<T> {
    serde_json::from_str(text).map_err(|error| Error::row(table, error))
}

/// Adds a fact in postcard form to `bytes`.
pub(super) fn add<T: Serialize>(fact: &T, bytes: &mut Vec<u8>) -> Result<()> {
    *bytes = postcard::to_extend(fact, std::mem::take(bytes)).map_err(|error| Error::row("(new)", error))?;
    Ok(())
}
