//! Minutes that our clock dated while it was not trusted. They lie apart, on the disk like any other, until a correction dates
//! them or the clock is trusted as it is: so the table of minutes never moves a row, and what is made of minutes, tens and
//! counts of what came late, is made once.

use super::late::{self, WatchedDay};
use super::minutes::{Added, key, minute_number};
use super::{Result, tens};
use kvarden_core::time::{EventTime, Span};
use rusqlite::{Connection, OptionalExtension};

/// So many minutes wait at most; beyond, the oldest are taken as they are dated. An hour of three hundred meters.
const MOST: i64 = 20_000;

/// Rows taken in one query.
const PIECE: i64 = 2000;

/// Keeps a minute of a meter until it is dated. The same again changes nothing.
pub(super) fn put(db: &Connection, (meter, minute): (u32, EventTime), body: &[u8]) -> Result<()> {
    db.prepare_cached("INSERT OR IGNORE INTO undated (meter, at, body) VALUES (?1, ?2, ?3)")?
        .execute((meter, minute.0, body))?;
    Ok(())
}

/// Our clock was corrected: what it dated moves with it.
pub(super) fn shift(db: &Connection, by: Span) -> Result<()> {
    // By way of numbers that nothing else bears: one row after the other, a row would come upon the next.
    db.execute("UPDATE OR IGNORE undated SET at = -1 - (at + ?1)", [by.0])?;
    db.execute("UPDATE OR IGNORE undated SET at = -1 - at", ())?;
    Ok(())
}

/// What waits is dated: it becomes minutes like any other. `watched`: closed days, and the time by our clock.
pub(super) fn settle(db: &Connection, watched: (&[WatchedDay], EventTime)) -> Result<()> {
    while take_oldest(db, PIECE, watched)? {}
    Ok(())
}

/// Keeps to the bound of what may wait.
pub(super) fn bound(db: &Connection, watched: (&[WatchedDay], EventTime)) -> Result<()> {
    // Numbers are given in rising order and only the oldest go, so the first and the last tell how many there are.
    let first = first(db)?;
    let last = db.prepare_cached("SELECT max(number) FROM undated")?.query_row((), |row| row.get(0))?;
    let (Some(first), Some(last)) = (first, last) else { return Ok(()) };
    let last: i64 = last;
    let over = last - first + 1 - MOST;
    if over > 0 {
        take_oldest(db, over, watched)?;
    }
    Ok(())
}

fn first(db: &Connection) -> Result<Option<i64>> {
    let sql = "SELECT number FROM undated ORDER BY number LIMIT 1";
    Ok(db.prepare_cached(sql)?.query_row((), |row| row.get(0)).optional()?)
}

/// Makes minutes of the oldest that wait, at most `most`. False: nothing waits.
fn take_oldest(db: &Connection, most: i64, (days, now): (&[WatchedDay], EventTime)) -> Result<bool> {
    let sql = "SELECT number, meter, at, body FROM undated ORDER BY number LIMIT ?1";
    let mut statement = db.prepare_cached(sql)?;
    let mut rows = statement.query([most])?;
    let (mut added, mut last): (Vec<Added>, Option<i64>) = (Vec::new(), None);
    while let Some(row) = rows.next()? {
        last = Some(row.get(0)?);
        let meter: u32 = row.get(1)?;
        // Before 1970 there is no place for it; nothing that may be believed lies there.
        let Some(minute) = minute_number(EventTime(row.get(2)?)) else { continue };
        let mut insert = db.prepare_cached("INSERT OR IGNORE INTO minute VALUES (?1, ?2)")?;
        if insert.execute((key(meter, minute), row.get::<_, Vec<u8>>(3)?))? > 0 {
            added.push((meter, minute));
        }
    }
    let Some(last) = last else { return Ok(false) };
    db.prepare_cached("DELETE FROM undated WHERE number <= ?1")?.execute([last])?;
    late::note(db, days, &added, now)?;
    tens::close(db, &added)?;
    Ok(true)
}
