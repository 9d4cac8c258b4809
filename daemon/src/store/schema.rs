//! The tables, and how an older file becomes a newer one: one transaction a step, counted in `user_version`.

use super::{Error, Result};
use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior};
use std::hash::{BuildHasher, Hasher, RandomState};
use std::path::Path;

/// Marks our files: "KVDN".
const APPLICATION: i64 = 0x4B56_444E;

/// Step n brings a file from version n to n + 1. A step that was released is never changed.
pub(super) const STEPS: &[&str] = &["
-- What the file knows of itself, and counts that belong to no other table.
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
INSERT INTO meta VALUES ('format', '1');
-- A number for each meter's name, for ever the same.
CREATE TABLE meter (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
-- What column k of a meter means, from when on.
CREATE TABLE series (id INTEGER PRIMARY KEY, meter INTEGER NOT NULL, since INTEGER NOT NULL, keys TEXT NOT NULL);
CREATE INDEX series_of ON series (meter, id);
-- Every input as judged, one row a batch.
CREATE TABLE tail (first_number INTEGER PRIMARY KEY, last_number INTEGER NOT NULL,
    first_now INTEGER NOT NULL, last_now INTEGER NOT NULL, body BLOB NOT NULL);
-- Closed minutes; key = meter << 32 | minute since the epoch.
CREATE TABLE minute (key INTEGER PRIMARY KEY, body BLOB NOT NULL);
-- Each step of each alarm.
CREATE TABLE change_ (number INTEGER PRIMARY KEY, alarm TEXT NOT NULL, step INTEGER NOT NULL, at INTEGER NOT NULL,
    body TEXT NOT NULL, UNIQUE (alarm, step));
CREATE INDEX change_at ON change_ (at);
-- The newest step of each alarm, by its key without the how-manieth time.
CREATE TABLE alarm (key TEXT PRIMARY KEY, rise INTEGER NOT NULL, step INTEGER NOT NULL, live INTEGER NOT NULL,
    body TEXT NOT NULL) WITHOUT ROWID;
-- Each revision of each alert, and the newest.
CREATE TABLE revision (number INTEGER PRIMARY KEY, alert TEXT NOT NULL, revision INTEGER NOT NULL,
    at INTEGER NOT NULL, body TEXT NOT NULL, UNIQUE (alert, revision));
CREATE INDEX revision_at ON revision (at);
CREATE TABLE alert (alert TEXT PRIMARY KEY, revision INTEGER NOT NULL, open INTEGER NOT NULL, at INTEGER NOT NULL,
    body TEXT NOT NULL) WITHOUT ROWID;
CREATE INDEX alert_open ON alert (alert) WHERE open = 1;
CREATE TABLE excursion (number INTEGER PRIMARY KEY, subject TEXT NOT NULL, bound TEXT NOT NULL,
    start INTEGER NOT NULL, body TEXT NOT NULL, UNIQUE (subject, bound, start));
CREATE INDEX excursion_start ON excursion (start);
-- What could not be used: sums per meter, quantity and reason.
CREATE TABLE refused (meter INTEGER NOT NULL, quantity TEXT NOT NULL, why TEXT NOT NULL, number INTEGER NOT NULL,
    at INTEGER NOT NULL, value REAL, count INTEGER NOT NULL, PRIMARY KEY (meter, quantity, why)) WITHOUT ROWID;
-- What people are told. AUTOINCREMENT: a number never comes twice, also after the last row was removed.
CREATE TABLE outbox (number INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE, channel TEXT NOT NULL,
    alert TEXT NOT NULL, revision INTEGER NOT NULL, created INTEGER NOT NULL, tries INTEGER NOT NULL,
    next_try INTEGER NOT NULL, tried INTEGER, done INTEGER, fate TEXT, why TEXT, message TEXT NOT NULL);
CREATE INDEX outbox_waiting ON outbox (channel, number) WHERE done IS NULL;
CREATE INDEX outbox_order ON outbox (channel, alert, number) WHERE done IS NULL;
CREATE INDEX outbox_done ON outbox (done) WHERE done IS NOT NULL;
-- Snapshots of what can be built again, and alarms and alerts as they are saved.
CREATE TABLE state (scope TEXT NOT NULL, number INTEGER NOT NULL, format INTEGER NOT NULL, body BLOB NOT NULL,
    PRIMARY KEY (scope, number));
CREATE TABLE precious (scope TEXT PRIMARY KEY, number INTEGER NOT NULL, body TEXT NOT NULL);
-- Digest days, frozen.
CREATE TABLE day (scope TEXT NOT NULL, date TEXT NOT NULL, revision INTEGER NOT NULL, body TEXT NOT NULL,
    PRIMARY KEY (scope, date, revision));
", "
-- Tens of minutes, made of the minutes; key = meter << 32 | ten minutes since the epoch.
CREATE TABLE ten (key INTEGER PRIMARY KEY, body BLOB NOT NULL);
-- Readings around an alarm, packed. Priority: 0 journal to 3 urgent.
CREATE TABLE recording (number INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, scope TEXT NOT NULL, alarm TEXT NOT NULL,
    since INTEGER NOT NULL, until INTEGER NOT NULL, priority INTEGER NOT NULL, whole INTEGER NOT NULL,
    bytes INTEGER NOT NULL, body BLOB NOT NULL);
CREATE INDEX recording_at ON recording (since, until);
CREATE INDEX recording_order ON recording (priority, number, bytes);
", "
-- Minutes that came after their day was frozen, until the day is revised.
CREATE TABLE late (date TEXT NOT NULL, meter TEXT NOT NULL, minutes INTEGER NOT NULL, first INTEGER NOT NULL,
    last INTEGER NOT NULL, PRIMARY KEY (date, meter)) WITHOUT ROWID;
", "
-- The place of a letter among those of its channel: without gaps, so that a reader sees what was lost. A count goes on from
-- the numbers that readers have seen before.
ALTER TABLE outbox ADD COLUMN place INTEGER NOT NULL DEFAULT 0;
UPDATE outbox SET place = number;
INSERT INTO meta SELECT 'place ' || channel, max(number) FROM outbox GROUP BY channel;
", "
-- From here on the body of a day may be packed. Earlier programs could not read it, so they are to refuse the file.
", "
-- Told while our clock was not trusted: which stamps of a row move when it is corrected, as bits; null: none.
ALTER TABLE change_ ADD COLUMN by_guess INTEGER;
ALTER TABLE revision ADD COLUMN by_guess INTEGER;
ALTER TABLE excursion ADD COLUMN by_guess INTEGER;
ALTER TABLE recording ADD COLUMN by_guess INTEGER;
CREATE INDEX change_by_guess ON change_ (number) WHERE by_guess IS NOT NULL;
CREATE INDEX revision_by_guess ON revision (number) WHERE by_guess IS NOT NULL;
CREATE INDEX excursion_by_guess ON excursion (number) WHERE by_guess IS NOT NULL;
CREATE INDEX recording_by_guess ON recording (number) WHERE by_guess IS NOT NULL;
", "
-- Each step of each finding.
CREATE TABLE finding (number INTEGER PRIMARY KEY, finding TEXT NOT NULL, step INTEGER NOT NULL, at INTEGER NOT NULL,
    body TEXT NOT NULL, by_guess INTEGER, UNIQUE (finding, step));
CREATE INDEX finding_at ON finding (at);
CREATE INDEX finding_by_guess ON finding (number) WHERE by_guess IS NOT NULL;
", "
-- Minutes that our clock dated while it was not trusted: they wait for their date here.
CREATE TABLE undated (number INTEGER PRIMARY KEY, meter INTEGER NOT NULL, at INTEGER NOT NULL, body BLOB NOT NULL,
    UNIQUE (meter, at));
", "
-- To whom a letter goes, when it was to be told, and whether it only reminds. What people were told, by alert and by person.
ALTER TABLE outbox ADD COLUMN person TEXT;
ALTER TABLE outbox ADD COLUMN due INTEGER NOT NULL DEFAULT 0;
ALTER TABLE outbox ADD COLUMN reminds INTEGER NOT NULL DEFAULT 0;
UPDATE outbox SET due = created;
CREATE TABLE duty (key TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
"];

fn version(db: &Connection) -> Result<i64> {
    Ok(db.pragma_query_value(None, "user_version", |row| row.get(0))?)
}

/// Refuses a file that a newer program wrote, and says of one that is not ours that it is damaged.
pub(super) fn refuse_newer(db: &Connection, file: &Path) -> Result<()> {
    let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", (), |row| row.get(0))?;
    let application: i64 = db.pragma_query_value(None, "application_id", |row| row.get(0))?;
    if tables > 0 && application != APPLICATION {
        return Err(Error::Damaged { what: "it is a database of some other program".to_owned() });
    }
    let (found, known) = (version(db)?, STEPS.len() as i64);
    if found > known {
        return Err(Error::Newer { file: file.to_owned(), found, known });
    }
    Ok(())
}

/// Whether a file, damaged or not, says that it is one of ours.
pub(super) fn is_ours(db: &Connection) -> bool {
    db.pragma_query_value(None, "application_id", |row| row.get::<_, i64>(0))
        .is_ok_and(|id| id == APPLICATION)
}

/// Refuses a file that has yet to be brought up to date, for those who may only read.
pub(super) fn refuse_older(db: &Connection, file: &Path) -> Result<()> {
    let (found, known) = (version(db)?, STEPS.len() as i64);
    if found < known {
        return Err(Error::Older { file: file.to_owned(), found, known });
    }
    Ok(())
}

/// Brings the file up to date, one transaction a step: a kill leaves it at a whole version.
pub(super) fn migrate(db: &Connection, steps: &[&str]) -> Result<()> {
    let done = usize::try_from(version(db)?).unwrap_or(0);
    for (index, step) in steps.iter().enumerate().skip(done) {
        let transaction = Transaction::new_unchecked(db, TransactionBehavior::Immediate)?;
        transaction.execute_batch(step)?;
        transaction.pragma_update(None, "application_id", APPLICATION)?;
        transaction.pragma_update(None, "user_version", index as i64 + 1)?;
        transaction.commit()?;
    }
    Ok(())
}

/// What SQLite can't make sense of in a file that only this program writes is damage: a version that is not its own, or
/// a torn head.
pub(super) fn misfit(error: Error) -> Error {
    match &error {
        Error::Sqlite { source } if source.sqlite_error_code() == Some(rusqlite::ErrorCode::Unknown) => {
            Error::Damaged { what: format!("it makes no sense: {source}") }
        }
        _ => error,
    }
}

/// Compares the tables with those that the steps make: one flipped bit in a name, and no query would work.
pub(super) fn compare(db: &Connection) -> Result<()> {
    let tables = |db: &Connection| -> Result<Vec<(String, Option<String>)>> {
        let sql = "SELECT name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite\\_stat%' ESCAPE '\\' ORDER BY name";
        let mut statement = db.prepare(sql)?;
        let rows = statement.query_map((), |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    };
    let expected = Connection::open_in_memory()?;
    migrate(&expected, STEPS)?;
    if tables(db)? == tables(&expected)? {
        return Ok(());
    }
    Err(Error::Damaged { what: "its tables are not as this program makes them".to_owned() })
}

/// Gives a new file its book.
pub(super) fn begin_book(db: &Connection) -> Result<()> {
    db.execute("INSERT OR IGNORE INTO meta VALUES ('book', ?1)", [random_book()])?;
    Ok(())
}

/// Gives a file another book: what is told from now on has new ids.
pub(super) fn change_book(db: &Connection) -> Result<()> {
    put_meta(db, "book", &random_book())
}

fn random_book() -> String {
    // The standard library seeds this hasher from the system's random numbers.
    let random = RandomState::new().build_hasher().finish() as u32;
    format!("{random:08x}")
}

/// The file's book.
pub(super) fn book(db: &Connection) -> Result<String> {
    meta(db, "book")?.ok_or_else(|| Error::row("meta", "the book is missing"))
}

/// A value of `meta`.
pub(super) fn meta(db: &Connection, key: &str) -> Result<Option<String>> {
    let mut statement = db.prepare_cached("SELECT value FROM meta WHERE key = ?1")?;
    Ok(statement.query_row([key], |row| row.get(0)).optional()?)
}

/// Sets a value of `meta`.
pub(super) fn put_meta(db: &Connection, key: &str, value: &str) -> Result<()> {
    let sql = "INSERT INTO meta VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = excluded.value";
    db.prepare_cached(sql)?.execute((key, value))?;
    Ok(())
}

/// Adds to a count in `meta`.
pub(super) fn count_up(db: &Connection, key: &str, by: u64) -> Result<()> {
    let sql = "INSERT INTO meta VALUES (?1, ?2)
        ON CONFLICT (key) DO UPDATE SET value = CAST(value AS INTEGER) + excluded.value";
    db.prepare_cached(sql)?.execute((key, by as i64))?;
    Ok(())
}

/// A count in `meta`; 0 where it never was counted up.
pub(super) fn count(db: &Connection, key: &str) -> Result<u64> {
    let value = meta(db, key)?.unwrap_or_else(|| "0".to_owned());
    value.parse().map_err(|error| Error::row("meta", error))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Seen to fail without the transaction of a step.
    #[test]
    fn a_step_that_fails_leaves_the_version_before_it_whole() {
        let db = Connection::open_in_memory().unwrap();
        let steps = [STEPS[0], "CREATE TABLE more (x); INSERT INTO nowhere VALUES (1);"];
        assert!(migrate(&db, &steps).is_err());
        assert_eq!(version(&db).unwrap(), 1);
        assert!(db.prepare("SELECT * FROM more").is_err());
        migrate(&db, &[STEPS[0], "CREATE TABLE more (x);"]).unwrap();
        assert_eq!(version(&db).unwrap(), 2);
        assert!(db.prepare("SELECT * FROM more").is_ok());
    }

    #[test]
    fn bringing_up_to_date_twice_changes_nothing() {
        let db = Connection::open_in_memory().unwrap();
        migrate(&db, STEPS).unwrap();
        begin_book(&db).unwrap();
        let first = book(&db).unwrap();
        migrate(&db, STEPS).unwrap();
        begin_book(&db).unwrap();
        assert_eq!(book(&db).unwrap(), first);
        assert!(first.len() == 8 && first.chars().all(|c| c.is_ascii_hexdigit()), "{first}");
    }
}
