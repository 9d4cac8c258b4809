//! Makes the digests that are due: freezes the day in the store, then writes it as files.

use super::{DigestContext, FrozenDay, freeze, missing};
use crate::store::{Error, Keeper, Store};
use kvarden_core::time::EventTime;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Looks whether digests are due and makes them, on the store's thread and in the background.
pub fn look(keeper: Keeper, context: DigestContext, at: (u8, u8), folder: Option<PathBuf>, now: EventTime) {
    tokio::task::spawn_local(async move {
        let days = keeper.ask(move |store| due(store, &context, at, now)).await;
        let days = match days {
            Ok(Ok(days)) => days,
            Ok(Err(error)) => {
                return tracing::warn!(%error, "a digest is due but could not be made; tried again");
            }
            Err(_) => return,
        };
        for day in days {
            tracing::info!(date = %day.date, "digest made");
            if let Some(folder) = &folder
                && let Err(error) = write_files(folder, &day)
            {
                tracing::warn!(%error, folder = %folder.display(), "the digest is kept in the store but its files could not be written; `kvarden digest` prints it");
            }
        }
    });
}

/// Freezes the days that are due.
fn due(
    store: &mut Store,
    context: &DigestContext,
    at: (u8, u8),
    now: EventTime,
) -> Result<Vec<FrozenDay>, Error> {
    let mut days = Vec::new();
    for date in missing(store, context, at, now)? {
        if let Some((day, true)) = freeze(store, context, date)? {
            days.push(day);
        }
    }
    Ok(days)
}

/// Writes a day as `DATE.txt` and `DATE.json`; a reader never sees half a file.
///
/// # Errors
/// When the folder can't be made or written.
pub fn write_files(folder: &Path, day: &FrozenDay) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    let json = serde_json::to_string_pretty(day)?;
    for (ending, text) in [("txt", crate::words::digest::digest(day)), ("json", json)] {
        let path = folder.join(format!("{}.{ending}", day.date));
        let half = folder.join(format!(".{}.{ending}.part", day.date));
        let mut file = std::fs::File::create(&half)?;
        file.write_all(text.as_bytes())?;
        file.sync_data()?;
        std::fs::rename(&half, &path)?;
    }
    Ok(())
}
