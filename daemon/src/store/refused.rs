//! Sums of what could not be used, per meter, quantity and reason.

use super::names::Names;
use super::{Result, Store, codec};
use kvarden_core::measurand::Quantity;
use kvarden_core::output::{Quarantined, Refusal};
use kvarden_core::time::EventTime;
use rusqlite::Connection;
use std::sync::Arc;

/// Something that could not be used, on its way into the store.
#[derive(Debug, Clone, PartialEq)]
pub struct RefusedRow {
    /// Number of the input at which it was told; it keeps a sum from counting it twice.
    pub number: u64,
    /// The meter's name.
    pub meter: Arc<str>,
    /// What was told.
    pub what: Quarantined,
}

/// How much of one kind could not be used so far.
#[derive(Debug, Clone, PartialEq)]
pub struct RefusedTotal {
    /// The meter's name.
    pub meter: String,
    /// Key of the quantity; `None`: the whole reading.
    pub quantity: Option<String>,
    /// Why.
    pub why: Refusal,
    /// Stamp of the latest.
    pub at: EventTime,
    /// The latest value, for a value out of range.
    pub value: Option<f64>,
    /// How many.
    pub count: u64,
}

pub(super) fn add(db: &Connection, names: &mut Names, rows: &[RefusedRow]) -> Result<()> {
    let mut upsert = db.prepare_cached(
        "INSERT INTO refused VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
         ON CONFLICT (meter, quantity, why) DO UPDATE SET number = excluded.number, at = excluded.at,
            value = excluded.value, count = refused.count + excluded.count
         WHERE excluded.number > refused.number",
    )?;
    for RefusedRow { number, meter, what } in rows {
        let meter = names.meter(db, meter)?;
        let quantity = what.quantity.as_ref().map(Quantity::to_string).unwrap_or_default();
        let why = codec::text(&what.why)?;
        upsert.execute((meter, quantity, why, *number as i64, what.at.0, what.value, what.count))?;
    }
    Ok(())
}

impl Store {
    /// What could not be used so far, by meter.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn refused(&self) -> Result<Vec<RefusedTotal>> {
        let sql =
            "SELECT name, quantity, why, at, value, count FROM refused JOIN meter ON meter.id = refused.meter
            ORDER BY name, quantity, why";
        let mut statement = self.prepare(sql)?;
        let mut rows = statement.query(())?;
        let mut totals = Vec::new();
        while let Some(row) = rows.next()? {
            totals.push(RefusedTotal {
                meter: row.get(0)?,
                quantity: Some(row.get::<_, String>(1)?).filter(|key| !key.is_empty()),
                why: codec::fact("refused", &row.get::<_, String>(2)?)?,
                at: EventTime(row.get(3)?),
                value: row.get(4)?,
                count: row.get::<_, i64>(5)?.max(0) as u64,
            });
        }
        Ok(totals)
    }
}
