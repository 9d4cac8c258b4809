//! What people were told, by alert and by person, as the room that decides it writes it.

use super::{Result, Store};
use rusqlite::Connection;

/// Keeps rows: a body takes the place of the one before, nothing removes it.
pub(super) fn put(db: &Connection, rows: &[(String, Option<String>)]) -> Result<()> {
    let mut upsert = db.prepare_cached(
        "INSERT INTO duty VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET body = excluded.body",
    )?;
    let mut remove = db.prepare_cached("DELETE FROM duty WHERE key = ?1")?;
    for (key, body) in rows {
        match body {
            Some(body) => upsert.execute((key, body))?,
            None => remove.execute([key])?,
        };
    }
    Ok(())
}

impl Store {
    /// What people were told: every row with its key.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn duty(&self) -> Result<Vec<(String, String)>> {
        let mut statement = self.prepare("SELECT key, body FROM duty ORDER BY key")?;
        let rows = statement.query_map((), |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }
}
