//! Reader of `[rota]`: weekly turns, the hour of the hand-over, and exceptions.

use crate::fault::Fault;
use crate::keys::EXCEPTION;
use crate::names::Names;
use crate::people_settings::{ExceptionSpec, RotaSpec};
use crate::section::{Section, Value, wrong_kind};
use crate::values::{parse_time_of_day, says};
use jiff::civil::{Date, DateTime, Weekday};

/// The most weeks before the turns begin anew: ten years.
const MOST_WEEKS: usize = 520;
/// The most exceptions: one a day for more than a year.
const MOST_EXCEPTIONS: usize = 400;

const DAYS: [(&str, Weekday); 7] = [
    ("monday", Weekday::Monday),
    ("tuesday", Weekday::Tuesday),
    ("wednesday", Weekday::Wednesday),
    ("thursday", Weekday::Thursday),
    ("friday", Weekday::Friday),
    ("saturday", Weekday::Saturday),
    ("sunday", Weekday::Sunday),
];

/// Who is on duty when.
pub(crate) fn rota(s: &mut Section<'_>, people: &Names) -> Option<RotaSpec> {
    let hand_over = s.required("hand_over", "\"monday 07:00\"", hand_over);
    let from = s.required("from", "\"2026-11-02\"", date);
    if let (Some((day, _)), Some(from)) = (hand_over, from)
        && from.weekday() != day
    {
        let name = |day: Weekday| DAYS.iter().find(|(_, known)| *known == day).map_or("", |(name, _)| name);
        let message = format!("{from} is no {}, but on that day is the hand-over", name(day));
        let help = "write the day of a hand-over: the first of `weeks` comes on duty then";
        s.fault("from", Fault::new(message, "another day of the week", help));
    }
    if !s.has("weeks") {
        let help = "add it, for example: weeks = [\"Ines\", \"Tomas\"]";
        s.missing("[rota] needs `weeks`: who is on duty, week by week".to_owned(), help.to_owned());
    }
    let weeks = s.list("weeks", |value| people.find(value));
    if let Some(given) =
        weeks.as_ref().filter(|given| s.has("weeks") && !(1..=MOST_WEEKS).contains(&given.len()))
    {
        let message = if given.is_empty() {
            "`weeks` names nobody, so nobody would be on duty".to_owned()
        } else {
            format!("`weeks` has more than {MOST_WEEKS} entries")
        };
        s.fault("weeks", Fault::new(message, "this list", "name at least one person, and each in turn"));
    }
    let exceptions = s.tables("exceptions", &EXCEPTION, |s| exception(s, people));
    if exceptions.len() > MOST_EXCEPTIONS {
        let message = format!("{} exceptions are too many", exceptions.len());
        let help = format!("keep at most {MOST_EXCEPTIONS}: those that are over may go");
        s.fault("exceptions", Fault::new(message, "these", help));
    }
    overlaps(s, &exceptions);
    let mut exceptions: Vec<ExceptionSpec> = exceptions.into_iter().collect::<Option<_>>()?;
    exceptions.sort_by_key(|exception| exception.from);
    Some(RotaSpec { hand_over: hand_over?, from: from?, weeks: weeks?, exceptions })
}

fn exception(s: &mut Section<'_>, people: &Names) -> Option<ExceptionSpec> {
    let from = s.required("from", "\"2026-12-24 07:00\"", local_time);
    let until = s.required("until", "\"2026-12-26 07:00\"", local_time);
    let person = s.required("person", "\"Tomas\"", |value| people.find(value));
    if let (Some(from), Some(until)) = (from, until)
        && until <= from
    {
        let message = "this exception ends before it begins".to_owned();
        s.fault("until", Fault::new(message, "not after `from`", "write a time after `from`"));
        return None;
    }
    Some(ExceptionSpec { from: from?, until: until?, person: person? })
}

/// Two people can't both be the one on duty.
fn overlaps(s: &mut Section<'_>, exceptions: &[Option<ExceptionSpec>]) {
    let tables = s.peek("exceptions");
    for (index, exception) in exceptions.iter().enumerate() {
        let Some(exception) = exception else { continue };
        let mut earlier = exceptions[..index].iter().flatten();
        let other = earlier.find(|other| other.from < exception.until && exception.from < other.until);
        // What is not a table is told of already, and then the places do not fit.
        let places = tables.len() == exceptions.len();
        let value = places.then(|| tables[index].get("from")).flatten();
        if let (Some(other), Some(value)) = (other, value) {
            let message = format!(
                "two exceptions overlap: this one, and the one from {} until {}",
                written(other.from),
                written(other.until)
            );
            s.fault_at(
                value.span(),
                Fault::new(message, "somebody else is on duty then", "let one end where the other begins"),
            );
        }
    }
}

fn written(at: DateTime) -> String {
    at.strftime("%Y-%m-%d %H:%M").to_string()
}

fn hand_over(value: &Value<'_>) -> Result<(Weekday, (u8, u8)), Fault> {
    const HELP: &str = "write a day of the week and a time of the local day, for example \"monday 07:00\"";
    let given = value.node.as_str().ok_or_else(|| wrong_kind(value, "a day and a time in quotes", HELP))?;
    let found = given.split_once(' ').and_then(|(day, time)| {
        let (_, day) = DAYS.iter().find(|(name, _)| day.eq_ignore_ascii_case(name))?;
        Some((*day, parse_time_of_day(time)?))
    });
    found.map_or_else(|| says(value, "which is not a day of the week with a time", HELP), Ok)
}

fn date(value: &Value<'_>) -> Result<Date, Fault> {
    const HELP: &str = "write year, month and day in quotes, for example \"2026-11-02\"";
    let given = value.node.as_str().ok_or_else(|| wrong_kind(value, "a date in quotes", HELP))?;
    parse_date(given).map_or_else(|| says(value, "which is not a date", HELP), Ok)
}

fn local_time(value: &Value<'_>) -> Result<DateTime, Fault> {
    const HELP: &str = "write date and time of the local day in quotes, for example \"2026-12-24 07:00\"";
    let given = value.node.as_str().ok_or_else(|| wrong_kind(value, "a date and time in quotes", HELP))?;
    let found = given.split_once(' ').and_then(|(date, time)| {
        let (hour, minute) = parse_time_of_day(time)?;
        Some(parse_date(date)?.at(hour as i8, minute as i8, 0, 0))
    });
    found.map_or_else(|| says(value, "which is not a date with a time", HELP), Ok)
}

/// `2026-11-02`, of a year in which this may be used.
fn parse_date(text: &str) -> Option<Date> {
    let plain = text.len() == 10 && text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'-');
    let date: Date = text.parse().ok().filter(|_| plain)?;
    (2000..=2199).contains(&date.year()).then_some(date)
}
