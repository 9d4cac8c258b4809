//! The file itself: lock, settings, checks, and setting a damaged one aside.

use super::{Error, Result, room, schema};
use kvarden_core::time::EventTime;
use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};
use std::fs::{self, File, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Name of the database in the store's folder.
pub const DATABASE: &str = "kvarden.db";

/// Name of the lock file in the store's folder.
pub const LOCK: &str = "kvarden.lock";

/// The first SQLite without the race between checkpoint and log reset that loses commits.
const LEAST_SQLITE: i32 = 3_051_003;

/// How long a call waits for a reader or for the file's lock. Readers are short; longer means trouble.
const BUSY: Duration = Duration::from_secs(2);

/// The log is cut back to this after a checkpoint, so that one long reader leaves no giant behind.
const LOG_BYTES: i64 = 16 << 20;

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
}

/// Makes the folder where it is missing and takes its lock, which ends with the process at the latest.
pub(super) fn lock(folder: &Path) -> Result<File> {
    fs::create_dir_all(folder).map_err(|source| Error::file(folder, source))?;
    let path = folder.join(LOCK);
    let opened = File::options().read(true).write(true).create(true).truncate(false).open(&path);
    let mut file = opened.map_err(|source| Error::file(&path, source))?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut by = String::new();
            // Only for the message: who holds it may be unreadable.
            let known = file.take(20).read_to_string(&mut by).is_ok() && !by.trim().is_empty();
            let by = if known { by.trim().to_owned() } else { "unknown".to_owned() };
            return Err(Error::Locked { folder: folder.to_owned(), by });
        }
        Err(TryLockError::Error(source)) => return Err(Error::file(&path, source)),
    }
    // On a full disk the number can't be written; the lock holds all the same.
    if file.set_len(0).and_then(|()| file.rewind()).is_ok() {
        let _ = write!(file, "{}", std::process::id());
    }
    Ok(file)
}

/// Opens the file for writing. A damaged or foreign one is moved away, and its new name given.
pub(super) fn open_or_set_aside(
    path: &Path,
    now: EventTime,
    options: Options,
) -> Result<(Connection, Option<PathBuf>)> {
    match open(path, options) {
        Ok(db) => Ok((db, None)),
        Err(Error::Damaged { .. }) => {
            let aside = set_aside(path, now)?;
            Ok((open(path, options)?, Some(aside)))
        }
        Err(other) => Err(other),
    }
}

fn open(path: &Path, options: Options) -> Result<Connection> {
    if rusqlite::version_number() < LEAST_SQLITE {
        return Err(Error::Library { found: rusqlite::version() });
    }
    let flags =
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags).map_err(|error| not_opened(path, error))?;
    db.busy_timeout(BUSY)?;
    db.set_prepared_statement_cache_capacity(STATEMENTS);
    // Until the file is known to be ours, closing it must not move its log into it.
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
    schema::refuse_newer(&db, path)?;
    check(&db)?;
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false)?;
    set_up(&db, options).map_err(|error| not_opened(path, error))?;
    schema::migrate(&db, schema::STEPS)?;
    schema::begin_book(&db)?;
    Ok(db)
}

/// A file that may not be read or written is an error of its folder, not of SQLite.
fn not_opened(path: &Path, error: rusqlite::Error) -> Error {
    use rusqlite::ErrorCode::{CannotOpen, PermissionDenied, ReadOnly};
    match error.sqlite_error_code() {
        Some(CannotOpen | PermissionDenied | ReadOnly) => {
            Error::file(path, std::io::Error::new(std::io::ErrorKind::PermissionDenied, error))
        }
        _ => error.into(),
    }
}

fn check(db: &Connection) -> Result<()> {
    let found: String = db.query_row("PRAGMA quick_check(1)", (), |row| row.get(0))?;
    if found == "ok" { Ok(()) } else { Err(Error::Damaged { what: found }) }
}

fn set_up(db: &Connection, options: Options) -> rusqlite::Result<()> {
    db.pragma_update(None, "page_size", room::PAGE)?;
    db.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    db.pragma_update_and_check(None, "journal_size_limit", LOG_BYTES, |_| Ok(()))?;
    db.pragma_update(None, "synchronous", "NORMAL")?;
    db.pragma_update(None, "cache_size", -CACHE_KIB)?;
    db.pragma_update(None, "temp_store", "MEMORY")?;
    db.pragma_update_and_check(None, "max_page_count", room::most_pages(options), |_| Ok(()))
}

/// Opens the file for reading, beside a writer.
pub(super) fn open_for_reading(path: &Path) -> Result<Connection> {
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

fn set_aside(path: &Path, now: EventTime) -> Result<PathBuf> {
    forget_oldest_aside(path);
    let stamp = jiff::Timestamp::from_millisecond(now.0).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    let stem = format!("{DATABASE}.damaged-{}", stamp.strftime("%Y%m%dT%H%M%SZ"));
    // Two in one second get a number each; the lock is held, so nobody else makes names here.
    let names = (1..).map(|n| if n == 1 { stem.clone() } else { format!("{stem}-{n}") });
    let aside = names.map(|name| path.with_file_name(name)).find(|name| !name.exists());
    let aside = aside.expect("the numbers never end, and a folder holds finitely many files");
    fs::rename(path, &aside).map_err(|source| Error::file(path, source))?;
    for tail in ["-wal", "-shm"] {
        let (from, to) = (beside(path, tail), beside(&aside, tail));
        if from.exists() {
            fs::rename(&from, &to).map_err(|source| Error::file(&from, source))?;
        }
    }
    Ok(aside)
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
