//! Frozen digest days: once stored, a revision of a day is never changed.
//!
//! A day is text of which much repeats, so it is stored packed, to about a fifth; days of earlier programs stand there as
//! plain text and stay so.

use super::{Durability, Error, Result, Store};
use miniz_oxide::deflate::compress_to_vec_zlib;
use miniz_oxide::inflate::decompress_to_vec_zlib_with_limit;
use rusqlite::types::{Value, ValueRef};
use rusqlite::{OptionalExtension, Row};

/// A longer day is not packed, so that no damaged row can claim more memory than this: some 500 times a usual one.
const MOST_PACKED: usize = 64 << 20;

/// How hard to pack: 1 to 10; 6 is the usual middle.
const EFFORT: u8 = 6;

/// A frozen day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Day {
    /// From 1; late data makes the next one.
    pub revision: u32,
    /// Figures, series, limits in force and bounds of the day, as JSON.
    pub body: String,
}

fn packed(body: &str) -> Value {
    let packed = compress_to_vec_zlib(body.as_bytes(), EFFORT);
    if body.len() <= MOST_PACKED && packed.len() < body.len() {
        Value::Blob(packed)
    } else {
        Value::Text(body.to_owned())
    }
}

/// The body in a column.
fn unpacked(row: &Row<'_>, column: usize) -> Result<String> {
    let damaged = |why: String| Error::row("day", why);
    match row.get_ref(column)? {
        ValueRef::Text(text) => String::from_utf8(text.to_vec()).map_err(|error| damaged(error.to_string())),
        ValueRef::Blob(bytes) => {
            let body = decompress_to_vec_zlib_with_limit(bytes, MOST_PACKED)
                .map_err(|error| damaged(error.to_string()))?;
            String::from_utf8(body).map_err(|error| damaged(error.to_string()))
        }
        other => Err(damaged(format!("there is a {} in it", other.data_type()))),
    }
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
            Ok(db.prepare_cached(sql)?.execute((scope, date, revision, packed(body)))? > 0)
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
        let day = |row: &Row<'_>| Ok((row.get(0)?, unpacked(row, 1)));
        let day = statement.query_row((scope, date), day).optional()?;
        day.map(|(revision, body)| Ok(Day { revision, body: body? })).transpose()
    }

    /// One revision of a day.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn get_day_revision(&self, scope: &str, date: &str, revision: u32) -> Result<Option<Day>> {
        let sql = "SELECT body FROM day WHERE scope = ?1 AND date = ?2 AND revision = ?3";
        let mut statement = self.prepare(sql)?;
        let body = statement.query_row((scope, date, revision), |row| Ok(unpacked(row, 0))).optional()?;
        body.map(|body| Ok(Day { revision, body: body? })).transpose()
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
