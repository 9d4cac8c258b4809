//! What is said of a meter itself and of the parts of the program: the words of each health alarm, in one table.

use super::alphabet::clipped;
use super::time::{duration, rfc3339};
use jiff::tz::TimeZone;
use kvarden_core::input::{Certificate, MeterTrouble, Part};
use kvarden_core::output::Rule;
use kvarden_core::time::EventTime;
use std::borrow::Cow;

/// The longest name of a channel in a sentence.
const MOST_CHANNEL: usize = 40;

/// The words about one condition. A sentence is `<stands> since 13:10<cost>`; for a meter its name stands first.
#[derive(Debug)]
pub(super) struct Condition {
    /// What it is about, alone: `meter silent`, `store`.
    pub(super) what: Cow<'static, str>,
    /// While it holds.
    pub(super) stands: Cow<'static, str>,
    /// What that costs.
    pub(super) cost: &'static str,
    /// When it is over.
    pub(super) over: Cow<'static, str>,
    /// In a list, after the subject's name.
    pub(super) listed: &'static str,
}

const fn fixed(words: [&'static str; 5]) -> Condition {
    let [what, stands, cost, over, listed] = words;
    Condition {
        what: Cow::Borrowed(what),
        stands: Cow::Borrowed(stands),
        cost,
        over: Cow::Borrowed(over),
        listed,
    }
}

/// Of a meter itself. Any rule that is not about a meter is told as silence: nothing is known of it.
pub(super) const fn of_meter(rule: Rule) -> Condition {
    fixed(match rule {
        Rule::Frozen => [
            "meter values frozen",
            "values frozen",
            ", nothing is judged by them",
            "values moving again",
            "values stand still",
        ],
        Rule::Trouble(trouble) => of_trouble(trouble),
        _ => ["meter silent", "silent", ", nothing is judged there", "values back", "gives no values"],
    })
}

const fn of_trouble(trouble: MeterTrouble) -> [&'static str; 5] {
    match trouble {
        MeterTrouble::MapWrong => [
            "meter map wrong",
            "refusing registers of its map",
            ", what they should give is not judged",
            "answering its whole map again",
            "refuses registers of its map",
        ],
        MeterTrouble::LinkUnstable => [
            "meter link unstable",
            "link breaking again and again",
            ", values are missing in between",
            "link holding again",
            "link keeps breaking",
        ],
        MeterTrouble::NotAuthorised => [
            "meter not authorised",
            "closed to us (not authorised)",
            ", nothing is judged there",
            "readable again",
            "may not be read",
        ],
        MeterTrouble::Nonsense => [
            "meter values impossible",
            "giving impossible values",
            ", these are not used",
            "values possible again",
            "gives impossible values",
        ],
        MeterTrouble::ClockWrong => [
            "meter clock wrong",
            "clock wrong",
            ", its values carry wrong times or are refused",
            "clock right again",
            "clock wrong",
        ],
    }
}

/// Of a part of the program or of its surroundings.
pub(super) fn of_part(part: &Part) -> Condition {
    fixed(match part {
        Part::Channel(name) => {
            let name = clipped(name, MOST_CHANNEL);
            return Condition {
                what: Cow::Owned(format!("channel {name}")),
                stands: Cow::Owned(format!("channel {name} not delivering")),
                cost: ", its messages wait",
                over: Cow::Owned(format!("channel {name} delivering again")),
                listed: "does not deliver",
            };
        }
        Part::Broker => [
            "link to the broker of the meters",
            "no link to the broker of the meters",
            ", nothing is judged by them",
            "link to the broker of the meters working again",
            "does not work",
        ],
        Part::Store => [
            "store",
            "store not writable",
            ", judging goes on but is not kept",
            "store working again",
            "does not work",
        ],
        Part::BrokerAccess => [
            "access to the broker of the meters",
            "broker of the meters refusing us (not authorised)",
            ", what it keeps back is not judged",
            "access to the broker of the meters given again",
            "refused",
        ],
        Part::SecondBox => [
            "our name at the broker",
            "another program using our name at the broker",
            ", the link keeps breaking",
            "no other program seen with our name at the broker",
            "used by another program",
        ],
        Part::Disk => [
            "disk of the store",
            "disk of the store nearly full",
            ", history may be cut short",
            "disk of the store with room again",
            "nearly full",
        ],
        Part::Queue => [
            "queue to store and channels",
            "too much waiting to be stored or sent",
            ", some of it may be given up",
            "little waiting to be stored or sent again",
            "too long",
        ],
        Part::Clock => [
            "clock of this machine",
            "clock of this machine not to be trusted",
            ", times may be wrong and digests wait",
            "clock of this machine plausible again",
            "not to be trusted",
        ],
        Part::Certificate(whose) => return of_certificate(*whose),
    })
}

fn of_certificate(whose: Certificate) -> Condition {
    let what = certificate(whose);
    Condition {
        what: Cow::Borrowed(what),
        stands: Cow::Owned(format!("{what} near or past its end")),
        cost: ", then the link to the broker ends",
        over: Cow::Owned(format!("{what} good for more than 30 days again")),
        listed: "near or past its end",
    }
}

/// When a certificate ends, as told at `now`.
pub fn certificate_end(whose: Certificate, end: EventTime, now: EventTime) -> String {
    let (what, day) = (certificate(whose), rfc3339(end, &TimeZone::UTC));
    let day = &day[..day.len().min("2026-12-16".len())];
    if end > now {
        format!("{what}: ends on {day}, in {}", duration(end - now))
    } else {
        format!("{what}: ended on {day}")
    }
}

/// Whose certificate.
const fn certificate(whose: Certificate) -> &'static str {
    match whose {
        Certificate::Own => "our certificate for the broker",
        Certificate::Authority => "certificate of the broker's authority",
        Certificate::Broker => "certificate that the broker shows",
    }
}
