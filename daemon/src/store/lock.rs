//! The lock of the store's folder, and what its file says: who has it, and whether the store was left in the middle.

use super::{Error, Result};
use std::fs::{self, File, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::Path;

/// Name of the lock file in the store's folder.
pub const LOCK: &str = "kvarden.lock";

/// Stands behind the number of the process, and before the book, while the file is open for writing and has a log.
const WRITING: &str = "writing";

/// A lock that is held; it ends with the process at the latest.
#[derive(Debug)]
pub(super) struct Lock {
    file: File,
    left: Option<String>,
}

impl Lock {
    /// Makes the folder where it is missing and takes its lock.
    pub(super) fn take(folder: &Path) -> Result<Self> {
        make_folder(folder).map_err(|source| Error::file(folder, source))?;
        let path = folder.join(LOCK);
        let opened = File::options().read(true).write(true).create(true).truncate(false).open(&path);
        let mut file = opened.map_err(|source| Error::file(&path, source))?;
        let mut said = String::new();
        let lock = file.try_lock();
        // Only for a message: what stands there may be unreadable.
        let is_known = (&mut file).take(40).read_to_string(&mut said).is_ok();
        let mut words = said.split_whitespace();
        match lock {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let by = words.next().filter(|_| is_known).unwrap_or("unknown").to_owned();
                return Err(Error::Locked { folder: folder.to_owned(), by });
            }
            Err(TryLockError::Error(source)) => return Err(Error::file(&path, source)),
        }
        let left = words.nth(1).filter(|word| *word == WRITING).and_then(|_| words.next()).map(str::to_owned);
        let mut lock = Self { file, left };
        // On a full disk the number can't be written; the lock holds all the same.
        let _ = lock.say("");
        Ok(lock)
    }

    /// The book of the file that the process before had open when it was killed: there must be a log beside it, of the
    /// same book. `None`: it ended by itself, or never had it open.
    pub(super) fn left(&self) -> Option<&str> {
        self.left.as_deref()
    }

    /// The file is open; its log is beside it, and the names of both are on the disk.
    pub(super) fn note_open(&mut self, book: &str) {
        // Where it can't be written, a log that goes missing is not noticed.
        let _ = self.say(&format!("{WRITING} {book}"));
    }

    /// The file is about to be closed, and its log removed.
    pub(super) fn note_end(&mut self) {
        // A call that is interrupted is made once more.
        if self.say("").is_err() {
            let _ = self.say("");
        }
        let _ = self.file.sync_data();
    }

    fn say(&mut self, what: &str) -> std::io::Result<()> {
        let line = format!("{} {what}", std::process::id());
        self.file.set_len(0)?;
        self.file.rewind()?;
        self.file.write_all(line.trim_end().as_bytes())
    }
}

/// Makes a folder where it is missing. Its name outlives a power cut only when the folder above is synced; SQLite does
/// so for its files alone.
fn make_folder(folder: &Path) -> std::io::Result<()> {
    let missing: Vec<&Path> = folder.ancestors().take_while(|one| !one.exists()).collect();
    fs::create_dir_all(folder)?;
    for made in missing {
        sync_folder(made);
    }
    Ok(())
}

/// Syncs the folder that holds a file or folder: a name is on the disk when its folder is. Where this user may not open
/// it, or the file system can't, it is as sure as the system makes it.
pub(super) fn sync_folder(of: &Path) {
    let folder = of.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let _ = File::open(folder).and_then(|folder| folder.sync_all());
}
