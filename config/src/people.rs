//! Reader of `[[person]]`: who can be told, in which language, by which ways.

use crate::fault::Fault;
use crate::people_settings::{Language, PersonSpec, Quiet, Way};
use crate::section::{Section, Value, wrong_kind};
use crate::values::{choice, parse_time_of_day, says, text, yes_or_no};
use crate::web::mail_address;

/// A language that is spoken here.
pub(crate) fn language(value: &Value<'_>) -> Result<Language, Fault> {
    choice(&Language::ALL.map(|language| (language.key(), language)))(value)
}

/// One person. `open`: the ways that the file opens by their sections.
pub(crate) fn person(s: &mut Section<'_>, open: &[Way]) -> Option<PersonSpec> {
    let name = s.required("name", "\"Ines\"", text);
    let language = s.or("language", Language::English, language);
    let quiet = s.optional("quiet", quiet);
    let mail = s.optional("mail", mail_address);
    let command = s.optional("command", argument);
    let webhook = s.or("webhook", false, yes_or_no);
    for (way, wanted) in
        [(Way::Mail, s.has("mail")), (Way::Command, s.has("command")), (Way::Webhook, webhook == Some(true))]
    {
        let key = way.key();
        if wanted && !open.contains(&way) {
            let message = format!("a person is reached by {key}, but there is no [{key}]");
            s.fault(
                key,
                Fault::new(message, "leads nowhere", format!("add a [{key}], or leave `{key}` out")),
            );
        }
    }
    if webhook == Some(false) && !s.has("mail") && !s.has("command") {
        let message = format!("nothing leads to \"{}\"", name.as_deref().unwrap_or("this person"));
        let help =
            "add `mail`, `command` or webhook = true; otherwise nobody is told while this person is on duty";
        s.fault("name", Fault::new(message, "can't be told", help));
    }
    Some(PersonSpec {
        name: name?,
        language: language?,
        quiet: quiet?,
        mail: mail?,
        command: command?,
        webhook: webhook?,
    })
}

/// The last argument of a program: it can't be taken for an option.
fn argument(value: &Value<'_>) -> Result<String, Fault> {
    let given = text(value)?;
    if given.starts_with('-') {
        return says(value, "which a program may take for an option", "write it without a - in front");
    }
    Ok(given)
}

fn quiet(value: &Value<'_>) -> Result<Quiet, Fault> {
    const HELP: &str = "write two times of the local day, for example \"22:00-06:00\"";
    let given = value.node.as_str().ok_or_else(|| wrong_kind(value, "two times of day in quotes", HELP))?;
    let times = given.split_once('-').and_then(|(from, until)| {
        Some(Quiet { from: parse_time_of_day(from.trim())?, until: parse_time_of_day(until.trim())? })
    });
    match times {
        Some(quiet) if quiet.from != quiet.until => Ok(quiet),
        Some(_) => says(value, "which begins and ends at the same time", HELP),
        None => says(value, "which is not from a time of day to another", HELP),
    }
}
