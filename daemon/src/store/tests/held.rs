//! Readers that take long, and an upgrade that is killed on its way.

use super::*;
use std::fs;
use std::path::Path;

/// Seen to fail (by never ending) without the limit on a reader's queries.
#[test]
fn a_query_that_never_ends_is_ended() {
    let folder = folder();
    drop(open(&folder));
    let reader = Store::open_for_reading(folder.path()).unwrap();
    let endless = "WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n) SELECT count(*) FROM n";
    let result =
        reader.prepare(endless).and_then(|mut query| Ok(query.query_row((), |row| row.get::<_, i64>(0))?));
    assert!(result.is_err(), "{result:?}");
}

fn log_bytes(folder: &TempDir) -> u64 {
    fs::metadata(folder.path().join(format!("{DATABASE}-wal"))).map_or(0, |facts| facts.len())
}

/// Seen to fail without the look at the length of the log, and without the cut.
#[test]
fn a_reader_that_holds_the_log_is_told_of_and_the_log_is_cut_back_when_it_ends() {
    let folder = folder();
    let mut store = open(&folder);
    store.apply(&Batch { alerts: vec![alert("a", 1, true)], ..Batch::default() }).unwrap();
    let other = Connection::open(folder.path().join(DATABASE)).unwrap();
    other.execute_batch("BEGIN; SELECT count(*) FROM alert;").unwrap();
    let series = columns(300);
    let mut minute = 0;
    while log_bytes(&folder) <= file::LOG_BYTES as u64 {
        assert_eq!(store.disk_trouble().unwrap(), None, "at {} bytes", log_bytes(&folder));
        let rows = (minute..minute + 400).map(|minute| minute_row("Wide", &series, minute)).collect();
        store.apply(&Batch { minutes: rows, ..Batch::default() }).unwrap();
        minute += 400;
        assert!(minute < 40_000, "the log does not grow: {}", log_bytes(&folder));
    }
    let trouble = store.look_after_room().unwrap();
    assert_eq!(trouble, Some("a reader holds the log of the store, so that it grows"));
    other.execute_batch("COMMIT").unwrap();
    assert_eq!(store.look_after_room().unwrap(), None);
    assert!(log_bytes(&folder) <= file::LOG_BYTES as u64, "{}", log_bytes(&folder));
}

/// What a kill leaves: the files as they are, copied while the step is half done.
fn killed_in_step(step: usize, to: &Path) {
    let folder = folder();
    let path = folder.path().join(DATABASE);
    let db = Connection::open(&path).unwrap();
    db.query_row("PRAGMA journal_mode = WAL", (), |_| Ok(())).unwrap();
    schema::migrate(&db, &schema::STEPS[..step]).unwrap();
    // So little room in memory that the half step is written to the log already.
    db.execute_batch("PRAGMA cache_size = 1; BEGIN IMMEDIATE;").unwrap();
    db.execute_batch(schema::STEPS[step]).unwrap();
    db.pragma_update(None, "user_version", step as i64 + 1).unwrap();
    for tail in ["", "-wal"] {
        let name = format!("{DATABASE}{tail}");
        fs::copy(folder.path().join(&name), to.join(&name)).unwrap();
    }
}

#[test]
fn an_upgrade_that_is_killed_in_any_step_is_made_whole_by_the_next_start() {
    for step in 1..schema::STEPS.len() {
        let folder = folder();
        killed_in_step(step, folder.path());
        let version: i64 = Connection::open(folder.path().join(DATABASE))
            .unwrap()
            .pragma_query_value(None, "user_version", |row| row.get(0))
            .unwrap();
        assert_eq!(version, step as i64, "the half step is not there");
        let opened = Store::open(folder.path(), Options::default(), NOW).unwrap();
        assert!(opened.salvage.is_none(), "step {step}: {:?}", opened.salvage);
        let mut store = opened.store;
        store.apply(&Batch { alerts: vec![alert("a", 1, true)], ..Batch::default() }).unwrap();
        drop(store);
        assert_eq!(verify(folder.path()).unwrap(), Vec::<String>::new(), "step {step}");
    }
}
