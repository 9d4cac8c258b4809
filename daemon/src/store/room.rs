//! The byte budget. What goes for want of room, in this order: the tail that nobody needs, minutes, recordings of
//! what was not urgent, tens. Changes, revisions, excursions, alarms, alerts, letters and digest days never do.
//!
//! The newest two days of minutes go last of all: digests are made from them.

use super::minutes::{self, MINUTE, key};
use super::{Batch, Options, Result, names, recordings, tens};
use kvarden_core::plant::Priority;
use kvarden_core::time::Span;
use rusqlite::{Connection, OptionalExtension};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// Bytes of a page.
pub(super) const PAGE: i64 = 4096;

/// Rows of the tail removed at most in one transaction for want of room.
const TAIL_ROWS: usize = 64;

/// A batch over the budget removes at most so many times the rows that it brings.
const FASTEST: u64 = 16;

/// The same for a batch that brings no minutes: letters or changes alone must find room too.
const LEAST_ROWS: usize = 16;

/// Recordings removed at most in one transaction.
const RECORDINGS: usize = 2;

/// Minutes that go only when nothing else is left: a digest is made up to a day after its day began, and a day may
/// have 25 hours.
const LAST_TO_GO: Span = Span::hours(48);

/// Bytes of the budget per kept row of a history that is never thinned by minutes: each of the four histories
/// (changes, revisions, findings, excursions; about 512 bytes a row, a kilobyte for a cause) then holds a sixteenth of the budget,
/// or an eighth.
const BYTES_PER_TOLD_ROW: u64 = 8192;

/// What went, or could not go.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Thinned {
    /// Minute rows.
    pub(super) minutes: usize,
    /// Recordings.
    pub(super) recordings: usize,
    /// Ten-minute rows.
    pub(super) tens: usize,
    /// The budget is passed and nothing is left that may go.
    pub(super) over: bool,
}

/// The hard stop in pages: SQLite itself refuses to grow the file beyond.
pub(super) fn most_pages(options: Options) -> i64 {
    i64::try_from(options.max_bytes() / PAGE as u64).unwrap_or(i64::MAX)
}

/// Bytes in use within the file.
pub(super) fn used_bytes(db: &Connection) -> Result<u64> {
    let pages = |what: &str| -> rusqlite::Result<i64> { db.pragma_query_value(None, what, |row| row.get(0)) };
    Ok(((pages("page_count")? - pages("freelist_count")?) * PAGE).max(0) as u64)
}

/// Makes room within the transaction of a batch.
pub(super) fn keep_budget(db: &Connection, options: Options, batch: &Batch) -> Result<Thinned> {
    bound_histories(db, options, batch)?;
    let budget = options.budget();
    let excess = used_bytes(db)?.saturating_sub(budget);
    if excess == 0 {
        return Ok(Thinned::default());
    }
    // As many as came; more where the excess is large, so that a smaller budget is reached in time.
    let times = (1 + excess / (budget / 64)).min(FASTEST);
    let rows = batch.minutes.len().max(LEAST_ROWS) * times as usize;
    let newest = batch.minutes.iter().filter_map(|row| minutes::minute_number(row.minute)).min();
    thin(db, budget, rows, newest)
}

/// Makes room for what could not be stored for want of it, as far as something may go.
pub(super) fn make_room(db: &Connection, options: Options, batch: &Batch) -> Result<Thinned> {
    let rows = (batch.minutes.len() + LEAST_ROWS) * FASTEST as usize;
    // Below the present use, so that something goes even where the disk is full long before the budget is.
    let budget = options.budget().min(used_bytes(db)?.saturating_sub(1));
    thin(db, budget, rows, None)
}

fn thin(db: &Connection, budget: u64, rows: usize, newest: Option<u32>) -> Result<Thinned> {
    let fits = || -> Result<bool> { Ok(used_bytes(db)? <= budget) };
    let mut thinned = Thinned::default();
    drop_unneeded_tail(db)?;
    if fits()? {
        return Ok(thinned);
    }
    let newest = match newest {
        Some(newest) => newest,
        None => newest_minute(db)?.unwrap_or(0),
    };
    // One kind goes only when there is no more of the kind before it.
    let old = newest.saturating_sub((LAST_TO_GO.0 / MINUTE.0) as u32);
    thinned.minutes = drop_oldest(db, "minute", rows, old)?;
    if thinned.minutes >= rows || fits()? {
        return Ok(thinned);
    }
    while thinned.recordings < RECORDINGS && recordings::drop_least(db, Priority::Low)?.is_some() {
        thinned.recordings += 1;
    }
    if thinned.recordings >= RECORDINGS || fits()? {
        return Ok(thinned);
    }
    thinned.tens = drop_oldest(db, "ten", rows, u32::MAX)?;
    if thinned.tens >= rows || fits()? {
        return Ok(thinned);
    }
    thinned.minutes += drop_oldest(db, "minute", rows, newest)?;
    thinned.over = thinned == Thinned::default();
    Ok(thinned)
}

/// Removes the oldest rows of the histories above their own bound.
fn bound_histories(db: &Connection, options: Options, batch: &Batch) -> Result<()> {
    let most = (options.max_bytes() / BYTES_PER_TOLD_ROW) as i64;
    let histories = [
        ("change_", batch.changes.len()),
        ("revision", batch.alerts.len()),
        ("finding", batch.findings.len()),
        ("excursion", batch.excursions.len()),
    ];
    for (table, added) in histories {
        if added > 0 {
            // Rows are numbered without gaps and only the oldest ever go, so the numbers tell how many there are.
            let sql = format!("DELETE FROM {table} WHERE number <= (SELECT max(number) FROM {table}) - ?1");
            db.prepare_cached(&sql)?.execute([most])?;
        }
    }
    Ok(())
}

/// Removes rows of the tail that lie before the newest snapshot of every scope.
fn drop_unneeded_tail(db: &Connection) -> Result<()> {
    let sql = "DELETE FROM tail WHERE first_number IN
        (SELECT first_number FROM tail
            WHERE last_number <= (SELECT min(newest) FROM (SELECT max(number) AS newest FROM state GROUP BY scope))
            AND first_number < (SELECT max(first_number) FROM tail) ORDER BY first_number LIMIT ?1)";
    db.prepare_cached(sql)?.execute([TAIL_ROWS as i64])?;
    Ok(())
}

/// The newest minute of all meters.
fn newest_minute(db: &Connection) -> Result<Option<u32>> {
    let mut last =
        db.prepare_cached("SELECT key FROM minute WHERE key >= ?1 AND key <= ?2 ORDER BY key DESC LIMIT 1")?;
    let mut newest = None;
    for (meter, _) in names::all(db)? {
        let bounds = (key(meter, 0), key(meter, u32::MAX));
        let key: Option<i64> = last.query_row(bounds, |row| row.get(0)).optional()?;
        newest = newest.max(key.map(|key| key as u32));
    }
    Ok(newest)
}

/// Removes the oldest rows of all meters from `table`, but none from number `keep_from` on. No minute goes before
/// its ten is made.
fn drop_oldest(db: &Connection, table: &str, rows: usize, keep_from: u32) -> Result<usize> {
    let first = format!("SELECT key FROM {table} WHERE key >= ?1 AND key < ?2 ORDER BY key LIMIT 1");
    let mut first = db.prepare_cached(&first)?;
    let mut delete = db.prepare_cached(&format!("DELETE FROM {table} WHERE key = ?1"))?;
    let mut oldest_of = |meter: u32| -> Result<Option<Reverse<(u32, u32)>>> {
        let (from, to) = (key(meter, 0), key(meter, keep_from));
        let key: Option<i64> = first.query_row((from, to), |row| row.get(0)).optional()?;
        Ok(key.map(|key| Reverse((key as u32, meter))))
    };
    let mut oldest = BinaryHeap::new();
    for (meter, _) in names::all(db)? {
        oldest.extend(oldest_of(meter)?);
    }
    let mut gone = 0;
    while gone < rows {
        let Some(Reverse((number, meter))) = oldest.pop() else { break };
        if table == "minute" {
            tens::make_before_loss(db, meter, number)?;
        }
        gone += delete.execute([key(meter, number)])?;
        oldest.extend(oldest_of(meter)?);
    }
    Ok(gone)
}
