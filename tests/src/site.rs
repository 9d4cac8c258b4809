//! Hand-made sites: the configuration and maps of a small part of Larkspur Cannery in a folder of their own.

use kvarden::store::{OwnedInput, Store, TailRecord};
use kvarden_config::Configuration;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// The head of every site here: one transformer with one feeder.
pub const HEAD: &str = r#"
[site]
name = "Larkspur Cannery"
timezone = "America/Denver"

[[transformer]]
name = "T2"
kva = 75
primary   = { volts = 480, form = "delta" }
secondary = { volts = 208, form = "wye" }

[[feeder]]
name = "MP-3"
fed_by = "T2"
rated_a = 100
"#;

/// The first part of the topics that the site tells on.
pub const TOPICS: &str = "kvarden/larkspur-cannery";

/// One point of a map: what it is (`current_a.B`), and the lines that say where it lies.
pub fn point(quantity: &str, lines: &str) -> String {
    let (measurand, place) = quantity.split_once('.').unwrap_or((quantity, ""));
    let place = if place.is_empty() { String::new() } else { format!("place = \"{place}\"\n") };
    format!("[[point]]\nmeasurand = \"{measurand}\"\n{place}{lines}\n")
}

/// A site in a folder that goes with it.
#[derive(Debug)]
pub struct Site {
    folder: TempDir,
}

impl Site {
    /// Writes `kvarden.toml` (the head and then `config`) and other files, by their paths within the folder.
    pub fn new(config: &str, files: &[(&str, &str)]) -> Self {
        let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
        let main = ("kvarden.toml", format!("{HEAD}{config}"));
        let files = files.iter().map(|(path, text)| (*path, (*text).to_owned()));
        for (path, text) in std::iter::once(main).chain(files) {
            let path = folder.path().join(path);
            std::fs::create_dir_all(path.parent().expect("it lies in the folder"))
                .expect("a folder can be made");
            std::fs::write(path, text).expect("a file can be written");
        }
        Self { folder }
    }

    /// A path within the folder.
    pub fn path(&self, name: impl AsRef<Path>) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The main configuration file.
    pub fn config(&self) -> PathBuf {
        self.path("kvarden.toml")
    }

    /// The configuration as the daemon reads it.
    pub fn configuration(&self) -> Configuration {
        let (configuration, problems) = kvarden_config::load(&self.config());
        assert!(problems.is_empty(), "{}", kvarden_config::render(&problems));
        configuration.expect("without a problem there is a configuration")
    }

    /// The store, read beside a daemon or after it.
    pub fn store(&self) -> Store {
        Store::open_for_reading(&self.path("data")).expect("the daemon has made its store")
    }

    /// The values of every stored reading, in order; for a site of one meter.
    pub fn readings(&self) -> Vec<Vec<Option<f64>>> {
        let tail = self.store().whole_tail().expect("the tail can be read");
        let values = |record: TailRecord| match record.input {
            OwnedInput::Reading { values, .. } => Some(values.iter().map(|value| value.get()).collect()),
            _ => None,
        };
        tail.into_iter().filter_map(values).collect()
    }

    /// The lines of `alerts.jsonl` that are whole, in their order.
    pub fn told_lines(&self) -> Vec<serde_json::Value> {
        let text = std::fs::read_to_string(self.path("alerts.jsonl")).unwrap_or_default();
        text.lines().filter_map(|line| serde_json::from_str(line).ok()).collect()
    }
}
