//! The file itself: lock, settings, checks, and setting a damaged one aside.

use super::names::Names;
use super::salvage::{self, Salvage};
use super::{Error, Result, room, schema, tail};
use kvarden_core::time::EventTime;
use nix::errno::Errno;
use nix::unistd::{AccessFlags, access};
use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Name of the database in the store's folder.
pub const DATABASE: &str = "kvarden.db";

/// The first SQLite without the race between checkpoint and log reset that loses commits.
const LEAST_SQLITE: i32 = 3_051_003;

/// How long a call waits for a reader or for the file's lock. Readers are short; longer means trouble.
const BUSY: Duration = Duration::from_secs(2);

/// So long each of the two looks for damage may hold up a start.
const CHECK_PATIENCE: Duration = Duration::from_secs(5);

/// Steps of SQLite's machine between two looks at the time.
const CHECK_STEPS: i32 = 10_000;

/// A reader's query ends after so long: while it lasts, the log can't be cut back.
const LONGEST_READ: Duration = Duration::from_secs(2);

/// The log is cut back to this after a checkpoint, so that one long reader leaves no giant behind.
pub(super) const LOG_BYTES: i64 = 16 << 20;

/// Memory for pages, in KiB: the newest pages of each table and the inner pages of the rest.
const CACHE_KIB: i64 = 8 << 10;

/// Prepared statements kept: a few more than there are in the writing path.
const STATEMENTS: usize = 64;

/// Damaged files kept beside the store. A disk that damages each new file must not be filled by them.
const SET_ASIDE_KEPT: usize = 4;

/// The least byte budget that makes sense: the empty tables and some hours of one meter.
const LEAST_BYTES: u64 = 4 << 20;

/// Room between the byte budget and the hard stop: the largest batch of a large site fits in.
const LEAST_HEADROOM: u64 = 512 << 10;

/// How the store is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Options {
    /// Bytes that the file never passes. Old rows go when they are used up; alarms, alerts, letters and days never do.
    pub max_bytes: u64,
}

impl Default for Options {
    /// 2 GiB.
    fn default() -> Self {
        Self { max_bytes: 2 << 30 }
    }
}

impl Options {
    /// Bytes that the file may never pass.
    pub(super) fn max_bytes(self) -> u64 {
        self.max_bytes.max(LEAST_BYTES)
    }

    /// Bytes above which old rows go, so that what never goes finds room up to the hard stop.
    pub(super) fn budget(self) -> u64 {
        let most = self.max_bytes();
        most - (most / 16).max(LEAST_HEADROOM)
    }

    /// So far the budget may be passed between two looks without a word.
    pub(super) fn slack(self) -> u64 {
        (self.max_bytes() - self.budget()) / 2
    }
}

/// A file that is open, whole and up to date, with what the writer remembers of it.
pub(super) struct Ready {
    pub(super) db: Connection,
    pub(super) book: String,
    pub(super) names: Names,
    pub(super) last_number: u64,
}

impl Ready {
    pub(super) fn over(db: Connection) -> Result<Self> {
        let (book, names) = (schema::book(&db)?, Names::load(&db)?);
        let last_number = tail::last_number(&db)?;
        Ok(Self { db, book, names, last_number })
    }
}

/// Opens the file for writing. A damaged or foreign one is moved away and what can be read of it carried into a new
/// one. `was_here`: there was a store in this folder before, so that a missing file is no first start.
pub(super) fn open_or_salvage(
    path: &Path,
    now: EventTime,
    options: Options,
    was_here: bool,
) -> Result<(Ready, Option<Salvage>)> {
    may_use(path)?;
    let why = match lacks(path) {
        None => match open(path, options).and_then(Ready::over).map_err(schema::misfit) {
            Ok(ready) => return Ok((ready, None)),
            Err(Error::Damaged { what }) => what,
            Err(unreadable @ Error::Row { .. }) => unreadable.to_string(),
            Err(other) => return Err(other),
        },
        // A folder without file and log, in which no store ever was: the usual first start.
        Some(_) if !was_here && !beside(path, "-wal").exists() => {
            let begun = open(path, options).and_then(Ready::over);
            if begun.is_err() && lacks(path).is_some() {
                // An empty file must not look like one that was emptied.
                for tail in ["", "-wal", "-shm"] {
                    let _ = fs::remove_file(beside(path, tail));
                }
            }
            return Ok((begun?, None));
        }
        Some(why) => why.to_owned(),
    };
    let aside = set_aside(path, now)?;
    let db = open(path, options)?;
    let report = if let Some(aside) = aside {
        salvage::salvage(&aside, &db, now, &why)?
    } else {
        let report = Salvage { at: now, why, set_aside: None, kept: Vec::new(), lost: Vec::new() };
        salvage::keep(&db, &report)?;
        report
    };
    Ok((Ready::over(db)?, Some(report)))
}

/// Refuses a store of which this user may not use a part: SQLite would not say which, or go on without it. Nothing is
/// opened for that, since closing it would end SQLite's own locks.
fn may_use(path: &Path) -> Result<()> {
    for tail in ["", "-wal", "-shm"] {
        let file = beside(path, tail);
        match access(&file, AccessFlags::R_OK | AccessFlags::W_OK) {
            Ok(()) | Err(Errno::ENOENT) => {}
            Err(why) => return Err(Error::file(&file, why.into())),
        }
    }
    Ok(())
}

/// Whether there is no file, or nothing in it: SQLite would begin a new history without a word.
fn lacks(path: &Path) -> Option<&'static str> {
    match fs::metadata(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Some("its file is missing"),
        Ok(facts) if facts.len() == 0 => Some("its file is empty"),
        _ => None,
    }
}

/// Takes away a log that somebody has put beside a store of another `book`: SQLite would believe it, and show the history
/// of that one. Gives whether there was one. Where it can't be moved, the file is opened as it seems to be.
pub(super) fn set_foreign_log_aside(path: &Path, book: &str, now: EventTime) -> bool {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let found =
        Connection::open_with_flags(path, flags).map_err(Error::from).and_then(|db| schema::book(&db));
    let is_foreign = found.is_ok_and(|found| found != book);
    let log = beside(&free_name(path, "foreign", now), "-wal");
    let is_moved = is_foreign && fs::rename(beside(path, "-wal"), log).is_ok();
    if is_moved {
        let _ = fs::remove_file(beside(path, "-shm"));
    }
    is_moved
}

/// Whether a store that was left while it was open lacks its log: the log is not there, or it is empty and nothing ever
/// went from it into the file.
pub(super) fn lacks_log(path: &Path) -> bool {
    let bytes = |path: &Path| fs::metadata(path).map(|facts| facts.len()).ok();
    match bytes(&beside(path, "-wal")) {
        None => path.exists(),
        Some(log) => log == 0 && bytes(path).is_some_and(|bytes| bytes <= room::PAGE as u64),
    }
}

fn open(path: &Path, options: Options) -> Result<Connection> {
    if rusqlite::version_number() < LEAST_SQLITE {
        return Err(Error::Library { found: rusqlite::version() });
    }
    let flags =
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut db = Connection::open_with_flags(path, flags).map_err(|error| not_opened(path, error))?;
    db.busy_timeout(BUSY)?;
    db.set_prepared_statement_cache_capacity(STATEMENTS);
    // Until the file is known to be ours, closing it must not move its log into it.
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
    schema::refuse_newer(&db, path)?;
    check(&mut db)?;
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false)?;
    set_up(&db, options).map_err(|error| not_opened(path, error))?;
    schema::migrate(&db, schema::STEPS)?;
    schema::compare(&db)?;
    schema::begin_book(&db)?;
    Ok(db)
}

/// A file that may not be read or written is an error of its folder, not of SQLite.
pub(super) fn not_opened(path: &Path, error: rusqlite::Error) -> Error {
    use rusqlite::ErrorCode::{CannotOpen, PermissionDenied, ReadOnly};
    match error.sqlite_error_code() {
        Some(CannotOpen | PermissionDenied | ReadOnly) => {
            Error::file(path, std::io::Error::new(std::io::ErrorKind::PermissionDenied, error))
        }
        _ => error.into(),
    }
}

/// Looks for damage, for a bounded time: a large file on a slow disk must not hold up the watching. First through all
/// pages, then whether each index says what its table says: through a damaged one rows are not found.
fn check(db: &mut Connection) -> Result<()> {
    for look in ["PRAGMA quick_check(1)", "PRAGMA integrity_check(1)"] {
        let end = Instant::now() + CHECK_PATIENCE;
        db.progress_handler(CHECK_STEPS, Some(move || Instant::now() >= end))?;
        let found = db.query_row(look, (), |row| row.get::<_, String>(0));
        db.progress_handler(0, None::<fn() -> bool>)?;
        match found {
            Ok(found) if found == "ok" => {}
            Ok(found) => return Err(Error::Damaged { what: found }),
            Err(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::OperationInterrupted) => {
                tracing::warn!(
                    "the store is large: a part of it was looked through for damage, none was found"
                );
                return Ok(());
            }
            Err(error) => return Err(error.into()),
        }
    }
    Ok(())
}

/// Has a log beside the file. Where that fails SQLite goes on without one, and what is then committed may be taken back by
/// a power cut. It says that it will have one before it has, so its answer is read to the end, where the failure is.
fn make_log(db: &Connection) -> rusqlite::Result<()> {
    let mut pragma = db.prepare("PRAGMA journal_mode = WAL")?;
    let mut answer = pragma.query(())?;
    let mut mode = String::new();
    while let Some(row) = answer.next()? {
        mode = row.get(0)?;
    }
    if mode == "wal" {
        return Ok(());
    }
    let said = format!("there can be no log beside {DATABASE}");
    Err(rusqlite::Error::SqliteFailure(rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_IOERR), Some(said)))
}

fn set_up(db: &Connection, options: Options) -> rusqlite::Result<()> {
    db.pragma_update(None, "page_size", room::PAGE)?;
    make_log(db)?;
    db.pragma_update_and_check(None, "journal_size_limit", LOG_BYTES, |_| Ok(()))?;
    db.pragma_update(None, "synchronous", "NORMAL")?;
    db.pragma_update(None, "cache_size", -CACHE_KIB)?;
    db.pragma_update(None, "temp_store", "MEMORY")?;
    set_bounds(db, options)
}

/// The hard stop of the file.
pub(super) fn set_bounds(db: &Connection, options: Options) -> rusqlite::Result<()> {
    db.pragma_update_and_check(None, "max_page_count", room::most_pages(options), |_| Ok(()))
}

/// Ends a reader's query that takes too long.
#[derive(Debug)]
pub(super) struct Limit {
    opened: Instant,
    /// When the query that is under way began, in milliseconds since `opened`.
    begun: Arc<AtomicU64>,
}

impl Limit {
    /// A query begins.
    pub(super) fn begin(&self) {
        self.begun.store(self.opened.elapsed().as_millis() as u64, Ordering::Relaxed);
    }
}

/// Opens the file for reading, beside a writer.
pub(super) fn open_for_reading(path: &Path) -> Result<(Connection, Limit)> {
    let mut db = open_reader(path)?;
    let limit = Limit { opened: Instant::now(), begun: Arc::default() };
    let (opened, begun) = (limit.opened, Arc::clone(&limit.begun));
    let most = LONGEST_READ.as_millis() as u64;
    let is_over = move || opened.elapsed().as_millis() as u64 > begun.load(Ordering::Relaxed) + most;
    db.progress_handler(CHECK_STEPS / 10, Some(is_over))?;
    Ok((db, limit))
}

/// The same without a limit on the time of a query, for what must see the whole at one moment.
pub(super) fn open_reader(path: &Path) -> Result<Connection> {
    if !path.exists() {
        return Err(Error::Missing { file: path.to_owned() });
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags).map_err(|error| not_opened(path, error))?;
    db.busy_timeout(BUSY)?;
    schema::refuse_newer(&db, path)?;
    schema::refuse_older(&db, path)?;
    Ok(db)
}

/// Moves the file and its log away. Gives the file's new name, if there was one.
fn set_aside(path: &Path, now: EventTime) -> Result<Option<PathBuf>> {
    forget_oldest_aside(path);
    let aside = free_name(path, "damaged", now);
    for tail in ["", "-wal", "-shm"] {
        let (from, to) = (beside(path, tail), beside(&aside, tail));
        if from.exists() {
            fs::rename(&from, &to).map_err(|source| Error::file(&from, source))?;
        }
    }
    Ok(aside.exists().then_some(aside))
}

/// A name beside the file that says what it is and from when, and that nothing has: `kvarden.db.damaged-20261125T…`.
pub(super) fn free_name(path: &Path, what: &str, now: EventTime) -> PathBuf {
    let stamp = jiff::Timestamp::from_millisecond(now.0).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    let stem = format!("{DATABASE}.{what}-{}", stamp.strftime("%Y%m%dT%H%M%SZ"));
    // Two in one second get a number each; the lock is held, so nobody else makes names here.
    let names = (1..).map(|n| if n == 1 { stem.clone() } else { format!("{stem}-{n}") });
    let mut free = names.map(|name| path.with_file_name(name));
    let is_free = |name: &PathBuf| ["", "-wal", "-shm"].iter().all(|tail| !beside(name, tail).exists());
    free.find(is_free).expect("the numbers never end, and a folder holds finitely many files")
}

/// `kvarden.db` → `kvarden.db-wal`.
pub(super) fn beside(path: &Path, tail: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(tail);
    PathBuf::from(name)
}

/// Makes place for one more damaged file. What can't be removed stays: this only bounds the room they take.
fn forget_oldest_aside(path: &Path) {
    let Some(Ok(entries)) = path.parent().map(fs::read_dir) else { return };
    let marks = format!("{DATABASE}.damaged-");
    let is_log = |name: &str| name.ends_with("-wal") || name.ends_with("-shm");
    let names = entries.flatten().filter_map(|entry| entry.file_name().into_string().ok());
    let mut damaged: Vec<String> = names.filter(|name| name.starts_with(&marks) && !is_log(name)).collect();
    damaged.sort();
    for name in damaged.iter().rev().skip(SET_ASIDE_KEPT - 1) {
        for tail in ["", "-wal", "-shm"] {
            let _ = fs::remove_file(path.with_file_name(format!("{name}{tail}")));
        }
    }
}
