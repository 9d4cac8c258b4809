//! Carries rows from one file to another, as many as can be read: a damaged page costs the rows on it, not the table.

use super::Result;
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension};
use std::time::Instant;

/// How a table is walked through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Walk {
    /// By the number of its rows: past a damaged page it is entered again.
    Numbers,
    /// In the order of its key, from both ends: all but what lies between two damages is reached.
    Ends,
}

/// A table, and what is done with its rows on the way.
#[derive(Debug, Clone, Copy)]
pub(super) struct Table {
    /// Its name.
    pub(super) name: &'static str,
    walk: Walk,
    /// Which rows; SQL.
    pub(super) only: &'static str,
    /// Column that is set to 0: numbers of inputs mean nothing in another file.
    zeroed: &'static str,
    /// Column that the other file gives anew.
    anew: &'static str,
}

impl Table {
    /// All rows, by their numbers.
    pub(super) const fn numbered(name: &'static str) -> Self {
        Self { name, walk: Walk::Numbers, only: "1", zeroed: "", anew: "" }
    }

    /// All rows, by their key.
    pub(super) const fn keyed(name: &'static str) -> Self {
        Self { name, walk: Walk::Ends, only: "1", zeroed: "", anew: "" }
    }

    /// Only rows of which this SQL condition is true.
    pub(super) const fn only(mut self, condition: &'static str) -> Self {
        self.only = condition;
        self
    }

    /// With its numbers given anew.
    pub(super) const fn renumbered(mut self) -> Self {
        self.anew = "number";
        self
    }

    /// With this column set to 0.
    pub(super) const fn zeroed(mut self, column: &'static str) -> Self {
        self.zeroed = column;
        self
    }
}

/// What became of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Carried {
    /// Rows that are in the new file.
    pub(super) rows: u64,
    /// Whether all were reached.
    pub(super) whole: bool,
}

/// Carries the rows of a table, until `end` at the latest. What is there already is replaced if `replace`, else it
/// stays. A table that the old file lacks is whole and empty.
///
/// # Errors
/// The new file can't be written. What can't be read is no error.
pub(super) fn carry(
    from: &Connection,
    into: &Connection,
    table: Table,
    replace: bool,
    end: Instant,
) -> Result<Carried> {
    let known = columns(from, table.name).unwrap_or_default();
    let names: Vec<String> = columns(into, table.name)?
        .into_iter()
        .filter(|name| known.contains(name) && name != table.anew)
        .collect();
    if names.is_empty() {
        let lacks = from.query_row("SELECT 1 FROM sqlite_schema WHERE name = ?1", [table.name], |_| Ok(()));
        return Ok(Carried { rows: 0, whole: matches!(lacks.optional(), Ok(None)) });
    }
    let mut mover = Mover { from, into, table, names: &names, replace, end, rows: 0 };
    let whole = match table.walk {
        Walk::Numbers => mover.by_numbers()?,
        Walk::Ends => {
            mover.pass("ORDER BY 1")?.is_none() || {
                mover.pass("ORDER BY 1 DESC")?;
                false
            }
        }
    };
    Ok(Carried { rows: mover.rows, whole })
}

fn columns(db: &Connection, table: &str) -> rusqlite::Result<Vec<String>> {
    let mut statement = db.prepare("SELECT name FROM pragma_table_info(?1)")?;
    let rows = statement.query_map([table], |row| row.get(0))?;
    rows.collect()
}

struct Mover<'a> {
    from: &'a Connection,
    into: &'a Connection,
    table: Table,
    names: &'a [String],
    replace: bool,
    end: Instant,
    rows: u64,
}

/// Why a pass ended early, and the last row that was read.
struct Stopped {
    last: Option<i64>,
    in_time: bool,
}

impl Mover<'_> {
    /// Past each damage the table is entered again, at growing distances.
    fn by_numbers(&mut self) -> Result<bool> {
        let mut whole = true;
        let mut begin = i64::MIN;
        let mut leap = 1i64;
        loop {
            let before = self.rows;
            let Some(stopped) = self.pass(&format!("AND rowid >= {begin} ORDER BY rowid"))? else {
                return Ok(whole);
            };
            whole = false;
            if self.rows > before {
                leap = 1;
            }
            let last = stopped.last.unwrap_or(begin.max(0));
            let Some(next) = last.checked_add(leap).filter(|_| stopped.in_time) else { return Ok(false) };
            leap = leap.saturating_mul(2);
            begin = next;
        }
    }

    /// Reads on until the end (`None`) or to what can't be read.
    fn pass(&mut self, order: &str) -> Result<Option<Stopped>> {
        let table = self.table;
        let number = if table.walk == Walk::Numbers { "rowid" } else { "0" };
        let list = |of: &dyn Fn(&String) -> String| self.names.iter().map(of).collect::<Vec<_>>().join(", ");
        let zeroed = |name: &String| if name == table.zeroed { "0".to_owned() } else { name.clone() };
        let sql =
            format!("SELECT {}, {number} FROM {} WHERE ({}) {order}", list(&zeroed), table.name, table.only);
        let verb = if self.replace { "REPLACE" } else { "IGNORE" };
        let places = vec!["?"; self.names.len()].join(", ");
        let insert = format!(
            "INSERT OR {verb} INTO {} ({}) VALUES ({places})",
            table.name,
            list(&|name: &String| name.clone())
        );
        let mut insert = self.into.prepare(&insert)?;
        let mut last = None;
        let Ok(mut statement) = self.from.prepare(&sql) else {
            return Ok(Some(Stopped { last, in_time: false }));
        };
        let Ok(mut rows) = statement.query(()) else { return Ok(Some(Stopped { last, in_time: false })) };
        loop {
            let row = match rows.next() {
                Ok(Some(row)) => row,
                Ok(None) => return Ok(None),
                Err(_) => return Ok(Some(Stopped { last, in_time: Instant::now() < self.end })),
            };
            if Instant::now() >= self.end {
                return Ok(Some(Stopped { last, in_time: false }));
            }
            let width = self.names.len();
            last = row.get::<_, i64>(width).ok().or(last);
            let values: rusqlite::Result<Vec<Value>> = (0..width).map(|index| row.get(index)).collect();
            // A value that is no value of its kind is damage of this row alone; so is one that the table refuses.
            let Ok(values) = values else { continue };
            match insert.execute(rusqlite::params_from_iter(values)) {
                Ok(changed) => self.rows += changed as u64,
                Err(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::ConstraintViolation) => {
                }
                Err(error) => return Err(error.into()),
            }
        }
    }
}
