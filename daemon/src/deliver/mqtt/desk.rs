//! What is to be published next, in which order: plain data, no network.

use crate::words::Message;
use crate::words::letter::TEST;
use crate::world::Outcome;
use std::collections::{HashMap, VecDeque};
use tokio::sync::oneshot;

/// A letter to carry.
#[derive(Debug)]
pub(super) struct Job {
    /// What it says.
    pub(super) message: Message,
    /// Where its outcome is awaited.
    pub(super) done: oneshot::Sender<Outcome>,
}

/// One publish.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Publish {
    pub(super) topic: String,
    pub(super) retain: bool,
    pub(super) payload: String,
}

/// The publishes of one connection: the status first, then the open alerts, then letters.
#[derive(Debug)]
pub(super) struct Desk {
    topics: String,
    status: Option<String>,
    open: VecDeque<Message>,
    /// Revisions told as current state when the connection began: an older letter does not overwrite them.
    current: HashMap<String, u32>,
    job: Option<Job>,
    /// The letter's publishes that are not acknowledged yet.
    steps: VecDeque<Publish>,
    /// Whether the publish in flight belongs to the letter.
    flying: bool,
}

impl Desk {
    pub(super) fn new(topics: &str, open: Vec<Message>) -> Self {
        let current = open.iter().map(|message| (message.alert.clone(), message.revision)).collect();
        Self {
            topics: topics.to_owned(),
            status: None,
            open: open.into(),
            current,
            job: None,
            steps: VecDeque::new(),
            flying: false,
        }
    }

    /// The status to be told next, in place of one that was not told yet.
    pub(super) fn status(&mut self, payload: String) {
        self.status = Some(payload);
    }

    /// Whether a letter can be taken.
    pub(super) fn is_free(&self) -> bool {
        self.job.is_none()
    }

    pub(super) fn take(&mut self, job: Job) {
        let message = &job.message;
        let is_old = self.current.get(&message.alert).is_some_and(|told| *told > message.revision);
        // What only tries the channel is no alert's state.
        if !is_old && message.state != TEST {
            self.current.remove(&message.alert);
            self.steps.push_back(state_of(&self.topics, message));
        }
        let topic = format!("{}/events", self.topics);
        self.steps.push_back(Publish { topic, retain: false, payload: message.json() });
        self.job = Some(job);
    }

    /// The next publish. It is the only one until [`Desk::acknowledged`].
    pub(super) fn next(&mut self) -> Option<Publish> {
        if self.job.as_ref().is_some_and(|job| job.done.is_closed()) {
            // Nobody waits for it any more; it will come again from the outbox, with the same id.
            (self.job, self.flying) = (None, false);
            self.steps.clear();
        }
        if let Some(payload) = self.status.take() {
            return Some(Publish { topic: format!("{}/status", self.topics), retain: true, payload });
        }
        if let Some(message) = self.open.pop_front() {
            return Some(state_of(&self.topics, &message));
        }
        self.flying = !self.steps.is_empty();
        self.steps.front().cloned()
    }

    /// The broker has the publish given last.
    pub(super) fn acknowledged(&mut self) {
        if std::mem::take(&mut self.flying) {
            self.steps.pop_front();
            if self.steps.is_empty() {
                self.answer(Outcome::Delivered);
            }
        }
    }

    /// The connection is lost.
    pub(super) fn lost(mut self, why: &str) {
        self.answer(Outcome::TryLater(why.to_owned()));
    }

    fn answer(&mut self, outcome: Outcome) {
        if let Some(job) = self.job.take() {
            // The pump may have stopped waiting; then the letter comes again.
            let _ = job.done.send(outcome);
        }
    }
}

fn state_of(topics: &str, message: &Message) -> Publish {
    Publish { topic: format!("{topics}/alert/{}", message.code), retain: true, payload: message.json() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deliver::fakes::{letter, message};

    fn job(alert: &str, revision: u32) -> (Job, oneshot::Receiver<Outcome>) {
        let (done, outcome) = oneshot::channel();
        let message = crate::deliver::message_in(&letter(alert, revision)).unwrap();
        (Job { message, done }, outcome)
    }

    /// Takes what comes next, acknowledges it and says what it was.
    fn step(desk: &mut Desk) -> String {
        let Some(publish) = desk.next() else { return "nothing".to_owned() };
        desk.acknowledged();
        let kept = if publish.retain { "keep " } else { "" };
        let said = serde_json::from_str::<Message>(&publish.payload).map_or(publish.payload, |m| m.id);
        format!(
            "{kept}{} {said}",
            publish.topic.rsplit('/').nth(usize::from(said.contains('#') && publish.retain)).unwrap()
        )
    }

    #[test]
    fn the_status_comes_first_then_what_is_open_then_the_letter() {
        let mut desk = Desk::new("p", vec![message("T1#1", 4), message("T2#1", 2)]);
        let (job, mut outcome) = job("T1#2", 1);
        desk.take(job);
        desk.status("alive".to_owned());
        assert_eq!(step(&mut desk), "keep status alive");
        assert_eq!(step(&mut desk), "keep alert k7:T1#1:4");
        assert_eq!(step(&mut desk), "keep alert k7:T2#1:2");
        assert_eq!(step(&mut desk), "keep alert k7:T1#2:1");
        assert!(outcome.try_recv().is_err());
        assert_eq!(step(&mut desk), "events k7:T1#2:1");
        assert_eq!(outcome.try_recv(), Ok(Outcome::Delivered));
        assert_eq!(step(&mut desk), "nothing");
        assert!(desk.is_free());
    }

    #[test]
    fn an_old_letter_goes_to_the_events_but_does_not_overwrite_the_newer_state() {
        let mut desk = Desk::new("p", vec![message("T2#1", 2)]);
        step(&mut desk);
        for (revision, expected) in [
            (1, vec!["events k7:T2#1:1"]),
            (2, vec!["keep alert k7:T2#1:2", "events k7:T2#1:2"]),
            (3, vec!["keep alert k7:T2#1:3", "events k7:T2#1:3"]),
        ] {
            let (job, _outcome) = job("T2#1", revision);
            desk.take(job);
            let steps: Vec<String> = expected.iter().map(|_| step(&mut desk)).collect();
            assert_eq!(steps, expected);
        }
    }

    #[test]
    fn a_heartbeat_between_the_two_publishes_of_a_letter_does_not_deliver_it() {
        let mut desk = Desk::new("p", Vec::new());
        let (job, mut outcome) = job("T2#1", 1);
        desk.take(job);
        step(&mut desk);
        desk.status("alive".to_owned());
        assert_eq!(step(&mut desk), "keep status alive");
        assert!(outcome.try_recv().is_err());
        step(&mut desk);
        assert_eq!(outcome.try_recv(), Ok(Outcome::Delivered));
    }

    #[test]
    fn a_letter_nobody_waits_for_is_laid_aside_and_a_lost_link_says_so() {
        let mut desk = Desk::new("p", Vec::new());
        let (forgotten, outcome) = job("T2#1", 1);
        desk.take(forgotten);
        drop(outcome);
        assert_eq!(desk.next(), None);
        let (kept, mut outcome) = job("T2#1", 1);
        desk.take(kept);
        desk.next();
        desk.lost("gone");
        assert_eq!(outcome.try_recv(), Ok(Outcome::TryLater("gone".to_owned())));
    }
}
