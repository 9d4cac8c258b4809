//! Moments in the site's own time and lengths of time, as people say them.

use super::speech::Speech;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ZonedDateTime};
use kvarden_core::time::{EventTime, Span};

/// The moment in the site's time. A stamp beyond the calendar (year 9999) is held at its end.
pub fn local(at: EventTime, zone: &TimeZone) -> ZonedDateTime {
    let stamp =
        Timestamp::from_millisecond(at.0).unwrap_or(if at.0 < 0 { Timestamp::MIN } else { Timestamp::MAX });
    stamp.to_zoned_datetime(zone.clone())
}

/// RFC 3339 with the site's offset, in whole seconds: `2026-11-24T13:10:00-07:00`.
pub fn rfc3339(at: EventTime, zone: &TimeZone) -> String {
    local(at, zone).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}

/// A moment as told at `now`, in English: `13:10` on the same day, else `Tue 24 Nov 13:10`, with the year if that differs.
/// In the hour that comes twice when summer time ends, the zone stands behind it: `01:30 MDT`.
pub fn moment(at: EventTime, now: EventTime, zone: &TimeZone) -> String {
    moment_in(at, now, zone, Speech::ENGLISH)
}

/// [`moment`] in the words of a language.
pub fn moment_in(at: EventTime, now: EventTime, zone: &TimeZone, speech: Speech) -> String {
    let (at, now) = (local(at, zone), local(now, zone));
    let twice = zone.to_ambiguous_zoned_datetime(at.datetime()).is_ambiguous();
    let clock = at.strftime(if twice { "%H:%M %Z" } else { "%H:%M" }).to_string();
    let day = || day(&at, speech);
    match (at.date() == now.date(), at.year() == now.year()) {
        (true, _) => clock,
        (false, true) => format!("{} {clock}", day()),
        (false, false) => format!("{} {} {clock}", day(), at.strftime("%Y")),
    }
}

/// A day by its name: `Tue 24 Nov`.
fn day(at: &ZonedDateTime, speech: Speech) -> String {
    let month = speech.say(&format!("month-{}", at.month()));
    let parts = [("weekday", weekday(at, speech)), ("day", at.strftime("%d").to_string()), ("month", month)];
    speech.with("day-of-year", &parts.each_ref().map(|(name, words)| (*name, words.as_str())))
}

/// A whole day in full: `Tuesday 24 November 2026`.
pub(super) fn date(date: Date, speech: Speech) -> String {
    let weekday = speech.say(&format!("weekday-long-{}", date.weekday().to_monday_one_offset()));
    let month = speech.say(&format!("month-long-{}", date.month()));
    let (day, year) = (date.strftime("%d").to_string(), date.strftime("%Y").to_string());
    let parts = [("weekday", weekday.as_str()), ("day", &day), ("month", &month), ("year", &year)];
    speech.with("digest-date", &parts)
}

/// A whole day in figures: `2026-11-24`.
pub(super) fn date_in_figures(date: Date, speech: Speech) -> String {
    let [year, month, day] = ["%Y", "%m", "%d"].map(|part| date.strftime(part).to_string());
    speech.with("digest-date-short", &[("year", &year), ("month", &month), ("day", &day)])
}

/// The short name of its day of the week: `Tue`.
pub(super) fn weekday(at: &ZonedDateTime, speech: Speech) -> String {
    speech.say(&format!("weekday-{}", at.weekday().to_monday_one_offset()))
}

/// A length of time in its two largest units: `9 s`, `2 min 5 s`, `3 h 12 min`, `2 d 3 h`.
pub fn duration(span: Span) -> String {
    let seconds = (span.0.max(0) + 500) / 1000;
    let (days, hours, minutes) = (seconds / 86_400, seconds / 3600 % 24, seconds / 60 % 60);
    let parts = match () {
        () if days > 0 => [(days, "d"), (hours, "h")],
        () if hours > 0 => [(hours, "h"), (minutes, "min")],
        () if minutes > 0 => [(minutes, "min"), (seconds % 60, "s")],
        () => return format!("{seconds} s"),
    };
    let said: Vec<String> =
        parts.iter().filter(|(count, _)| *count > 0).map(|(count, unit)| format!("{count} {unit}")).collect();
    said.join(" ")
}

/// From the shortest to the longest: `2-9 s`, or `45 s to 3 min 5 s`, or one length if both are the same.
pub fn durations(shortest: Span, longest: Span, speech: Speech) -> String {
    let (short, long) = (duration(shortest), duration(longest));
    if short == long {
        return long;
    }
    match (short.strip_suffix(" s"), long.strip_suffix(" s")) {
        (Some(from), Some(to)) if !from.contains(' ') && !to.contains(' ') => format!("{from}-{to} s"),
        _ => speech.with("from-to", &[("from", &short), ("to", &long)]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn denver() -> TimeZone {
        TimeZone::get("America/Denver").unwrap()
    }

    fn stamp(text: &str) -> EventTime {
        EventTime(text.parse::<Timestamp>().unwrap().as_millisecond())
    }

    #[test]
    fn today_is_told_by_the_clock_alone_and_other_days_by_name() {
        let at = stamp("2026-11-24T20:10:00Z");
        assert_eq!(moment(at, stamp("2026-11-24T21:00:00Z"), &denver()), "13:10");
        // In Denver it is still the 24th, although the day has changed in Greenwich.
        assert_eq!(moment(at, stamp("2026-11-25T06:59:00Z"), &denver()), "13:10");
        assert_eq!(moment(at, stamp("2026-11-25T07:00:00Z"), &denver()), "Tue 24 Nov 13:10");
        assert_eq!(moment(at, stamp("2027-01-02T07:00:00Z"), &denver()), "Tue 24 Nov 2026 13:10");
        assert_eq!(rfc3339(at, &denver()), "2026-11-24T13:10:00-07:00");
    }

    #[test]
    fn the_hour_that_comes_twice_says_which_one_is_meant() {
        let now = stamp("2026-11-01T20:00:00Z");
        assert_eq!(moment(stamp("2026-11-01T07:30:00Z"), now, &denver()), "01:30 MDT");
        assert_eq!(moment(stamp("2026-11-01T08:30:00Z"), now, &denver()), "01:30 MST");
        assert_eq!(moment(stamp("2026-11-01T09:30:00Z"), now, &denver()), "02:30");
    }

    #[test]
    fn lengths_of_time_have_two_units_at_most() {
        let said = [0, 1_499, 9_000, 60_000, 125_000, 11_520_000, 183_600_000, -5]
            .map(|milliseconds| duration(Span(milliseconds)));
        assert_eq!(said, ["0 s", "1 s", "9 s", "1 min", "2 min 5 s", "3 h 12 min", "2 d 3 h", "0 s"]);
        assert_eq!(durations(Span::seconds(2), Span::seconds(9), Speech::ENGLISH), "2-9 s");
        assert_eq!(durations(Span::seconds(2), Span::seconds(2), Speech::ENGLISH), "2 s");
        assert_eq!(durations(Span::seconds(45), Span::seconds(185), Speech::ENGLISH), "45 s to 3 min 5 s");
        let german = durations(Span::seconds(45), Span::seconds(185), Speech::of(Some("de")));
        assert_eq!(german, "45 s bis 3 min 5 s");
    }

    /// 24 November 2026 is a Tuesday, Dienstag; 5 March 2027 a Friday, Freitag: counted by hand from the calendar.
    #[test]
    fn days_have_the_names_of_the_language() {
        let german = Speech::of(Some("de"));
        let said = |at, now| moment_in(stamp(at), stamp(now), &denver(), german);
        assert_eq!(said("2026-11-24T20:10:00Z", "2026-11-25T20:10:00Z"), "Di 24. Nov 13:10");
        assert_eq!(said("2027-03-05T20:10:00Z", "2026-11-25T20:10:00Z"), "Fr 05. Mär 2027 13:10");
        assert_eq!(said("2026-11-24T20:10:00Z", "2026-11-24T20:20:00Z"), "13:10");
    }

    /// 27 November 2026 is a Friday, Freitag; 5 March 2027 too: counted by hand from the calendar.
    #[test]
    fn a_whole_day_has_the_names_and_the_order_of_the_language() {
        let (autumn, spring) = (jiff::civil::date(2026, 11, 27), jiff::civil::date(2027, 3, 5));
        let german = Speech::of(Some("de"));
        assert_eq!(date(autumn, Speech::ENGLISH), "Friday 27 November 2026");
        assert_eq!(date(autumn, german), "Freitag, 27. November 2026");
        assert_eq!(date(spring, german), "Freitag, 05. März 2027");
        assert_eq!(date_in_figures(autumn, Speech::ENGLISH), "2026-11-27");
        assert_eq!(date_in_figures(autumn, german), "27.11.2026");
    }

    #[test]
    fn a_stamp_beyond_the_calendar_does_no_harm() {
        assert!(rfc3339(EventTime(i64::MAX), &denver()).starts_with("9999-"));
        assert!(rfc3339(EventTime(i64::MIN), &denver()).starts_with('-'));
    }
}
