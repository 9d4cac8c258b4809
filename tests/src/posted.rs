//! Letters to people, as the outbox of a running daemon has them.

use crate::site::Site;

/// One person who is told by a command at once.
pub const INES: &str = r#"
[command]
run = ["/bin/true"]
[[person]]
name = "Ines"
command = "+1 555 0100"
[tell.high]
wait_for_cause = "0s"
again = "24h"
"#;

/// A letter to a person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Posted {
    /// Its id.
    pub id: String,
    /// By which way.
    pub channel: String,
    /// Of which alert.
    pub alert: String,
    /// The how-manieth word about it.
    pub revision: u32,
    /// To whom.
    pub person: String,
    /// Why that person is told.
    pub why: String,
    /// What became of it; empty while it waits.
    pub fate: String,
    /// From the moment at which it was written to the one at which its fate was known, in milliseconds.
    pub took: Option<i64>,
}

/// The letters of a site so far, in their order.
pub fn posted(site: &Site) -> Vec<Posted> {
    let file = site.path("data").join(kvarden::store::DATABASE);
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
    let Ok(db) = rusqlite::Connection::open_with_flags(file, flags) else { return Vec::new() };
    let sql = "SELECT id, channel, alert, revision, person, json_extract(message, '$.told.why'), coalesce(fate, ''), done - created
        FROM outbox WHERE person IS NOT NULL ORDER BY number";
    let Ok(mut statement) = db.prepare(sql) else { return Vec::new() };
    let rows = statement.query_map((), |row| {
        Ok(Posted {
            id: row.get(0)?,
            channel: row.get(1)?,
            alert: row.get(2)?,
            revision: row.get(3)?,
            person: row.get(4)?,
            why: row.get(5)?,
            fate: row.get(6)?,
            took: row.get(7)?,
        })
    });
    rows.map(|rows| rows.flatten().collect()).unwrap_or_default()
}
