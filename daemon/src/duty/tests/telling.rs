//! One alert after the other, as the people on duty hear of it.

use super::*;
use kvarden_core::output::NamedCause;

/// Row 36: by the rules above Ines is told at once; Tomas after 30 minutes, Ida after 60; reminders to each grow apart by
/// doubling: 15, then 30, 60, 120 and 240 minutes after the one before.
#[test]
fn when_nobody_acknowledges_the_next_in_line_follow_and_reminders_grow_apart_until_somebody_does() {
    let mut duty = duty();
    let urgent = alert("a", 1, Priority::Urgent);
    duty.hear(&urgent);
    let told = pass(&mut duty, utc(AFTERNOON), (0, 241));
    let of = |name: &str| -> Vec<String> {
        told.iter()
            .filter(|line| line.contains(name))
            .map(|line| line.replace(&format!(" {name}"), ""))
            .collect()
    };
    assert_eq!(of("Ines"), ["0 new", "15 reminder", "45 reminder", "105 reminder", "225 reminder"]);
    assert_eq!(of("Tomas"), ["30 next in line", "45 reminder", "75 reminder", "135 reminder"]);
    assert_eq!(of("Ida"), ["60 next in line", "75 reminder", "105 reminder", "165 reminder"]);
    duty.hear(&seen(&urgent));
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (241, 2000)), Vec::<String>::new());
    assert_eq!(duty.take_needless(), ["a"]);
    duty.hear(&over(&seen(&urgent)));
    let ends = pass(&mut duty, utc(AFTERNOON), (2000, 2010));
    assert_eq!(ends, ["2000 Ines cleared", "2000 Tomas cleared", "2000 Ida cleared"]);
    assert!(duty.followed.is_empty());
}

#[test]
fn only_what_is_urgent_passes_quiet_hours_and_high_is_told_at_their_end() {
    let mut duty = duty();
    duty.hear(&alert("urgent", 1, Priority::Urgent));
    duty.hear(&alert("high", 1, Priority::High));
    duty.hear(&alert("low", 1, Priority::Low));
    let night = pass(&mut duty, utc(NIGHT), (0, 15));
    assert_eq!(night, ["0 Ines new"]);
    duty.hear(&seen(&alert("urgent", 1, Priority::Urgent)));
    assert_eq!(pass(&mut duty, utc(NIGHT), (15, 300)), ["240 Ines new"], "six o'clock");
}

#[test]
fn what_is_not_urgent_waits_for_its_cause_and_is_not_told_if_it_clears_before() {
    let mut duty = duty();
    let facts = crate::words::tests::cause::lug();
    let cause = NamedCause { finding: "T2/loose-connection#1".to_owned(), stands: true, facts };
    let (short, long) = (alert("short", 1, Priority::High), alert("long", 1, Priority::High));
    duty.hear(&short);
    duty.hear(&long);
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (0, 2)), Vec::<String>::new());
    duty.hear(&over(&short));
    let found =
        AlertRevision { revision: 2, cause: Some(Box::new(cause)), why: Revised::Explained, ..long.clone() };
    duty.hear(&found);
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (2, 60)), ["2 Ines new"]);
    // Without a cause it is told after its wait.
    duty.hear(&alert("other", 1, Priority::High));
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (60, 70)), ["65 Ines new"]);
    // What is urgent is told at once, and again when its cause is known.
    let urgent = alert("urgent", 1, Priority::Urgent);
    duty.hear(&urgent);
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (70, 75)), ["70 Ines new"]);
    duty.hear(&AlertRevision { alert: "urgent".to_owned(), priority: Priority::Urgent, ..found });
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (75, 80)), ["75 Ines cause"]);
}

#[test]
fn about_one_alert_little_is_told_unless_it_becomes_more_urgent() {
    let mut duty = duty();
    let high = seen(&alert("a", 1, Priority::High));
    duty.hear(&alert("a", 1, Priority::High));
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (0, 10)), ["5 Ines new"]);
    duty.hear(&high);
    for revision in 3..20 {
        duty.hear(&AlertRevision { revision, why: Revised::CameAgain, ..high.clone() });
    }
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (10, 400)), ["245 Ines came again"]);
    let worse = AlertRevision { revision: 20, why: Revised::Worse, ..alert("a", 20, Priority::Urgent) };
    duty.hear(&worse);
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (400, 401)), ["400 Ines worse"]);
}

#[test]
fn what_waits_at_the_end_of_quiet_hours_comes_summed_up() {
    let mut duty = duty();
    for number in 0..40 {
        duty.hear(&alert(&format!("a{number:02}"), 1, Priority::High));
    }
    let told = pass(&mut duty, utc(NIGHT), (0, 300));
    assert_eq!(told.len(), 6, "{told:?}");
    assert_eq!((told[4].as_str(), told[5].as_str()), ("240 Ines new", "240 Ines new and more"));
}

#[test]
fn who_comes_on_duty_hears_of_what_nobody_has_acknowledged() {
    let mut duty = duty();
    // Monday, 30 November, 06:50 in Denver.
    let monday = utc("2026-11-30T13:50:00Z");
    duty.hear(&alert("a", 1, Priority::Urgent));
    assert_eq!(pass(&mut duty, monday, (0, 15)), ["0 Ines new", "10 Tomas hand-over"]);
}

#[test]
fn one_fault_told_under_two_ids_goes_on_as_one() {
    let mut duty = duty();
    let (gone, heir) = (alert("gone", 1, Priority::Urgent), alert("heir", 1, Priority::Urgent));
    duty.hear(&gone);
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (0, 1)), ["0 Ines new"]);
    duty.hear(&AlertRevision { why: Revised::Merged { into: "heir".to_owned() }, ..over(&gone) });
    duty.hear(&heir);
    assert_eq!(pass(&mut duty, utc(AFTERNOON), (1, 20)), ["15 Ines reminder"]);
}

/// Half past seven in Denver is 14:30 UTC in November, and in the night to the 8th of March the clocks go forward: 13:30 UTC.
#[test]
fn a_sign_of_life_goes_to_the_one_on_duty_each_day_and_what_was_missed_is_given_once() {
    let rules = || Rules { daily: Some((7, 30)), ..rules() };
    let mut kept = Kept::default();
    let mut signs = Vec::new();
    let mut duty = Duty::begin(rules(), Vec::new(), |_| None, Vec::new());
    // A Wednesday; the program is away from the 6th to the 9th.
    for minute in 0..8 * 24 * 60 {
        let now = utc("2026-03-04T12:00:00Z") + Span::minutes(minute);
        if (utc("2026-03-06T00:00:00Z")..utc("2026-03-09T00:00:00Z")).contains(&now) {
            continue;
        }
        if minute % 100 == 0 {
            let rows = kept.rows.iter().map(|(key, body)| (key.clone(), body.clone())).collect();
            duty = Duty::begin(rules(), rows, |_| None, Vec::new());
        }
        duty.attend(now, true);
        if let Some(sign) = duty.sign(now, true) {
            assert!(sign.next_by > sign.at && duty.wake.is_some());
            signs.push(Timestamp::from_millisecond(sign.at.0).unwrap().to_string());
        }
        kept.keep(&[], duty.take_changes());
    }
    let expected = [
        "2026-03-04T14:30:00Z",
        "2026-03-05T14:30:00Z",
        "2026-03-09T00:00:00Z",
        "2026-03-09T13:30:00Z",
        "2026-03-10T13:30:00Z",
        "2026-03-11T13:30:00Z",
    ];
    assert_eq!(signs, expected);
}
