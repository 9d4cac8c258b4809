//! The way on with a damaged file: what can be read of it is carried into the new one, and what was kept and lost is
//! told.

use super::carry::{Table, carry};
use super::{EventTime, Result, codec, schema};
use rusqlite::{Connection, OpenFlags};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::fmt;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// So long a start may be held up by it; the rest stays in the file that was set aside. Meters are not watched
/// meanwhile, so it is short; at some 50,000 rows a second the months of a middling site get over.
const PATIENCE: Duration = Duration::from_secs(20);

/// Lost with a log that is missing.
const LAST: &str = "last";

/// Where what became of the last damaged file is kept.
const KEPT_AS: &str = "salvage";

/// What became of a file that was damaged, missing or not ours.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Salvage {
    /// When it was found.
    pub at: EventTime,
    /// What was wrong with it.
    pub why: String,
    /// Where the file is now; `None`: there was none.
    pub set_aside: Option<PathBuf>,
    /// Rows that were carried into the new file, by table.
    pub kept: Vec<(String, u64)>,
    /// Tables of which not all could be carried over.
    pub lost: Vec<String>,
}

impl fmt::Display for Salvage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.lost == [LAST] {
            return write!(
                f,
                "{}: what the store was given last before the program was killed is missing; what was in it before \
                 that is there. Look who or what removes files from its folder",
                self.why
            );
        }
        write!(f, "the store could not be used: {}", self.why)?;
        match &self.set_aside {
            Some(path) => write!(f, "; it was set aside as {}, and a new one begun", path.display())?,
            None => write!(f, "; a new one was begun")?,
        }
        let kept = self.kept.iter().filter(|(_, rows)| *rows > 0);
        let kept: Vec<String> = kept.map(|(table, rows)| format!("{rows} {}", words(table))).collect();
        let kept = if kept.is_empty() { "nothing".to_owned() } else { kept.join(", ") };
        write!(f, ". Kept: {kept}. ")?;
        let lost: Vec<&str> = self.lost.iter().map(|table| words(table)).collect();
        if lost.is_empty() {
            f.write_str("Nothing is known to be lost.")
        } else {
            write!(f, "Lost in part or whole: {}.", lost.join(", "))
        }
    }
}

fn words(table: &str) -> &str {
    match table {
        "day" => "digest days",
        "late" => "sums of late minutes",
        "precious" => "saved alarm states",
        "change_" => "changes of alarms",
        "revision" => "revisions of alerts",
        "alarm" => "newest alarm states",
        "alert" => "alerts",
        "excursion" => "excursions",
        "finding" => "findings",
        "refused" => "sums of refused values",
        "outbox" => "letters",
        "meter" => "meters",
        "series" => "meanings of columns",
        "ten" => "ten-minute rows",
        "recording" => "recordings",
        "minute" => "minute rows",
        "undated" => "minutes that waited for their date",
        "unknown" => "rows on pages that no table reaches",
        "tail" => "readings of the last minutes",
        other => other,
    }
}

/// What is told of people and to people first, then what means something only with the names of meters.
/// A page that lies in the wrong place brings rows of another table: their values are not of the right kind.
const TABLES: [Table; 18] = [
    Table::numbered("precious").only("typeof(scope) = 'text' AND typeof(body) = 'text'").zeroed("number"),
    Table::numbered("outbox")
        .only("typeof(id) = 'text' AND typeof(channel) = 'text' AND typeof(message) = 'text'"),
    Table::keyed("duty").only("typeof(key) = 'text' AND typeof(body) = 'text'"),
    Table::keyed("alert").only("typeof(body) = 'text'"),
    Table::keyed("alarm").only("typeof(body) = 'text'"),
    Table::numbered("change_").only("typeof(alarm) = 'text' AND typeof(body) = 'text'"),
    Table::numbered("revision").only("typeof(alert) = 'text' AND typeof(body) = 'text'"),
    Table::numbered("finding").only("typeof(finding) = 'text' AND typeof(body) = 'text'"),
    Table::numbered("day").only("typeof(date) = 'text' AND typeof(body) IN ('text', 'blob')"),
    Table::keyed("late").only("typeof(meter) = 'text'"),
    Table::numbered("excursion").only("typeof(subject) = 'text' AND typeof(body) = 'text'"),
    Table::numbered("meter").only("typeof(name) = 'text' AND id BETWEEN 1 AND 0xFFFFFFFF"),
    Table::numbered("series").only("typeof(keys) = 'text' AND id BETWEEN 1 AND 0xFFFFFFFF"),
    Table::keyed("refused").only("typeof(why) = 'text'").zeroed("number"),
    Table::numbered("recording").only("typeof(id) = 'text' AND typeof(body) = 'blob'"),
    Table::numbered("ten").only("typeof(body) = 'blob'"),
    Table::numbered("minute").only("typeof(body) = 'blob'"),
    Table::numbered("undated").only("typeof(body) = 'blob' AND typeof(at) = 'integer'"),
];

/// Tables that mean nothing without the names of meters.
const OF_METERS: [&str; 6] = ["series", "refused", "recording", "ten", "minute", "undated"];

/// Carries over what can be read of a file that was set aside.
///
/// # Errors
/// The new file can't be written.
pub(super) fn salvage(aside: &Path, into: &Connection, at: EventTime, why: &str) -> Result<Salvage> {
    let mut report = Salvage {
        at,
        why: why.to_owned(),
        set_aside: Some(aside.to_owned()),
        kept: Vec::new(),
        lost: TABLES.iter().map(|table| table.name.to_owned()).collect(),
    };
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    if let Ok(from) = Connection::open_with_flags(aside, flags)
        && schema::is_ours(&from)
    {
        let end = Instant::now() + PATIENCE;
        report.lost.clear();
        let transaction = into.unchecked_transaction()?;
        for table in TABLES {
            let has_meters = report.kept.iter().any(|(name, rows)| name == "meter" && *rows > 0);
            if OF_METERS.contains(&table.name) && !has_meters {
                report.lost.push(table.name.to_owned());
                continue;
            }
            let carried = carry(&from, &transaction, table, false, end)?;
            report.kept.push((table.name.to_owned(), carried.rows));
            if !(carried.whole && is_whole(&from, table, end)) {
                report.lost.push(table.name.to_owned());
            }
        }
        // Rows whose meter or columns have lost their names are there, but found by nobody.
        if report.lost.iter().any(|table| table == "meter" || table == "series") {
            let known = report.lost.clone();
            let unsure = ["refused", "ten", "minute", "undated"]
                .into_iter()
                .filter(|name| known.iter().all(|one| one != name));
            report.lost.extend(unsure.map(str::to_owned));
        }
        if has_pages_of_nobody(&from, end) {
            report.lost.push("unknown".to_owned());
        }
        report.lost.push("tail".to_owned());
        forget_what_has_no_state(&from, &transaction)?;
        transaction.commit()?;
    }
    keep(into, &report)?;
    Ok(report)
}

/// Whether there are pages that no table reaches, or that two reach: whose rows they are is not known.
fn has_pages_of_nobody(db: &Connection, end: Instant) -> bool {
    let look = || -> rusqlite::Result<bool> {
        let mut statement = db.prepare("PRAGMA quick_check(1000)")?;
        let found = statement.query_map((), |row| row.get::<_, String>(0))?;
        let lines: Vec<String> = found.collect::<rusqlite::Result<_>>()?;
        Ok(lines.iter().any(|line| line.contains("never used") || line.contains("2nd reference")))
    };
    Instant::now() >= end || look().unwrap_or(true)
}

/// Rows that lie where they do not belong are passed over without an error, so a table is looked through as well, also
/// for rows of another.
fn is_whole(db: &Connection, table: Table, end: Instant) -> bool {
    let look = format!("PRAGMA quick_check({})", table.name);
    let strangers = format!("SELECT EXISTS (SELECT 1 FROM {} WHERE NOT ({}))", table.name, table.only);
    Instant::now() < end
        && db.query_row(&look, (), |row| row.get::<_, String>(0)).is_ok_and(|said| said == "ok")
        && db.query_row(&strangers, (), |row| row.get::<_, bool>(0)).is_ok_and(|any| !any)
}

/// Alarms of a scope whose saved state was lost begin to count anew. What was told of them stays as history, under
/// ids that can't come again; as something that goes on it is forgotten.
fn forget_what_has_no_state(from: &Connection, into: &Connection) -> Result<()> {
    let book = schema::book(from).unwrap_or_else(|_| "former".to_owned());
    let mut statement = into.prepare("SELECT scope, body FROM precious")?;
    let states: Vec<(String, String)> =
        statement.query_map((), |row| Ok((row.get(0)?, row.get(1)?)))?.flatten().collect();
    let readable = |body: &str| serde_json::from_str::<kvarden_core::saved::Precious>(body).is_ok();
    let (good, bad): (Vec<_>, Vec<_>) = states.into_iter().partition(|(_, body)| readable(body));
    for (scope, _) in bad {
        into.execute("DELETE FROM precious WHERE scope = ?1", [scope])?;
    }
    let known: BTreeSet<String> = good.into_iter().map(|(scope, _)| scope).collect();
    let has_state =
        |id: &str| known.iter().any(|scope| id.strip_prefix(scope).is_some_and(|rest| rest.starts_with('/')));
    for (table, column) in [("change_", "alarm"), ("revision", "alert"), ("alarm", "key"), ("alert", "alert")]
    {
        let mut statement = into.prepare(&format!("SELECT DISTINCT {column} FROM {table}"))?;
        let ids: Vec<String> = statement.query_map((), |row| row.get(0))?.flatten().collect();
        for id in ids.iter().filter(|id| !has_state(id)) {
            let sql = match table {
                "alarm" | "alert" => format!("DELETE FROM {table} WHERE {column} = ?1 AND ?2 IS NOT NULL"),
                _ => format!("UPDATE {table} SET {column} = {column} || '@' || ?2 WHERE {column} = ?1"),
            };
            into.execute(&sql, (id, &book))?;
        }
    }
    Ok(())
}

/// Keeps and gives the report of a file whose log is missing: whole in itself, but not all. Ids that were told already
/// could come again, so the book is another from now on.
pub(super) fn without_log(db: &Connection, at: EventTime) -> Result<Salvage> {
    let why = "the log of the store (kvarden.db-wal) is missing".to_owned();
    let report = Salvage { at, why, set_aside: None, kept: Vec::new(), lost: vec![LAST.to_owned()] };
    schema::change_book(db)?;
    keep(db, &report)?;
    Ok(report)
}

/// Keeps a report, to be shown with the state.
pub(super) fn keep(db: &Connection, report: &Salvage) -> Result<()> {
    schema::put_meta(db, KEPT_AS, &codec::text(report)?)
}

/// What became of the last file that could not be used, if there ever was one.
pub(super) fn last(db: &Connection) -> Result<Option<Salvage>> {
    let text = schema::meta(db, KEPT_AS)?;
    Ok(text.and_then(|text| serde_json::from_str(&text).ok()))
}
