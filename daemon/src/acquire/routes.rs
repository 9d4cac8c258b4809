//! From a topic to the meters that listen to it.

use super::filter::fit;
use kvarden_config::{MqttSpec, Qos};
use std::collections::HashMap;

/// Topics whose way is remembered. Each belongs to a meter, but a `#` lets a meter have any number.
const MOST_KNOWN: usize = 8192;

/// A part of one meter: all of its values, or those of one topic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Ear {
    pub(super) meter: usize,
    pub(super) part: usize,
}

/// One filter that is subscribed to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Subscription {
    /// The filter.
    pub filter: Box<str>,
    /// As the meter that asks for most wants it.
    pub qos: Qos,
}

/// Where the messages of a topic go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Way {
    /// To some of the ears.
    To { first: usize, end: usize },
    /// A filter of ours takes it in, but no meter bears its name.
    Stranger,
    /// No filter of ours takes it in.
    Nowhere,
}

/// All ways.
#[derive(Debug, Default)]
pub(super) struct Routes {
    subscriptions: Vec<Subscription>,
    /// Which meters share each subscription.
    meters: Vec<Vec<Wanted>>,
    /// Topic to a range of `ears`.
    known: HashMap<Box<str>, (usize, usize)>,
    ears: Vec<Ear>,
}

#[derive(Debug)]
struct Wanted {
    meter: usize,
    named: Option<Box<str>>,
    /// The rests of the topics of its parts; empty: it has one part, on every topic.
    rests: Vec<Box<str>>,
}

impl Routes {
    /// Adds a meter; `rests` are the topics of its parts.
    pub(super) fn add(&mut self, meter: usize, spec: &MqttSpec, qos: Qos, rests: Vec<Box<str>>) {
        let at = self.subscriptions.iter().position(|known| *known.filter == *spec.topic);
        let at = at.unwrap_or_else(|| {
            self.subscriptions.push(Subscription { filter: spec.topic.as_str().into(), qos });
            self.meters.push(Vec::new());
            self.meters.len() - 1
        });
        let subscription = &mut self.subscriptions[at];
        subscription.qos = subscription.qos.max(qos);
        let named = spec.named.as_deref().map(Into::into);
        self.meters[at].push(Wanted { meter, named, rests });
    }

    /// What to subscribe to: each distinct filter once.
    pub(super) fn subscriptions(&self) -> &[Subscription] {
        &self.subscriptions
    }

    /// Where a topic goes. Worked out once for each topic and remembered.
    pub(super) fn way(&mut self, topic: &str) -> Way {
        if let Some(&(first, end)) = self.known.get(topic) {
            return Way::To { first, end };
        }
        let mut taken_in = false;
        let mut found = Vec::new();
        for (subscription, meters) in self.subscriptions.iter().zip(&self.meters) {
            let Some(fit) = fit(&subscription.filter, topic) else { continue };
            taken_in = true;
            for wanted in meters {
                if wanted.named.is_some() && wanted.named.as_deref() != fit.name {
                    continue;
                }
                if wanted.rests.is_empty() {
                    found.push(Ear { meter: wanted.meter, part: 0 });
                } else if let Some(part) = wanted.rests.iter().position(|rest| Some(&**rest) == fit.rest) {
                    found.push(Ear { meter: wanted.meter, part });
                }
            }
        }
        if found.is_empty() {
            return if taken_in { Way::Stranger } else { Way::Nowhere };
        }
        if self.known.len() >= MOST_KNOWN {
            self.known.clear();
            self.ears.clear();
        }
        let first = self.ears.len();
        self.ears.append(&mut found);
        self.known.insert(topic.into(), (first, self.ears.len()));
        Way::To { first, end: self.ears.len() }
    }

    /// One of the ears of a way.
    pub(super) fn ear(&self, at: usize) -> Ear {
        self.ears[at]
    }

    /// The meters that share a filter.
    pub(super) fn meters_of(&self, filter: &str) -> impl Iterator<Item = usize> {
        let at = self.subscriptions.iter().position(|known| &*known.filter == filter);
        at.into_iter().flat_map(|at| &self.meters[at]).map(|wanted| wanted.meter)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spec(topic: &str, named: Option<&str>) -> MqttSpec {
        MqttSpec {
            topic: topic.to_owned(),
            named: named.map(str::to_owned),
            qos: None,
            readings: None,
            quoted: false,
            time: None,
            points: Vec::new(),
        }
    }

    fn to(routes: &mut Routes, topic: &str) -> Option<Vec<(usize, usize)>> {
        match routes.way(topic) {
            Way::To { first, end } => {
                Some((first..end).map(|at| (routes.ear(at).meter, routes.ear(at).part)).collect())
            }
            _ => None,
        }
    }

    #[test]
    fn meters_that_share_a_filter_share_one_subscription_and_take_each_their_own() {
        let mut routes = Routes::default();
        routes.add(0, &spec("cannery/+/values", Some("mp3")), Qos::AtMostOnce, vec![]);
        routes.add(1, &spec("cannery/+/values", Some("mp4")), Qos::AtLeastOnce, vec![]);
        routes.add(2, &spec("cannery/mp4/values", None), Qos::AtMostOnce, vec![]);
        let asked: Vec<_> = routes.subscriptions().iter().map(|one| (&*one.filter, one.qos)).collect();
        assert_eq!(asked, [("cannery/+/values", Qos::AtLeastOnce), ("cannery/mp4/values", Qos::AtMostOnce)]);
        for _ in 0..2 {
            assert_eq!(to(&mut routes, "cannery/mp3/values"), Some(vec![(0, 0)]));
            assert_eq!(to(&mut routes, "cannery/mp4/values"), Some(vec![(1, 0), (2, 0)]));
        }
        assert_eq!(routes.way("cannery/mp5/values"), Way::Stranger);
        assert_eq!(routes.way("cannery/mp5"), Way::Nowhere);
    }

    #[test]
    fn a_topic_for_each_value_leads_to_its_part() {
        let mut routes = Routes::default();
        routes.add(
            0,
            &spec("cannery/+/#", Some("mp3")),
            Qos::AtMostOnce,
            vec!["amps/a".into(), "amps/b".into()],
        );
        assert_eq!(to(&mut routes, "cannery/mp3/amps/b"), Some(vec![(0, 1)]));
        assert_eq!(routes.way("cannery/mp3/amps"), Way::Stranger);
    }

    /// Seen to fail without the bound.
    #[test]
    fn any_number_of_topics_takes_a_bounded_memory() {
        let mut routes = Routes::default();
        routes.add(0, &spec("a/#", None), Qos::AtMostOnce, vec![]);
        for number in 0..2 * MOST_KNOWN {
            assert_eq!(to(&mut routes, &format!("a/{number}")), Some(vec![(0, 0)]));
        }
        assert!(routes.known.len() <= MOST_KNOWN && routes.ears.len() <= MOST_KNOWN);
    }
}
