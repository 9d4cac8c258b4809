//! Messages taken but not yet acknowledged, in the order in which they came.

use rumqttc::{AsyncClient, Publish, QoS};
use std::collections::VecDeque;
use std::time::Duration;

/// The most messages that may wait for the store: about a second of a flood. Beyond, the connection is ended and the
/// broker keeps them.
const MOST_OWED: usize = 1024;

/// Too many messages wait.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct TooMany;

/// The messages, without what they said.
#[derive(Debug, Default)]
pub(super) struct Receipts {
    owed: VecDeque<(u64, Publish)>,
    /// The number that the last one waits for.
    last: u64,
}

impl Receipts {
    /// How soon to try again if the client library takes no more for now.
    pub(super) const RETRY: Duration = Duration::from_millis(10);

    /// Owes a receipt for `message` once input `number` is stored; `None`: in its turn.
    pub(super) fn owe(&mut self, message: &Publish, number: Option<u64>) -> Result<(), TooMany> {
        self.last = number.unwrap_or(self.last).max(self.last);
        if message.qos == QoS::AtMostOnce {
            return Ok(());
        }
        if self.owed.len() >= MOST_OWED {
            return Err(TooMany);
        }
        let mut receipt = Publish::new("", message.qos, Vec::new());
        receipt.pkid = message.pkid;
        self.owed.push_back((self.last, receipt));
        Ok(())
    }

    /// Acknowledges what is stored up to `committed`. False if the client library takes no more for now.
    pub(super) fn settle(&mut self, client: &AsyncClient, committed: u64) -> bool {
        while let Some((number, receipt)) = self.owed.front() {
            if *number > committed {
                break;
            }
            if client.try_ack(receipt).is_err() {
                return false;
            }
            self.owed.pop_front();
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rumqttc::MqttOptions;

    fn message(id: u16) -> Publish {
        let mut message = Publish::new("a", QoS::AtLeastOnce, "payload");
        message.pkid = id;
        message
    }

    #[test]
    fn a_message_waits_for_its_number_and_for_those_before_it() {
        let (client, _events) = AsyncClient::new(MqttOptions::new("x", "localhost", 1883), 8);
        let mut receipts = Receipts::default();
        receipts.owe(&message(1), Some(5)).unwrap();
        receipts.owe(&message(2), None).unwrap();
        receipts.owe(&message(3), Some(7)).unwrap();
        assert!(receipts.settle(&client, 4));
        assert_eq!(receipts.owed.len(), 3, "nothing is stored yet");
        assert!(receipts.settle(&client, 5));
        assert_eq!(receipts.owed.len(), 1, "the refused one goes with the one before it");
        assert!(receipts.settle(&client, 7));
        assert!(receipts.owed.is_empty());
    }

    #[test]
    fn a_full_client_is_tried_again_and_loses_nothing() {
        let (client, _events) = AsyncClient::new(MqttOptions::new("x", "localhost", 1883), 2);
        let mut receipts = Receipts::default();
        for id in 1..=3 {
            receipts.owe(&message(id), Some(1)).unwrap();
        }
        assert!(!receipts.settle(&client, 1));
        assert_eq!(receipts.owed.len(), 1);
    }

    #[test]
    fn the_number_that_may_wait_is_bounded() {
        let mut receipts = Receipts::default();
        for _ in 0..MOST_OWED {
            receipts.owe(&message(1), Some(1)).unwrap();
        }
        assert_eq!(receipts.owe(&message(1), Some(1)), Err(TooMany));
    }
}
