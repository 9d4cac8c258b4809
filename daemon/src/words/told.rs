//! What one person is told: the message of an alert with why it is told now, to whom, and what else is told by the same letter.

use super::Site;
use super::message::{Message, Told, message};
use super::time::rfc3339;
use crate::duty::Telling;
use kvarden_config::PersonSpec;
use kvarden_core::output::AlertRevision;

/// Other alerts that a letter names; of more it gives the number.
const MOST_NAMED: usize = 5;

/// The message of a letter to a person. Its id is `<book>:<alert>:<revision>:<person>`, of a reminder with its number behind.
pub fn to_person(telling: &Telling, person: &PersonSpec, site: &Site) -> Message {
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

/// "And 7 more alerts: …; …; see kvarden status."
fn others(others: &[AlertRevision], site: &Site) -> String {
    let named: Vec<String> = others.iter().take(MOST_NAMED).map(|other| message(other, site).text).collect();
    let alerts = if others.len() == 1 { "alert" } else { "alerts" };
    let rest = others.len().saturating_sub(MOST_NAMED);
    let rest = if rest == 0 { String::new() } else { format!(" ... and {rest} that `kvarden status` shows") };
    format!("And {} more {alerts}: {}{rest}", others.len(), named.join(" / "))
}
