//! Opening: who may, what is refused, what is set aside.

use super::*;
use std::fs;

#[test]
fn the_folder_and_the_file_are_made_and_the_book_stays() {
    let folder = folder();
    let deep = folder.path().join("a/b");
    let first = Store::open(&deep, Options::default(), NOW).unwrap();
    assert_eq!(first.salvage, None);
    let book = first.store.book().to_owned();
    assert_eq!(book.len(), 8);
    drop(first);
    let again = Store::open(&deep, Options::default(), NOW).unwrap();
    assert_eq!(again.store.book(), book);
    assert_ne!(open(&super::folder()).book(), book, "each new file has a book of its own");
}

#[test]
fn a_folder_that_cannot_be_made_is_one_clear_error() {
    let folder = folder();
    fs::write(folder.path().join("data"), "a file in the way").unwrap();
    let error = Store::open(&folder.path().join("data/store"), Options::default(), NOW).unwrap_err();
    assert!(matches!(error, Error::Folder { .. }), "{error}");
    assert!(error.to_string().contains("data/store"), "{error}");
}

#[test]
fn a_second_daemon_is_refused_while_the_first_lives() {
    let folder = folder();
    let first = open(&folder);
    let error = Store::open(folder.path(), Options::default(), NOW).unwrap_err();
    assert!(matches!(&error, Error::Locked { by, .. } if *by == std::process::id().to_string()), "{error}");
    drop(first);
    assert!(Store::open(folder.path(), Options::default(), NOW).is_ok());
}

/// Seen to fail without the look at the version.
#[test]
fn a_newer_file_is_refused_and_left_as_it_is() {
    let folder = folder();
    drop(open(&folder));
    let path = folder.path().join(DATABASE);
    let db = Connection::open(&path).unwrap();
    db.pragma_update(None, "user_version", 99).unwrap();
    db.close().unwrap();
    let before = fs::read(&path).unwrap();
    let error = Store::open(folder.path(), Options::default(), NOW).unwrap_err();
    assert!(matches!(error, Error::Newer { found: 99, .. }), "{error}");
    assert!(matches!(Store::open_for_reading(folder.path()), Err(Error::Newer { .. })));
    assert_eq!(fs::read(&path).unwrap(), before);
}

#[test]
fn an_older_file_is_brought_up_to_date_by_the_writer_only() {
    let folder = folder();
    let path = folder.path().join(DATABASE);
    Connection::open(&path).unwrap().execute_batch("VACUUM").unwrap();
    assert!(matches!(Store::open_for_reading(folder.path()), Err(Error::Older { found: 0, .. })));
    drop(open(&folder));
    assert!(Store::open_for_reading(folder.path()).is_ok());
}

#[test]
fn a_damaged_file_is_set_aside_with_its_date_and_a_new_one_begun() {
    let folder = folder();
    let mut store = open(&folder);
    let book = store.book().to_owned();
    let series = columns(60);
    let minutes = (0..200).map(|minute| minute_row("T2 secondary", &series, minute)).collect();
    store.apply(&Batch { minutes, ..Batch::default() }).unwrap();
    drop(store);
    let path = folder.path().join(DATABASE);
    let mut bytes = fs::read(&path).unwrap();
    let end = bytes.len() - 4096;
    bytes[8192..end].fill(0xA5);
    fs::write(&path, &bytes).unwrap();

    let opened = Store::open(folder.path(), Options::default(), NOW).unwrap();
    let salvage = opened.salvage.expect("the damage is told");
    let aside = salvage.set_aside.clone().expect("there was a file");
    assert_eq!(aside.file_name().unwrap(), "kvarden.db.damaged-20261125T000000Z");
    assert_eq!(fs::read(&aside).unwrap(), bytes, "nothing of it is lost");
    assert_ne!(opened.store.book(), book);
    assert_eq!(opened.store.meters().unwrap(), Vec::<String>::new());
}

#[test]
fn garbage_a_cut_file_and_a_foreign_database_are_set_aside_and_only_four_are_kept() {
    let folder = folder();
    drop(open(&folder));
    let path = folder.path().join(DATABASE);
    let good = fs::read(&path).unwrap();
    let other = folder.path().join("other");
    Connection::open(&other).unwrap().execute_batch("CREATE TABLE other (x)").unwrap();
    let foreign = fs::read(other).unwrap();
    let garbage = vec![7; 9000];
    for bytes in [&garbage, &good[..good.len() / 2 + 100].to_vec(), &foreign, &garbage, &garbage, &garbage] {
        fs::write(&path, bytes).unwrap();
        let opened = Store::open(folder.path(), Options::default(), NOW).unwrap();
        let salvage = opened.salvage.expect("it can't be used");
        let aside = salvage.set_aside.expect("there was a file");
        assert_eq!(&fs::read(aside).unwrap(), bytes);
    }
    let names =
        fs::read_dir(folder.path()).unwrap().flatten().map(|entry| entry.file_name().into_string().unwrap());
    let kept =
        names.filter(|name| name.contains("damaged") && !name.ends_with("-wal") && !name.ends_with("-shm"));
    let kept = kept.count();
    assert_eq!(kept, 4);
}

#[test]
fn a_reader_reads_beside_the_writer_and_may_change_nothing() {
    let folder = folder();
    assert!(matches!(Store::open_for_reading(folder.path()), Err(Error::Missing { .. })));
    let mut writer = open(&folder);
    let mut reader = Store::open_for_reading(folder.path()).unwrap();
    writer.apply(&Batch { alerts: vec![alert("a", 1, true)], ..Batch::default() }).unwrap();
    assert_eq!(reader.open_alerts().unwrap(), vec![alert("a", 1, true)]);
    assert_eq!(reader.book(), writer.book());
    let batch = Batch { alerts: vec![alert("a", 2, false)], ..Batch::default() };
    assert!(matches!(reader.apply(&batch), Err(Error::ForReading)));
    assert!(matches!(reader.put_day("T2", "2026-11-24", 1, "{}"), Err(Error::ForReading)));
    drop(writer);
    assert_eq!(reader.open_alerts().unwrap().len(), 1);
}

#[test]
fn the_file_is_kept_as_promised() {
    let folder = folder();
    let store = open(&folder);
    let pragma = |name: &str| store.db.pragma_query_value(None, name, |row| row.get::<_, String>(0));
    assert_eq!(pragma("journal_mode").unwrap(), "wal");
    let number = |name: &str| store.db.pragma_query_value(None, name, |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(number("page_size"), 4096);
    assert_eq!(number("journal_size_limit"), 16 << 20);
    assert!(rusqlite::version_number() >= 3_051_003, "{}", rusqlite::version());
}
