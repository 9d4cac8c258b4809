//! What status, digest and acknowledgement ask for.

use super::{Result, Store, codec, names};
use kvarden_core::diagnosis::FindingChange;
use kvarden_core::output::{AlertRevision, Change, Excursion};
use kvarden_core::plant::Priority;
use kvarden_core::time::EventTime;
use rusqlite::Params;
use serde::de::DeserializeOwned;
use std::collections::HashSet;

impl Store {
    /// The newest revision of each open alert, the most urgent first, then the oldest.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn open_alerts(&self) -> Result<Vec<AlertRevision>> {
        let sql = "SELECT body FROM alert WHERE open = 1 ORDER BY alert";
        let mut alerts: Vec<AlertRevision> = self.facts("alert", sql, ())?;
        alerts.sort_by(|a, b| b.priority.cmp(&a.priority).then(a.since.cmp(&b.since)));
        Ok(alerts)
    }

    /// The ids of the open alerts of which people know: at least one of their revisions was not for the digest only.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn told_alerts(&self) -> Result<HashSet<String>> {
        let sql = "SELECT revision.body FROM revision JOIN alert USING (alert) WHERE open = 1";
        let revisions: Vec<AlertRevision> = self.facts("revision", sql, ())?;
        let told = revisions.into_iter().filter(|one| one.priority > Priority::Journal);
        Ok(told.map(|one| one.alert).collect())
    }

    /// The newest revision of one alert, open or not.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn alert(&self, alert: &str) -> Result<Option<AlertRevision>> {
        Ok(self.facts("alert", "SELECT body FROM alert WHERE alert = ?1", [alert])?.pop())
    }

    /// The newest revision of every alert that is still kept: the open ones, and those closed lately. The whole
    /// state that a channel must be able to show again.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn newest_alerts(&self) -> Result<Vec<AlertRevision>> {
        self.facts("alert", "SELECT body FROM alert ORDER BY at, alert", ())
    }

    /// The newest step of each alarm that is not normal.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn live_alarms(&self) -> Result<Vec<Change>> {
        self.facts("alarm", "SELECT body FROM alarm WHERE live = 1 ORDER BY key", ())
    }

    /// The steps of alarms from `from` up to, not including, `to`, in order of time.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn changes(&self, from: EventTime, to: EventTime) -> Result<Vec<Change>> {
        let sql = "SELECT body FROM change_ WHERE at >= ?1 AND at < ?2 ORDER BY at, number";
        self.facts("change_", sql, (from.0, to.0))
    }

    /// The steps of findings from `from` up to, not including, `to`, in order of time.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn findings(&self, from: EventTime, to: EventTime) -> Result<Vec<FindingChange>> {
        let sql = "SELECT body FROM finding WHERE at >= ?1 AND at < ?2 ORDER BY at, number";
        self.facts("finding", sql, (from.0, to.0))
    }

    /// The revisions of one alert, the first first.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn revisions_of(&self, alert: &str) -> Result<Vec<AlertRevision>> {
        self.facts("revision", "SELECT body FROM revision WHERE alert = ?1 ORDER BY revision", [alert])
    }

    /// The revisions of alerts from `from` up to, not including, `to`, in order of time.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn revisions(&self, from: EventTime, to: EventTime) -> Result<Vec<AlertRevision>> {
        let sql = "SELECT body FROM revision WHERE at >= ?1 AND at < ?2 ORDER BY at, number";
        self.facts("revision", sql, (from.0, to.0))
    }

    /// The excursions that began from `from` up to, not including, `to`, in order of time.
    ///
    /// # Errors
    /// A row can't be read back.
    pub fn excursions(&self, from: EventTime, to: EventTime) -> Result<Vec<Excursion>> {
        let sql = "SELECT body FROM excursion WHERE start >= ?1 AND start < ?2 ORDER BY start, number";
        self.facts("excursion", sql, (from.0, to.0))
    }

    /// The names of all meters that ever were stored.
    ///
    /// # Errors
    /// The store can't be read.
    pub fn meters(&self) -> Result<Vec<String>> {
        Ok(names::all(&self.db)?.into_iter().map(|(_, name)| name.to_string()).collect())
    }

    fn facts<T: DeserializeOwned>(
        &self,
        table: &'static str,
        sql: &str,
        params: impl Params,
    ) -> Result<Vec<T>> {
        let mut statement = self.prepare(sql)?;
        let mut rows = statement.query(params)?;
        let mut facts = Vec::new();
        while let Some(row) = rows.next()? {
            let body = row.get_ref(0)?.as_str().map_err(|error| super::Error::row(table, error));
            match body.and_then(|body| codec::fact(table, body)) {
                Ok(fact) => facts.push(fact),
                // One damaged row must not keep the rest from being known, or the daemon from starting.
                Err(error) => tracing::error!(%error, "a stored row is passed over"),
            }
        }
        Ok(facts)
    }
}
