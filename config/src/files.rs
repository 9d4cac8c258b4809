//! The door to the disk: texts by path, bounded, with a reason in words when there is none.

use std::io;
use std::path::Path;

/// The largest file that is read: a hundred times a large site; more is a wrong file.
pub(crate) const MOST_BYTES: u64 = 4 << 20;

/// How other files are read.
pub(crate) struct Files<'f> {
    /// The text of a file.
    pub(crate) text: &'f dyn Fn(&Path) -> io::Result<String>,
    /// Whether every user of the machine may read it.
    pub(crate) is_open_to_all: &'f dyn Fn(&Path) -> bool,
}

/// Reads a file from the disk.
pub(crate) fn from_disk(path: &Path) -> io::Result<String> {
    if std::fs::metadata(path)?.len() > MOST_BYTES {
        return Err(io::Error::from(io::ErrorKind::FileTooLarge));
    }
    std::fs::read_to_string(path)
}

/// Whether every user of the machine may read it.
#[cfg(unix)]
pub(crate) fn is_open_to_all(path: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt;
    const OTHERS_READ: u32 = 0o004;
    std::fs::metadata(path).is_ok_and(|facts| facts.permissions().mode() & OTHERS_READ != 0)
}

/// Other systems have no such bit.
#[cfg(not(unix))]
pub(crate) fn is_open_to_all(_: &Path) -> bool {
    false
}

/// Why a file can't be read, in words that do not change from system to system.
pub(crate) fn reason(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "there is no such file".to_owned(),
        io::ErrorKind::PermissionDenied => "this user may not read it".to_owned(),
        io::ErrorKind::InvalidData => "it is not UTF-8 text".to_owned(),
        io::ErrorKind::IsADirectory => "it is a folder".to_owned(),
        io::ErrorKind::FileTooLarge => format!("it has more than {} MiB", MOST_BYTES >> 20),
        _ => error.to_string(),
    }
}
