//! Makes the digests that are due and revises those of which minutes came late. In the background, a meter at a time,
//! so that nothing else waits for the store.

use super::files::write_files;
use super::making::Making;
use super::{DigestContext, FrozenDay, SITE, calendar, frozen, revision};
use crate::store::{Error, Keeper, Late, MOST_WATCHED, Store, StoreGone};
use jiff::civil::Date;
use kvarden_core::time::EventTime;
use std::cell::Cell;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;

/// Digests that were missed, because the program was not running, are made for so many days.
const MOST_BACK: i64 = MOST_WATCHED as i64 - 1;

/// Why a digest could not be made now.
#[derive(Debug, thiserror::Error)]
enum Trouble {
    #[error(transparent)]
    Store(#[from] Error),
    #[error(transparent)]
    Gone(#[from] StoreGone),
}

/// Makes digests.
#[derive(Debug)]
pub struct Maker {
    keeper: Keeper,
    context: Arc<DigestContext>,
    at: (u8, u8),
    folder: Option<PathBuf>,
    busy: Cell<bool>,
}

impl Maker {
    /// At the local hour and minute `at`; files go to `folder`, if there is one.
    pub fn new(keeper: Keeper, context: DigestContext, at: (u8, u8), folder: Option<PathBuf>) -> Rc<Self> {
        Rc::new(Self { keeper, context: Arc::new(context), at, folder, busy: Cell::new(false) })
    }

    /// From now on what comes of a day that is already frozen is noted; to be done before any reading comes.
    ///
    /// # Errors
    /// The store has ended.
    pub async fn begin(&self) -> Result<(), StoreGone> {
        let context = Arc::clone(&self.context);
        let watched = self.keeper.ask(move |store| -> Result<(), Error> {
            for date in store.days(SITE)?.iter().rev().take(MOST_WATCHED) {
                watch(store, &context, date);
            }
            Ok(())
        });
        if let Err(error) = watched.await? {
            tracing::warn!(%error, "minutes of past days that come late can't be noted");
        }
        Ok(())
    }

    /// Looks what is due and does it in the background, unless the last look is still under way.
    pub fn look(self: &Rc<Self>, now: EventTime) {
        if self.busy.replace(true) {
            return;
        }
        let work = Free(Rc::clone(self));
        tokio::task::spawn_local(async move {
            if let Err(error) = work.0.make_what_is_due(now).await {
                tracing::warn!(%error, "a digest is due but could not be made; tried again");
            }
        });
    }

    async fn make_what_is_due(&self, now: EventTime) -> Result<(), Trouble> {
        let (context, at) = (Arc::clone(&self.context), self.at);
        let dates = self.keeper.ask(move |store| missing(store, &context, at, now)).await??;
        for date in dates {
            if let Some(day) = self.freeze(date).await? {
                tracing::info!(date = %day.date, "digest made");
                self.write(day).await;
            }
        }
        let late = self.keeper.ask(|store| store.late()).await??;
        for late in late.into_iter().filter(|late| revision::is_due(late, now)) {
            if let Some(day) = self.revise(late, now).await? {
                tracing::info!(date = %day.date, revision = day.revision, "digest revised: minutes came late");
                self.write(day).await;
            }
        }
        Ok(())
    }

    /// The day from what the store holds now. From its beginning on what comes is late.
    async fn make(&self, date: Date) -> Result<Option<FrozenDay>, Trouble> {
        let context = Arc::clone(&self.context);
        let begun = self.keeper.ask(move |store| {
            watch(store, &context, &date.to_string());
            Making::begin(store, context, date)
        });
        let Some(making) = begun.await??.map(Arc::new) else { return Ok(None) };
        let mut parts = Vec::with_capacity(making.meters());
        for meter in 0..making.meters() {
            let making = Arc::clone(&making);
            parts.push(self.keeper.ask(move |store| making.part(store, meter)).await??);
        }
        Ok(Some(self.keeper.ask(move |store| making.end(store, parts)).await??))
    }

    async fn freeze(&self, date: Date) -> Result<Option<FrozenDay>, Trouble> {
        let Some(day) = self.make(date).await? else { return Ok(None) };
        Ok(self.keeper.ask(move |store| put(store, day)).await??)
    }

    async fn revise(&self, late: Late, now: EventTime) -> Result<Option<FrozenDay>, Trouble> {
        let Ok(date) = late.date.parse::<Date>() else { return Ok(None) };
        let Some(fresh) = self.make(date).await? else { return Ok(None) };
        let revised = self.keeper.ask(move |store| {
            let old = frozen(store, date, None)?;
            let revised = old.and_then(|old| revision::revised(&old, fresh.figures, &late, now));
            let kept = revised.map(|day| put(store, day)).transpose()?.flatten();
            store.forget_late(&late)?;
            Ok::<_, Error>(kept)
        });
        Ok(revised.await??)
    }

    /// A disk may take seconds: not on the thread that polls the meters.
    async fn write(&self, day: FrozenDay) {
        let Some(folder) = self.folder.clone() else { return };
        let into = folder.clone();
        let written = tokio::task::spawn_blocking(move || write_files(&into, &day)).await;
        if let Err(error) = written.map_err(std::io::Error::other).flatten() {
            tracing::warn!(%error, folder = %folder.display(), "the digest is kept in the store but its files could not be written; `kvarden digest` prints it");
        }
    }
}

/// Whatever becomes of a look, the next one may follow.
struct Free(Rc<Maker>);

impl Drop for Free {
    fn drop(&mut self) {
        self.0.busy.set(false);
    }
}

fn watch(store: &mut Store, context: &DigestContext, date: &str) {
    let bounds = date.parse::<Date>().ok().and_then(|date| calendar::bounds(date, &context.zone));
    if let Some((from, to)) = bounds {
        store.watch_day(date, from, to);
    }
}

/// Keeps a day; gives it back if it is new.
fn put(store: &mut Store, day: FrozenDay) -> Result<Option<FrozenDay>, Error> {
    let body = serde_json::to_string(&day).map_err(|error| Error::row("day", error))?;
    let is_new = store.put_day(SITE, &day.date.to_string(), day.revision, &body)?;
    Ok(is_new.then_some(day))
}

/// The days of which something was measured and whose digests are due but missing, the oldest first, of the last week.
fn missing(store: &Store, context: &DigestContext, at: (u8, u8), now: EventTime) -> Result<Vec<Date>, Error> {
    let Some(last) = calendar::last_digest(now, at, &context.zone) else { return Ok(Vec::new()) };
    let frozen = store.days(SITE)?;
    let mut dates = Vec::new();
    for back in (0..MOST_BACK).rev() {
        let Ok(date) = last.checked_sub(jiff::Span::new().days(back)) else { continue };
        let Some((from, to)) = calendar::bounds(date, &context.zone) else { continue };
        if frozen.contains(&date.to_string()) {
            continue;
        }
        for meter in &context.meters {
            if store.has_minutes(&meter.meter, from, to)? {
                dates.push(date);
                break;
            }
        }
    }
    Ok(dates)
}

#[cfg(test)]
#[path = "maker_tests.rs"]
mod tests;
