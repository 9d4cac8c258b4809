//! Minutes that come after their day was closed: counted by day and meter until the day has a new revision.

use super::{Durability, Result, Store, minutes};
use kvarden_core::time::EventTime;
use rusqlite::{Connection, OptionalExtension};

/// So many days are watched for minutes that come late: those of the last week, for which digests are made at all.
pub const MOST_WATCHED: usize = 8;

/// A closed day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct WatchedDay {
    date: String,
    from: EventTime,
    to: EventTime,
}

/// What came late of one day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Late {
    /// The local date.
    pub date: String,
    /// Meters, and how many minutes of each.
    pub meters: Vec<(String, u32)>,
    /// When the first came, by the daemon's clock.
    pub first: EventTime,
    /// When the latest came.
    pub last: EventTime,
}

/// Notes those of the rows just stored (meter and minute) that belong to a watched day.
pub(super) fn note(db: &Connection, days: &[WatchedDay], added: &[(u32, u32)], now: EventTime) -> Result<()> {
    for (meter, minute) in added {
        let at = EventTime(i64::from(*minute) * 60_000);
        let Some(day) = days.iter().find(|day| (day.from..day.to).contains(&at)) else { continue };
        let sql = "INSERT INTO late SELECT ?1, name, 1, ?3, ?3 FROM meter WHERE id = ?2
            ON CONFLICT (date, meter) DO UPDATE SET minutes = minutes + 1, last = excluded.last";
        db.prepare_cached(sql)?.execute((&day.date, meter, now.0))?;
    }
    Ok(())
}

impl Store {
    /// From now on minutes of this day count as late. Gives up the oldest of more than [`MOST_WATCHED`] days.
    pub fn watch_day(&mut self, date: &str, from: EventTime, to: EventTime) {
        if self.watched.iter().any(|day| day.date == date) {
            return;
        }
        self.watched.push(WatchedDay { date: date.to_owned(), from, to });
        self.watched.sort_by_key(|day| day.from);
        let over = self.watched.len().saturating_sub(MOST_WATCHED);
        self.watched.drain(..over);
    }

    /// What came late, by day.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn late(&self) -> Result<Vec<Late>> {
        let sql = "SELECT date, meter, minutes, first, last FROM late ORDER BY date, meter";
        let mut statement = self.db.prepare_cached(sql)?;
        let mut rows = statement.query(())?;
        let mut all: Vec<Late> = Vec::new();
        while let Some(row) = rows.next()? {
            let (date, meter): (String, (String, u32)) = (row.get(0)?, (row.get(1)?, row.get(2)?));
            let (first, last) = (EventTime(row.get(3)?), EventTime(row.get(4)?));
            match all.last_mut().filter(|late| late.date == date) {
                Some(late) => {
                    late.meters.push(meter);
                    (late.first, late.last) = (late.first.min(first), late.last.max(last));
                }
                None => all.push(Late { date, meters: vec![meter], first, last }),
            }
        }
        Ok(all)
    }

    /// Forgets what came late, but not what has come since it was asked for.
    ///
    /// # Errors
    /// Nothing is changed then.
    pub fn forget_late(&mut self, late: &Late) -> Result<()> {
        self.write(Durability::Normal, |db, _| {
            let mut delete =
                db.prepare_cached("DELETE FROM late WHERE date = ?1 AND meter = ?2 AND minutes = ?3")?;
            for (meter, minutes) in &late.meters {
                delete.execute((&late.date, meter, minutes))?;
            }
            Ok(())
        })
    }

    /// Whether any minute of a meter is stored from `from` up to, not including, `to`.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn has_minutes(&self, meter: &str, from: EventTime, to: EventTime) -> Result<bool> {
        let Some(meter) = self.meter_number(meter)? else { return Ok(false) };
        let key = |at: EventTime| minutes::key(meter, minutes::minute_number(at).unwrap_or(u32::MAX));
        let sql = "SELECT 1 FROM minute WHERE key >= ?1 AND key < ?2 LIMIT 1";
        let mut statement = self.db.prepare_cached(sql)?;
        let found: Option<i64> = statement.query_row((key(from), key(to)), |row| row.get(0)).optional()?;
        Ok(found.is_some())
    }
}
