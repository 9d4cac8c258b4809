//! Trying the ways to people: a letter through the real outbox and courier, and what the other side said to it.

use crate::store::{Batch, Keeper, Letter, NewLetter, NotTaken};
use crate::words::speech::Speech;
use crate::words::{Site, trial};
use crate::world::{Courier, Here, Outcome};
use kvarden_config::{PersonSpec, Way};
use kvarden_core::time::EventTime;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;
use std::time::Duration;
use tokio::sync::{Notify, oneshot};
use tokio::time::timeout;

/// The most letters of one trial: a rota has a handful of people with three ways each.
pub const MOST_LETTERS: usize = 48;
/// How long the answers are waited for: less than the control socket gives.
const PATIENCE: Duration = Duration::from_secs(27);

/// Who waits for the word on which letter.
#[derive(Debug, Default)]
pub struct Board {
    waiting: RefCell<BTreeMap<String, oneshot::Sender<String>>>,
}

impl Board {
    fn wait_for(&self, id: &str) -> oneshot::Receiver<String> {
        let (tell, told) = oneshot::channel();
        self.waiting.borrow_mut().insert(id.to_owned(), tell);
        told
    }

    fn tell(&self, id: &str, words: impl FnOnce() -> String) {
        if let Some(waiting) = self.waiting.borrow_mut().remove(id) {
            // Who asked may have hung up.
            let _ = waiting.send(words());
        }
    }
}

/// A courier whose letters' fate is told to those who wait for it.
pub struct Heard {
    courier: Box<dyn Courier>,
    board: Rc<Board>,
}

impl Heard {
    /// This courier, heard at this board.
    pub fn new(courier: Box<dyn Courier>, board: &Rc<Board>) -> Self {
        Self { courier, board: Rc::clone(board) }
    }
}

impl Courier for Heard {
    fn channel(&self) -> &'static str {
        self.courier.channel()
    }

    fn send<'a>(&'a mut self, letter: &'a Letter) -> Here<'a, Outcome> {
        Box::pin(async move {
            let outcome = self.courier.send(letter).await;
            let said = || match &outcome {
                Outcome::Delivered => {
                    let said = self.courier.said().map(|said| format!(": {said}")).unwrap_or_default();
                    format!("delivered{said}")
                }
                Outcome::TryLater(why) => format!("NOT delivered yet: {why}; it waits and is tried again"),
                Outcome::Refused(why) => format!("NOT delivered and not tried again: {why}"),
            };
            self.board.tell(&letter.id, said);
            outcome
        })
    }

    fn said(&self) -> Option<String> {
        self.courier.said()
    }
}

/// What a trial needs of the daemon.
pub struct Trials {
    keeper: Keeper,
    site: Site,
    channels: Vec<String>,
    people: Vec<PersonSpec>,
    board: Rc<Board>,
    /// The notices of all pumps.
    pumps: Vec<Rc<Notify>>,
}

/// What is tried.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Asked {
    /// Only this person.
    pub to: Option<String>,
    /// Only this channel.
    pub channel: Option<String>,
    /// Who tries.
    pub by: String,
}

impl Trials {
    /// For the channels and people of a configuration; `pumps` are told when letters are there.
    pub fn new(
        keeper: Keeper,
        site: Site,
        (channels, people): (Vec<String>, Vec<PersonSpec>),
        board: Rc<Board>,
        pumps: Vec<Rc<Notify>>,
    ) -> Self {
        Self { keeper, site, channels, people, board, pumps }
    }

    /// Sends a letter by each way that is meant, and gives a line for each with what became of it, and whether all were
    /// delivered.
    ///
    /// # Errors
    /// Why nothing was sent.
    pub async fn run(&self, asked: &Asked, now: EventTime) -> Result<(bool, String), String> {
        let meant = self.meant(asked)?;
        let letters: Vec<NewLetter> =
            meant.iter().map(|(channel, person)| self.letter(asked, channel, *person, now)).collect();
        let waiting: Vec<_> = letters.iter().map(|letter| self.board.wait_for(&letter.id)).collect();
        let ids: Vec<String> = letters.iter().map(|letter| letter.id.clone()).collect();
        self.post(letters).await?;
        let until = tokio::time::Instant::now() + PATIENCE;
        let mut lines = Vec::with_capacity(meant.len());
        let mut all = true;
        for ((channel, person), word) in meant.iter().zip(waiting) {
            let word = tokio::time::timeout_at(until, word).await;
            let word = word.ok().and_then(Result::ok);
            all &= word.as_deref().is_some_and(|word| word.starts_with("delivered"));
            let word = word.unwrap_or_else(|| "no word of it yet; it waits and is tried again".to_owned());
            let person = person.map(|person| format!(" to {}", person.name)).unwrap_or_default();
            lines.push(format!("{channel}{person}: {word}"));
        }
        // Nobody listens to late words any more.
        self.board.waiting.borrow_mut().retain(|id, _| !ids.contains(id));
        Ok((all, lines.join("\n")))
    }

    /// By which channels, to whom.
    fn meant(&self, asked: &Asked) -> Result<Vec<(String, Option<&PersonSpec>)>, String> {
        let list = |names: Vec<&str>| if names.is_empty() { "none".to_owned() } else { names.join(", ") };
        if let Some(channel) = asked.channel.as_ref().filter(|channel| !self.channels.contains(channel)) {
            let known = list(self.channels.iter().map(String::as_str).collect());
            return Err(format!("no channel is named \"{channel}\"; there are: {known}"));
        }
        if let Some(to) = asked.to.as_ref().filter(|to| !self.people.iter().any(|person| person.name == **to))
        {
            let known = list(self.people.iter().map(|person| person.name.as_str()).collect());
            return Err(format!("nobody is named \"{to}\"; there are: {known}"));
        }
        let mut meant = Vec::new();
        for channel in
            self.channels.iter().filter(|name| asked.channel.as_ref().is_none_or(|asked| asked == *name))
        {
            match Way::from_key(channel) {
                None if asked.to.is_none() => meant.push((channel.clone(), None)),
                None => {}
                Some(way) => {
                    let wanted = |person: &&PersonSpec| {
                        person.has(way) && asked.to.as_ref().is_none_or(|to| *to == person.name)
                    };
                    meant.extend(
                        self.people.iter().filter(wanted).map(|person| (channel.clone(), Some(person))),
                    );
                }
            }
        }
        if meant.is_empty() {
            return Err(
                "no way leads there: give the person mail, command or webhook, and the channel its section"
                    .to_owned(),
            );
        }
        if meant.len() > MOST_LETTERS {
            return Err(format!("that would be {} letters; name a person or a channel", meant.len()));
        }
        Ok(meant)
    }

    fn letter(&self, asked: &Asked, channel: &str, person: Option<&PersonSpec>, now: EventTime) -> NewLetter {
        let name = person.map(|person| person.name.as_str());
        // One alert of its own each, so that none waits for another.
        let alert = format!("test/{}/{channel}/{}", now.0, name.unwrap_or_default());
        let speech = person.map_or(self.site.speech, |person| Speech::of(Some(person.language.key())));
        let site = self.site.spoken(speech);
        let at = site.moment(now, now);
        let line = speech.with("test-line", &[("site", &self.site.name), ("by", &asked.by), ("at", &at)]);
        let message = trial(&site, (&alert, name), &line, now);
        NewLetter {
            id: message.id.clone(),
            channel: channel.to_owned(),
            alert,
            revision: 1,
            created: now,
            message: message.json(),
            to: name.map(str::to_owned),
            due: now,
            reminds: false,
        }
    }

    async fn post(&self, letters: Vec<NewLetter>) -> Result<(), String> {
        let (done, stored) = oneshot::channel();
        let batch = Batch { letters, ..Batch::default() };
        let given = self.keeper.submit(batch, move |result| {
            // Whoever asked may be gone.
            let _ = done.send(result.map(drop));
        });
        if let Err(NotTaken::Full(_) | NotTaken::Gone(_)) = given {
            return Err("the store takes nothing just now; try again in a minute".to_owned());
        }
        match timeout(PATIENCE, stored).await {
            Ok(Ok(Ok(()))) => {
                self.pumps.iter().for_each(|pump| pump.notify_one());
                Ok(())
            }
            Ok(Ok(Err(unwritten))) => Err(format!("the letters could not be stored: {}", unwritten.why)),
            Ok(Err(_)) | Err(_) => Err("the letters could not be stored in time".to_owned()),
        }
    }
}
