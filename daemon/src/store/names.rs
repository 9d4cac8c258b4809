//! Numbers for names: a meter's number is the same for ever, while its place in the plan is not.

use super::{Error, Result, codec};
use kvarden_core::measurand::Quantity;
use rusqlite::{Connection, OptionalExtension};
use std::collections::HashMap;
use std::sync::Arc;

/// The numbers that were given out, as the writer remembers them.
#[derive(Debug, Default)]
pub(super) struct Names {
    meters: HashMap<Arc<str>, Meter>,
}

#[derive(Debug)]
struct Meter {
    id: u32,
    /// The newest meaning of its columns, once it was asked for.
    series: Option<(u32, Arc<[Quantity]>)>,
}

impl Names {
    pub(super) fn load(db: &Connection) -> Result<Self> {
        let meters = all(db)?;
        Ok(Self { meters: meters.into_iter().map(|(id, name)| (name, Meter { id, series: None })).collect() })
    }

    /// The number of a meter; a new name gets the next one.
    pub(super) fn meter(&mut self, db: &Connection, name: &Arc<str>) -> Result<u32> {
        Ok(self.entry(db, name)?.id)
    }

    /// The numbers of a meter and of what its columns mean. A new meaning holds from `minute` on.
    pub(super) fn series(
        &mut self,
        db: &Connection,
        name: &Arc<str>,
        columns: &Arc<[Quantity]>,
        minute: u32,
    ) -> Result<(u32, u32)> {
        let meter = self.entry(db, name)?;
        if let Some((series, known)) = &meter.series
            && (Arc::ptr_eq(known, columns) || known == columns)
        {
            return Ok((meter.id, *series));
        }
        let series = newest_or_new(db, meter.id, columns, minute)?;
        meter.series = Some((series, Arc::clone(columns)));
        Ok((meter.id, series))
    }

    fn entry(&mut self, db: &Connection, name: &Arc<str>) -> Result<&mut Meter> {
        if !self.meters.contains_key(name) {
            db.prepare_cached("INSERT INTO meter (name) VALUES (?1)")?.execute([&**name])?;
            let id = u32::try_from(db.last_insert_rowid()).map_err(|error| Error::row("meter", error))?;
            self.meters.insert(Arc::clone(name), Meter { id, series: None });
        }
        Ok(self.meters.get_mut(name).expect("it was there or has just been put there"))
    }
}

impl Names {
    /// The number of a meaning that joins several, for a row made of rows of all of them.
    pub(super) fn joined_series(db: &Connection, meter: u32, keys: &[&String], minute: u32) -> Result<u32> {
        let keys = codec::text(keys)?;
        let sql = "SELECT id FROM series WHERE meter = ?1 AND keys = ?2 ORDER BY id LIMIT 1";
        let known = db.prepare_cached(sql)?.query_row((meter, &keys), |row| row.get(0)).optional()?;
        match known {
            Some(series) => Ok(series),
            None => new_series(db, meter, &keys, minute),
        }
    }
}

fn newest_or_new(db: &Connection, meter: u32, columns: &[Quantity], minute: u32) -> Result<u32> {
    let keys: Vec<String> = columns.iter().map(Quantity::to_string).collect();
    let keys = codec::text(&keys)?;
    let sql = "SELECT id FROM (SELECT id, keys FROM series WHERE meter = ?1 ORDER BY id DESC LIMIT 1)
        WHERE keys = ?2";
    let mut statement = db.prepare_cached(sql)?;
    let mut rows = statement.query((meter, &keys))?;
    if let Some(row) = rows.next()? {
        return Ok(row.get(0)?);
    }
    new_series(db, meter, &keys, minute)
}

fn new_series(db: &Connection, meter: u32, keys: &str, minute: u32) -> Result<u32> {
    db.prepare_cached("INSERT INTO series (meter, since, keys) VALUES (?1, ?2, ?3)")?
        .execute((meter, minute, keys))?;
    u32::try_from(db.last_insert_rowid()).map_err(|error| Error::row("series", error))
}

/// Every meter that ever was stored: number and name, in the order of the numbers.
pub(super) fn all(db: &Connection) -> Result<Vec<(u32, Arc<str>)>> {
    let mut statement = db.prepare_cached("SELECT id, name FROM meter ORDER BY id")?;
    let rows = statement.query_map((), |row| Ok((row.get(0)?, Arc::from(row.get::<_, String>(1)?))))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}
