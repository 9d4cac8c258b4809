//! Somebody's quiet hours, on each local day.

use crate::digest::calendar::{date_of, moment};
use jiff::tz::TimeZone;
use kvarden_config::Quiet;
use kvarden_core::time::EventTime;

/// When the quiet hours end in which a moment lies; `None`: it lies in none.
pub fn quiet_until(quiet: Quiet, at: EventTime, zone: &TimeZone) -> Option<EventTime> {
    let today = date_of(at, zone);
    // Those that began yesterday may last until today.
    [today, today.yesterday().ok()?].into_iter().find_map(|begins| {
        let ends = if quiet.from < quiet.until { begins } else { begins.tomorrow().ok()? };
        let (from, until) = (moment(begins, quiet.from, zone)?, moment(ends, quiet.until, zone)?);
        (from <= at && at < until).then_some(until)
    })
}
