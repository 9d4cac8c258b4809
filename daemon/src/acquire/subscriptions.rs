//! Which filters were asked for, and what the broker said to each.

use super::routes::Subscription;
use kvarden_config::Qos;
use rumqttc::{AsyncClient, QoS, SubAck, SubscribeFilter, SubscribeReasonCode};
use std::collections::VecDeque;
use std::time::Duration;

/// Topics asked for in one request: it stays far below the largest packet that brokers take.
const TOPICS_A_REQUEST: usize = 32;

/// The subscriptions of one connection.
#[derive(Debug)]
pub(super) struct Subscriptions {
    topics: Vec<(Subscription, Standing)>,
    /// Requests that wait in the client library, as the topics that they ask for.
    queued: VecDeque<Vec<usize>>,
    /// Requests that were sent and not answered.
    open: VecDeque<(u16, Vec<usize>)>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Standing {
    NotAnswered,
    Granted,
    Refused,
}

impl Subscriptions {
    /// How soon a refused topic is asked for again: someone must change the broker's access list, so not soon.
    pub(super) const RETRY: Duration = Duration::from_mins(1);

    pub(super) fn new(topics: &[Subscription]) -> Self {
        let topics = topics.iter().map(|topic| (topic.clone(), Standing::NotAnswered)).collect();
        Self { topics, queued: VecDeque::new(), open: VecDeque::new() }
    }

    /// How many requests it takes to ask for all.
    pub(super) fn requests(&self) -> usize {
        self.topics.len().div_ceil(TOPICS_A_REQUEST)
    }

    /// Asks for all topics. Done at each connection: a broker that says that it knows us may still have lost some.
    pub(super) fn ask_all(&mut self, client: &AsyncClient) {
        self.ask(client, &(0..self.topics.len()).collect::<Vec<_>>());
    }

    /// Asks again for what was refused.
    pub(super) fn ask_refused(&mut self, client: &AsyncClient) {
        let refused =
            |(at, (_, standing)): (usize, &(_, Standing))| (*standing == Standing::Refused).then_some(at);
        let refused: Vec<usize> = self.topics.iter().enumerate().filter_map(refused).collect();
        self.ask(client, &refused);
    }

    fn ask(&mut self, client: &AsyncClient, topics: &[usize]) {
        for request in topics.chunks(TOPICS_A_REQUEST) {
            let filter = |&at: &usize| {
                let asked = &self.topics[at].0;
                let qos = match asked.qos {
                    Qos::AtMostOnce => QoS::AtMostOnce,
                    Qos::AtLeastOnce => QoS::AtLeastOnce,
                };
                SubscribeFilter::new(asked.filter.to_string(), qos)
            };
            if client.try_subscribe_many(request.iter().map(filter).collect::<Vec<_>>()).is_ok() {
                self.queued.push_back(request.to_vec());
            }
        }
    }

    /// The client library sent the next request, under this packet id.
    pub(super) fn sent(&mut self, id: u16) {
        if let Some(topics) = self.queued.pop_front() {
            self.open.push_back((id, topics));
        }
    }

    /// The broker answered. `tell` is called for each filter with whether it is granted.
    pub(super) fn answered(&mut self, answer: &SubAck, mut tell: impl FnMut(&str, bool)) {
        let Some(at) = self.open.iter().position(|(id, _)| *id == answer.pkid) else { return };
        let Some((_, topics)) = self.open.remove(at) else { return };
        for (nth, at) in topics.into_iter().enumerate() {
            let (topic, standing) = &mut self.topics[at];
            let granted = matches!(answer.return_codes.get(nth), Some(SubscribeReasonCode::Success(_)));
            *standing = if granted { Standing::Granted } else { Standing::Refused };
            tell(&topic.filter, granted);
        }
    }

    /// Whether the broker has granted anything, once it has answered everything.
    pub(super) fn standing(&self) -> Option<bool> {
        let all = self.topics.iter().all(|(_, standing)| *standing != Standing::NotAnswered);
        all.then(|| self.topics.iter().any(|(_, standing)| *standing == Standing::Granted))
    }

    /// Leaves a topic that an earlier configuration had and whose subscription the broker still keeps. If the
    /// request finds no room, the next message tries again.
    pub(super) fn leave(client: &AsyncClient, topic: &str) {
        if client.try_unsubscribe(topic).is_ok() {
            tracing::info!(?topic, "no meter listens to this topic: subscription left");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rumqttc::MqttOptions;

    /// Seen to fail when all were asked for again, and when none was.
    #[test]
    fn what_was_refused_is_asked_for_again_and_nothing_else() {
        let topic = |filter: &str| Subscription { filter: filter.into(), qos: Qos::AtLeastOnce };
        let mut subscriptions = Subscriptions::new(&[topic("a"), topic("b"), topic("c")]);
        let (client, _events) = AsyncClient::new(MqttOptions::new("x", "localhost", 1883), 8);
        subscriptions.ask_all(&client);
        assert_eq!(subscriptions.queued, [vec![0, 1, 2]]);
        subscriptions.ask_refused(&client);
        assert_eq!(subscriptions.queued.len(), 1, "what is not answered yet is not refused");
        subscriptions.sent(7);
        let granted = SubscribeReasonCode::Success(QoS::AtLeastOnce);
        let answer = |id, codes: &[SubscribeReasonCode]| SubAck::new(id, codes.to_vec());
        let mut told = Vec::new();
        // A code for the third is missing: that is no grant.
        subscriptions.answered(&answer(7, &[granted, SubscribeReasonCode::Failure]), |filter, granted| {
            told.push((filter.to_owned(), granted));
        });
        assert_eq!(told, [("a".to_owned(), true), ("b".to_owned(), false), ("c".to_owned(), false)]);
        subscriptions.ask_refused(&client);
        assert_eq!(subscriptions.queued, [vec![1, 2]]);
        subscriptions.sent(8);
        subscriptions.answered(&answer(8, &[granted, granted]), |_, granted| assert!(granted));
        subscriptions.ask_refused(&client);
        assert!(subscriptions.queued.is_empty() && subscriptions.standing() == Some(true));
    }
}
