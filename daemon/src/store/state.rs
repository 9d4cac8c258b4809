//! Saved states: snapshots of what can be built again (a blob with a format number, the newest and the one
//! before), and alarms and alerts as they are saved with each change.

use super::{Durability, Result, Store, codec, schema, tail};
use rusqlite::{Connection, OptionalExtension};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Snapshots kept of a scope: the newest, and the one before it in case the newest can't be read.
const KEPT: i64 = 2;

/// Where it is kept since which input each scope is watched.
const WATCHED: &str = "watched";

/// Where it is kept by which plan the stored inputs were judged.
const PLAN: &str = "plan";

/// A snapshot of a scope.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SavedState {
    /// The input after which it was made.
    pub number: u64,
    /// The form of `body`.
    pub format: u32,
    /// The snapshot.
    pub body: Vec<u8>,
}

/// Alarms and alerts of a scope, as they are saved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Precious {
    /// The scope's name.
    pub scope: Arc<str>,
    /// The input after which it holds.
    pub number: u64,
    /// JSON.
    pub body: String,
}

/// Stores the alarms and alerts of scopes; an older state never replaces a newer one.
pub(super) fn put_precious(db: &Connection, rows: &[Precious]) -> Result<()> {
    let mut upsert = db.prepare_cached(
        "INSERT INTO precious VALUES (?1, ?2, ?3)
         ON CONFLICT (scope) DO UPDATE SET number = excluded.number, body = excluded.body
         WHERE excluded.number >= precious.number",
    )?;
    for row in rows {
        upsert.execute((&*row.scope, row.number as i64, &row.body))?;
    }
    Ok(())
}

impl Store {
    /// Stores a snapshot of a scope, made after input `number`. The newest two are kept.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn put_state(&mut self, scope: &str, format: u32, number: u64, body: &[u8]) -> Result<()> {
        self.write(Durability::Normal, |db, _| {
            db.prepare_cached("INSERT OR REPLACE INTO state VALUES (?1, ?2, ?3, ?4)")?.execute((
                scope,
                number as i64,
                format,
                body,
            ))?;
            let sql = "DELETE FROM state WHERE scope = ?1 AND number NOT IN
                (SELECT number FROM state WHERE scope = ?1 ORDER BY number DESC LIMIT ?2)";
            db.prepare_cached(sql)?.execute((scope, KEPT))?;
            Ok(())
        })?;
        self.last_number = tail::last_number(&self.db)?;
        Ok(())
    }

    /// The snapshots of a scope, the newest first.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn states(&self, scope: &str) -> Result<Vec<SavedState>> {
        let sql = "SELECT number, format, body FROM state WHERE scope = ?1 ORDER BY number DESC";
        let mut statement = self.prepare(sql)?;
        let rows = statement.query_map([scope], |row| {
            let number = row.get::<_, i64>(0)? as u64;
            Ok(SavedState { number, format: row.get(1)?, body: row.get(2)? })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// The scopes that have a snapshot or saved alarms, also those that the plant no longer has.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn saved_scopes(&self) -> Result<Vec<String>> {
        let sql = "SELECT scope FROM state UNION SELECT scope FROM precious ORDER BY scope";
        let mut statement = self.prepare(sql)?;
        let rows = statement.query_map((), |row| row.get(0))?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// Notes which scopes are watched from now on. Gives for each, in their order, the input since which it is watched
    /// without a break; snapshots of others are forgotten.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn watch_scopes(&mut self, scopes: &[&str]) -> Result<Vec<u64>> {
        let last = self.last_number;
        self.write(Durability::Normal, |db, _| {
            let known: Option<BTreeMap<String, u64>> =
                schema::meta(db, WATCHED)?.and_then(|text| serde_json::from_str(&text).ok());
            // A store that never noted any was watched as a whole.
            let since = |scope: &str| known.as_ref().map_or(0, |known| *known.get(scope).unwrap_or(&last));
            let since: Vec<u64> = scopes.iter().map(|scope| since(scope)).collect();
            let watched: BTreeMap<&str, u64> = scopes.iter().copied().zip(since.iter().copied()).collect();
            schema::put_meta(db, WATCHED, &codec::text(&watched)?)?;
            let mut saved = db.prepare_cached("SELECT DISTINCT scope FROM state")?;
            let saved: Vec<String> =
                saved.query_map((), |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
            for gone in saved.iter().filter(|scope| !watched.contains_key(scope.as_str())) {
                db.prepare_cached("DELETE FROM state WHERE scope = ?1")?.execute([gone])?;
            }
            Ok(since)
        })
    }

    /// Whether inputs go on to be judged as those that are stored were; `mark` stands for all by which they are. If not, no
    /// snapshot is left from which stored inputs would be judged again.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn goes_on_under(&mut self, mark: &str) -> Result<bool> {
        let last = self.last_number;
        self.write(Durability::Normal, |db, _| {
            let known = schema::meta(db, PLAN)?;
            schema::put_meta(db, PLAN, mark)?;
            // A store that never noted one goes on.
            let goes_on = known.is_none_or(|known| known == mark);
            if !goes_on {
                db.execute("DELETE FROM state WHERE number < ?1", [last as i64])?;
            }
            Ok(goes_on)
        })
    }

    /// Notes that what is stored now goes on under this mark.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn note_plan(&mut self, mark: &str) -> Result<()> {
        self.write(Durability::Normal, |db, _| schema::put_meta(db, PLAN, mark))
    }

    /// The alarms and alerts of a scope as they were last saved: JSON, and the input after which it holds.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn precious(&self, scope: &str) -> Result<Option<(u64, String)>> {
        let mut statement = self.prepare("SELECT number, body FROM precious WHERE scope = ?1")?;
        let row = statement.query_row([scope], |row| Ok((row.get::<_, i64>(0)? as u64, row.get(1)?)));
        Ok(row.optional()?)
    }
}
