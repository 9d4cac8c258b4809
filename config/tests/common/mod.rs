//! The good files, as they lie in `tests/good`, for every test that needs one.

use kvarden_config::{Configuration, Problem};
use std::io;
use std::path::{Path, PathBuf};

/// The main file.
pub(crate) const MAIN: &str = include_str!("../good/kvarden.toml");
/// A folder of this crate's tests.
pub(crate) fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join(name)
}

/// A file of the good folder.
pub(crate) fn good_file(path: &Path) -> io::Result<String> {
    std::fs::read_to_string(folder("good").join(path))
}

/// Reads a main file beside the good maps.
pub(crate) fn parse(text: &str) -> (Option<Configuration>, Vec<Problem>) {
    kvarden_config::parse("kvarden.toml", text, &good_file)
}

/// The good configuration.
pub(crate) fn good() -> Configuration {
    let (configuration, problems) = parse(MAIN);
    assert!(problems.is_empty(), "{}", kvarden_config::render(&problems));
    configuration.expect("no problems, so a configuration")
}
