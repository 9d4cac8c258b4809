//! Backup and restore: whole, of one moment, and never over what is there.

use super::salvage::{CHANGES, fill};
use super::*;
use std::fs;

fn quiet() -> impl FnMut(Progress) {
    |_| {}
}

#[test]
fn a_copy_made_beside_the_writer_is_whole_and_comes_back_in_an_empty_folder() {
    let (folder, elsewhere) = (folder(), folder());
    let mut store = open(&folder);
    fill(&mut store);
    let to = elsewhere.path().join("copy.db");
    let mut seen = Vec::new();
    // The writer goes on in the middle of the copying.
    let mut number = 1000;
    let bytes = back_up(folder.path(), &to, &mut |progress| {
        seen.push(progress);
        number += 1;
        store
            .apply(&Batch { changes: vec![change(number, 1, AlarmState::Normal)], ..Batch::default() })
            .unwrap();
    });
    assert_eq!(bytes.unwrap(), fs::metadata(&to).unwrap().len());
    assert!(seen.windows(2).all(|two| two[0].done <= two[1].done) && !seen.is_empty());
    let names = fs::read_dir(elsewhere.path()).unwrap().count();
    assert_eq!(names, 1, "nothing but the copy is left");
    let before = store.changes(EventTime(0), EventTime(i64::MAX)).unwrap().len();
    assert!(before > CHANGES);

    let new = super::folder();
    assert_eq!(restore_from(new.path(), &to, NOW, &mut quiet()).unwrap(), None);
    let restored = open(&new);
    assert_eq!(restored.changes(EventTime(0), EventTime(i64::MAX)).unwrap().len(), CHANGES, "of one moment");
    assert_ne!(restored.book(), store.book(), "what it tells from now on has ids of its own");
    assert_eq!(restored.waiting("mqtt").unwrap(), 10);
}

#[test]
fn nothing_is_written_over_and_the_present_store_is_kept() {
    let (folder, elsewhere) = (folder(), folder());
    let to = elsewhere.path().join("copy.db");
    let mut store = open(&folder);
    store.apply(&Batch { alerts: vec![alert("T2/old#1", 1, true)], ..Batch::default() }).unwrap();
    back_up(folder.path(), &to, &mut quiet()).unwrap();
    let copy = fs::read(&to).unwrap();
    assert!(matches!(back_up(folder.path(), &to, &mut quiet()), Err(Error::Exists { .. })));
    assert_eq!(fs::read(&to).unwrap(), copy);
    store.apply(&Batch { alerts: vec![alert("T2/new#1", 1, true)], ..Batch::default() }).unwrap();

    let refused = restore_from(folder.path(), &to, NOW, &mut quiet());
    assert!(matches!(refused, Err(Error::Locked { .. })), "while a daemon has it: {refused:?}");
    drop(store);
    let aside = restore_from(folder.path(), &to, NOW, &mut quiet()).unwrap().expect("there was one");
    assert_eq!(aside.file_name().unwrap(), "kvarden.db.replaced-20261125T000000Z");
    assert_eq!(open(&folder).open_alerts().unwrap().len(), 1);
    let former = super::folder();
    fs::copy(&aside, former.path().join(DATABASE)).unwrap();
    assert_eq!(open(&former).open_alerts().unwrap().len(), 2, "the former store is whole");
}

/// The guard: the look at the copy before it takes the place of the store.
#[test]
fn what_is_no_whole_copy_of_ours_is_refused_and_the_store_stays() {
    let (folder, elsewhere) = (folder(), folder());
    let to = elsewhere.path().join("copy.db");
    let mut store = open(&folder);
    fill(&mut store);
    back_up(folder.path(), &to, &mut quiet()).unwrap();
    drop(store);
    let present = fs::read(folder.path().join(DATABASE)).unwrap();
    let good = fs::read(&to).unwrap();
    let mut torn = good.clone();
    let middle = torn.len() / 8192 * 4096;
    torn[middle..middle + 4096].fill(0);
    let other = elsewhere.path().join("other");
    Connection::open(&other).unwrap().execute_batch("CREATE TABLE other (x)").unwrap();
    for bytes in [torn, good[..good.len() / 2].to_vec(), b"text".to_vec(), fs::read(other).unwrap()] {
        fs::write(&to, &bytes).unwrap();
        let error = restore_from(folder.path(), &to, NOW, &mut quiet()).unwrap_err();
        assert!(matches!(error, Error::NoBackup { .. } | Error::Damaged { .. }), "{error:?}");
    }
    fs::write(&to, &good).unwrap();
    Connection::open(&to).unwrap().pragma_update(None, "user_version", 99).unwrap();
    let error = restore_from(folder.path(), &to, NOW, &mut quiet()).unwrap_err();
    assert!(matches!(error, Error::Newer { found: 99, .. }), "{error:?}");
    let missing = restore_from(folder.path(), &elsewhere.path().join("none"), NOW, &mut quiet());
    assert!(matches!(missing, Err(Error::NoBackup { .. })));
    assert_eq!(fs::read(folder.path().join(DATABASE)).unwrap(), present);
    assert!(!folder.path().join("kvarden.db.restoring").exists());
    assert_eq!(verify(folder.path()).unwrap(), Vec::<String>::new());
}

#[test]
fn verify_finds_damage_that_a_quick_look_does_not() {
    let folder = folder();
    let mut store = open(&folder);
    fill(&mut store);
    store.db.execute_batch("PRAGMA writable_schema = ON").unwrap();
    // An index that lacks what its table has: only the whole check compares them.
    let sql =
        "UPDATE sqlite_schema SET sql = 'CREATE INDEX change_at ON change_ (step)' WHERE name = 'change_at'";
    store.db.execute(sql, ()).unwrap();
    drop(store);
    assert!(!verify(folder.path()).unwrap().is_empty());
}
