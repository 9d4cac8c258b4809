//! Reader of `[[work]]`: planned work, during which everything is recorded and nobody is told.

use crate::fault::Fault;
use crate::names::{Names, find};
use crate::section::{Section, Value, wrong_kind};
use crate::values::{says, text};
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use kvarden_core::alarm::work::LONGEST_WORK;
use kvarden_core::plant::{PlannedWork, SupplyFrom};
use kvarden_core::time::EventTime;

/// The most windows of planned work in one configuration: one a week for each of some transformers; what is past may go.
pub(crate) const MOST_WORKS: usize = 400;

/// Planned work, in the site's local time.
pub(crate) fn work(
    s: &mut Section<'_>,
    (transformers, feeders): (&Names, &Names),
    zone: &TimeZone,
) -> Option<PlannedWork> {
    let on = s.required("on", "\"T2\"", |value| on(value, transformers, feeders));
    let from = s.required("from", "\"2026-12-05 07:00\"", |value| moment(value, zone));
    let until = s.required("until", "\"2026-12-05 15:00\"", |value| moment(value, zone));
    let by = s.required("by", "\"Ines\"", text);
    let why = s.required("why", "\"lugs of MP-3 remade\"", text);
    let (from, until) = (from?, until?);
    if until <= from || until - from > LONGEST_WORK {
        let days = LONGEST_WORK.0 / (24 * 3_600_000);
        let message = format!("this work does not end between its start and {days} days later");
        let help = format!(
            "write a time after `from`; work of more than {days} days is planned again, so that nothing is forgotten"
        );
        s.fault("until", Fault::new(message, "this time", help));
        return None;
    }
    Some(PlannedWork { on: on?, from, until, by: by?, why: why? })
}

/// A feeder or a transformer; no two of them have one name.
fn on(value: &Value<'_>, transformers: &Names, feeders: &Names) -> Result<SupplyFrom, Fault> {
    find(&[transformers, feeders], value).map(|(kind, index)| {
        if kind == 0 { SupplyFrom::Transformer(index) } else { SupplyFrom::Feeder(index) }
    })
}

/// Date and time of the site's local clock. An hour that the clock skips is the one after it; of an hour that comes twice it is
/// the first.
fn moment(value: &Value<'_>, zone: &TimeZone) -> Result<EventTime, Fault> {
    const HELP: &str = "write date and time of the local day in quotes, for example \"2026-12-05 07:00\"";
    let given = value.node.as_str().ok_or_else(|| wrong_kind(value, "a date and time in quotes", HELP))?;
    let plain = given.len() == "2026-12-05 07:00".len();
    let local = DateTime::strptime("%Y-%m-%d %H:%M", given).ok().filter(|_| plain);
    let at = local.filter(|local| (2000..=2199).contains(&local.year()));
    match at.and_then(|local| local.to_zoned_datetime(zone.clone()).ok()) {
        Some(at) => Ok(EventTime(at.timestamp().as_millisecond())),
        None => says(value, "which is not a date with a time", HELP),
    }
}
