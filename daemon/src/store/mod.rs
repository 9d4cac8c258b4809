//! What is kept: one SQLite file, one writer. Plain blocking code; [`Keeper`] is its door for the daemon.
//!
//! Everything that one moment brings goes through [`Store::apply`] as one transaction, so that a state and the
//! letter that tells of it are stored together or not at all. Ids make telling again harmless.

mod batch;
mod codec;
mod days;
mod error;
mod file;
mod keeper;
mod late;
mod levels;
mod minutes;
mod names;
mod outbox;
mod panes;
mod query;
mod recorded;
mod recordings;
mod refused;
mod retention;
mod room;
mod schema;
mod state;
mod tail;
mod tens;
mod told;

pub use batch::{Applied, Batch};
pub use days::Day;
pub use error::Error;
pub use file::{DATABASE, LOCK, Options};
pub use keeper::{Keeper, NotTaken, QUEUE_DEPTH, StoreGone, Unwritten};
pub use late::{Late, MOST_WATCHED};
pub use levels::Levels;
pub use minutes::MinuteRow;
pub use outbox::{Letter, MAX_PENDING, NewLetter};
pub use panes::{MinuteRun, PaneRow};
pub use recordings::{LONGEST_RECORDING, NewRecording, RecordedMeter, RecordingHead};
pub use refused::{RefusedRow, RefusedTotal};
pub use retention::Swept;
pub use state::{Precious, SavedState};
pub use tail::{OwnedInput, TailRecord, tail_kept};

use kvarden_core::time::EventTime;
use names::Names;
use rusqlite::{Connection, TransactionBehavior};
use std::fs::File;
use std::path::{Path, PathBuf};

/// What every call of this room gives.
pub type Result<T> = std::result::Result<T, Error>;

/// The store: one file in one folder. Only one writer at a time; readers as many as wanted.
#[derive(Debug)]
pub struct Store {
    db: Connection,
    file: PathBuf,
    book: String,
    options: Options,
    names: Names,
    last_number: u64,
    synced: Durability,
    /// Closed days, of which a minute that comes now is late.
    watched: Vec<late::WatchedDay>,
    /// A call failed in a way after which nothing is sure: the file is opened anew before the next change.
    suspect: bool,
    /// Set aside while running, not yet told.
    set_aside: Option<PathBuf>,
    /// Held while the store is open for writing.
    lock: Option<File>,
}

/// A store that was opened for writing, and what happened on the way.
#[derive(Debug)]
pub struct Opened {
    /// The store.
    pub store: Store,
    /// The former file was damaged or not ours: it was moved here and a new one begun.
    pub set_aside: Option<PathBuf>,
}

/// How sure a commit must be before it returns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Durability {
    /// Survives a killed process; a power cut may take the last moments, never the order.
    Normal,
    /// Survives a power cut, and makes all earlier commits survive it.
    Full,
}

impl Store {
    /// Opens the store of a folder for writing; makes folder and file where they are missing.
    ///
    /// `now` only dates the name of a file that has to be set aside.
    ///
    /// # Errors
    /// Another process has it ([`Error::Locked`]), a newer program wrote it ([`Error::Newer`], untouched), or
    /// the folder can't be used. A damaged file is no error, see [`Opened::set_aside`].
    pub fn open(folder: &Path, options: Options, now: EventTime) -> Result<Opened> {
        let lock = file::lock(folder)?;
        let path = folder.join(DATABASE);
        let (db, set_aside) = file::open_or_set_aside(&path, now, options)?;
        let store = Self::over(db, path, options, Some(lock))?;
        outbox::due_at_once(&store.db)?;
        Ok(Opened { store, set_aside })
    }

    /// Opens the store of a folder for reading beside a running daemon. Every change is refused.
    ///
    /// # Errors
    /// There is no store yet, or it is of another version than this program.
    pub fn open_for_reading(folder: &Path) -> Result<Self> {
        let path = folder.join(DATABASE);
        let db = file::open_for_reading(&path)?;
        Self::over(db, path, Options::default(), None)
    }

    fn over(db: Connection, file: PathBuf, options: Options, lock: Option<File>) -> Result<Self> {
        let book = schema::book(&db)?;
        let names = Names::load(&db)?;
        let last_number = tail::last_number(&db)?;
        Ok(Self {
            db,
            file,
            book,
            options,
            names,
            last_number,
            synced: Durability::Normal,
            watched: Vec::new(),
            suspect: false,
            set_aside: None,
            lock,
        })
    }

    /// Eight hexadecimal characters, made once with the file: part of every id, so that a store begun anew
    /// never tells under an old id.
    pub fn book(&self) -> &str {
        &self.book
    }

    /// The number of the last stored input; 0: none yet.
    pub fn last_number(&self) -> u64 {
        self.last_number
    }

    /// One transaction of the writer. After an error nothing of it is stored.
    fn write<T>(
        &mut self,
        durability: Durability,
        work: impl FnOnce(&Connection, &mut Names) -> Result<T>,
    ) -> Result<T> {
        self.make_ready(durability)?;
        let done = Self::transact(&mut self.db, &mut self.names, work);
        if let Err(error) = &done {
            self.suspect |= error.makes_suspect();
            // The names may hold numbers that were rolled back.
            match Names::load(&self.db) {
                Ok(names) => self.names = names,
                Err(_) => self.suspect = true,
            }
        }
        done
    }

    fn transact<T>(
        db: &mut Connection,
        names: &mut Names,
        work: impl FnOnce(&Connection, &mut Names) -> Result<T>,
    ) -> Result<T> {
        let transaction = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let result = work(&transaction, names)?;
        transaction.commit()?;
        Ok(result)
    }

    fn make_ready(&mut self, durability: Durability) -> Result<()> {
        if self.lock.is_none() {
            return Err(Error::ForReading);
        }
        if self.suspect {
            self.reopen()?;
        }
        if self.synced != durability {
            let level = if durability == Durability::Full { "FULL" } else { "NORMAL" };
            self.db.pragma_update(None, "synchronous", level)?;
            self.synced = durability;
        }
        Ok(())
    }

    /// Closes the file, opens and checks it anew. After a failed write to the disk the same connection must not
    /// just try again: what it holds in memory may differ from what is on the disk.
    fn reopen(&mut self) -> Result<()> {
        // An empty connection in memory takes its place, so that the file is closed before it is opened.
        drop(std::mem::replace(&mut self.db, Connection::open_in_memory()?));
        let (db, set_aside) = file::open_or_set_aside(&self.file, self.last_changed(), self.options)?;
        let names = Names::load(&db)?;
        if set_aside.is_some() {
            self.book = schema::book(&db)?;
            self.set_aside = set_aside;
        }
        self.last_number = tail::last_number(&db)?;
        self.db = db;
        self.names = names;
        self.synced = Durability::Normal;
        self.suspect = false;
        Ok(())
    }

    /// When the file was last changed, as its file system dates it; the epoch where that is not known.
    fn last_changed(&self) -> EventTime {
        let changed = std::fs::metadata(&self.file).and_then(|facts| facts.modified()).ok();
        let since = changed.and_then(|time| time.duration_since(std::time::UNIX_EPOCH).ok());
        EventTime(since.map_or(0, |since| since.as_millis() as i64))
    }
}

#[cfg(test)]
mod tests;
