//! Readers of `[tell]`, `[store]` and `[digest]`: what the daemon needs besides the plant.

use crate::fault::Fault;
use crate::keys::RECORDING;
use crate::people_settings::{TellingSpec, Way};
use crate::section::Section;
use crate::settings::{DigestSpec, StoreSpec, TellSpec};
use crate::telling::telling;
use crate::topics::topic;
use crate::values::{bytes, span, text, time_of_day, yes_or_no};
use kvarden_core::plant::Around;
use kvarden_core::recorder::LONGEST_SIDE;
use kvarden_core::time::Span;
use std::path::{Path, PathBuf};

/// The least store: a day of a large site and its reserve fit.
const LEAST_BYTES: u64 = 16 << 20;
/// A store for years of a middling site.
const DEFAULT_BYTES: u64 = 2 << 30;
/// A sign of life each minute: soon enough to be missed, rare enough to be no load.
const HEARTBEAT: Span = Span::seconds(60);

/// A site's name as it may stand in a topic: lower case, what is neither letter nor digit becomes one dash.
pub(crate) fn slug(site: &str) -> String {
    let words: Vec<String> = site
        .split(|c: char| !c.is_ascii_alphanumeric())
        .filter(|word| !word.is_empty())
        .map(str::to_ascii_lowercase)
        .collect();
    if words.is_empty() { "site".to_owned() } else { words.join("-") }
}

/// Whom to tell, when there is no `[tell]`.
pub(crate) fn tell_default(slug: &str, has_broker: bool) -> TellSpec {
    TellSpec {
        mqtt: has_broker,
        topics: format!("kvarden/{slug}"),
        file: None,
        heartbeat: HEARTBEAT,
        daily: None,
    }
}

/// Whom to tell.
pub(crate) fn tell(
    s: &mut Section<'_>,
    slug: &str,
    has_broker: bool,
    base: &Path,
    open: &[Way],
) -> Option<(TellSpec, TellingSpec)> {
    let usual = tell_default(slug, has_broker);
    let mqtt = s.or("mqtt", usual.mqtt, yes_or_no);
    if mqtt == Some(true) && !has_broker {
        let message = "alerts go to MQTT, but there is no [broker]".to_owned();
        s.fault("mqtt", Fault::new(message, "needs a broker", "add a [broker], or write mqtt = false"));
    }
    let topics = s.or("topics", usual.topics, topic);
    let file = s.optional("file", text);
    let heartbeat = s.or("heartbeat", usual.heartbeat, span(Span::seconds(5)..=Span::hours(1)));
    let daily = s.optional("daily", time_of_day);
    if s.has("daily") && open.is_empty() {
        let message = "a sign of life goes to the person on duty, but no way leads to people".to_owned();
        let help = "add a [mail], [webhook] or [command] and a [[person]], or leave `daily` out";
        s.fault("daily", Fault::new(message, "leads nowhere", help));
    }
    let telling = telling(s, open);
    let tell = TellSpec {
        mqtt: mqtt?,
        topics: topics?,
        file: file?.map(|file| base.join(file)),
        heartbeat: heartbeat?,
        daily: daily?,
    };
    Some((tell, telling?))
}

/// Where things are kept.
pub(crate) fn store(s: &mut Section<'_>, base: &Path) -> Option<(StoreSpec, Around)> {
    let folder = s.or("folder", "data".to_owned(), text);
    let max_bytes = s.or("max_bytes", DEFAULT_BYTES, bytes(LEAST_BYTES));
    let recording = s.table("recording", &RECORDING, around);
    let store = StoreSpec { folder: base.join(folder?), max_bytes: max_bytes? };
    Some((store, recording?.unwrap_or(Around::USUAL)))
}

/// How much is kept around each limit alarm.
fn around(s: &mut Section<'_>) -> Option<Around> {
    let before = s.or("before", Around::USUAL.before, span(Span::ZERO..=LONGEST_SIDE));
    let after = s.or("after", Around::USUAL.after, span(Span::ZERO..=LONGEST_SIDE));
    Some(Around { before: before?, after: after? })
}

/// Where things are kept, when there is no `[store]`.
pub(crate) fn store_default(base: &Path) -> (StoreSpec, Around) {
    (StoreSpec { folder: base.join("data"), max_bytes: DEFAULT_BYTES }, Around::USUAL)
}

/// When the day is summed up, and the folder as written: it lies under the store's.
pub(crate) fn digest(s: &mut Section<'_>) -> Option<((u8, u8), PathBuf)> {
    let (at, folder) = digest_default();
    let at = s.or("at", at, time_of_day);
    let folder = s.or("folder", folder, |value| text(value).map(PathBuf::from));
    Some((at?, folder?))
}

/// When the day is summed up, when there is no `[digest]`.
pub(crate) fn digest_default() -> ((u8, u8), PathBuf) {
    ((6, 0), PathBuf::from("digests"))
}

/// The digest's settings with their folder under the store's.
pub(crate) fn digest_under(store: &StoreSpec, (at, folder): ((u8, u8), PathBuf)) -> DigestSpec {
    DigestSpec { at, folder: store.folder.join(folder) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slug_has_only_letters_digits_and_single_dashes() {
        assert_eq!(slug("Larkspur Cannery"), "larkspur-cannery");
        assert_eq!(slug(" Hall 3 / East & West "), "hall-3-east-west");
        assert_eq!(slug("工場"), "site");
    }
}
