//! Hand-made sites: the configuration and maps of a small part of Larkspur Cannery in a folder of their own.

use crate::modbus_server::{Answer, Question, serve};
use kvarden::store::{OwnedInput, Store, TailRecord};
use kvarden_config::Configuration;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::SystemTime;
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

/// The load of the feeder of [`polled_feeder`], as its meter shows it: 50 A in phase A, 130 A while it is high; phase B
/// is not there.
#[derive(Debug, Clone, Default)]
pub struct Load {
    high: Arc<AtomicBool>,
    polls: Arc<Mutex<Vec<SystemTime>>>,
}

impl Load {
    /// From now on it is high, or not.
    pub fn set_high(&self, high: bool) {
        self.high.store(high, Ordering::Relaxed);
    }

    /// When the meter was asked, so far.
    pub fn polls(&self) -> Vec<SystemTime> {
        self.polls.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn answer(&self, question: Question) -> Answer {
        let mut polls = self.polls.lock().unwrap_or_else(PoisonError::into_inner);
        let poll = polls.len();
        polls.push(SystemTime::now());
        let amps = if self.high.load(Ordering::Relaxed) { 130.0f32 } else { 50.0 } + (poll % 7) as f32 / 8.0;
        let words = [amps, f32::NAN].into_iter().flat_map(|value| {
            let bits = value.to_bits();
            [(bits >> 16) as u16, bits as u16]
        });
        Answer::Words(words.skip(usize::from(question.address)).take(usize::from(question.count)).collect())
    }
}

/// A feeder MP-3 whose meter is asked ten times a second, with one limit at 80 A without delays, told to a file. `store`
/// are the lines of the section of the store.
pub fn polled_feeder(store: &str) -> (Site, Load) {
    let load = Load::default();
    let meter = load.clone();
    let port = serve(move |question| meter.answer(question));
    let config = format!(
        r#"
[[meter]]
name = "MP-3"
measures = {{ feeder = "MP-3" }}
modbus = {{ address = "127.0.0.1:{port}", unit = 1, map = "maps/mp3.toml", every = "100ms" }}
frozen_after = "never"
[[limit]]
on = "current_a"
of = "MP-3"
levels = [{{ setpoint = 80, priority = "high" }}]
deadband = 5
on_delay = "0s"
off_delay = "0s"
recurs = false
[store]
folder = "data"
{store}
[tell]
file = "alerts.jsonl"
"#
    );
    let map = [
        point("current_a.A", "address = 0\nkind = \"f32\""),
        point("current_a.B", "address = 2\nkind = \"f32\""),
    ];
    (Site::new(&config, &[("maps/mp3.toml", &map.concat())]), load)
}
