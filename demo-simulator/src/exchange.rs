//! The broker's memory: who is here, who asked for what, what is retained. Plain data, no sockets.

use std::collections::BTreeMap;

use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::Publish;
use tokio::sync::mpsc;

use crate::topics::chooses;

/// Messages that wait for one client; a client that falls further behind is dropped.
const WAITING_MESSAGES: usize = 1000;
/// Subscriptions of one client.
const MOST_FILTERS: usize = 100;
/// Topics with a retained message; beyond it new ones are passed on but not kept.
const MOST_RETAINED: usize = 10_000;

/// A connected client.
#[derive(Debug)]
struct Client {
    name: String,
    queue: mpsc::Sender<Publish>,
    filters: BTreeMap<String, QoS>,
}

/// Clients, subscriptions and retained messages.
#[derive(Debug, Default)]
pub(crate) struct Exchange {
    next_ticket: u64,
    clients: BTreeMap<u64, Client>,
    retained: BTreeMap<String, Publish>,
}

impl Exchange {
    /// Lets a client in; one of the same name that was here is put out. Returns its ticket and its queue, which
    /// closes when it is put out.
    pub(crate) fn join(&mut self, name: &str) -> (u64, mpsc::Receiver<Publish>) {
        if !name.is_empty() {
            self.clients.retain(|_, client| client.name != name);
        }
        let (queue, receiver) = mpsc::channel(WAITING_MESSAGES);
        self.next_ticket += 1;
        let client = Client { name: name.to_owned(), queue, filters: BTreeMap::new() };
        self.clients.insert(self.next_ticket, client);
        (self.next_ticket, receiver)
    }

    /// Lets a client go.
    pub(crate) fn leave(&mut self, ticket: u64) {
        self.clients.remove(&ticket);
    }

    /// Notes a subscription and queues the retained messages that it chooses. `false`: too many subscriptions.
    pub(crate) fn subscribe(&mut self, ticket: u64, filter: &str, qos: QoS) -> bool {
        let Some(client) = self.clients.get_mut(&ticket) else { return false };
        if client.filters.len() >= MOST_FILTERS && !client.filters.contains_key(filter) {
            return false;
        }
        client.filters.insert(filter.to_owned(), qos);
        let kept = self.retained.values().filter(|publish| chooses(filter, &publish.topic));
        let all = kept.into_iter().all(|kept| {
            let message = Publish { qos: lower(kept.qos, qos), ..kept.clone() };
            client.queue.try_send(message).is_ok()
        });
        if !all {
            self.clients.remove(&ticket);
        }
        all
    }

    /// Forgets subscriptions.
    pub(crate) fn unsubscribe(&mut self, ticket: u64, filters: &[String]) {
        if let Some(client) = self.clients.get_mut(&ticket) {
            for filter in filters {
                client.filters.remove(filter);
            }
        }
    }

    /// Keeps a message if it is to be retained (an empty one ends the keeping) and queues it for every client that
    /// asked for it. A client with a full queue is put out.
    pub(crate) fn publish(&mut self, publish: &Publish) {
        if publish.retain {
            self.retain(publish);
        }
        self.clients.retain(|_, client| {
            let asked = client.filters.iter().filter(|(filter, _)| chooses(filter, &publish.topic));
            let Some(qos) = asked.map(|(_, qos)| *qos).max_by_key(|qos| *qos as u8) else { return true };
            let message = Publish {
                dup: false,
                retain: false,
                qos: lower(publish.qos, qos),
                pkid: 0,
                ..publish.clone()
            };
            let kept = client.queue.try_send(message).is_ok();
            if !kept {
                tracing::warn!(client = client.name, "a client took its messages too slowly and was dropped");
            }
            kept
        });
    }

    fn retain(&mut self, publish: &Publish) {
        if publish.payload.is_empty() {
            self.retained.remove(&publish.topic);
        } else if self.retained.len() < MOST_RETAINED || self.retained.contains_key(&publish.topic) {
            let kept = Publish { dup: false, pkid: 0, ..publish.clone() };
            self.retained.insert(publish.topic.clone(), kept);
        }
    }
}

fn lower(one: QoS, other: QoS) -> QoS {
    if one == QoS::AtMostOnce || other == QoS::AtMostOnce { QoS::AtMostOnce } else { QoS::AtLeastOnce }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(topic: &str, text: &str) -> Publish {
        Publish::new(topic, QoS::AtLeastOnce, text)
    }

    #[test]
    fn a_client_that_does_not_take_its_messages_is_put_out() {
        let mut exchange = Exchange::default();
        let (slow, mut queue) = exchange.join("slow");
        let (quick, mut other) = exchange.join("quick");
        assert!(exchange.subscribe(slow, "#", QoS::AtMostOnce));
        assert!(exchange.subscribe(quick, "hall/last", QoS::AtLeastOnce));
        for _ in 0..=WAITING_MESSAGES {
            exchange.publish(&message("hall/t2", "x"));
        }
        exchange.publish(&message("hall/last", "y"));
        let mut taken = 0;
        while queue.try_recv().is_ok() {
            taken += 1;
        }
        assert_eq!(taken, WAITING_MESSAGES);
        assert_eq!(queue.try_recv(), Err(mpsc::error::TryRecvError::Disconnected));
        assert_eq!(other.try_recv().unwrap().payload.as_ref(), b"y");
    }

    #[test]
    fn an_empty_retained_message_ends_the_keeping() {
        let mut exchange = Exchange::default();
        exchange.publish(&Publish { retain: true, ..message("hall/t2", "kept") });
        exchange.publish(&Publish { retain: true, ..message("hall/t2", "") });
        let (ticket, mut queue) = exchange.join("late");
        exchange.subscribe(ticket, "hall/+", QoS::AtLeastOnce);
        assert!(queue.try_recv().is_err());
    }

    #[test]
    fn one_message_chosen_by_two_filters_comes_once() {
        let mut exchange = Exchange::default();
        let (ticket, mut queue) = exchange.join("");
        exchange.subscribe(ticket, "hall/+", QoS::AtMostOnce);
        exchange.subscribe(ticket, "hall/#", QoS::AtLeastOnce);
        exchange.publish(&message("hall/t2", "once"));
        assert_eq!(queue.try_recv().unwrap().qos, QoS::AtLeastOnce);
        assert!(queue.try_recv().is_err());
    }
}
