//! Letters to people, as the outbox of a running daemon has them.

use crate::site::Site;

/// A letter to a person by the command.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Posted {
    /// Its id.
    pub id: String,
    /// Of which alert.
    pub alert: String,
    /// To whom.
    pub person: String,
    /// Why that person is told.
    pub why: String,
    /// What became of it; empty while it waits.
    pub fate: String,
}

/// The letters of a site so far, in their order.
pub fn posted(site: &Site) -> Vec<Posted> {
    let file = site.path("data").join(kvarden::store::DATABASE);
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
    let Ok(db) = rusqlite::Connection::open_with_flags(file, flags) else { return Vec::new() };
    let sql = "SELECT id, alert, person, json_extract(message, '$.told.why'), coalesce(fate, '') FROM outbox
        WHERE channel = 'command' ORDER BY number";
    let Ok(mut statement) = db.prepare(sql) else { return Vec::new() };
    let rows = statement.query_map((), |row| {
        Ok(Posted {
            id: row.get(0)?,
            alert: row.get(1)?,
            person: row.get(2)?,
            why: row.get(3)?,
            fate: row.get(4)?,
        })
    });
    rows.map(|rows| rows.flatten().collect()).unwrap_or_default()
}
