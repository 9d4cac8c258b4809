//! How full the store's bounds are, to be shown to people.

use super::{Result, Store, file, room};

/// Levels of the store's bounds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Levels {
    /// Bytes in use within the file.
    pub used_bytes: u64,
    /// Bytes that the file may never pass; thinning begins a little below.
    pub max_bytes: u64,
    /// Bytes of the write-ahead log beside the file. Far above 16 MiB: a reader holds it.
    pub log_bytes: u64,
    /// Letters that wait, all channels.
    pub waiting: u64,
    /// Letters ever given up because too many waited, all channels.
    pub lost: u64,
}

impl Store {
    /// How full the store is.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn levels(&self) -> Result<Levels> {
        let number = |sql: &str| -> Result<u64> {
            let value: i64 = self.db.prepare_cached(sql)?.query_row((), |row| row.get(0))?;
            Ok(value.max(0) as u64)
        };
        let log = file::beside(&self.file, "-wal");
        Ok(Levels {
            used_bytes: room::used_bytes(&self.db)?,
            max_bytes: self.options.max_bytes(),
            log_bytes: std::fs::metadata(log).map_or(0, |facts| facts.len()),
            waiting: number("SELECT count(*) FROM outbox WHERE done IS NULL")?,
            lost: number(
                "SELECT coalesce(sum(CAST(value AS INTEGER)), 0) FROM meta WHERE key LIKE 'lost %'",
            )?,
        })
    }
}
