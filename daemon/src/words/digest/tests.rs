//! What the text of a digest says and what it leaves out.

use super::*;
use kvarden_core::digest::{DayInput, MeterRows, MinuteValue};
use kvarden_core::output::{Change, ChangeKind, Excursion, Matter, Rule, Subject};
use kvarden_core::plant::Bound;
use kvarden_core::time::Span;

const MINUTE: i64 = 60_000;

fn subject() -> Subject {
    Subject {
        transformer: Some("T2".to_owned()),
        feeder: None,
        meter: Some("T2 secondary".to_owned()),
        matter: Matter::Quantity(Quantity::whole(Measurand::VoltageUnbalance)),
    }
}

fn change(minute: i64, what: ChangeKind, to: kvarden_core::alarm::state::AlarmState) -> Change {
    Change {
        alarm: "T2/T2 secondary/voltage_unbalance_percent/high recurrence#1".to_owned(),
        step: 1,
        at: EventTime(minute * MINUTE),
        what,
        from: to,
        to,
        subject: subject(),
        rule: Rule::Recurrence { bound: Bound::High },
        priority: Priority::High,
        since: EventTime(780 * MINUTE),
        value: Some(4.0),
        peak: Some(4.0),
        setpoint: Some(2.0),
        over: None,
        recurred: None,
        fed: None,
    }
}

fn sensors(covered: [u32; 2]) -> MeterRows {
    let value = |covered_ms| MinuteValue { mean: 95.0, min: 94.0, max: 96.0, covered_ms };
    let minutes = if covered == [0, 0] { 0..0 } else { 0..1440 };
    MeterRows {
        transformer: "T2".to_owned(),
        feeder: None,
        meter: "T2 sensors".to_owned(),
        series: vec![Quantity::at(Measurand::Winding, Place::A), Quantity::at(Measurand::Winding, Place::B)],
        limits: Vec::new(),
        rolls_over_at: Vec::new(),
        shortest_event: None,
        rows: minutes.map(|minute| (EventTime(minute * MINUTE), covered.map(value).to_vec())).collect(),
    }
}

fn text(changes: &[Change], excursions: &[Excursion], meters: &[MeterRows]) -> String {
    super::text(&day(changes, excursions, meters))
}

fn day(changes: &[Change], excursions: &[Excursion], meters: &[MeterRows]) -> FrozenDay {
    let (from, to) = (EventTime(0), EventTime(1440 * MINUTE));
    let hours: Vec<(EventTime, u8)> =
        (0..24).map(|hour| (EventTime(i64::from(hour) * 60 * MINUTE), hour)).collect();
    let input =
        DayInput { from, to, until: to, hours: &hours, changes, excursions, parallel: &[], quality: &[] };
    day_of(DayFigures::new(&input, meters))
}

pub(super) fn day_of(figures: DayFigures) -> FrozenDay {
    FrozenDay {
        format: 2,
        made_by: "0.1.0".to_owned(),
        site: "Larkspur Cannery".to_owned(),
        reads_fahrenheit: false,
        language: "en".to_owned(),
        timezone: "UTC".to_owned(),
        date: jiff::civil::date(1970, 1, 1),
        revision: 1,
        revised: None,
        transformers: vec!["T2".to_owned()],
        limits: Vec::new(),
        not_judged: Vec::new(),
        room: None,
        recordings: Vec::new(),
        findings: Vec::new(),
        events: Vec::new(),
        figures,
    }
}

/// A day with two named causes and some starts of a large load.
pub(super) fn day_with_causes() -> FrozenDay {
    use crate::digest::findings::{EventDay, FindingDay};
    use kvarden_core::diagnosis::Cause;
    let mut day = day(&[], &[], &[sensors([60_000, 60_000])]);
    let minute = |minute: i64| EventTime(minute * MINUTE);
    let mut lug = crate::words::tests::cause::lug();
    lug.since = minute(790);
    if let Some(pattern) = &mut lug.pattern {
        pattern.since = minute(790);
        pattern.starts = (0..31).map(|start| minute(790 + 2 * start)).collect();
    }
    let room = kvarden_core::diagnosis::Finding {
        cause: Cause::HotRoom,
        priority: Priority::Low,
        feeder: None,
        place: None,
        pattern: None,
        shares: Vec::new(),
        since: minute(600),
        ..lug.clone()
    };
    let of = |finding: &str, facts, ended| FindingDay {
        finding: finding.to_owned(),
        found: Some(minute(600)),
        ended,
        facts,
    };
    day.findings = vec![
        of("T2/loose-connection intermittent/MP-3/B#1", lug, None),
        of("T2/cooling hot-room//#2", room, Some(minute(700))),
    ];
    day.events = vec![EventDay {
        cause: Cause::StartingLoad,
        transformer: "T2".to_owned(),
        feeder: Some("MP-1".to_owned()),
        times: 14,
        first: minute(362),
        last: minute(1000),
    }];
    day
}

#[test]
fn a_named_cause_is_told_with_its_proof_and_what_to_do_next() {
    let day = day_with_causes();
    let text = super::text(&day);
    let part = text.split("\nNamed causes").nth(1).expect("there is such a part");
    let part = part.split("\nT2\n").next().expect("it ends").trim_end();
    insta::assert_snapshot!(part, @r"
    , the most pressing first
      HIGH    T2, MP-3: loose phase B connection (confidence 87 %)
              since 13:10, still shows
              Can burn: each break draws an arc. It gets worse by itself, and cool
              hours prove nothing. Go now at urgent, this shift at high.
              Proof: heat of a connection phase B 38 W against 6 W.
              Pattern: 31 times since 13:10, 2-9 s each, mostly 13-14 h.
              Shares: MP-3 82 %; not metered 18 %.
              Ruled out: not overload: load of the rating 62 % against 100 %.
              Fit temperature sensors on the terminations: they would show a hot
              joint before it burns.
              Next: Take load off this feeder by normal switching; motors and
              electronics there suffer from each break.
      LOW     T2: room that is too hot (confidence 87 %)
              from 10:00 until nothing showed of it, 11:40
              The unit is well, its air is too warm: it bears less load. It burns
              only if the load stays high.
              Proof: heat of a connection phase B at MP-3 38 W against 6 W.
              Ruled out: not overload: load of the rating at MP-3 62 % against 100
              %.
              Fit temperature sensors on the terminations: they would show a hot
              joint before it burns.
              Next: Take load off by normal switching if a winding is over its
              limit.
    ");
    let events = text.split("Events without a fault").nth(1).expect("there is such a part");
    assert!(
        events.trim_start().starts_with("T2, MP-1, start of a large load: 14 times, between 06:02 and 16:40"),
        "{events}"
    );
    assert!(text.contains("Named causes: 2, of which 1 still show at the end of the day."), "{text}");
    let html = super::html(&day);
    for said in
        ["Named causes", "T2, MP-3: loose phase B connection", "Events without a fault", "not overload"]
    {
        assert!(html.contains(said), "{said}");
    }
}

#[test]
fn what_came_and_went_was_seen_and_not_held_and_what_is_unacknowledged_waits() {
    use kvarden_core::alarm::state::AlarmState::{ReturnedUnacknowledged, Unacknowledged};
    let changes = [
        change(790, ChangeKind::Raised, Unacknowledged),
        change(1315, ChangeKind::Cleared, ReturnedUnacknowledged),
    ];
    let blink = |minute: i64| Excursion {
        subject: subject(),
        bound: Bound::High,
        start: EventTime(minute * MINUTE),
        length: Span::seconds(2),
        peak: 4.0,
        setpoint: 2.0,
    };
    let said = text(&changes, &[blink(780), blink(785), blink(955)], &[sensors([60_000, 60_000])]);
    assert!(said.contains("seen 3 times, between 13:00 and 15:55, peak 4.0 % (limit 2.0 %)"), "{said}");
    assert!(!said.contains(", held"), "{said}");
    assert!(said.contains("Still standing at the end of the day: 0."), "{said}");
    assert!(
        said.contains("Waits for a person at the end of the day: 1 to be acknowledged, 0 to be released."),
        "{said}"
    );
    assert!(said.contains("to be acknowledged; since 13:00"), "{said}");
    assert!(!said.contains("Least measured"), "all was measured: {said}");
}

#[test]
fn a_sensor_that_stopped_stands_beside_its_meter() {
    let said = text(&[], &[], &[sensors([60_000, 27_600])]);
    assert!(
        said.contains("Least measured: T2 sensors, winding temperature phase B, 46 % of the day."),
        "{said}"
    );
    assert!(
        said.contains("T2 sensors: measured 100 % of the day, least winding temperature phase B (46 %)"),
        "{said}"
    );
}

#[test]
fn a_day_never_watched_is_called_not_measured_before_anything_else() {
    let said = text(&[], &[], &[sensors([0, 0])]);
    let first = said.lines().skip(2).find(|line| !line.is_empty()).unwrap();
    assert!(first.starts_with("Not measured"), "{said}");
    assert!(!said.contains("Still standing") && !said.contains("Alarms that held"), "{said}");
}

/// A transformer that ages half as fast as at its rated hot spot, known for so many minutes, after 812 h of it.
pub(super) fn across(known: i64) -> MeterRows {
    let value = |mean| MinuteValue { mean, min: mean, max: mean, covered_ms: 60_000 };
    MeterRows {
        meter: "T2 across meters".to_owned(),
        series: vec![Quantity::whole(Measurand::AgeingRate), Quantity::whole(Measurand::AgeingHours)],
        rows: (0..known).map(|minute| (EventTime(minute * MINUTE), vec![value(0.5), value(812.0)])).collect(),
        ..sensors([0, 0])
    }
}

/// Half an hour of ageing an hour makes 12 h a day; 812 h are 0.45 % of 180000 h.
#[test]
fn ageing_is_told_with_the_life_used_and_not_where_less_than_four_fifths_of_the_day_is_known() {
    let whole = day(&[], &[], &[across(1440)]);
    let said = super::text(&whole).split_whitespace().collect::<Vec<_>>().join(" ");
    let line = "T2, insulation: aged on the day as in 12 h at its rated hot spot; since it is watched it aged as in 812 h, \
        0.45 % of 180,000 h.";
    assert!(said.contains(line) && said.contains("not when it fails"), "{said}");
    assert!(super::html(&whole).contains(line));
    assert!(!said.contains("kh"), "no counter in thousands of hours: {said}");
    let part = day(&[], &[], &[across(1150)]);
    let said = super::text(&part).split_whitespace().collect::<Vec<_>>().join(" ");
    let line = "how much it aged on the day is not told: what that needs was known for 80 % of it";
    assert!(said.contains(line) && !said.contains("aged on the day as in"), "{said}");
    assert!(super::html(&part).contains(line));
    assert!(
        !text(&[], &[], &[sensors([60_000, 60_000])]).contains("Ageing"),
        "of what has no rate nothing is said"
    );
}
