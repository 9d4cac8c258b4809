//! MQTT messages to readings: which meters a topic belongs to, what is too old to count, what is refused.

use super::payload::PayloadReader;
use super::pointer::BadPointer;
use super::trouble::Trouble;
use crate::world::Sink;
use kvarden_config::MqttSpec;
use kvarden_core::reading::{MeterId, Sample};
use kvarden_core::time::Span;
use std::collections::HashMap;
use std::rc::Rc;

/// A retained message counts only if its own time is no older than so many intervals of the meter.
const RETAINED_INTERVALS: i64 = 3;

/// A meter that tells its values by MQTT.
#[derive(Debug, Clone)]
pub struct ToldMeter {
    /// Its place in the plan.
    pub meter: MeterId,
    /// Its name, for the log.
    pub name: String,
    /// How often it gives values.
    pub every: Span,
    /// Where they are told.
    pub spec: MqttSpec,
}

/// One message as received.
#[derive(Debug, Clone, Copy)]
pub struct Message<'a> {
    /// Its topic.
    pub topic: &'a str,
    /// What it says.
    pub payload: &'a [u8],
    /// Kept by the broker from before, not told just now.
    pub retained: bool,
}

/// Takes messages and hands over readings.
pub struct Intake {
    sink: Rc<dyn Sink>,
    topics: Vec<Box<str>>,
    /// Which meters listen to which of the topics.
    listeners: HashMap<Box<str>, Vec<usize>>,
    meters: Vec<Listener>,
    values: Vec<Sample>,
    /// Number of the last input that was handed over.
    last: u64,
}

struct Listener {
    meter: MeterId,
    every: Span,
    reader: PayloadReader,
    trouble: Trouble,
}

impl Intake {
    /// Compiles the maps of the meters.
    ///
    /// # Errors
    /// A pointer that is none; the configuration lets none through.
    pub fn new(sink: Rc<dyn Sink>, meters: &[ToldMeter]) -> Result<Self, BadPointer> {
        let (mut topics, mut listeners) = (Vec::new(), HashMap::<Box<str>, Vec<usize>>::new());
        let mut compiled = Vec::with_capacity(meters.len());
        for (at, told) in meters.iter().enumerate() {
            let topic: Box<str> = told.spec.topic.as_str().into();
            if !listeners.contains_key(&topic) {
                topics.push(topic.clone());
            }
            listeners.entry(topic).or_default().push(at);
            let trouble = Trouble::new(told.meter, &told.name);
            let reader = PayloadReader::new(&told.spec)?;
            compiled.push(Listener { meter: told.meter, every: told.every, reader, trouble });
        }
        let most = compiled.iter().map(|listener| listener.reader.points()).max().unwrap_or(0);
        Ok(Self { sink, topics, listeners, meters: compiled, values: vec![Sample::ABSENT; most], last: 0 })
    }

    /// The topics to subscribe to, each once.
    pub fn topics(&self) -> &[Box<str>] {
        &self.topics
    }

    /// Says that a sender waits until what was taken is stored.
    pub fn await_commit(&self) {
        self.sink.await_commit();
    }

    /// Takes one message. Gives the number of the stored input that must be committed before the message is
    /// acknowledged, so that acknowledgements keep the order of the messages; a refused message is acknowledged
    /// too, or it would come for ever. `None`: no meter listens to the topic.
    pub fn take(&mut self, message: Message<'_>) -> Option<u64> {
        let listeners = self.listeners.get(message.topic)?;
        for &at in listeners {
            let listener = &mut self.meters[at];
            let values = &mut self.values[..listener.reader.points()];
            if let Some(number) = listener.take(&*self.sink, message, values) {
                self.last = number;
            }
        }
        Some(self.last)
    }

    /// Counts a trouble for each meter that listens to the topic.
    pub fn trouble(&mut self, topic: &str, what: &'static str) {
        for &at in self.listeners.get(topic).into_iter().flatten() {
            self.meters[at].trouble.add(&*self.sink, what);
        }
    }
}

impl Listener {
    fn take(&mut self, sink: &dyn Sink, message: Message<'_>, values: &mut [Sample]) -> Option<u64> {
        let told = match self.reader.read(message.payload, values) {
            Ok(told) => told,
            Err(refusal) => {
                self.trouble.add(sink, refusal.phrase());
                return None;
            }
        };
        let now = sink.now();
        let recent = |at| now - at <= self.every.times(RETAINED_INTERVALS);
        if message.retained && !told.at.is_some_and(recent) {
            self.trouble.add(sink, "old retained value");
            return None;
        }
        if told.not_numbers > 0 {
            self.trouble.add(sink, "a value that is not a number");
        } else {
            self.trouble.over();
        }
        Some(sink.reading(self.meter, told.at.unwrap_or(now), values))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::notebook::Notebook;
    use kvarden_config::{JsonPoint, TimeField, TimeForm};

    fn meter(number: u32, topic: &str, pointer: &str, timed: bool) -> ToldMeter {
        let points = vec![JsonPoint { pointer: pointer.to_owned(), scale: 1.0, offset: 0.0 }];
        let time = timed.then(|| TimeField { pointer: "/t".to_owned(), form: TimeForm::UnixMillis });
        let spec = MqttSpec { topic: topic.to_owned(), time, points };
        ToldMeter { meter: MeterId(number), name: format!("MP-{number}"), every: Span::seconds(1), spec }
    }

    fn intake(meters: &[ToldMeter]) -> (Rc<Notebook>, Intake) {
        let notebook = Rc::new(Notebook::at(100_000));
        (notebook.clone(), Intake::new(notebook, meters).unwrap())
    }

    fn fresh<'a>(topic: &'a str, payload: &'a str) -> Message<'a> {
        Message { topic, payload: payload.as_bytes(), retained: false }
    }

    #[tokio::test(start_paused = true)]
    async fn meters_that_share_a_topic_take_each_their_own() {
        let (notebook, mut intake) = intake(&[meter(0, "a", "/x", false), meter(1, "a", "/y", false)]);
        assert_eq!(intake.topics(), ["a".into()]);
        assert_eq!(intake.take(fresh("a", r#"{"x":1,"y":2}"#)), Some(2));
        assert_eq!(notebook.readings(), ["0 at 100000: 1", "1 at 100000: 2"]);
        assert_eq!(intake.take(fresh("b", "{}")), None, "nobody listens");
    }

    #[tokio::test(start_paused = true)]
    async fn a_reading_has_the_time_of_its_payload() {
        let (notebook, mut intake) = intake(&[meter(0, "a", "/x", true)]);
        intake.take(fresh("a", r#"{"x":1,"t":99123}"#));
        assert_eq!(notebook.readings(), ["0 at 99123: 1"]);
    }

    #[tokio::test(start_paused = true)]
    async fn a_retained_message_counts_only_with_a_recent_time_of_its_own() {
        let (notebook, mut intake) = intake(&[meter(0, "a", "/x", true), meter(1, "b", "/x", false)]);
        let retained = |topic, payload| Message { retained: true, ..fresh(topic, payload) };
        intake.take(retained("a", r#"{"x":1,"t":97000}"#));
        assert_eq!(intake.take(retained("a", r#"{"x":2,"t":96999}"#)), Some(1), "acknowledged all the same");
        intake.take(retained("b", r#"{"x":3}"#));
        assert_eq!(notebook.readings(), ["0 at 97000: 1"]);
        assert_eq!(notebook.troubles(), ["0: old retained value", "1: old retained value"]);
    }

    #[tokio::test(start_paused = true)]
    async fn garbage_is_counted_and_acknowledged_in_its_turn() {
        let (notebook, mut intake) = intake(&[meter(0, "a", "/x", false)]);
        assert_eq!(intake.take(fresh("a", r#"{"x":1}"#)), Some(1));
        assert_eq!(intake.take(fresh("a", "{\"x\":")), Some(1));
        assert_eq!(intake.take(fresh("a", r#"{"x":"1,5"}"#)), Some(2));
        assert_eq!(notebook.readings(), ["0 at 100000: 1", "0 at 100000: -"]);
        assert_eq!(notebook.troubles(), ["0: payload refused: not JSON", "0: a value that is not a number"]);
    }
}
