//! What was told, for years, and the newest state of each alarm and alert. Ids make telling again harmless; an
//! older state never replaces a newer one.

use super::guessed::Marks;
use super::{Result, codec};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::diagnosis::FindingChange;
use kvarden_core::output::{AlertRevision, Change, Excursion};
use rusqlite::Connection;

/// Stores steps of alarms.
pub(super) fn changes(db: &Connection, changes: &[Change], marks: Marks<'_>) -> Result<()> {
    let mut insert = db.prepare_cached(
        "INSERT OR IGNORE INTO change_ (alarm, step, at, body, by_guess) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?;
    let mut newest = db.prepare_cached(
        "INSERT INTO alarm VALUES (?1, ?2, ?3, ?4, ?5)
         ON CONFLICT (key) DO UPDATE SET rise = excluded.rise, step = excluded.step, live = excluded.live,
            body = excluded.body
         WHERE (excluded.rise, excluded.step) > (alarm.rise, alarm.step)",
    )?;
    for (place, change) in changes.iter().enumerate() {
        let body = codec::text(change)?;
        insert.execute((&change.alarm, change.step, change.at.0, &body, marks.of(place)))?;
        let (key, rise) = key_and_rise(&change.alarm);
        newest.execute((key, rise, change.step, change.to != AlarmState::Normal, &body))?;
    }
    Ok(())
}

/// An alarm's id is its key and the how-manieth time it rose: `T2/current_a.A high level 1#7`.
pub(super) fn key_and_rise(alarm: &str) -> (&str, u32) {
    let split = alarm.rsplit_once('#').and_then(|(key, rise)| Some((key, rise.parse().ok()?)));
    split.unwrap_or((alarm, 0))
}

/// Stores revisions of alerts.
pub(super) fn alerts(db: &Connection, alerts: &[AlertRevision], marks: Marks<'_>) -> Result<()> {
    let mut insert = db.prepare_cached(
        "INSERT OR IGNORE INTO revision (alert, revision, at, body, by_guess) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?;
    let mut newest = db.prepare_cached(
        "INSERT INTO alert VALUES (?1, ?2, ?3, ?4, ?5)
         ON CONFLICT (alert) DO UPDATE SET revision = excluded.revision, open = excluded.open, at = excluded.at,
            body = excluded.body
         WHERE excluded.revision > alert.revision",
    )?;
    for (place, alert) in alerts.iter().enumerate() {
        let body = codec::text(alert)?;
        insert.execute((&alert.alert, alert.revision, alert.at.0, &body, marks.of(place)))?;
        newest.execute((&alert.alert, alert.revision, alert.open, alert.at.0, &body))?;
    }
    Ok(())
}

/// Stores steps of findings.
pub(super) fn findings(db: &Connection, findings: &[FindingChange], marks: Marks<'_>) -> Result<()> {
    let mut insert = db.prepare_cached(
        "INSERT OR IGNORE INTO finding (finding, step, at, body, by_guess) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?;
    for (place, change) in findings.iter().enumerate() {
        let body = codec::text(change)?;
        insert.execute((&change.finding, change.step, change.at.0, body, marks.of(place)))?;
    }
    Ok(())
}

/// Stores excursions.
pub(super) fn excursions(db: &Connection, excursions: &[Excursion], marks: Marks<'_>) -> Result<()> {
    let mut insert = db.prepare_cached(
        "INSERT OR IGNORE INTO excursion (subject, bound, start, body, by_guess) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?;
    for (place, excursion) in excursions.iter().enumerate() {
        let subject = codec::text(&excursion.subject)?;
        let (bound, start) = (excursion.bound.key(), excursion.start.0);
        insert.execute((subject, bound, start, codec::text(excursion)?, marks.of(place)))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_how_manieth_time_is_no_part_of_the_key() {
        assert_eq!(key_and_rise("T#2/ambient_c high level 1#12"), ("T#2/ambient_c high level 1", 12));
        assert_eq!(key_and_rise("T2/odd#name"), ("T2/odd#name", 0));
        assert_eq!(key_and_rise("plain"), ("plain", 0));
    }
}
