//! How far the learning of connections is, for people; and in what context what is fed is judged.

use super::time::moment;
use jiff::tz::TimeZone;
use kvarden_core::context::{Context, WIDER};
use kvarden_core::electrical::joint::DAYS_LEARNED;
use kvarden_core::plant::SourceKind;
use kvarden_core::study::{MOST_TIMES, WayNow, WayStands};
use kvarden_core::time::EventTime;

/// A sentence about the connections from a transformer to one meter.
pub fn connections((transformer, way): (&str, WayNow<'_>)) -> String {
    let begin = format!("{transformer} to {}: its connections", way.way);
    let by_peers = "are judged phase against phase";
    match way.stands {
        WayStands::Learning(days) => format!(
            "{begin} {by_peers}; their resistances are being learned, {days} of {DAYS_LEARNED} days with enough load"
        ),
        WayStands::Waits => format!(
            "{begin} {by_peers}; what was learned waits for a person: {}; take it with kvarden calibration {transformer} \
             --of connections --by NAME if a scan found them sound",
            resistances(way.ohms)
        ),
        WayStands::NotHealthy(times) => {
            let why = times.map_or("they are no resistances".to_owned(), |times| {
                format!(
                    "one phase has {times:.1} times the resistance of another, and {MOST_TIMES} is the most"
                )
            });
            format!("{begin} {by_peers}; what was learned can't be taken for healthy: {why}")
        }
        WayStands::Accepted => {
            let by = way.accepted.map_or("a person", |(by, _)| by.as_str());
            format!("{begin} are judged by what {by} accepted: {}", resistances(way.ohms))
        }
    }
}

fn resistances([a, b, c, n]: [Option<f64>; 4]) -> String {
    let milli = |ohm: Option<f64>| ohm.map_or("unknown".to_owned(), |ohm| format!("{:.2}", 1000.0 * ohm));
    let phases = [a, b, c].map(milli).join(", ");
    let neutral = n.map(|_| format!(", neutral {}", milli(n))).unwrap_or_default();
    format!("{phases}{neutral} m\u{3a9}")
}

/// What is not judged, or judged otherwise, of something that is fed; `None` where all is as usual.
pub fn context(name: &str, context: &Context, now: EventTime, zone: &TimeZone) -> Option<String> {
    let own = match context.source {
        SourceKind::Utility => None,
        SourceKind::Generator => Some("on a generator"),
        SourceKind::Island => Some("on an island supply"),
    };
    let own = own.map(|own| {
        format!(
            "{own}: default limits on unbalance and distortion of the volts stand {WIDER} times as high, and no table of the \
             public grid is applied"
        )
    });
    let settling = context.settles(now).map(|end| {
        let why = if context
            .transferred
            .and_then(|_| Context { energised: None, ..*context }.settles(now))
            .is_some()
        {
            "it was transferred"
        } else {
            "its volts came back"
        };
        format!("{why}: unbalance and distortion are not judged until {}", moment(end, now, zone))
    });
    let said: Vec<String> = settling.into_iter().chain(own).collect();
    (!said.is_empty()).then(|| format!("{name}: {}", said.join("; ")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use kvarden_core::time::Span;

    #[test]
    fn how_far_the_learning_of_connections_is() {
        let accepted = ("Ines".to_owned(), EventTime(0));
        let ohms = [Some(0.003), Some(0.0031), Some(0.003), Some(0.002)];
        let line = |stands, accepted| connections(("T2", WayNow { way: "MP-1", stands, ohms, accepted }));
        let lines = [
            line(WayStands::Learning(3), None),
            line(WayStands::Waits, None),
            line(WayStands::NotHealthy(Some(1.83)), None),
            line(WayStands::Accepted, Some(&accepted)),
        ];
        insta::assert_snapshot!(lines.join("\n"), @r"
        T2 to MP-1: its connections are judged phase against phase; their resistances are being learned, 3 of 7 days with enough load
        T2 to MP-1: its connections are judged phase against phase; what was learned waits for a person: 3.00, 3.10, 3.00, neutral 2.00 mΩ; take it with kvarden calibration T2 --of connections --by NAME if a scan found them sound
        T2 to MP-1: its connections are judged phase against phase; what was learned can't be taken for healthy: one phase has 1.8 times the resistance of another, and 1.5 is the most
        T2 to MP-1: its connections are judged by what Ines accepted: 3.00, 3.10, 3.00, neutral 2.00 mΩ
        ");
    }

    #[test]
    fn what_is_judged_otherwise_is_said_while_it_is_so() {
        // 13:10 of a summer's day at the site.
        let now = EventTime(1_784_747_400_000);
        let zone = TimeZone::get("America/Denver").unwrap();
        let line = |of: Context| context("T2", &of, now, &zone).unwrap_or_default();
        let transferred = Some(now - Span::minutes(2));
        let lines = [
            line(Context { transferred, ..Context::USUAL }),
            line(Context { energised: Some(now - Span::seconds(10)), ..Context::USUAL }),
            line(Context { source: SourceKind::Generator, ..Context::USUAL }),
        ];
        insta::assert_snapshot!(lines.join("\n"), @r"
        T2: it was transferred: unbalance and distortion are not judged until 13:13
        T2: its volts came back: unbalance and distortion are not judged until 13:10
        T2: on a generator: default limits on unbalance and distortion of the volts stand 1.5 times as high, and no table of the public grid is applied
        ");
        assert_eq!(line(Context::USUAL), "");
    }
}
