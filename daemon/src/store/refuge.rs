//! When the disk takes nothing: the store goes on in memory, so that people are told. As soon as the disk takes
//! something again, all that came meanwhile is carried to it.

use super::carry::{Table, carry};
use super::file::{self, Ready};
use super::names::Names;
use super::room::PAGE;
use super::{Error, Options, Result, Store, guessed, schema, tail};
use rusqlite::{Connection, OpenFlags};
use std::path::Path;
use std::time::{Duration, Instant};

/// The most that is kept in memory: some hours of a middling site; then the oldest goes as on the disk.
const MEMORY_BYTES: u64 = 64 << 20;

/// So often the disk is tried again.
const TRY_AGAIN: Duration = Duration::from_secs(5);

/// So long carrying over may take.
const PATIENCE: Duration = Duration::from_secs(10);

/// What must be known to go on telling.
const INTO_MEMORY: [Table; 13] = [
    Table::keyed("meta"),
    Table::numbered("precious"),
    Table::numbered("outbox").only("done IS NULL"),
    Table::keyed("duty"),
    Table::keyed("alert"),
    Table::keyed("alarm"),
    Table::numbered("revision").only("alert IN (SELECT alert FROM alert WHERE open = 1)"),
    // They move when the clock is corrected, and with them what is known of their alarms.
    Table::numbered("change_").only("by_guess IS NOT NULL"),
    Table::numbered("meter"),
    Table::numbered("series"),
    Table::keyed("refused"),
    Table::keyed("late"),
    // Of the last days, so that they are not closed once more.
    Table::numbered("day").only("rowid > (SELECT max(rowid) FROM day) - 16"),
];

/// What came meanwhile, and whether it takes the place of what is there.
const TO_THE_DISK: [(Table, bool); 21] = [
    (Table::keyed("meta").only("key NOT IN ('book', 'format', 'correction')"), true),
    (Table::numbered("meter"), false),
    (Table::numbered("series"), false),
    (Table::numbered("precious"), true),
    (Table::numbered("outbox"), true),
    (Table::keyed("duty"), true),
    (Table::keyed("alert"), true),
    (Table::keyed("alarm"), true),
    (Table::keyed("refused"), true),
    (Table::keyed("late"), true),
    (Table::numbered("change_").renumbered(), false),
    (Table::numbered("revision").renumbered(), false),
    (Table::numbered("finding").renumbered(), false),
    (Table::numbered("excursion").renumbered(), false),
    (Table::numbered("recording").renumbered(), false),
    (Table::numbered("day"), false),
    (Table::numbered("minute"), false),
    (Table::numbered("undated").renumbered(), false),
    (Table::numbered("ten"), false),
    (Table::numbered("tail"), true),
    (Table::numbered("state"), true),
];

/// The store is in memory.
#[derive(Debug)]
pub(super) struct Refuge {
    why: String,
    next_try: Instant,
    /// There is a file that must be found again; false: there never was one.
    was_here: bool,
}

/// Whether after this error the store may go on in memory: the disk is full or does not work. What a person must
/// decide (another daemon, a newer file, rights) is not among them.
pub(super) fn calls_for_it(error: &Error) -> bool {
    match error {
        Error::Full { .. } => true,
        Error::Folder { source, .. } => {
            matches!(source.kind(), std::io::ErrorKind::StorageFull | std::io::ErrorKind::ReadOnlyFilesystem)
        }
        Error::Sqlite { source } => matches!(
            source.sqlite_error_code(),
            Some(rusqlite::ErrorCode::SystemIoFailure | rusqlite::ErrorCode::CannotOpen)
        ),
        _ => false,
    }
}

/// An empty store in memory that holds what must be known of `from`.
fn in_memory(from: Option<&Connection>) -> Result<Connection> {
    let db = Connection::open_in_memory()?;
    db.pragma_update_and_check(None, "max_page_count", MEMORY_BYTES as i64 / PAGE, |_| Ok(()))?;
    schema::migrate(&db, schema::STEPS)?;
    if let Some(from) = from {
        let end = Instant::now() + PATIENCE;
        for table in INTO_MEMORY {
            carry(from, &db, table, true, end)?;
        }
        // Numbers of letters go on where they were: a gap would mean a loss, and one that comes twice two letters.
        let last = "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'outbox'";
        let last: i64 = from.query_row(last, (), |row| row.get(0)).unwrap_or(0);
        db.execute("DELETE FROM sqlite_sequence WHERE name = 'outbox'", ())?;
        db.execute("INSERT INTO sqlite_sequence VALUES ('outbox', ?1)", [last])?;
    }
    schema::begin_book(&db)?;
    Ok(db)
}

/// A store in memory in the place of a file that can't be used now, with what can be read of it.
pub(super) fn instead_of(path: &Path) -> Result<Ready> {
    let plain = file::open_reader(path).ok();
    let from = plain.or_else(|| {
        // Without room for the index of its log, the file is read as it is.
        let flags =
            OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let name = path.to_str().filter(|name| !name.contains(['?', '#', '%']))?;
        let db = Connection::open_with_flags(format!("file:{name}?immutable=1"), flags).ok()?;
        schema::is_ours(&db).then_some(db)
    });
    let last = from.as_ref().and_then(|from| tail::last_number(from).ok()).unwrap_or(0);
    let mut ready = Ready::over(in_memory(from.as_ref())?)?;
    ready.last_number = last;
    Ok(ready)
}

impl Store {
    /// Why the store is in memory; `None`: it is on the disk.
    pub fn in_memory(&self) -> Option<&str> {
        self.refuge.as_ref().map(|refuge| refuge.why.as_str())
    }

    /// The bounds in force.
    pub(super) fn bounds(&self) -> Options {
        if self.refuge.is_some() { Options { max_bytes: MEMORY_BYTES } } else { self.options }
    }

    /// From now on the store is in memory.
    pub(super) fn begin_refuge(&mut self, why: &Error, was_here: bool) {
        tracing::error!(%why, "the disk takes nothing; telling goes on from memory, and the disk is tried again");
        self.refuge = Some(Refuge { why: why.to_string(), next_try: Instant::now() + TRY_AGAIN, was_here });
    }

    /// Goes on in memory with what can be read of the file.
    pub(super) fn take_refuge(&mut self, why: &Error) -> Result<()> {
        let db = in_memory(Some(&self.db))?;
        let names = Names::load(&db)?;
        (self.db, self.names, self.suspect) = (db, names, false);
        self.begin_refuge(why, true);
        Ok(())
    }

    /// Goes back to the disk, if it takes what came meanwhile.
    pub(super) fn try_the_disk(&mut self) {
        let now = Instant::now();
        let Some(refuge) = self.refuge.as_mut().filter(|refuge| refuge.next_try <= now) else { return };
        refuge.next_try = now + TRY_AGAIN;
        if let Err(error) = self.back_to_disk() {
            tracing::warn!(%error, "the disk still takes nothing");
        } else {
            tracing::info!("the disk takes what is to be stored again; all that came meanwhile is on it");
        }
    }

    pub(super) fn back_to_disk(&mut self) -> Result<()> {
        self.reserve.give();
        let was_here = self.refuge.as_ref().is_none_or(|refuge| refuge.was_here);
        let (mut ready, salvage) =
            file::open_or_salvage(&self.file, self.last_changed(), self.options, was_here)?;
        ready.db.pragma_update(None, "synchronous", "FULL")?;
        let now = self.newest_time()?.unwrap_or_else(|| self.last_changed());
        let end = Instant::now() + PATIENCE;
        let transaction = ready.db.transaction()?;
        // Windows that were saved before do not fit to what was judged meanwhile.
        transaction.execute_batch("DELETE FROM tail; DELETE FROM state;")?;
        guessed::correct_the_disk(&self.db, &transaction, (&self.watched, now))?;
        for (table, replace) in TO_THE_DISK {
            carry(&self.db, &transaction, table, replace, end)?;
        }
        transaction.commit()?;
        let last_number = self.last_number;
        let Ready { db, book, names, .. } = Ready::over(ready.db)?;
        if !was_here {
            // Ids go on with the book that they began with.
            schema::put_meta(&db, "book", &self.book)?;
        }
        if salvage.is_some() {
            self.book = book;
            self.salvage = salvage;
        }
        (self.db, self.names, self.last_number) = (db, names, last_number);
        self.synced = super::Durability::Full;
        (self.suspect, self.refuge) = (false, None);
        self.note_open();
        Ok(())
    }
}
