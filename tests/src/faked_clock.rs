//! A faked wall clock for one process; its steady clock is left alone.

use std::path::{Path, PathBuf};

/// The library that does it.
fn library() -> PathBuf {
    let folders = std::fs::read_dir("/usr/lib").expect("every system has it").flatten();
    let found =
        folders.map(|folder| folder.path().join("faketime/libfaketime.so.1")).find(|path| path.exists());
    found.expect("this test needs libfaketime: install the package faketime")
}

/// What a process must find in its environment so that its wall clock is off by what stands in the file `hand`, such as
/// `-300d` or `+0`.
pub fn environment(hand: &Path) -> [(&'static str, String); 5] {
    [
        ("LD_PRELOAD", library().display().to_string()),
        ("FAKETIME_TIMESTAMP_FILE", hand.display().to_string()),
        ("FAKETIME_NO_CACHE", "1".to_owned()),
        ("FAKETIME_DONT_FAKE_MONOTONIC", "1".to_owned()),
        ("DONT_FAKE_MONOTONIC", "1".to_owned()),
    ]
}
