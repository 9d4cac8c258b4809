//! What delivery needs of the store: the next letter, what became of it, and which alerts are open.

use crate::store::Letter;
use crate::words::Message;
use crate::world::Here;
use kvarden_core::time::EventTime;

/// The letters that wait, kept where no crash reaches them.
pub trait Outbox {
    /// The oldest waiting letter of `channel` that is due by `by` and has no earlier waiting letter of the same
    /// alert before it: order is kept per alert, and one bad letter holds up no other alert.
    fn next<'a>(&'a self, channel: &'a str, by: EventTime) -> Here<'a, Result<Next, OutboxError>>;

    /// Keeps what became of `letter`. Doing it twice changes nothing.
    fn mark<'a>(
        &'a self,
        letter: &'a Letter,
        at: EventTime,
        mark: &'a Mark,
    ) -> Here<'a, Result<(), OutboxError>>;

    /// The latest message of every open alert.
    fn open_alerts(&self) -> Here<'_, Result<Vec<Message>, OutboxError>>;
}

/// What waits for a channel.
#[derive(Debug, Clone, PartialEq)]
pub enum Next {
    /// This letter, now.
    Letter(Box<Letter>),
    /// Nothing yet; the soonest is due then.
    Due(EventTime),
    /// Nothing at all.
    Nothing,
}

/// What became of a letter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Mark {
    /// The other side has it.
    Delivered,
    /// Counted as one more try; due again then.
    Later {
        /// When.
        due: EventTime,
        /// Why it did not go.
        why: String,
    },
    /// Parked for good: it holds up nothing any more, and is shown.
    Refused {
        /// Why it never goes.
        why: String,
    },
}

/// Why the outbox gave no answer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OutboxError {
    /// The store has stopped: the program ends.
    #[error("the store has stopped")]
    Gone,
    /// It can't be read or written just now.
    #[error("the store can't be read or written: {0}")]
    Trouble(String),
}
