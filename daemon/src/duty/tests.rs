//! Who is on duty, and who is told what and when.

mod held;

use super::*;
use crate::words::tests::unbalance;
use jiff::Timestamp;
use jiff::civil::{Weekday, date};
use kvarden_config::{ExceptionSpec, Language, Quiet, RotaSpec, RuleSpec};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::output::NamedCause;
use proptest::prelude::*;

fn utc(text: &str) -> EventTime {
    EventTime(text.parse::<Timestamp>().unwrap().as_millisecond())
}

fn zone(name: &str) -> TimeZone {
    TimeZone::get(name).unwrap()
}

const DENVER: &str = "America/Denver";

fn turns(hand_over: (Weekday, (u8, u8)), from: (i16, i8, i8), weeks: &[usize]) -> RotaSpec {
    RotaSpec { hand_over, from: date(from.0, from.1, from.2), weeks: weeks.to_vec(), exceptions: Vec::new() }
}

/// Hand-overs of three Sundays around both changes of the clocks, in three zones: at an hour that comes twice, and at one that is
/// jumped over. The moments are those of Python's `zoneinfo`: `datetime(…, tzinfo=ZoneInfo(zone))` with
/// `fold=0`, and for an hour that does not exist the second at which the offset changes, found by halving.
#[test]
fn hand_overs_come_right_across_daylight_saving() {
    type Case = (&'static str, (u8, u8), [(&'static str, &'static str); 3]);
    let cases: [Case; 6] = [
        (
            DENVER,
            (1, 30),
            [
                ("2026-10-25", "2026-10-25T07:30:00Z"),
                ("2026-11-01", "2026-11-01T07:30:00Z"),
                ("2026-11-08", "2026-11-08T08:30:00Z"),
            ],
        ),
        (
            DENVER,
            (2, 30),
            [
                ("2027-03-07", "2027-03-07T09:30:00Z"),
                ("2027-03-14", "2027-03-14T09:00:00Z"),
                ("2027-03-21", "2027-03-21T08:30:00Z"),
            ],
        ),
        (
            "Europe/Berlin",
            (2, 30),
            [
                ("2026-10-18", "2026-10-18T00:30:00Z"),
                ("2026-10-25", "2026-10-25T00:30:00Z"),
                ("2026-11-01", "2026-11-01T01:30:00Z"),
            ],
        ),
        (
            "Europe/Berlin",
            (2, 30),
            [
                ("2027-03-21", "2027-03-21T01:30:00Z"),
                ("2027-03-28", "2027-03-28T01:00:00Z"),
                ("2027-04-04", "2027-04-04T00:30:00Z"),
            ],
        ),
        (
            "Australia/Lord_Howe",
            (2, 15),
            [
                ("2026-09-27", "2026-09-26T15:45:00Z"),
                ("2026-10-04", "2026-10-03T15:30:00Z"),
                ("2026-10-11", "2026-10-10T15:15:00Z"),
            ],
        ),
        (
            "Australia/Lord_Howe",
            (1, 45),
            [
                ("2027-03-28", "2027-03-27T14:45:00Z"),
                ("2027-04-04", "2027-04-03T14:45:00Z"),
                ("2027-04-11", "2027-04-10T15:15:00Z"),
            ],
        ),
    ];
    for (name, at, sundays) in cases {
        let first = sundays[0].0.parse().unwrap();
        let spec = RotaSpec { from: first, ..turns((Weekday::Sunday, at), (2026, 1, 4), &[0, 1, 2]) };
        let rota = Rota::new(Some(spec), 3, zone(name));
        for (week, (day, moment)) in sundays.iter().enumerate() {
            let begins = utc(moment);
            let of = |at| rota.shift(at).unwrap().person;
            assert_eq!(of(begins), week, "{name} {day}: the hand-over");
            let before = if week == 0 { 0 } else { week - 1 };
            assert_eq!(of(begins - Span(1)), before, "{name} {day}: just before it");
            assert_eq!(rota.shift(begins - Span(1)).unwrap().until, Some(begins), "{name} {day}");
            // Also in the second of two equal hours, and long before and after.
            for hours in [1, 2, 24, 6 * 24] {
                assert_eq!(of(begins + Span::hours(hours)), week, "{name} {day}: {hours} h later");
            }
        }
    }
}

/// Worked by hand in Denver, which is seven hours behind in December.
#[test]
fn an_exception_takes_the_duty_and_the_relieved_one_is_last_in_line() {
    let exceptions = vec![ExceptionSpec {
        from: date(2026, 12, 24).at(7, 0, 0, 0),
        until: date(2026, 12, 29).at(7, 0, 0, 0),
        person: 1,
    }];
    let spec = RotaSpec { exceptions, ..turns((Weekday::Monday, (7, 0)), (2026, 12, 21), &[0, 1, 2]) };
    let rota = Rota::new(Some(spec), 3, zone(DENVER));
    let shift =
        |at: &str| rota.shift(utc(at)).map(|shift| (shift.person, shift.instead_of, shift.until.unwrap()));
    let (christmas, monday, over) =
        (utc("2026-12-24T14:00:00Z"), utc("2026-12-28T14:00:00Z"), utc("2026-12-29T14:00:00Z"));
    assert_eq!(shift("2026-12-24T13:59:59Z"), Some((0, None, christmas)));
    assert_eq!(shift("2026-12-24T14:00:00Z"), Some((1, Some(0), monday)));
    assert_eq!(rota.line(christmas), [1, 2, 0]);
    // From Monday on it would be the turn of the same person.
    assert_eq!(shift("2026-12-28T14:00:00Z"), Some((1, None, over)));
    assert_eq!(rota.line(monday), [1, 2, 0]);
    assert_eq!(rota.line(utc("2027-01-04T14:00:00Z")), [2, 0, 1]);
    assert_eq!(rota.shift(utc("2026-11-01T00:00:00Z")).unwrap().person, 0, "before the first hand-over");
    assert_eq!(Rota::new(None, 2, zone(DENVER)).line(monday), [0, 1]);
    assert_eq!(Rota::new(None, 0, zone(DENVER)).shift(monday), None);
}

/// Worked by hand: quiet hours over midnight, and in the night in which the clocks go back (25 hours) or forward (23).
#[test]
fn quiet_hours_end_by_the_clock_on_the_wall() {
    let quiet = Quiet { from: (22, 0), until: (6, 0) };
    let until = |at: &str| quiet_until(quiet, utc(at), &zone(DENVER));
    assert_eq!(until("2026-11-27T04:59:59Z"), None);
    assert_eq!(until("2026-11-27T05:00:00Z"), Some(utc("2026-11-27T13:00:00Z")));
    assert_eq!(until("2026-11-27T12:59:59Z"), Some(utc("2026-11-27T13:00:00Z")));
    assert_eq!(until("2026-11-27T13:00:00Z"), None);
    assert_eq!(until("2026-11-01T04:00:00Z"), Some(utc("2026-11-01T13:00:00Z")), "nine hours");
    assert_eq!(until("2027-03-14T05:00:00Z"), Some(utc("2027-03-14T12:00:00Z")), "seven hours");
    let noon = Quiet { from: (12, 0), until: (13, 0) };
    assert_eq!(
        quiet_until(noon, utc("2026-11-27T19:30:00Z"), &zone(DENVER)),
        Some(utc("2026-11-27T20:00:00Z"))
    );
    assert_eq!(quiet_until(noon, utc("2026-11-27T20:00:00Z"), &zone(DENVER)), None);
}

fn person(name: &str, quiet: Option<Quiet>) -> PersonSpec {
    PersonSpec {
        name: name.to_owned(),
        language: Language::English,
        quiet,
        mail: Some(format!("{}@larkspur.example", name.to_lowercase())),
        command: None,
        webhook: false,
    }
}

fn rules() -> Rules {
    let rule = |again, next: Option<i64>, wait| RuleSpec {
        by: vec![Way::Mail],
        again: Some(Span::minutes(again)),
        next_in_line: next.map(Span::minutes),
        wait_for_cause: Span::minutes(wait),
    };
    let quiet = Some(Quiet { from: (22, 0), until: (6, 0) });
    let spec = turns((Weekday::Monday, (7, 0)), (2026, 11, 2), &[0, 1, 2]);
    Rules {
        people: vec![person("Ines", quiet), person("Tomas", None), person("Ida", quiet)],
        rota: Rota::new(Some(spec), 3, zone(DENVER)),
        telling: TellingSpec {
            urgent: Some(rule(15, Some(30), 0)),
            high: Some(rule(120, None, 5)),
            low: None,
        },
        daily: None,
    }
}

fn duty() -> Duty {
    Duty::begin(rules(), Vec::new(), |_| None, Vec::new())
}

fn alert(name: &str, revision: u32, priority: Priority) -> AlertRevision {
    AlertRevision { alert: name.to_owned(), revision, priority, ..unbalance() }
}

fn seen(of: &AlertRevision) -> AlertRevision {
    AlertRevision {
        revision: of.revision + 1,
        state: AlarmState::Acknowledged,
        why: Revised::Acknowledged { by: "Ines".to_owned() },
        ..of.clone()
    }
}

fn over(of: &AlertRevision) -> AlertRevision {
    AlertRevision {
        revision: of.revision + 1,
        open: false,
        state: AlarmState::Normal,
        why: Revised::Closed,
        ..of.clone()
    }
}

/// Lets seconds pass and writes down what is told: minutes since `from`, to whom, why.
fn pass(duty: &mut Duty, from: EventTime, (start, end): (i64, i64)) -> Vec<String> {
    let mut told = Vec::new();
    for second in start * 60..end * 60 {
        let now = from + Span::seconds(second);
        if duty.is_due(now) {
            told.extend(duty.attend(now, true).iter().map(|telling| {
                let name = &rules().people[telling.person].name;
                let more = if telling.others.is_empty() { "" } else { " and more" };
                format!("{} {name} {}{more}", second / 60, telling.why.words())
            }));
        }
    }
    told
}

/// Thursday, 26 November 2026, 14:00 in Denver: the fourth week, so it is the turn of the first again.
const AFTERNOON: &str = "2026-11-26T21:00:00Z";
/// Two o'clock that night.
const NIGHT: &str = "2026-11-27T09:00:00Z";

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

/// What somebody does in the property below.
#[derive(Debug, Clone, Copy)]
enum Step {
    Opens(u8, Priority),
    Seen(u8),
    Worse(u8),
    Over(u8),
    Wait(u16),
    Dies,
}

fn step() -> impl Strategy<Value = Step> {
    let priority = prop_oneof![Just(Priority::Low), Just(Priority::High), Just(Priority::Urgent)];
    prop_oneof![
        3 => (0u8..12, priority).prop_map(|(which, priority)| Step::Opens(which, priority)),
        2 => (0u8..12).prop_map(Step::Seen),
        1 => (0u8..12).prop_map(Step::Worse),
        1 => (0u8..12).prop_map(Step::Over),
        6 => (1u16..400).prop_map(Step::Wait),
        2 => Just(Step::Dies),
    ]
}

/// The store: rows and letters of batches that were written whole.
#[derive(Debug, Default)]
struct Kept {
    rows: BTreeMap<String, String>,
    alerts: BTreeMap<String, AlertRevision>,
    /// Id and moment.
    letters: Vec<(String, EventTime)>,
}

impl Kept {
    fn begin(&self) -> Duty {
        let rows = self.rows.iter().map(|(key, body)| (key.clone(), body.clone())).collect();
        let open = self.alerts.values().filter(|one| one.open).cloned().collect();
        Duty::begin(rules(), rows, |alert| self.alerts.get(alert).cloned(), open)
    }

    /// One transaction.
    fn keep(&mut self, alerts: &[AlertRevision], rows: Vec<Row>) {
        self.alerts.extend(alerts.iter().map(|one| (one.alert.clone(), one.clone())));
        for (key, body) in rows {
            match body {
                Some(body) => drop(self.rows.insert(key, body)),
                None => drop(self.rows.remove(&key)),
            }
        }
    }
}

fn id(telling: &Telling) -> String {
    let AlertRevision { alert, revision, .. } = &telling.revision;
    format!("{alert}:{revision}:{}:{:?}", telling.person, telling.reminder)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    /// Whatever happens, and however often the program dies between deciding and keeping: nobody gets one id twice, nobody is
    /// told in quiet hours of what is not urgent, each urgent alert that nobody has seen reaches the one on duty within its time
    /// (at once; in a flood within half a minute), and a program that dies tells what one tells that lives.
    #[test]
    fn whatever_happens_people_are_told_once_in_time_and_not_at_night(
        steps in prop::collection::vec(step(), 1..60), hour in 0i64..24,
    ) {
        let mut now = utc("2026-11-27T00:00:00Z") + Span::hours(hour);
        let (mut dying, mut living) = (Kept::default(), Kept::default());
        let (mut one, mut other) = (dying.begin(), living.begin());
        let mut dies = false;
        let mut times = [0u32; 12];
        let mut newest: BTreeMap<String, AlertRevision> = BTreeMap::new();
        // What is urgent, unseen and untold, with the moment since when.
        let mut waiting: BTreeMap<String, EventTime> = BTreeMap::new();
        for step in steps {
            let seconds = if let Step::Wait(minutes) = step { i64::from(minutes) * 60 } else { 1 };
            let next = match step {
                Step::Opens(which, priority) => {
                    let name = |times| format!("a{which}#{times}");
                    let times = &mut times[usize::from(which)];
                    let is_open = newest.get(&name(*times)).is_some_and(|one| one.open);
                    *times += u32::from(!is_open);
                    (!is_open).then(|| alert(&name(*times), 1, priority))
                }
                Step::Seen(which) | Step::Worse(which) | Step::Over(which) => {
                    let known = newest.get(&format!("a{which}#{}", times[usize::from(which)])).cloned();
                    let unseen = |one: &AlertRevision| one.state == AlarmState::Unacknowledged;
                    known.filter(|one| one.open).and_then(|one| match step {
                        Step::Seen(_) => unseen(&one).then(|| seen(&one)),
                        Step::Worse(_) => (one.priority < Priority::Urgent).then(|| AlertRevision {
                            revision: one.revision + 1,
                            priority: Priority::Urgent,
                            why: Revised::Worse,
                            state: AlarmState::Unacknowledged,
                            ..one
                        }),
                        _ => Some(over(&one)),
                    })
                }
                Step::Wait(_) | Step::Dies => None,
            };
            dies |= matches!(step, Step::Dies);
            let mut unkept: Vec<AlertRevision> = next.into_iter().collect();
            for next in &unkept {
                newest.insert(next.alert.clone(), next.clone());
                one.hear(next);
                other.hear(next);
                if next.priority == Priority::Urgent && next.state == AlarmState::Unacknowledged {
                    waiting.entry(next.alert.clone()).or_insert(now);
                } else {
                    waiting.remove(&next.alert);
                }
            }
            for _ in 0..seconds {
                now += Span::seconds(1);
                if !(one.is_due(now) || other.is_due(now)) {
                    continue;
                }
                if std::mem::take(&mut dies) {
                    // It has decided, and dies before that is kept; what it had heard comes again.
                    one.attend(now, true);
                    one = dying.begin();
                    for next in &unkept {
                        one.hear(next);
                    }
                }
                for (kept, duty) in [(&mut dying, &mut one), (&mut living, &mut other)] {
                    for telling in duty.attend(now, true) {
                        let name = &rules().people[telling.person].name;
                        let urgent = telling.revision.priority == Priority::Urgent
                            || telling.others.iter().any(|one| one.priority == Priority::Urgent);
                        let quiet = rules().quiet_until(telling.person, now);
                        prop_assert!(urgent || quiet.is_none(), "{name} is told at night: {telling:?}");
                        prop_assert!(!telling.by.is_empty(), "{telling:?}");
                        kept.letters.push((id(&telling), now));
                        if telling.person == rules().rota.line(now)[0] {
                            waiting.remove(&telling.revision.alert);
                            waiting.retain(|alert, _| telling.others.iter().all(|other| other.alert != *alert));
                        }
                    }
                    kept.keep(&unkept, duty.take_changes());
                }
                unkept.clear();
            }
            for (alert, since) in &waiting {
                prop_assert!(now - *since <= Span::seconds(31), "nobody on duty was told of {alert} since {since:?}");
            }
        }
        let mut ids: Vec<&String> = dying.letters.iter().map(|(id, _)| id).collect();
        ids.sort();
        let count = ids.len();
        ids.dedup();
        prop_assert_eq!(ids.len(), count, "an id was told twice");
        prop_assert_eq!(&dying.letters, &living.letters);
    }
}

/// Worked by hand from the rota above it; Denver's clocks go back on the 1st of November.
#[test]
fn the_page_shows_hand_overs_exceptions_and_changes_of_the_clocks() {
    let exceptions = vec![ExceptionSpec {
        from: date(2026, 10, 29).at(7, 0, 0, 0),
        until: date(2026, 10, 31).at(7, 0, 0, 0),
        person: 2,
    }];
    let spec = RotaSpec { exceptions, ..turns((Weekday::Sunday, (1, 30)), (2026, 10, 18), &[0, 1, 2]) };
    let rules = Rules { rota: Rota::new(Some(spec), 3, zone(DENVER)), ..rules() };
    let from = oncall::moment_of("2026-10-26 12:00", &zone(DENVER)).unwrap();
    let page = oncall::page(&rules, "Larkspur Cannery", from, 2);
    for line in [
        "Mon 2026-10-26 12:00  Thu 2026-10-29 07:00  Tomas    Ida, Ines",
        "Thu 2026-10-29 07:00  Sat 2026-10-31 07:00  Ida      Ines, Tomas   exception, instead of Tomas",
        "Sat 2026-10-31 07:00  Sun 2026-11-01 01:30  Tomas    Ida, Ines",
        "Sun 2026-11-01 01:30  Sun 2026-11-08 01:30  Ida      Ines, Tomas",
        "No gap: somebody is on duty at every moment.",
        "Sun 2026-11-01: the clocks go back by",
        "from 02:00 to 01:00.",
        "comes at the first of the two",
        "low     not told: it stands in the digest",
        "quiet 22:00-06:00",
    ] {
        assert!(page.contains(line), "{line} is not in\n{page}");
    }
}
