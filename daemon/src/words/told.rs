//! What one person is told: the message of an alert with why it is told now, to whom, and what else is told by the same letter.

use super::Site;
use super::message::{Message, Told, message, trial};
use super::speech::Speech;
use super::time::rfc3339;
use crate::digest::calendar::date_of;
use crate::duty::{Sign, Telling};
use kvarden_config::PersonSpec;
use kvarden_core::output::AlertRevision;

/// Other alerts that a letter names; of more it gives the number.
const MOST_NAMED: usize = 5;

/// The message of a letter to a person. Its id is `<book>:<alert>:<revision>:<person>`, of a reminder with its number behind.
pub fn to_person(telling: &Telling, person: &PersonSpec, site: &Site) -> Message {
    let site = &site.spoken(Speech::of(Some(person.language.key())));
    let mut message = message(&telling.revision, site);
    message.id = format!("{}:{}", message.id, person.name);
    if let Some(number) = telling.reminder {
        message.id = format!("{}:{number}", message.id);
    }
    if !telling.others.is_empty() {
        message.text = format!("{} {}", message.text, others(&telling.others, site));
    }
    message.told = Some(Told {
        why: telling.why.words().to_owned(),
        next_reminder: telling.next_reminder.map(|at| rfc3339(at, &site.zone)),
        person: Some(person.name.clone()),
        language: Some(person.language.key().to_owned()),
    });
    message
}

/// What stands for an alert in a sign of life.
const SIGN: &str = "sign of life";

/// A sign of life: its state is [`super::letter::ALIVE`], and without another by `next_reminder` something is wrong. It tells of no alert.
pub fn sign_of_life(sign: &Sign, person: &PersonSpec, site: &Site) -> Message {
    let site = &site.spoken(Speech::of(Some(person.language.key())));
    let (at, by) = (site.moment(sign.at, sign.at), site.moment(sign.next_by, sign.at));
    let parts = [("site", site.name.as_str()), ("at", &at), ("by", &by), ("open", &sign.open.to_string())];
    let text = site.speech.with("alive-line", &parts);
    let date = date_of(sign.at, &site.zone);
    // One a day: its number is that of the day.
    let revision = date.duration_since(jiff::civil::date(2000, 1, 1)).as_hours().max(0) / 24;
    let message = trial(site, (SIGN, Some(&person.name)), &text, sign.at);
    Message {
        id: format!("{}:{SIGN}:{revision}:{}", site.book, person.name),
        revision: u32::try_from(revision).unwrap_or(0),
        state: super::letter::ALIVE.to_owned(),
        alarm_state: super::letter::ALIVE.to_owned(),
        what: SIGN.to_owned(),
        told: Some(Told {
            why: SIGN.to_owned(),
            next_reminder: Some(rfc3339(sign.next_by, &site.zone)),
            person: Some(person.name.clone()),
            language: Some(person.language.key().to_owned()),
        }),
        ..message
    }
}

/// "And 7 more alerts: …; …; see kvarden status."
fn others(others: &[AlertRevision], site: &Site) -> String {
    let named: Vec<String> = others.iter().take(MOST_NAMED).map(|other| message(other, site).text).collect();
    let (count, named) = (others.len().to_string(), named.join(" / "));
    let parts = [("count", count.as_str()), ("named", &named)];
    let said = match others.len() {
        1 => site.speech.with("others-one", &parts[1..]),
        _ => site.speech.with("others-some", &parts),
    };
    match others.len().saturating_sub(MOST_NAMED) {
        0 => said,
        rest => format!("{said} {}", site.speech.with("others-rest", &[("count", &rest.to_string())])),
    }
}
