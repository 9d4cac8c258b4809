//! What a disk may hold after a power cut, built again from what a process really asked of the system (`traced`).
//!
//! The model of the disk:
//!
//! * What was in a file when its last sync began is there.
//! * Of what was written later each sector of 512 bytes is as it was, or as any later write left it, each for itself: so
//!   writes may be lost, come in another order, or be torn. The length of the file is any that it had since.
//! * After a sync that failed, what it should have brought to the disk never comes there, also not by a later sync that
//!   ends well: the system has forgotten that it is to be written (Linux since 4.13 does so, in most file systems).
//! * A sector is old or new as a whole, and other sectors are not touched (SQLite's own assumption, which disks of the last
//!   decades keep).
//! * Names (made, removed, changed) reach the disk in their order, and are sure when their folder was synced: as with
//!   every file system that keeps a journal.

use crate::traced::Event;
use crate::wait::Chance;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Bytes that a disk writes whole or not at all.
const SECTOR: usize = 512;

/// What became of that which was not synced when the power went.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// All of it is lost.
    Lost,
    /// All of it is there.
    Kept,
    /// Of each file the first writes are there, and the next one in part.
    Torn,
    /// Each sector is as some write or none left it.
    Scattered,
}

impl Fate {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Lost, Self::Kept, Self::Torn, Self::Scattered];
}

/// A file: what is sure of it, and what came since.
#[derive(Debug, Clone, Default)]
struct Inode {
    sure: Vec<u8>,
    since: Vec<Change>,
    /// Where the next write without a place goes.
    end: u64,
}

#[derive(Debug, Clone)]
enum Change {
    Write(usize, Vec<u8>),
    Length(usize),
}

impl Change {
    /// Applies it; gives the bytes that it touched.
    fn apply(&self, bytes: &mut Vec<u8>) -> (usize, usize) {
        match self {
            Self::Write(at, data) => {
                bytes.resize(bytes.len().max(at + data.len()), 0);
                bytes[*at..at + data.len()].copy_from_slice(data);
                (*at, at + data.len())
            }
            Self::Length(length) => {
                let touched = (bytes.len().min(*length), bytes.len().max(*length));
                bytes.resize(*length, 0);
                touched
            }
        }
    }
}

impl Inode {
    fn change(&mut self, change: Change) {
        self.since.push(change);
    }

    fn sync(&mut self) {
        for change in self.since.drain(..) {
            change.apply(&mut self.sure);
        }
    }

    fn after(&self, fate: Fate, chance: &mut Chance) -> Vec<u8> {
        let mut bytes = self.sure.clone();
        let whole = match fate {
            Fate::Lost => 0,
            Fate::Kept => self.since.len(),
            Fate::Torn => chance.below(self.since.len() as u64 + 1) as usize,
            Fate::Scattered => return self.scattered(chance),
        };
        for change in &self.since[..whole] {
            change.apply(&mut bytes);
        }
        if fate == Fate::Torn
            && let Some(Change::Write(at, data)) = self.since.get(whole)
        {
            for (from, to) in sectors(*at, at + data.len()) {
                if chance.below(2) == 0 {
                    Change::Write(from, data[from - at..to - at].to_vec()).apply(&mut bytes);
                }
            }
        }
        bytes
    }

    /// One of its forms for each sector, drawn while all of them pass by.
    fn scattered(&self, chance: &mut Chance) -> Vec<u8> {
        let mut now = self.sure.clone();
        let (mut length, mut drawn) = (now.len(), BTreeMap::<usize, (u64, Vec<u8>)>::new());
        for (count, change) in (2..).zip(&self.since) {
            let (from, to) = change.apply(&mut now);
            if chance.below(count) == 0 {
                length = now.len();
            }
            for (from, _) in sectors(from, to) {
                let number = from / SECTOR;
                let begin = number * SECTOR;
                let known = drawn.entry(number).or_insert_with(|| (1, part(&self.sure, begin)));
                known.0 += 1;
                if chance.below(known.0) == 0 {
                    known.1 = part(&now, begin);
                }
            }
        }
        let mut bytes = self.sure.clone();
        bytes.resize(length, 0);
        for (number, (_, sector)) in drawn {
            let begin = number * SECTOR;
            let end = length.min(begin + SECTOR);
            if begin < end {
                bytes[begin..end].copy_from_slice(&sector[..end - begin]);
            }
        }
        bytes
    }
}

/// A sector of a file; zeros beyond its end.
fn part(bytes: &[u8], begin: usize) -> Vec<u8> {
    let mut sector = bytes.get(begin..bytes.len().min(begin + SECTOR)).unwrap_or_default().to_vec();
    sector.resize(SECTOR, 0);
    sector
}

/// The pieces of a stretch of bytes that lie in one sector each.
fn sectors(from: usize, to: usize) -> impl Iterator<Item = (usize, usize)> {
    (from / SECTOR..to.div_ceil(SECTOR))
        .map(move |number| (from.max(number * SECTOR), to.min((number + 1) * SECTOR)))
}

/// What a name stands for.
type Entry = Option<usize>;

/// A disk while calls pass by.
#[derive(Debug, Default)]
pub struct Disk {
    inodes: Vec<Inode>,
    /// As the process sees them: a file by its number, a folder by none.
    names: BTreeMap<PathBuf, Entry>,
    sure_names: BTreeMap<PathBuf, Entry>,
    /// Changes of names that are not sure yet, in their order; `None`: removed.
    since: Vec<(PathBuf, Option<Entry>)>,
}

impl Disk {
    /// A disk on which there is only this folder.
    pub fn with(folder: &Path) -> Self {
        let names = BTreeMap::from([(folder.to_owned(), None)]);
        Self { names: names.clone(), sure_names: names, ..Self::default() }
    }

    /// One call; what lies outside of the folder is not looked at.
    pub fn take(&mut self, event: &Event) {
        match event {
            Event::Said(_) => {}
            Event::Made(path) => {
                self.file(path);
            }
            Event::Folder(path) => self.name(path, Some(None)),
            Event::Wrote(path, at, bytes) => {
                let Some(inode) = self.file(path) else { return };
                let begin = at.unwrap_or(inode.end) as usize;
                if at.is_none() {
                    inode.end += bytes.len() as u64;
                }
                inode.change(Change::Write(begin, bytes.clone()));
            }
            Event::Cut(path, length) => {
                let Some(inode) = self.file(path) else { return };
                inode.end = inode.end.min(*length);
                inode.change(Change::Length(*length as usize));
            }
            Event::Synced(path) => match self.names.get(path) {
                Some(Some(number)) => self.inodes[*number].sync(),
                Some(None) => self.sync_names(path),
                None => {}
            },
            Event::Unsynced(path) => {
                if let Some(Some(number)) = self.names.get(path) {
                    self.inodes[*number].since.clear();
                }
            }
            Event::Removed(path) => self.name(path, None),
            Event::Renamed(from, to) => {
                if let Some(entry) = self.names.get(from).copied() {
                    self.name(from, None);
                    self.name(to, Some(entry));
                }
            }
        }
    }

    fn name(&mut self, path: &Path, entry: Option<Entry>) {
        if path.parent().is_none_or(|folder| !self.names.contains_key(folder)) {
            return;
        }
        match entry {
            Some(entry) => self.names.insert(path.to_owned(), entry),
            None => self.names.remove(path),
        };
        self.since.push((path.to_owned(), entry));
    }

    /// The file of this name, made where there is none.
    fn file(&mut self, path: &Path) -> Option<&mut Inode> {
        if !self.names.contains_key(path) {
            self.inodes.push(Inode::default());
            self.name(path, Some(Some(self.inodes.len() - 1)));
        }
        let number = (*self.names.get(path)?)?;
        self.inodes.get_mut(number)
    }

    fn sync_names(&mut self, folder: &Path) {
        let (now, later) =
            self.since.drain(..).partition::<Vec<_>, _>(|(path, _)| path.parent() == Some(folder));
        self.since = later;
        for (path, entry) in now {
            set(&mut self.sure_names, path, entry);
        }
    }

    /// What is on the disk if the power goes now: each folder, and each file with its bytes.
    pub fn after_cut(&self, fate: Fate, chance: &mut Chance) -> BTreeMap<PathBuf, Option<Vec<u8>>> {
        let most = self.since.len() as u64;
        let kept = match fate {
            Fate::Lost => 0,
            Fate::Kept => most,
            Fate::Torn | Fate::Scattered => chance.below(most + 1),
        };
        let mut names = self.sure_names.clone();
        for (path, entry) in &self.since[..kept as usize] {
            set(&mut names, path.clone(), *entry);
        }
        let in_a_folder = |path: &Path| {
            path.parent().is_some_and(|folder| names.contains_key(folder) || self.is_outside(folder))
        };
        let there = names.iter().filter(|(path, _)| in_a_folder(path));
        there
            .map(|(path, entry)| (path.clone(), entry.map(|number| self.inodes[number].after(fate, chance))))
            .collect()
    }

    fn is_outside(&self, folder: &Path) -> bool {
        self.sure_names.keys().next().is_some_and(|root| root.parent() == Some(folder))
    }
}

fn set(names: &mut BTreeMap<PathBuf, Entry>, path: PathBuf, entry: Option<Entry>) {
    match entry {
        Some(entry) => names.insert(path, entry),
        None => names.remove(&path),
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    fn disk(events: &[Event]) -> Disk {
        let mut disk = Disk::with(Path::new("/d"));
        for event in events {
            disk.take(event);
        }
        disk
    }

    fn file(name: &str) -> PathBuf {
        Path::new("/d").join(name)
    }

    #[test]
    fn what_was_synced_is_sure_and_the_rest_is_old_or_new_by_sectors() {
        let wrote = |byte: u8| Event::Wrote(file("a"), Some(0), vec![byte; 1024]);
        let sure = [wrote(1), Event::Synced(file("a")), Event::Synced(PathBuf::from("/d"))];
        let disk = disk(&[&sure[..], &[wrote(2), wrote(3)]].concat());
        let mut seen = std::collections::BTreeSet::new();
        for seed in 0..200 {
            for fate in Fate::ALL {
                let image = disk.after_cut(fate, &mut Chance(seed));
                let bytes = image[&file("a")].clone().unwrap();
                assert!(bytes[..512].iter().all(|byte| *byte == bytes[0]), "{bytes:?}");
                assert!(bytes[512..].iter().all(|byte| *byte == bytes[512]), "{bytes:?}");
                match fate {
                    Fate::Lost => assert_eq!((bytes[0], bytes[512]), (1, 1)),
                    Fate::Kept => assert_eq!((bytes[0], bytes[512]), (3, 3)),
                    Fate::Torn => {}
                    Fate::Scattered => drop(seen.insert((bytes[0], bytes[512]))),
                }
            }
        }
        assert_eq!(seen.len(), 9, "each of three forms beside each: {seen:?}");
    }

    #[test]
    fn names_are_sure_when_their_folder_was_synced() {
        let made = [Event::Made(file("a")), Event::Synced(file("a"))];
        let lost = disk(&made).after_cut(Fate::Lost, &mut Chance(1));
        assert!(!lost.contains_key(&file("a")));
        let synced = [&made[..], &[Event::Synced(PathBuf::from("/d")), Event::Removed(file("a"))]].concat();
        assert!(disk(&synced).after_cut(Fate::Lost, &mut Chance(1)).contains_key(&file("a")));
        assert!(!disk(&synced).after_cut(Fate::Kept, &mut Chance(1)).contains_key(&file("a")));
    }
}
