//! Backup and restore: a copy of the whole at one moment, made beside a running daemon, and the way back.
//!
//! No secret is in it: passwords are only in their own files, never in the store.

use super::lock::{Lock, sync_folder};
use super::{Error, Result, file, schema};
use kvarden_core::time::EventTime;
use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags};
use std::fs::{self, File};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Pages copied in one step, 256 KiB: progress is seen, and nobody waits for it.
const STEP_PAGES: i32 = 64;

/// How long a copy waits for a file that is locked, and how often.
const PAUSE: Duration = Duration::from_millis(50);
const MOST_PAUSES: u32 = 200;

/// How many findings of a check are told.
const MOST_FINDINGS: u32 = 20;

/// How far a copy has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Bytes copied.
    pub done: u64,
    /// Bytes in all.
    pub of: u64,
}

/// Copies the store of a folder, as it is at one moment, into a new file. The daemon may run and write meanwhile; its
/// log grows by what it writes and is cut back afterwards.
///
/// # Errors
/// There is no store, the file exists already, or it can't be written. Then nothing is left at `to`.
pub fn back_up(folder: &Path, to: &Path, progress: &mut dyn FnMut(Progress)) -> Result<u64> {
    if to.exists() {
        return Err(Error::Exists { file: to.to_owned() });
    }
    let source = file::open_reader(&folder.join(file::DATABASE))?;
    // From here on this connection sees one moment, whatever the daemon writes.
    source.execute_batch("BEGIN")?;
    source.query_row("SELECT count(*) FROM sqlite_schema", (), |_| Ok(()))?;
    let part = file::beside(to, ".part");
    let copied = copy(&source, &part, progress, |_| Ok(())).and_then(|bytes| {
        publish(&part, to)?;
        Ok(bytes)
    });
    let _ = fs::remove_file(&part);
    copied
}

/// Copies into a file of its own that is whole, checked and on the disk when this returns.
fn copy(
    source: &Connection,
    part: &Path,
    progress: &mut dyn FnMut(Progress),
    finish: impl FnOnce(&Connection) -> Result<()>,
) -> Result<u64> {
    // A piece that an earlier, broken copy left.
    match fs::remove_file(part) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(Error::file(part, error)),
        _ => {}
    }
    let mut db = Connection::open(part).map_err(|error| file::not_opened(part, error))?;
    let _ = fs::set_permissions(part, fs::Permissions::from_mode(0o640));
    {
        let backup = Backup::new(source, &mut db)?;
        let mut pauses = 0;
        loop {
            match backup.step(STEP_PAGES)? {
                StepResult::Done => break,
                StepResult::More => pauses = 0,
                _ => {
                    pauses += 1;
                    if pauses > MOST_PAUSES {
                        return Err(Error::TooLong);
                    }
                    std::thread::sleep(PAUSE);
                }
            }
            let now = backup.progress();
            let bytes = |pages: i32| u64::from(pages.max(0).unsigned_abs()) * super::room::PAGE as u64;
            progress(Progress { done: bytes(now.pagecount - now.remaining), of: bytes(now.pagecount) });
        }
    }
    // One file by itself: no log beside it.
    db.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(()))?;
    finish(&db)?;
    if let Some(what) = findings(&db).into_iter().next() {
        return Err(Error::Damaged { what });
    }
    db.close().map_err(|(_, error)| error)?;
    let on_disk = File::open(part).and_then(|file| file.sync_all().and_then(|()| file.metadata()));
    on_disk.map(|facts| facts.len()).map_err(|source| Error::file(part, source))
}

/// Gives a finished file its name, unless something has it meanwhile.
fn publish(part: &Path, to: &Path) -> Result<()> {
    match fs::hard_link(part, to) {
        Ok(()) => {}
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
            return Err(Error::Exists { file: to.to_owned() });
        }
        // A file system without links.
        Err(_) => fs::rename(part, to).map_err(|source| Error::file(to, source))?,
    }
    sync_folder(to);
    Ok(())
}

/// Puts the copy `from` in the place of the folder's store. The present file is kept beside it; its name is given.
///
/// What is told after it has new ids, also where something was told after the copy was made.
///
/// # Errors
/// A daemon runs, `from` is no whole copy of a store or of a newer program, or something can't be written. The
/// present store is in its place then.
pub fn restore_from(
    folder: &Path,
    from: &Path,
    now: EventTime,
    progress: &mut dyn FnMut(Progress),
) -> Result<Option<PathBuf>> {
    let _lock = Lock::take(folder)?;
    let source = open_backup(from)?;
    let path = folder.join(file::DATABASE);
    let part = file::beside(&path, ".restoring");
    let copied = copy(&source, &part, progress, schema::change_book);
    if let Err(error) = copied {
        let _ = fs::remove_file(&part);
        return Err(error);
    }
    let aside = if path.exists() { Some(keep_aside(&path, now)?) } else { None };
    // At each moment there is a whole store under this name: the former one or the restored one.
    fs::rename(&part, &path).map_err(|source| Error::file(&path, source))?;
    sync_folder(&path);
    Ok(aside)
}

fn open_backup(from: &Path) -> Result<Connection> {
    let unfit = |what: String| Error::NoBackup { file: from.to_owned(), what };
    if !from.is_file() {
        return Err(unfit("there is no such file".to_owned()));
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(from, flags).map_err(|error| file::not_opened(from, error))?;
    if !schema::is_ours(&db) {
        return Err(unfit("it is no store of Kvarden".to_owned()));
    }
    schema::refuse_newer(&db, from)?;
    match findings(&db).into_iter().next() {
        Some(what) => Err(unfit(format!("it is damaged: {what}"))),
        None => Ok(db),
    }
}

/// Gives the present file a second name, then frees its place from its log.
fn keep_aside(path: &Path, now: EventTime) -> Result<PathBuf> {
    let aside = file::free_name(path, "replaced", now);
    // Its log goes into it. Where that can't be done, as with a damaged file, the log is kept aside as well.
    if let Ok(db) = Connection::open(path) {
        let _ = db.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(()));
    }
    if fs::hard_link(path, &aside).is_err() {
        fs::copy(path, &aside).map_err(|source| Error::file(&aside, source))?;
    }
    for tail in ["-wal", "-shm"] {
        let (from, to) = (file::beside(path, tail), file::beside(&aside, tail));
        if from.exists() {
            fs::rename(&from, &to).map_err(|source| Error::file(&from, source))?;
        }
    }
    Ok(aside)
}

fn findings(db: &Connection) -> Vec<String> {
    let mut statement = match db.prepare(&format!("PRAGMA integrity_check({MOST_FINDINGS})")) {
        Ok(statement) => statement,
        Err(error) => return vec![error.to_string()],
    };
    let rows = statement.query_map((), |row| row.get::<_, String>(0));
    let found: rusqlite::Result<Vec<String>> = rows.and_then(Iterator::collect);
    match found {
        Ok(found) => found.into_iter().filter(|line| line != "ok").collect(),
        Err(error) => vec![error.to_string()],
    }
}

/// Looks through the whole store of a folder for damage, beside a running daemon; gives what was found.
///
/// # Errors
/// There is no store, or it is of another version than this program.
pub fn verify(folder: &Path) -> Result<Vec<String>> {
    let path = folder.join(file::DATABASE);
    match file::open_reader(&path) {
        Ok(db) => Ok(findings(&db)),
        Err(Error::Damaged { what }) => Ok(vec![what]),
        Err(other) => Err(other),
    }
}
