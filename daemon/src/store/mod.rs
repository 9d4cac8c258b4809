//! What is kept: one SQLite file, one writer. Plain blocking code; [`Keeper`] is its door for the daemon.
//!
//! Everything that one moment brings goes through [`Store::apply`] as one transaction, so that a state and the
//! letter that tells of it are stored together or not at all. Ids make telling again harmless.

mod backup;
mod batch;
mod carry;
mod codec;
mod days;
mod duty;
mod error;
mod file;
mod guessed;
mod keeper;
mod late;
mod learned;
mod levels;
mod lock;
mod minutes;
mod names;
mod outbox;
mod panes;
mod query;
mod recorded;
mod recordings;
mod refuge;
mod refused;
mod reserve;
mod retention;
mod room;
mod salvage;
mod schema;
mod state;
mod tail;
mod tens;
mod told;
mod undated;

pub use backup::{Progress, back_up, restore_from, verify};
pub use batch::{Applied, Batch};
pub use days::Day;
pub use error::Error;
pub use file::{DATABASE, Options};
pub use guessed::Guessed;
pub use keeper::{Keeper, NotTaken, QUEUE_DEPTH, StoreGone, Unwritten};
pub use late::{Late, MOST_WATCHED};
pub use learned::Learned;
pub use levels::Levels;
pub use lock::LOCK;
pub use minutes::MinuteRow;
pub use outbox::{Letter, MAX_PENDING, NewLetter};
pub use panes::{MinuteRun, PaneRow};
pub use recordings::{NewRecording, RecordedMeter, RecordingHead};
pub use refused::{RefusedRow, RefusedTotal};
pub use reserve::RESERVE;
pub use retention::Swept;
pub use salvage::Salvage;
pub use state::{Precious, SavedState};
pub use tail::{OwnedInput, TailRecord, tail_kept};

use kvarden_core::time::EventTime;
use lock::Lock;
use names::Names;
use rusqlite::{CachedStatement, Connection, TransactionBehavior};
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
    /// Found damaged while running, not yet told.
    salvage: Option<Salvage>,
    /// The store is in memory, for the disk takes nothing.
    refuge: Option<refuge::Refuge>,
    reserve: reserve::Reserve,
    /// Why it was begun anew when it was opened, not yet told.
    begun_anew: Option<Salvage>,
    /// Ends long queries of a store that is open for reading.
    limit: Option<file::Limit>,
    /// Held while the store is open for writing.
    lock: Option<Lock>,
}

/// A store that was opened for writing, and what happened on the way.
#[derive(Debug)]
pub struct Opened {
    /// The store.
    pub store: Store,
    /// The former file was damaged, missing or not ours: it was set aside and a new one begun.
    pub salvage: Option<Salvage>,
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
    /// the folder can't be used. A damaged file is no error, see [`Opened::salvage`].
    pub fn open(folder: &Path, options: Options, now: EventTime) -> Result<Opened> {
        let was_here = folder.join(LOCK).exists();
        let mut lock = Lock::take(folder)?;
        let path = folder.join(DATABASE);
        let left = lock.left();
        let lacks_log =
            left.is_some_and(|book| file::lacks_log(&path) || file::set_foreign_log_aside(&path, book, now));
        let reserve = reserve::Reserve::of(&path, options);
        let mut opened = file::open_or_salvage(&path, now, options, was_here);
        if opened.as_ref().is_err_and(refuge::calls_for_it) && reserve.give() {
            opened = file::open_or_salvage(&path, now, options, was_here);
        }
        let (ready, salvage, why) = match opened {
            Ok((mut ready, None)) if lacks_log => {
                let report = salvage::without_log(&ready.db, now)?;
                ready.book = schema::book(&ready.db)?;
                (ready, Some(report), None)
            }
            Ok((ready, salvage)) => (ready, salvage, None),
            Err(why) if refuge::calls_for_it(&why) => (refuge::instead_of(&path)?, None, Some(why)),
            Err(other) => return Err(other),
        };
        if why.is_none() {
            lock::sync_folder(&path);
            lock.note_open(&ready.book);
        }
        let mut store = Self::over(ready, path, options, Some(lock));
        match why {
            Some(why) => store.begin_refuge(&why, was_here),
            None => store.reserve.make(),
        }
        store.begun_anew.clone_from(&salvage);
        outbox::due_at_once(&store.db)?;
        Ok(Opened { store, salvage })
    }

    /// Opens the store of a folder for reading beside a running daemon. Every change is refused, and a query that
    /// takes more than two seconds is ended: while it lasts the daemon's log can't be cut back.
    ///
    /// # Errors
    /// There is no store yet, or it is of another version than this program.
    pub fn open_for_reading(folder: &Path) -> Result<Self> {
        let path = folder.join(DATABASE);
        let (db, limit) = file::open_for_reading(&path)?;
        let mut store = Self::over(file::Ready::over(db)?, path, Options::default(), None);
        store.limit = Some(limit);
        Ok(store)
    }

    fn over(ready: file::Ready, file: PathBuf, options: Options, lock: Option<Lock>) -> Self {
        let file::Ready { db, book, names, last_number } = ready;
        Self {
            refuge: None,
            reserve: reserve::Reserve::of(&file, options),
            db,
            file,
            book,
            options,
            names,
            last_number,
            synced: Durability::Normal,
            watched: Vec::new(),
            suspect: false,
            salvage: None,
            begun_anew: None,
            limit: None,
            lock,
        }
    }

    /// A query of a reader begins.
    fn prepare(&self, sql: &str) -> Result<CachedStatement<'_>> {
        if let Some(limit) = &self.limit {
            limit.begin();
        }
        Ok(self.db.prepare_cached(sql)?)
    }

    /// Why the store was begun anew when it was opened; once.
    pub fn take_begun_anew(&mut self) -> Option<Salvage> {
        self.begun_anew.take()
    }

    /// What became of the last file that could not be used, if there ever was one.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn last_salvage(&self) -> Result<Option<Salvage>> {
        salvage::last(&self.db)
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
        self.try_the_disk();
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
        let opened = file::open_or_salvage(&self.file, self.last_changed(), self.options, true);
        let (ready, salvage) = opened?;
        let file::Ready { db, book, names, last_number } = ready;
        (self.db, self.names, self.last_number) = (db, names, last_number);
        if salvage.is_some() {
            self.book = book;
            self.salvage = salvage;
        }
        self.synced = Durability::Normal;
        self.suspect = false;
        self.note_open();
        Ok(())
    }

    /// From now on the file has these bounds.
    ///
    /// # Errors
    /// The file can't be bounded now.
    pub fn set_bounds(&mut self, options: Options) -> Result<()> {
        self.options = options;
        self.reserve = reserve::Reserve::of(&self.file, options);
        if self.refuge.is_none() {
            file::set_bounds(&self.db, options)?;
        }
        Ok(())
    }

    /// Notes in the lock which book is open on the disk.
    fn note_open(&mut self) {
        if let Some(lock) = &mut self.lock {
            lock::sync_folder(&self.file);
            lock.note_open(&self.book);
        }
    }

    /// When the file was last changed, as its file system dates it; the epoch where that is not known.
    fn last_changed(&self) -> EventTime {
        let changed = std::fs::metadata(&self.file).and_then(|facts| facts.modified()).ok();
        let since = changed.and_then(|time| time.duration_since(std::time::UNIX_EPOCH).ok());
        EventTime(since.map_or(0, |since| since.as_millis() as i64))
    }
}

impl Drop for Store {
    fn drop(&mut self) {
        if let Some(lock) = &mut self.lock {
            lock.note_end();
        }
    }
}

#[cfg(test)]
mod tests;
