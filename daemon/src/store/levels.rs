//! How full the store's bounds are, to be shown to people.

use super::{Result, Store, file, room};
use kvarden_core::time::{EventTime, Span};

/// Levels of the store's bounds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Levels {
    /// Bytes in use within the file.
    pub used_bytes: u64,
    /// Bytes that the file may never pass; thinning begins a little below.
    pub max_bytes: u64,
    /// Bytes of the write-ahead log beside the file. Above 16 MiB: a reader holds it.
    pub log_bytes: u64,
    /// Letters that wait, all channels.
    pub waiting: u64,
    /// Letters ever given up because too many waited, all channels.
    pub lost: u64,
}

/// The log may be so long before somebody is told. It is cut back before each look, also where one large batch made it
/// longer, so that above it there is a reader who holds it.
const MOST_LOG: u64 = file::LOG_BYTES as u64;

/// So long the loss of a store is shown.
const SHOWN: Span = Span::hours(30 * 24);

impl Store {
    /// What people must know of the store itself, a sentence each; usually nothing.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn notices(&self, now: EventTime) -> Result<Vec<String>> {
        let salvage = self.last_salvage()?.filter(|salvage| now - salvage.at < SHOWN);
        let mut notices: Vec<String> = salvage.iter().map(ToString::to_string).collect();
        if let Some(why) = self.in_memory() {
            notices.push(format!(
                "What is to be told is kept in memory only, because the disk takes nothing: {why}. Make room on the disk \
                 or mend it; a restart before that loses what came meanwhile."
            ));
        }
        notices.extend(self.disk_trouble()?.map(|trouble| format!("The disk: {trouble}.")));
        Ok(notices)
    }

    /// What is wrong with the room that the store has; `None`: nothing.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn disk_trouble(&self) -> Result<Option<&'static str>> {
        let log = std::fs::metadata(file::beside(&self.file, "-wal")).map_or(0, |facts| facts.len());
        let over = self.refuge.is_none()
            && room::used_bytes(&self.db)? > self.options.budget() + self.options.slack();
        Ok(if self.reserve.is_nearly_full() {
            Some("the volume of the store is nearly full")
        } else if over {
            Some("the store passes its byte budget, and nothing is left in it that may go")
        } else if log > MOST_LOG {
            Some("a reader holds the log of the store, so that it grows")
        } else {
            None
        })
    }

    /// Looks after the room that the store has: the log is cut back and the reserve made again where that can be.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn look_after_room(&mut self) -> Result<Option<&'static str>> {
        self.try_the_disk();
        if self.refuge.is_none() {
            let log = std::fs::metadata(file::beside(&self.file, "-wal")).map_or(0, |facts| facts.len());
            if log > MOST_LOG {
                // Where a reader holds it this does nothing; the reader ends soon.
                let _ = self.db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", (), |_| Ok(()));
            }
            self.reserve.make();
        }
        self.disk_trouble()
    }

    /// How full the store is.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn levels(&self) -> Result<Levels> {
        let number = |sql: &str| -> Result<u64> {
            let value: i64 = self.prepare(sql)?.query_row((), |row| row.get(0))?;
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
