//! The way on with a damaged, cut or missing file.

use super::*;
use kvarden_core::saved::Precious as Saved;
use std::fs;
use std::path::Path;

/// How much of each kind a filled store holds.
pub(super) const CHANGES: usize = 200;
pub(super) const MINUTES: usize = 300;

/// A store with some of everything.
pub(super) fn fill(store: &mut Store) {
    let series = columns(12);
    let state = serde_json::to_string(&Saved::default()).unwrap();
    for part in 0..10 {
        let changes =
            (0..20).map(|index| change(part * 20 + index + 1, 1, AlarmState::Unacknowledged)).collect();
        let minutes = (0..30)
            .map(|minute| minute_row("T2 secondary", &series, i64::from(part) * 30 + minute))
            .collect();
        let batch = Batch {
            changes,
            minutes,
            alerts: vec![alert(&format!("T2/a#{part}"), 1, true)],
            letters: vec![letter(&format!("T2/a#{part}"), 1)],
            precious: vec![Precious { scope: "T2".into(), number: 7, body: state.clone() }],
            ..Batch::default()
        };
        store.apply(&batch).unwrap();
        store
            .put_day("site", &format!("2026-11-{:02}", part + 1), 1, &format!("{{\"day\":{part}}}"))
            .unwrap();
    }
    recording::fill(store, "r", Priority::High);
}

/// Fills a store and closes it, so that everything is in the file itself. Gives the file's bytes.
pub(super) fn filled(folder: &Path) -> Vec<u8> {
    let mut store = Store::open(folder, Options::default(), NOW).unwrap().store;
    fill(&mut store);
    drop(store);
    fs::read(folder.join(DATABASE)).unwrap()
}

fn kept(salvage: &Salvage, table: &str) -> u64 {
    salvage.kept.iter().find(|(name, _)| name == table).map_or(0, |(_, rows)| *rows)
}

/// Pages of the file on which rows of this table lie, found by their contents.
fn leaf_of(bytes: &[u8], mark: &[u8]) -> usize {
    let page =
        bytes.chunks(4096).enumerate().skip(1).find(|(_, page)| {
            page[0] == 13 && page.windows(mark.len()).filter(|part| *part == mark).count() > 1
        });
    page.expect("rows with this mark").0 * 4096
}

/// Seen to fail when a table was not entered again past a damage.
#[test]
fn a_damaged_page_costs_the_rows_on_it_and_no_others() {
    let folder = folder();
    let mut bytes = filled(folder.path());
    let page = leaf_of(&bytes, b"\"what\":\"Raised\"");
    bytes[page..page + 4096].fill(0xA5);
    fs::write(folder.path().join(DATABASE), &bytes).unwrap();

    let opened = Store::open(folder.path(), Options::default(), NOW).unwrap();
    let (mut store, salvage) = (opened.store, opened.salvage.expect("the damage is told"));
    let changes = store.changes(EventTime(0), EventTime(i64::MAX)).unwrap().len();
    assert!((CHANGES - 20..CHANGES).contains(&changes), "{changes} changes");
    assert_eq!(kept(&salvage, "change_"), changes as u64, "what is said to be kept is there");
    assert!(salvage.lost.contains(&"change_".to_owned()), "{salvage:?}");
    assert_eq!(store.open_alerts().unwrap().len(), 10);
    assert_eq!(store.waiting("mqtt").unwrap(), 10, "who was not told yet is told");
    assert_eq!(store.days("site").unwrap().len(), 10);
    let minutes = store.minutes("T2 secondary", EventTime(0), EventTime(i64::MAX)).unwrap();
    assert_eq!(minutes[0].rows.len(), MINUTES);
    assert!(!store.tens("T2 secondary", EventTime(0), EventTime(i64::MAX)).unwrap().is_empty());
    assert!(store.recording("r").unwrap().is_some());
    // Inputs are numbered anew, and the saved alarms must not seem to be of later ones.
    assert_eq!((store.last_number(), store.precious("T2").unwrap().unwrap().0), (0, 0));
    assert_eq!(store.last_salvage().unwrap().as_ref(), Some(&salvage));
    let said = store.notices(NOW + Span::hours(24)).unwrap().join("");
    for part in ["set aside as", "Kept: ", "300 minute rows", "Lost in part or whole: changes of alarms"] {
        assert!(said.contains(part), "{part:?} in {said}");
    }
    assert_eq!(store.notices(NOW + Span::hours(24 * 31)).unwrap(), Vec::<String>::new());
    // And it goes on.
    store.apply(&Batch { changes: vec![change(900, 1, AlarmState::Normal)], ..Batch::default() }).unwrap();
    drop(store);
    assert_eq!(Store::open(folder.path(), Options::default(), NOW).unwrap().salvage, None);
}

/// Seen to fail without the mark on ids of what has no saved state.
#[test]
fn where_the_saved_alarms_are_lost_their_history_stays_and_its_ids_do_not_come_again() {
    let folder = folder();
    let mut store = open(&folder);
    fill(&mut store);
    store.db.execute("UPDATE precious SET body = '{torn'", ()).unwrap();
    drop(store);
    let path = folder.path().join(DATABASE);
    let mut bytes = fs::read(&path).unwrap();
    let page = leaf_of(&bytes, b"\"revision\":1");
    bytes[page..page + 4096].fill(0xA5);
    fs::write(&path, &bytes).unwrap();
    let mut store = Store::open(folder.path(), Options::default(), NOW).unwrap().store;
    assert_eq!(store.changes(EventTime(0), EventTime(i64::MAX)).unwrap().len(), CHANGES);
    assert_eq!(store.live_alarms().unwrap(), []);
    assert_eq!(store.open_alerts().unwrap(), [], "nothing stays open for ever that nobody watches");
    let again = change(1, 1, AlarmState::Unacknowledged);
    store.apply(&Batch { changes: vec![again], ..Batch::default() }).unwrap();
    assert_eq!(store.changes(EventTime(0), EventTime(i64::MAX)).unwrap().len(), CHANGES + 1);
}

/// Seen to fail without the look for a file that is missing or empty.
#[test]
fn a_missing_or_emptied_file_is_never_an_empty_history_without_a_word() {
    for (what, harm) in [
        ("missing", (|path: &Path| fs::remove_file(path).unwrap()) as fn(&Path)),
        ("empty", |path: &Path| fs::write(path, b"").unwrap()),
    ] {
        let folder = folder();
        filled(folder.path());
        harm(&folder.path().join(DATABASE));
        let opened = Store::open(folder.path(), Options::default(), NOW).unwrap();
        let salvage = opened.salvage.expect(what);
        assert!(salvage.why.contains(what), "{salvage:?}");
        assert!(opened.store.notices(NOW).unwrap()[0].contains(what));
    }
    let fresh = folder();
    assert_eq!(Store::open(fresh.path(), Options::default(), NOW).unwrap().salvage, None);
}

/// After a kill the newest changes are in the log. It may be there with or without its index, or with a stale one.
#[test]
fn a_log_with_a_missing_or_stale_index_gives_everything_and_a_foreign_log_gives_nothing() {
    let folder = folder();
    let mut store = open(&folder);
    fill(&mut store);
    let path = folder.path().join(DATABASE);
    let (main, log) = (fs::read(&path).unwrap(), fs::read(file::beside(&path, "-wal")).unwrap());
    let index = fs::read(file::beside(&path, "-shm")).unwrap();
    drop(store);
    assert!(log.len() > 100_000, "the changes are in the log");
    let after_kill = |index: Option<&[u8]>, log: Option<&[u8]>| {
        let folder = super::folder();
        let path = folder.path().join(DATABASE);
        fs::write(&path, &main).unwrap();
        for (tail, bytes) in [("-wal", log), ("-shm", index)] {
            if let Some(bytes) = bytes {
                fs::write(file::beside(&path, tail), bytes).unwrap();
            }
        }
        let opened = Store::open(folder.path(), Options::default(), NOW);
        (opened, folder)
    };
    let stale = vec![0x5A; index.len()];
    for index in [Some(&index[..]), None, Some(&stale[..]), Some(&[][..])] {
        let (opened, _folder) = after_kill(index, Some(&log));
        let opened = opened.unwrap();
        assert_eq!(opened.salvage, None);
        assert_eq!(opened.store.changes(EventTime(0), EventTime(i64::MAX)).unwrap().len(), CHANGES);
    }
    // A log that is not of this file: SQLite sees by its salt and checksums that nothing in it is to be used.
    let foreign: Vec<u8> = log.iter().map(|byte| byte ^ 0x55).collect();
    let (opened, _folder) = after_kill(None, Some(&foreign));
    let opened = opened.unwrap();
    let all = opened.store.changes(EventTime(0), EventTime(i64::MAX)).unwrap().len();
    assert!(all < CHANGES || opened.salvage.is_some());
}
