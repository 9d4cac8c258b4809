//! What can go wrong with the store: cause and mend in plain words.

use rusqlite::ErrorCode;
use std::io;
use std::path::{Path, PathBuf};

/// Why the store could not do what was asked.
#[derive(Debug, thiserror::Error, miette::Diagnostic)]
pub enum Error {
    /// The folder or a file in it can't be used.
    #[error("the store at {path} can't be used: {source}")]
    #[diagnostic(help(
        "check that the folder exists or can be made, and that the program's user may write in it"
    ))]
    Folder {
        /// Which file or folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Another process writes to this store.
    #[error("the store in {folder} is in use by another Kvarden (process {by})")]
    #[diagnostic(help("stop the other one first, or give this one another folder under [store]"))]
    Locked {
        /// Which folder.
        folder: PathBuf,
        /// The other's process number, as far as it is known.
        by: String,
    },
    /// There is nothing to read.
    #[error("there is no store at {file}")]
    #[diagnostic(help("start the daemon once, or check `folder` under [store]"))]
    Missing {
        /// Which file.
        file: PathBuf,
    },
    /// A newer program wrote the file. It was not touched.
    #[error(
        "{file} was written by a newer Kvarden (version {found} of its form; this program knows {known})"
    )]
    #[diagnostic(help("use that newer Kvarden; the file was left as it is"))]
    Newer {
        /// Which file.
        file: PathBuf,
        /// Its version.
        found: i64,
        /// The newest version that this program knows.
        known: i64,
    },
    /// An older program wrote the file, and reading can't bring it up to date.
    #[error("{file} is of an older form (version {found}; this program reads {known})")]
    #[diagnostic(help("start the daemon of this version once: it brings the file up to date"))]
    Older {
        /// Which file.
        file: PathBuf,
        /// Its version.
        found: i64,
        /// The version that this program reads.
        known: i64,
    },
    /// The SQLite library has a known fault that loses commits.
    #[error("SQLite {found} can lose what was stored")]
    #[diagnostic(help("build with SQLite 3.51.3 or later"))]
    Library {
        /// Its version.
        found: &'static str,
    },
    /// A change was asked of a store that is open for reading.
    #[error("this store was opened for reading only")]
    #[diagnostic(help("only the daemon writes; ask it over its control socket"))]
    ForReading,
    /// The numbers of inputs must rise.
    #[error("input {number} can't follow input {last}")]
    #[diagnostic(help("this is a fault of the program: please report it"))]
    NotRising {
        /// The number that was given.
        number: u64,
        /// The last one before it.
        last: u64,
    },
    /// No room on the disk or in the byte budget.
    #[error("no room is left for the store: {source}")]
    #[diagnostic(help("free some room on its disk, or raise `max_bytes` under [store]"))]
    Full {
        /// What SQLite said.
        source: rusqlite::Error,
    },
    /// The file is damaged, or not a store at all.
    #[error("the store is damaged: {what}")]
    #[diagnostic(help("it is set aside and a new one begun at the next opening; check the disk"))]
    Damaged {
        /// What was found.
        what: String,
    },
    /// A stored row can't be read back.
    #[error("a row of `{table}` can't be read: {why}")]
    #[diagnostic(help("keep a copy of the store's folder and check the disk"))]
    Row {
        /// Which table.
        table: &'static str,
        /// What was wrong with it.
        why: String,
    },
    /// A reader's query took too long.
    #[error("reading took too long and was ended, so that it does not hold up the daemon")]
    #[diagnostic(help("ask for a shorter span of time, or again when the machine is less busy"))]
    TooLong,
    /// A file is in the way of one that is to be written.
    #[error("{file} exists already; nothing is written over it")]
    #[diagnostic(help("give another name, or move that file away first"))]
    Exists {
        /// Which file.
        file: PathBuf,
    },
    /// A file can't be restored from.
    #[error("{file} can't be restored from: {what}")]
    #[diagnostic(help("take a file that `kvarden backup` has made, and copy it whole"))]
    NoBackup {
        /// Which file.
        file: PathBuf,
        /// What was found.
        what: String,
    },
    /// Something else that SQLite said.
    #[error("the store could not be read or written: {source}")]
    #[diagnostic(help("check the disk; the program tries again by itself"))]
    Sqlite {
        /// What SQLite said.
        source: rusqlite::Error,
    },
}

impl Error {
    pub(super) fn file(path: &Path, source: io::Error) -> Self {
        Self::Folder { path: path.to_owned(), source }
    }

    #[expect(clippy::needless_pass_by_value, reason = "callers hand over the error that they were given")]
    pub(crate) fn row(table: &'static str, why: impl ToString) -> Self {
        Self::Row { table, why: why.to_string() }
    }

    /// Whether the connection may no longer be trusted after it.
    pub(super) fn makes_suspect(&self) -> bool {
        match self {
            Self::Damaged { .. } => true,
            Self::Sqlite { source } => matches!(
                source.sqlite_error_code(),
                Some(ErrorCode::SystemIoFailure | ErrorCode::InternalMalfunction | ErrorCode::CannotOpen)
            ),
            _ => false,
        }
    }
}

impl From<rusqlite::Error> for Error {
    fn from(source: rusqlite::Error) -> Self {
        match source.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => Self::Full { source },
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
                Self::Damaged { what: source.to_string() }
            }
            Some(ErrorCode::OperationInterrupted) => Self::TooLong,
            Some(_) => Self::Sqlite { source },
            // No word of SQLite itself: a stored value is not of the kind that it must be.
            None => match source {
                rusqlite::Error::FromSqlConversionFailure(..)
                | rusqlite::Error::InvalidColumnType(..)
                | rusqlite::Error::IntegralValueOutOfRange(..)
                | rusqlite::Error::Utf8Error(..)
                | rusqlite::Error::QueryReturnedNoRows => Self::row("some table", source),
                other => Self::Sqlite { source: other },
            },
        }
    }
}
