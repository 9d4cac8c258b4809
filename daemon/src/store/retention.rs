//! What goes when its time is over: the tail, letters that were delivered, alerts that were closed. History goes by
//! bytes alone, see [`super::room`].

use super::{Durability, Result, Store, outbox, schema, tail};
use kvarden_core::time::{EventTime, Span};

/// How long done letters and closed alerts are kept: ids must be known for longer than anything is told again.
const DONE_KEPT: Span = Span::hours(30 * 24);

/// Rows of one table that one sweep removes at most, so that it never holds up the writer for long.
const SWEEP_ROWS: usize = 1000;

/// However the clock is set, a sweep takes away no more than this much time after the sweep before it: it is made
/// each minute, so in a day it takes a day's worth.
const FASTEST: Span = Span::minutes(1);

/// Where the border of what was removed is kept.
const BORDER: &str = "swept up to";

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

impl Store {
    /// Removes what is over its time; to be called every minute or so, and only while the clock is trusted. What was
    /// done lately stays even if the clock has jumped ahead: the border moves a minute a sweep at the most.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn sweep(&mut self, now: EventTime, snapshot_every: Span) -> Result<Swept> {
        self.write(Durability::Normal, |db, _| {
            let border = match schema::meta(db, BORDER)?.and_then(|text| text.parse().ok()) {
                Some(before) => (now - DONE_KEPT).min(EventTime(before) + FASTEST),
                // A first sweep has nothing to take away that is older than the file.
                None => now - DONE_KEPT,
            };
            schema::put_meta(db, BORDER, &border.0.to_string())?;
            let closed = "DELETE FROM alert WHERE alert IN
                (SELECT alert FROM alert WHERE open = 0 AND at < ?1 LIMIT ?2)";
            Ok(Swept {
                tail: tail::prune(db, now - tail::tail_kept(snapshot_every), SWEEP_ROWS)?,
                letters: outbox::prune(db, border, SWEEP_ROWS)?,
                alerts: db.prepare_cached(closed)?.execute((border.0, SWEEP_ROWS as i64))?,
            })
        })
    }
}
