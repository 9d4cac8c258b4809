//! The least that reading a span of one series can cost: single-precision numbers, a day of them in one blob, by an
//! index.

use rusqlite::Connection;
use std::hint::black_box;

/// A database with so many days of one series of `a_day` numbers each, among so many other series.
pub(crate) fn written(days: u32, a_day: usize, others: u32) -> Connection {
    let db = Connection::open_in_memory().expect("memory is enough");
    db.execute_batch(
        "CREATE TABLE chunk (id INTEGER PRIMARY KEY, series INTEGER, day INTEGER, body BLOB);\
         CREATE UNIQUE INDEX by_series ON chunk (series, day); BEGIN",
    )
    .expect("the statements are right");
    let body: Vec<u8> = (0..a_day).flat_map(|at| (20.0 + 0.01 * at as f32).to_le_bytes()).collect();
    for day in 0..days {
        for series in 0..=others {
            db.execute("INSERT INTO chunk (series, day, body) VALUES (?1, ?2, ?3)", (series, day, &body))
                .expect("memory is enough");
        }
    }
    db.execute_batch("COMMIT").expect("the statement is right");
    db
}

/// Reads all days of the first series; gives how many numbers came.
pub(crate) fn read(db: &Connection) -> usize {
    let mut statement = db
        .prepare_cached("SELECT body FROM chunk WHERE series = 0 ORDER BY day")
        .expect("the statement is right");
    let mut rows = statement.query([]).expect("the table is there");
    let mut values = Vec::new();
    while let Some(row) = rows.next().expect("the rows are there") {
        let body = row.get_ref(0).and_then(|body| Ok(body.as_blob()?)).expect("a blob was written");
        values.extend(
            body.chunks_exact(4).map(|four| f32::from_le_bytes([four[0], four[1], four[2], four[3]])),
        );
    }
    black_box(&values);
    values.len()
}
