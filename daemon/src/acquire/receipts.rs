//! Messages taken but not yet acknowledged, in the order in which they came.

use rumqttc::{AsyncClient, Publish, QoS};
use std::collections::VecDeque;
use std::time::Duration;

/// There are no more packet identifiers than that (MQTT 3.1.1 section 2.3.1), so a broker can't leave more messages
/// open; twice, since a message may wait for several readings.
const MOST_OWED: usize = 2 * u16::MAX as usize;

/// More messages are open than there are identifiers: the broker breaks the protocol.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct TooMany;

/// What a receipt waits for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wait {
    /// This input must be stored.
    Stored(u64),
    /// The reading with this ticket must be handed over.
    HandedOver(u64),
}

/// The messages, without what they said: what they wait for, and their packet identifiers. An identifier of 0, which no
/// message has, is only one more thing that the next message waits for.
#[derive(Debug, Default)]
pub(super) struct Receipts {
    owed: VecDeque<(Wait, u16)>,
    /// The number that the last one waits for.
    last: u64,
}

impl Receipts {
    /// How soon to try again if the client library takes no more for now.
    pub(super) const RETRY: Duration = Duration::from_millis(10);

    /// Owes a receipt for `message` once input `number` is stored, and those behind the tickets; `None`: in its turn.
    pub(super) fn owe(
        &mut self,
        message: &Publish,
        number: Option<u64>,
        tickets: &[u64],
    ) -> Result<(), TooMany> {
        self.last = number.unwrap_or(self.last).max(self.last);
        if message.qos == QoS::AtMostOnce {
            return Ok(());
        }
        if self.owed.len() + tickets.len() >= MOST_OWED {
            return Err(TooMany);
        }
        self.owed.extend(tickets.iter().map(|ticket| (Wait::HandedOver(*ticket), 0)));
        self.owed.push_back((Wait::Stored(self.last), message.pkid));
        Ok(())
    }

    /// The reading with this ticket has been handed over as input `number`.
    pub(super) fn handed_over(&mut self, ticket: u64, number: u64) {
        for (wait, _) in &mut self.owed {
            if *wait == Wait::HandedOver(ticket) {
                *wait = Wait::Stored(number);
            }
        }
    }

    /// Acknowledges what is stored up to `committed`. False if the client library takes no more for now.
    pub(super) fn settle(&mut self, client: &AsyncClient, committed: u64) -> bool {
        while let Some((Wait::Stored(number), id)) = self.owed.front()
            && *number <= committed
        {
            if *id != 0 {
                let mut receipt = Publish::new("", QoS::AtLeastOnce, Vec::new());
                receipt.pkid = *id;
                if client.try_ack(&receipt).is_err() {
                    return false;
                }
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
        receipts.owe(&message(1), Some(5), &[]).unwrap();
        receipts.owe(&message(2), None, &[]).unwrap();
        receipts.owe(&message(3), Some(7), &[]).unwrap();
        assert!(receipts.settle(&client, 4));
        assert_eq!(receipts.owed.len(), 3, "nothing is stored yet");
        assert!(receipts.settle(&client, 5));
        assert_eq!(receipts.owed.len(), 1, "the refused one goes with the one before it");
        assert!(receipts.settle(&client, 7));
        assert!(receipts.owed.is_empty());
    }

    /// Seen to fail without the tickets.
    #[test]
    fn a_message_waits_for_the_readings_that_are_held_back() {
        let (client, _events) = AsyncClient::new(MqttOptions::new("x", "localhost", 1883), 8);
        let mut receipts = Receipts::default();
        receipts.owe(&message(1), Some(5), &[1, 2]).unwrap();
        receipts.settle(&client, 5);
        receipts.handed_over(2, 6);
        receipts.settle(&client, 6);
        assert_eq!(receipts.owed.len(), 3, "one of its readings is still held back");
        receipts.handed_over(1, 8);
        receipts.settle(&client, 7);
        assert_eq!(receipts.owed.len(), 3, "and not yet stored");
        receipts.settle(&client, 8);
        assert!(receipts.owed.is_empty());
    }

    #[test]
    fn a_full_client_is_tried_again_and_loses_nothing() {
        let (client, _events) = AsyncClient::new(MqttOptions::new("x", "localhost", 1883), 2);
        let mut receipts = Receipts::default();
        for id in 1..=3 {
            receipts.owe(&message(id), Some(1), &[]).unwrap();
        }
        assert!(!receipts.settle(&client, 1));
        assert_eq!(receipts.owed.len(), 1);
    }

    #[test]
    fn every_identifier_may_be_open_and_no_more() {
        let mut receipts = Receipts::default();
        for id in 1..=u16::MAX {
            receipts.owe(&message(id), Some(1), &[]).unwrap();
        }
        let mut more = 0;
        while receipts.owe(&message(1), Some(1), &[]).is_ok() {
            more += 1;
        }
        assert_eq!(more, MOST_OWED - usize::from(u16::MAX));
    }
}
