//! What a killed process and somebody's hand leave: log and index missing, stale, of another file. All that can be had
//! is there, or the loss is told; never a history that is empty without a word.

use super::salvage::{CHANGES, fill};
use super::*;
use std::collections::BTreeMap;
use std::fs;

/// The files of a folder, by the end of their names.
type Files = BTreeMap<&'static str, Vec<u8>>;

const ENDS: [&str; 3] = ["", "-wal", "-shm"];

/// The files as they are now, as a kill would leave them.
fn taken(folder: &TempDir) -> Files {
    let path = folder.path().join(DATABASE);
    ENDS.iter().filter_map(|end| Some((*end, fs::read(file::beside(&path, end)).ok()?))).collect()
}

fn lock_of(folder: &TempDir) -> Vec<u8> {
    fs::read(folder.path().join(LOCK)).unwrap()
}

struct Left {
    folder: TempDir,
}

impl Left {
    fn new(files: &Files, lock: &[u8]) -> Self {
        let folder = folder();
        let path = folder.path().join(DATABASE);
        for (end, bytes) in files {
            fs::write(file::beside(&path, end), bytes).unwrap();
        }
        fs::write(folder.path().join(LOCK), lock).unwrap();
        Self { folder }
    }

    fn open(&self) -> Opened {
        Store::open(self.folder.path(), Options::default(), NOW).unwrap()
    }
}

fn changes(store: &Store) -> usize {
    store.changes(EventTime(0), EventTime(i64::MAX)).unwrap().len()
}

/// Seen to fail without the note in the lock file that the store is open.
#[test]
fn a_log_that_was_removed_after_a_kill_is_told_of() {
    let folder = folder();
    let mut store = open(&folder);
    let (early, lock) = (taken(&folder), lock_of(&folder));
    fill(&mut store);
    let late = taken(&folder);
    store.db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", (), |_| Ok(())).unwrap();
    store.apply(&Batch { alerts: vec![alert("a", 1, true)], ..Batch::default() }).unwrap();
    let cut_back = taken(&folder);
    let book = store.book().to_owned();
    for (files, kept) in [(&early, 0), (&late, 0), (&cut_back, CHANGES)] {
        let mut without = files.clone();
        without.remove("-wal").expect("an open store has a log");
        let left = Left::new(&without, &lock);
        let opened = left.open();
        let salvage = opened.salvage.expect("the loss is told");
        assert!(salvage.to_string().contains("kvarden.db-wal) is missing"), "{salvage}");
        assert_ne!(opened.store.book(), book, "ids that were told do not come again");
        assert_eq!(changes(&opened.store), kept);
        let notices = opened.store.notices(NOW).unwrap();
        assert!(notices.iter().any(|notice| notice.contains("is missing")), "{notices:?}");
        drop(opened.store);
        assert_eq!(left.open().salvage, None, "it is told once");
        assert_eq!(verify(left.folder.path()).unwrap(), Vec::<String>::new());
    }
    // Of a file to which nothing ever went, an empty log says as much as none.
    let mut emptied = early.clone();
    emptied.insert("-wal", Vec::new());
    assert!(Left::new(&emptied, &lock).open().salvage.is_some());
}

#[test]
fn after_a_good_end_and_after_a_kill_with_its_log_nothing_is_told() {
    let folder = folder();
    let mut store = open(&folder);
    fill(&mut store);
    let (killed, lock) = (taken(&folder), lock_of(&folder));
    drop(store);
    let ended = taken(&folder);
    assert!(!ended.contains_key("-wal"), "a good end leaves no log");
    for (files, lock) in [(&killed, &lock), (&ended, &lock_of(&folder))] {
        let opened = Left::new(files, lock).open();
        assert_eq!(opened.salvage, None);
        assert_eq!(changes(&opened.store), CHANGES);
    }
    // What an index holds does not matter: it is made anew.
    for index in [None, Some(Vec::new()), Some(vec![0x5A; 32_768])] {
        let mut files = killed.clone();
        files.remove("-shm");
        files.extend(index.map(|bytes| ("-shm", bytes)));
        let opened = Left::new(&files, &lock).open();
        assert_eq!((opened.salvage, changes(&opened.store)), (None, CHANGES));
    }
}

/// SQLite believes a log of another store that is put beside this one. Seen to fail without the look at its book: the
/// history was empty without a word.
#[test]
fn a_log_of_another_store_is_set_aside_and_told_of() {
    let folder = folder();
    let mut store = open(&folder);
    fill(&mut store);
    store.db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", (), |_| Ok(())).unwrap();
    let (mut files, lock) = (taken(&folder), lock_of(&folder));
    let other = super::folder();
    let mut foreign = open(&other);
    foreign.apply(&Batch { alerts: vec![alert("of another", 1, true)], ..Batch::default() }).unwrap();
    let log = taken(&other)["-wal"].clone();
    files.remove("-shm");
    files.insert("-wal", log.clone());
    let left = Left::new(&files, &lock);
    let opened = left.open();
    assert!(opened.salvage.is_some_and(|salvage| salvage.to_string().contains("is missing")));
    assert_eq!(changes(&opened.store), CHANGES);
    assert_eq!(opened.store.alert("of another").unwrap(), None);
    let aside = left.folder.path().join("kvarden.db.foreign-20261125T000000Z-wal");
    assert_eq!(fs::read(aside).unwrap(), log, "nothing is thrown away");
}

/// A log of an earlier moment of the same store: SQLite believes it as well, and nothing in it says that it is old. What
/// there was then is there, or the file is found damaged.
#[test]
fn a_stale_log_gives_what_there_was_then_or_is_told_of() {
    let folder = folder();
    let mut store = open(&folder);
    fill(&mut store);
    let (earlier, lock) = (taken(&folder), lock_of(&folder));
    store.db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", (), |_| Ok(())).unwrap();
    let more = (0..40).map(|rise| change(5000 + rise, 1, AlarmState::Unacknowledged)).collect();
    store.apply(&Batch { changes: more, ..Batch::default() }).unwrap();
    let mut files = taken(&folder);
    files.remove("-shm");
    files.insert("-wal", earlier["-wal"].clone());
    let left = Left::new(&files, &lock);
    let opened = left.open();
    let kept = changes(&opened.store);
    assert!(kept >= CHANGES || opened.salvage.is_some(), "{kept} changes, and no word");
    drop(opened.store);
    assert_eq!(verify(left.folder.path()).unwrap(), Vec::<String>::new());
}

#[test]
fn a_log_without_its_file_is_told_of() {
    let folder = folder();
    let mut store = open(&folder);
    fill(&mut store);
    let mut files = taken(&folder);
    files.remove("");
    let opened = Left::new(&files, &lock_of(&folder)).open();
    assert!(opened.salvage.is_some_and(|salvage| salvage.why.contains("missing")));
}
