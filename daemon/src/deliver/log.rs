//! The courier that writes to the program's own log: always there, for whoever reads the journal of the machine.

use super::message_in;
use crate::store::Letter;
use crate::world::{Courier, Here, Outcome};

/// Writes each message as one line of the log, as loud as its priority.
#[derive(Debug, Clone, Copy, Default)]
pub struct LogCourier;

impl Courier for LogCourier {
    fn channel(&self) -> &'static str {
        "log"
    }

    fn send<'a>(&'a mut self, letter: &'a Letter) -> Here<'a, Outcome> {
        Box::pin(std::future::ready(write(letter)))
    }
}

fn write(letter: &Letter) -> Outcome {
    let message = match message_in(letter) {
        Ok(message) => message,
        Err(why) => return Outcome::Refused(why),
    };
    let (id, code, text, caution) =
        (message.id.as_str(), message.code.as_str(), message.text.as_str(), message.caution.as_str());
    if let Some(held) = message.held.as_deref() {
        tracing::info!(target: "kvarden::alert", id, code, held, "{text}");
        return Outcome::Delivered;
    }
    match message.priority.as_str() {
        "urgent" => tracing::error!(target: "kvarden::alert", id, code, caution, "{text}"),
        "high" => tracing::warn!(target: "kvarden::alert", id, code, caution, "{text}"),
        _ => tracing::info!(target: "kvarden::alert", id, code, "{text}"),
    }
    Outcome::Delivered
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deliver::fakes::letter;

    #[test]
    fn what_is_no_message_is_refused_and_not_lost_in_silence() {
        assert_eq!(write(&letter("T2#1", 1)), Outcome::Delivered);
        let broken = Letter { message: "{}".to_owned(), ..letter("T2#1", 1) };
        assert!(matches!(write(&broken), Outcome::Refused(why) if why.contains("not a message")));
    }
}
