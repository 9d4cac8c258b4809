//! Room set aside on the disk: a file of zeros beside the store that gives its place when the disk is full, so that
//! what is to be told finds room until somebody has made some.

use super::Options;
use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Name of the reserve in the store's folder.
pub const RESERVE: &str = "kvarden.reserve";

/// Its size: a share of the byte budget within these bounds. A letter takes about a thousandth of the least.
const SHARE: u64 = 64;
const LEAST: u64 = 256 << 10;
const MOST: u64 = 4 << 20;

/// It is made only where so many times its size is free.
const ROOM: u64 = 4;

/// Free bytes of a volume below which a person must make room: hours of a large site.
const NEARLY_FULL: u64 = 64 << 20;

/// The reserve of one folder.
#[derive(Debug)]
pub(super) struct Reserve {
    path: PathBuf,
    size: u64,
}

impl Reserve {
    pub(super) fn of(file: &Path, options: Options) -> Self {
        let size = (options.max_bytes() / SHARE).clamp(LEAST, MOST);
        Self { path: file.with_file_name(RESERVE), size }
    }

    /// Makes it where it is missing and there is room for it. Without room there is none, and that is no error.
    pub(super) fn make(&self) {
        let is_there = fs::metadata(&self.path).is_ok_and(|facts| facts.len() == self.size);
        if is_there || free_bytes(&self.path).is_some_and(|free| free < self.size * ROOM) {
            return;
        }
        // Zeros are written, for a file with a hole in it takes no room.
        let zeros = vec![0; 64 << 10];
        let write = || -> std::io::Result<()> {
            let mut file = File::create(&self.path)?;
            let mut left = self.size;
            while left > 0 {
                let part = left.min(zeros.len() as u64);
                file.write_all(&zeros[..part as usize])?;
                left -= part;
            }
            file.sync_all()
        };
        if write().is_err() {
            self.give();
        }
    }

    /// Gives its place away. True: there was one.
    pub(super) fn give(&self) -> bool {
        fs::remove_file(&self.path).is_ok()
    }

    /// Whether a person must make room on the volume soon.
    pub(super) fn is_nearly_full(&self) -> bool {
        free_bytes(&self.path).is_some_and(|free| free < NEARLY_FULL)
    }
}

/// Bytes that are free on the volume; `None` where it does not say.
fn free_bytes(file: &Path) -> Option<u64> {
    let facts = nix::sys::statvfs::statvfs(file.parent()?).ok()?;
    Some(facts.blocks_available().saturating_mul(facts.fragment_size()))
}
