//! What goes when room or time is over: first the tail that nobody needs, then the oldest minutes. Alarms, alerts,
//! letters that wait and digest days never go for want of room.

use super::{Batch, Durability, Options, Result, Store, minutes, outbox, tail};
use kvarden_core::time::{EventTime, Span};
use rusqlite::{Connection, OptionalExtension};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// Bytes of a page.
pub(super) const PAGE: i64 = 4096;

/// How long done letters and closed alerts are kept: ids must be known for longer than anything is told again.
const DONE_KEPT: Span = Span::hours(30 * 24);

/// Rows of one table that one sweep removes at most, so that it never holds up the writer for long.
const SWEEP_ROWS: usize = 1000;

/// Rows of the tail removed at most in one transaction for want of room.
const TAIL_ROWS: usize = 64;

/// A batch over the budget removes at most so many times the minutes that it brings.
const FASTEST: u64 = 16;

/// Room above the budget at which SQLite itself refuses to grow: what never goes still fits in for a good while.
const LEAST_HEADROOM: u64 = 16 << 20;

/// Bytes of the budget per kept row of a history that is never thinned by minutes: each of the three histories
/// (changes, revisions, excursions; about 512 bytes a row) then holds a sixteenth of the budget.
const BYTES_PER_TOLD_ROW: u64 = 8192;

/// What a sweep removed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Swept {
    /// Rows of the tail.
    pub tail: usize,
    /// Done letters.
    pub letters: usize,
    /// Closed alerts; their revisions stay.
    pub alerts: usize,
}

/// The hard stop in pages.
pub(super) fn most_pages(options: Options) -> i64 {
    let budget = options.budget();
    let bytes = budget.saturating_add((budget / 8).max(LEAST_HEADROOM));
    i64::try_from(bytes / PAGE as u64).unwrap_or(i64::MAX)
}

/// Bytes in use within the file.
pub(super) fn used_bytes(db: &Connection) -> Result<u64> {
    let pages = |what: &str| -> rusqlite::Result<i64> { db.pragma_query_value(None, what, |row| row.get(0)) };
    Ok(((pages("page_count")? - pages("freelist_count")?) * PAGE).max(0) as u64)
}

/// Makes room within the transaction of a batch. Gives how many minute rows went.
pub(super) fn keep_budget(db: &Connection, options: Options, batch: &Batch) -> Result<usize> {
    bound_histories(db, options, batch)?;
    let budget = options.budget();
    let over = |db: &Connection| -> Result<u64> { Ok(used_bytes(db)?.saturating_sub(budget)) };
    if batch.minutes.is_empty() || over(db)? == 0 {
        return Ok(0);
    }
    drop_unneeded_tail(db)?;
    match over(db)? {
        0 => Ok(0),
        // As many as came; more where the excess is large, so that a smaller budget is reached in time.
        excess => {
            let times = (1 + excess / (budget / 64)).min(FASTEST);
            let newest = batch.minutes.iter().filter_map(|row| minutes::minute_number(row.minute)).min();
            drop_oldest_minutes(db, batch.minutes.len() * times as usize, newest.unwrap_or(u32::MAX))
        }
    }
}

/// Removes the oldest rows of the histories above their own bound.
fn bound_histories(db: &Connection, options: Options, batch: &Batch) -> Result<()> {
    let most = (options.budget() / BYTES_PER_TOLD_ROW) as i64;
    let histories = [
        ("change_", batch.changes.len()),
        ("revision", batch.alerts.len()),
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

/// Removes the oldest minute rows of all meters, but none from minute `keep_from` on.
fn drop_oldest_minutes(db: &Connection, rows: usize, keep_from: u32) -> Result<usize> {
    let mut first =
        db.prepare_cached("SELECT key FROM minute WHERE key >= ?1 AND key < ?2 ORDER BY key LIMIT 1")?;
    let mut delete = db.prepare_cached("DELETE FROM minute WHERE key = ?1")?;
    let mut oldest_of = |meter: u32| -> Result<Option<Reverse<(u32, u32)>>> {
        let (from, to) = (minutes::key(meter, 0), minutes::key(meter, keep_from));
        let key: Option<i64> = first.query_row((from, to), |row| row.get(0)).optional()?;
        Ok(key.map(|key| Reverse((key as u32, meter))))
    };
    let mut oldest = BinaryHeap::new();
    for (meter, _) in super::names::all(db)? {
        oldest.extend(oldest_of(meter)?);
    }
    let mut gone = 0;
    while gone < rows {
        let Some(Reverse((minute, meter))) = oldest.pop() else { break };
        gone += delete.execute([minutes::key(meter, minute)])?;
        oldest.extend(oldest_of(meter)?);
    }
    Ok(gone)
}

impl Store {
    /// Removes what is over its time; to be called every minute or so, and only while the clock is trusted.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn sweep(&mut self, now: EventTime, snapshot_every: Span) -> Result<Swept> {
        self.write(Durability::Normal, |db, _| {
            let done_before = now - DONE_KEPT;
            let closed = "DELETE FROM alert WHERE alert IN
                (SELECT alert FROM alert WHERE open = 0 AND at < ?1 LIMIT ?2)";
            Ok(Swept {
                tail: tail::prune(db, now - tail::tail_kept(snapshot_every), SWEEP_ROWS)?,
                letters: outbox::prune(db, done_before, SWEEP_ROWS)?,
                alerts: db.prepare_cached(closed)?.execute((done_before.0, SWEEP_ROWS as i64))?,
            })
        })
    }
}
