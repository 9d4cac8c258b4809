//! Frozen digest days: once stored, a revision of a day is never changed.

use super::{Durability, Result, Store};
use rusqlite::OptionalExtension;

/// A frozen day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Day {
    /// From 1; late data makes the next one.
    pub revision: u32,
    /// Figures, series, limits in force and bounds of the day, as JSON.
    pub body: String,
}

impl Store {
    /// Freezes a revision of a day (local date, `2026-11-24`) of a scope. Gives whether it is new; one that is
    /// there already stays as it is.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn put_day(&mut self, scope: &str, date: &str, revision: u32, body: &str) -> Result<bool> {
        self.write(Durability::Full, |db, _| {
            let sql = "INSERT OR IGNORE INTO day VALUES (?1, ?2, ?3, ?4)";
            Ok(db.prepare_cached(sql)?.execute((scope, date, revision, body))? > 0)
        })
    }

    /// The newest revision of a day.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn get_day(&self, scope: &str, date: &str) -> Result<Option<Day>> {
        let sql =
            "SELECT revision, body FROM day WHERE scope = ?1 AND date = ?2 ORDER BY revision DESC LIMIT 1";
        let mut statement = self.prepare(sql)?;
        let day = |row: &rusqlite::Row<'_>| Ok(Day { revision: row.get(0)?, body: row.get(1)? });
        Ok(statement.query_row((scope, date), day).optional()?)
    }

    /// One revision of a day.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn get_day_revision(&self, scope: &str, date: &str, revision: u32) -> Result<Option<Day>> {
        let sql = "SELECT body FROM day WHERE scope = ?1 AND date = ?2 AND revision = ?3";
        let mut statement = self.db.prepare_cached(sql)?;
        let day = |row: &rusqlite::Row<'_>| Ok(Day { revision, body: row.get(0)? });
        Ok(statement.query_row((scope, date, revision), day).optional()?)
    }

    /// The dates that are frozen for a scope, in order.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn days(&self, scope: &str) -> Result<Vec<String>> {
        let sql = "SELECT DISTINCT date FROM day WHERE scope = ?1 ORDER BY date";
        let mut statement = self.prepare(sql)?;
        let rows = statement.query_map([scope], |row| row.get(0))?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }
}
