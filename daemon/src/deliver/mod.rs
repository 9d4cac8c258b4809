//! How people are told: one pump per channel takes letters from the outbox, a courier carries them.
//!
//! A letter leaves the outbox only when the other side has it. Whatever a courier or a client library holds in
//! memory may be lost at any moment without harm. Whom to tell and in which words is decided elsewhere.

pub mod command;
pub mod file;
pub mod kept;
pub mod log;
pub mod mail;
pub mod mqtt;
pub mod outbox;
pub mod pump;
pub mod trial;
mod wait;
pub mod ways;
pub mod webhook;
pub mod writer;

#[cfg(test)]
mod fakes;
#[cfg(test)]
mod pump_tests;

pub use outbox::{Mark, Next, Outbox, OutboxError};
pub use pump::Pump;

use crate::store::Letter;
use crate::words::Message;
use crate::words::message::MOST_BYTES;

/// The message in a letter, with its place among the letters of its channel filled in.
///
/// # Errors
/// Why it can never be sent: it is no message, or longer than any message that is built here.
pub(crate) fn message_in(letter: &Letter) -> Result<Message, String> {
    if letter.message.len() > 2 * MOST_BYTES {
        return Err(format!("{} bytes are too long for a message", letter.message.len()));
    }
    let message: Message =
        serde_json::from_str(&letter.message).map_err(|error| format!("not a message: {error}"))?;
    Ok(Message { sequence: Some(letter.place), ..message })
}
