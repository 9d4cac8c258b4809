//! Who is told of what, when, and by which ways: the person on duty, reminders while nobody acknowledges, the next in line,
//! quiet hours, the wait for a cause, and how much one person gets.
//!
//! Plain functions over the rota, the rules, what is open, and the time; nothing here waits or sends. What was told is kept
//! in the transaction of the letters that tell it, so a restart goes on where it stood: a letter has the same id again.

mod dose;
mod followed;
pub mod oncall;
mod quiet;
pub mod rota;

#[cfg(test)]
mod tests;

pub use dose::MOST_AN_HOUR;
pub use followed::Why;
pub use quiet::quiet_until;
pub use rota::Rota;

use self::dose::{Want, dose};
use self::followed::{Followed, Kept, soonest};
use crate::digest::calendar::next_digest;
use jiff::tz::TimeZone;
use kvarden_config::{Configuration, PersonSpec, TellingSpec, Way};
use kvarden_core::output::{AlertRevision, Revised};
use kvarden_core::plant::Priority;
use kvarden_core::time::{EventTime, Span};
use std::collections::{BTreeMap, BTreeSet};

/// The most alerts of which people are told at a time; more than a hundred pages of them. Beyond, what is less urgent stands in the
/// digest and in the log only.
const MOST_FOLLOWED: usize = 2000;

/// Keys of rows: what is known of an alert, and of a person; and when the last sign of life went.
const OF_ALERT: &str = "alert ";
const OF_PERSON: &str = "person ";
const OF_SIGN: &str = "sign";
/// So much later than its time a sign of life may come: mail takes its time.
const SIGN_MAY_TAKE: Span = Span::hours(1);
/// A clock that is not trusted is looked at again so soon.
const LOOK_AGAIN: Span = Span::minutes(1);

/// What the configuration says of people.
#[derive(Debug, Clone)]
pub struct Rules {
    /// The people, in the order of the file.
    pub people: Vec<PersonSpec>,
    /// Who of them is on duty when.
    pub rota: Rota,
    /// How they are told.
    pub telling: TellingSpec,
    /// Hour and minute of each local day at which the person on duty gets a sign of life.
    pub daily: Option<(u8, u8)>,
}

impl Rules {
    /// Those of a configuration.
    pub fn of(configuration: &Configuration) -> Self {
        let zone = TimeZone::get(&configuration.timezone).unwrap_or(TimeZone::UTC);
        let rota = Rota::new(configuration.rota.clone(), configuration.people.len(), zone);
        let (people, telling) = (configuration.people.clone(), configuration.telling.clone());
        Self { people, rota, telling, daily: configuration.tell.daily }
    }

    fn person(&self, name: &str) -> Option<usize> {
        self.people.iter().position(|person| person.name == name)
    }

    /// By which ways a person is told of a priority.
    pub fn ways(&self, person: usize, priority: Priority) -> Vec<Way> {
        let rule = self.telling.rule(priority);
        let ways = rule.into_iter().flat_map(|rule| &rule.by).copied();
        ways.filter(|way| self.people[person].has(*way)).collect()
    }

    /// When a person may be told of what is not urgent; `None`: now.
    fn quiet_until(&self, person: usize, now: EventTime) -> Option<EventTime> {
        quiet_until(self.people[person].quiet?, now, self.rota.zone())
    }
}

/// One message to one person.
#[derive(Debug, Clone, PartialEq)]
pub struct Telling {
    /// To whom: an index of people.
    pub person: usize,
    /// Why.
    pub why: Why,
    /// What.
    pub revision: AlertRevision,
    /// What else is told by the same message.
    pub others: Vec<AlertRevision>,
    /// The how-manieth reminder it is.
    pub reminder: Option<u32>,
    /// When the next one follows.
    pub next_reminder: Option<EventTime>,
    /// By which ways.
    pub by: Vec<Way>,
}

/// A sign of life.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sign {
    /// To whom: an index of people.
    pub person: usize,
    /// When it is given.
    pub at: EventTime,
    /// Without another by then, something is wrong.
    pub next_by: EventTime,
    /// How many alerts are open of which people are told.
    pub open: usize,
}

/// A row of what people were told: its key, and its body, or nothing if it goes.
pub type Row = (String, Option<String>);

/// The whole, with what was told so far.
#[derive(Debug, Default)]
pub struct Duty {
    rules: Option<Rules>,
    followed: BTreeMap<String, Followed>,
    /// By person: when the latest messages went.
    sent: BTreeMap<String, Vec<EventTime>>,
    /// When the last sign of life went, or since when they are given.
    signed: Option<EventTime>,
    heard: Vec<AlertRevision>,
    wake: Option<EventTime>,
    changed: BTreeSet<String>,
    needless: BTreeSet<String>,
}

impl Duty {
    /// Goes on from rows that were kept. `newest` gives the newest revision of an alert; those of `open` that are not yet known are
    /// heard of now.
    pub fn begin(
        rules: Rules,
        rows: Vec<(String, String)>,
        newest: impl Fn(&str) -> Option<AlertRevision>,
        open: Vec<AlertRevision>,
    ) -> Self {
        if rules.people.is_empty() {
            return Self::default();
        }
        let mut duty =
            Self { rules: Some(rules), heard: open, wake: Some(EventTime(i64::MIN)), ..Self::default() };
        for (key, body) in rows {
            if let Some(alert) = key.strip_prefix(OF_ALERT) {
                // A row that can't be read is of an alert that is told as new.
                if let (Some(revision), Ok(kept)) = (newest(alert), serde_json::from_str::<Kept>(&body)) {
                    duty.followed.insert(alert.to_owned(), Followed { revision, kept });
                }
            } else if let (Some(person), Ok(sent)) =
                (key.strip_prefix(OF_PERSON), serde_json::from_str(&body))
            {
                duty.sent.insert(person.to_owned(), sent);
            } else if key == OF_SIGN {
                duty.signed = serde_json::from_str(&body).ok();
            }
        }
        duty
    }

    /// Goes on with other people, or other rules for them. `open` are the open alerts: where there were no people, they are heard of now.
    pub fn follow(&mut self, rules: Rules, open: Vec<AlertRevision>) {
        self.heard = if self.rules.is_none() { open } else { std::mem::take(&mut self.heard) };
        self.rules = (!rules.people.is_empty()).then_some(rules);
        self.wake = Some(EventTime(i64::MIN));
    }

    /// What the configuration says of people, if it names some.
    pub fn rules(&self) -> Option<&Rules> {
        self.rules.as_ref()
    }

    /// Notes a revision; [`Duty::attend`] acts on it.
    pub fn hear(&mut self, revision: &AlertRevision) {
        if self.rules.is_some() {
            self.heard.push(revision.clone());
        }
    }

    /// Whether there may be something to tell.
    pub fn is_due(&self, now: EventTime) -> bool {
        !self.heard.is_empty() || self.wake.is_some_and(|wake| wake <= now)
    }

    /// Our clock was corrected by so much.
    pub fn shift(&mut self, by: Span) {
        for (alert, followed) in &mut self.followed {
            followed.shift(by);
            self.changed.insert(format!("{OF_ALERT}{alert}"));
        }
        for (person, sent) in &mut self.sent {
            for at in sent.iter_mut() {
                *at += by;
            }
            self.changed.insert(format!("{OF_PERSON}{person}"));
        }
        if let Some(signed) = &mut self.signed {
            *signed += by;
            self.changed.insert(OF_SIGN.to_owned());
        }
        self.wake = self.wake.map(|_| EventTime(i64::MIN));
    }

    /// What is to be told now. While the clock is not `trusted` nobody knows whether an hour is quiet, so none is.
    pub fn attend(&mut self, now: EventTime, trusted: bool) -> Vec<Telling> {
        let Some(rules) = self.rules.take() else { return Vec::new() };
        self.take_in(now, &rules);
        self.wake = None;
        let line = rules.rota.line(now);
        let mut wants: BTreeMap<usize, Vec<Want<(String, Why)>>> = BTreeMap::new();
        for (alert, followed) in &self.followed {
            let mut found = followed.wants(now, &rules, &line, &mut self.wake);
            // One message to each: what says most goes first.
            found.sort_by_key(|(person, why)| (*person, *why));
            found.dedup_by_key(|(person, _)| *person);
            for (person, why) in found {
                let (priority, since) = (followed.priority(), followed.since());
                let quiet = rules.quiet_until(person, now).filter(|_| trusted && priority < Priority::Urgent);
                match quiet {
                    Some(until) => soonest(&mut self.wake, until),
                    None => wants.entry(person).or_default().push(Want {
                        priority,
                        since,
                        what: (alert.clone(), why),
                    }),
                }
            }
        }
        let tellings = self.tell(now, &rules, wants);
        let done: Vec<String> = self
            .followed
            .iter()
            .filter(|(_, one)| one.is_done(&rules))
            .map(|(alert, _)| alert.clone())
            .collect();
        for alert in done {
            self.followed.remove(&alert);
            self.changed.insert(format!("{OF_ALERT}{alert}"));
        }
        if !tellings.is_empty() {
            soonest(&mut self.wake, now);
        }
        if let Some(hand_over) =
            rules.rota.shift(now).and_then(|shift| shift.until).filter(|_| !self.followed.is_empty())
        {
            soonest(&mut self.wake, hand_over);
        }
        self.rules = Some(rules);
        tellings
    }

    /// The sign of life that is due, to the one on duty; to be asked after [`Duty::attend`]. What was missed is given once.
    pub fn sign(&mut self, now: EventTime, trusted: bool) -> Option<Sign> {
        let rules = self.rules.as_ref()?;
        let (daily, zone) = (rules.daily?, rules.rota.zone());
        if !trusted {
            soonest(&mut self.wake, now + LOOK_AGAIN);
            return None;
        }
        let first = self.signed.is_none();
        let (due, _) = next_digest(*self.signed.get_or_insert(now), daily, zone)?;
        if due > now {
            soonest(&mut self.wake, due);
            if first {
                self.changed.insert(OF_SIGN.to_owned());
            }
            return None;
        }
        let (next, _) = next_digest(now, daily, zone)?;
        self.signed = Some(now);
        self.changed.insert(OF_SIGN.to_owned());
        soonest(&mut self.wake, next);
        let open = self.followed.values().filter(|one| one.revision.open).count();
        let person = rules.rota.shift(now)?.person;
        Some(Sign { person, at: now, next_by: next + SIGN_MAY_TAKE, open })
    }

    /// Takes in what was heard. Of one fault told under two ids the one that goes on takes over what people know.
    fn take_in(&mut self, now: EventTime, rules: &Rules) {
        let (merged, others): (Vec<_>, Vec<_>) = std::mem::take(&mut self.heard)
            .into_iter()
            .partition(|one| matches!(one.why, Revised::Merged { .. }));
        for revision in others.into_iter().chain(merged) {
            let alert = revision.alert.clone();
            let Some(followed) = self.followed.get_mut(&alert) else {
                if revision.open
                    && rules.telling.rule(revision.priority).is_some()
                    && self.make_room(revision.priority)
                {
                    self.changed.insert(format!("{OF_ALERT}{alert}"));
                    self.followed.insert(alert, Followed::new(revision, now));
                }
                continue;
            };
            if followed.revision.revision >= revision.revision {
                continue;
            }
            self.changed.insert(format!("{OF_ALERT}{alert}"));
            let into = match &revision.why {
                Revised::Merged { into } => Some(into.clone()),
                _ => None,
            };
            if followed.take(revision, now, rules) {
                self.needless.insert(alert.clone());
            }
            if let Some(into) = into
                && let Some(gone) = self.followed.remove(&alert)
                && let Some(heir) = self.followed.get_mut(&into)
            {
                heir.inherit(gone);
                self.changed.insert(format!("{OF_ALERT}{into}"));
            }
        }
    }

    /// Whether there is a place for one more alert of this priority; the least urgent of the youngest gives its own.
    fn make_room(&mut self, priority: Priority) -> bool {
        if self.followed.len() < MOST_FOLLOWED {
            return true;
        }
        let least =
            self.followed.iter().min_by_key(|(_, one)| (one.priority(), std::cmp::Reverse(one.since())));
        let Some((alert, _)) = least.filter(|(_, one)| one.priority() < priority) else { return false };
        let alert = alert.clone();
        tracing::warn!(alert, "too many alerts are open; people are not told of this one any more");
        self.followed.remove(&alert);
        self.changed.insert(format!("{OF_ALERT}{alert}"));
        true
    }

    fn tell(
        &mut self,
        now: EventTime,
        rules: &Rules,
        wants: BTreeMap<usize, Vec<Want<(String, Why)>>>,
    ) -> Vec<Telling> {
        let mut tellings = Vec::new();
        for (person, wants) in wants {
            let name = &rules.people[person].name;
            let sent = self.sent.entry(name.clone()).or_default();
            let (letters, more_at) = dose(now, sent, wants);
            if let Some(at) = more_at {
                soonest(&mut self.wake, at);
            }
            for letter in letters {
                let sent = self.sent.entry(name.clone()).or_default();
                sent.push(now);
                sent.drain(..sent.len().saturating_sub(MOST_AN_HOUR));
                self.changed.insert(format!("{OF_PERSON}{name}"));
                tellings.extend(self.letter(now, rules, person, letter));
            }
        }
        tellings
    }

    /// One letter, of which all but the first alert are summed up.
    fn letter(
        &mut self,
        now: EventTime,
        rules: &Rules,
        person: usize,
        wants: Vec<Want<(String, Why)>>,
    ) -> Option<Telling> {
        let mut telling: Option<Telling> = None;
        for Want { priority, what: (alert, why), .. } in wants {
            let Some(followed) = self.followed.get_mut(&alert) else { continue };
            let (reminder, next_reminder) = followed.tell(&rules.people[person].name, why, now, rules);
            let revision = followed.revision.clone();
            self.changed.insert(format!("{OF_ALERT}{alert}"));
            if let Some(telling) = &mut telling {
                telling.others.push(revision);
            } else {
                let (by, others) = (rules.ways(person, priority), Vec::new());
                telling = Some(Telling { person, why, revision, others, reminder, next_reminder, by });
            }
        }
        telling
    }

    /// What changed since it was last asked, to be kept together with the letters.
    pub fn take_changes(&mut self) -> Vec<Row> {
        let body = |key: &String| {
            if key == OF_SIGN {
                return serde_json::to_string(&self.signed?).ok();
            }
            let alert = key.strip_prefix(OF_ALERT).and_then(|alert| self.followed.get(alert));
            let person = key.strip_prefix(OF_PERSON).and_then(|person| self.sent.get(person));
            let alert = alert.and_then(|followed| serde_json::to_string(&followed.kept).ok());
            alert.or_else(|| serde_json::to_string(person?).ok())
        };
        let rows = self.changed.iter().map(|key| (key.clone(), body(key))).collect();
        self.changed.clear();
        rows
    }

    /// Alerts that somebody has seen since it was last asked, or that are over: letters that only remind of them are needless.
    pub fn take_needless(&mut self) -> Vec<String> {
        std::mem::take(&mut self.needless).into_iter().collect()
    }
}
