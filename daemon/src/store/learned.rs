//! What was learned of meters, kept for the digests: the newest of each.

use super::{Error, Result, Store, schema};
use kvarden_core::time::Span;
use rusqlite::Connection;
use std::sync::Arc;

/// Something that was learned of a meter, on its way into the store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Learned {
    /// The meter's name.
    pub meter: Arc<str>,
    /// How long an event lasts at least that the meter can't miss.
    pub shortest_event: Span,
}

fn key(meter: &str) -> String {
    format!("shortest event of {meter}")
}

pub(super) fn put(db: &Connection, learned: &[Learned]) -> Result<()> {
    for Learned { meter, shortest_event } in learned {
        schema::put_meta(db, &key(meter), &shortest_event.0.to_string())?;
    }
    Ok(())
}

impl Store {
    /// How long an event lasts at least that this meter can't miss, as was last learned; `None`: not learned.
    ///
    /// # Errors
    /// The row can't be read back.
    pub fn shortest_event(&self, meter: &str) -> Result<Option<Span>> {
        let text = schema::meta(&self.db, &key(meter))?;
        text.map(|text| text.parse().map(Span).map_err(|error| Error::row("meta", error))).transpose()
    }
}
