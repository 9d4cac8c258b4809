//! Whose turn it is, across changes of the clocks, exceptions and quiet hours, and the page that shows it.

use super::*;
use kvarden_config::ExceptionSpec;

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
