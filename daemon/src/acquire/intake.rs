//! MQTT messages to readings: which meters a topic belongs to, and what a message must wait for.

use super::listener::{Listener, Tickets};
use super::pointer::BadPointer;
use super::routes::{Routes, Subscription, Way};
use crate::world::Sink;
use kvarden_config::{MqttSpec, Qos};
use kvarden_core::reading::MeterId;
use kvarden_core::time::Span;
use std::rc::Rc;

/// A meter that tells its values by MQTT.
#[derive(Debug, Clone, PartialEq)]
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
    /// Sent before and not acknowledged: it may have been taken and even stored then (MQTT 3.1.1 section 3.3.1.1).
    pub again: bool,
}

/// What became of a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Taken {
    /// This stored input must be committed before the message is acknowledged, so that acknowledgements keep the order
    /// of the messages; a refused message is acknowledged too, or it would come for ever.
    By(u64),
    /// The same, and the readings with [`Intake::open_tickets`] must be handed over.
    Held(u64),
    /// No subscription of ours takes in its topic.
    Foreign,
}

/// Takes messages and hands over readings.
pub struct Intake {
    sink: Rc<dyn Sink>,
    routes: Routes,
    meters: Vec<Listener>,
    tickets: Tickets,
    /// Number of the last input that was handed over.
    last: u64,
}

impl Intake {
    /// Compiles the maps of the meters; `qos` is for those that ask for none of their own.
    ///
    /// # Errors
    /// A pointer that is none; the configuration lets none through.
    pub fn new(sink: Rc<dyn Sink>, meters: &[ToldMeter], qos: Qos) -> Result<Self, BadPointer> {
        let mut routes = Routes::default();
        let mut compiled = Vec::with_capacity(meters.len());
        for (at, told) in meters.iter().enumerate() {
            let (listener, rests) = Listener::new(told)?;
            routes.add(at, &told.spec, told.spec.qos.unwrap_or(qos), rests);
            compiled.push(listener);
        }
        Ok(Self { sink, routes, meters: compiled, tickets: Tickets::default(), last: 0 })
    }

    /// What to subscribe to: each distinct filter once.
    pub fn subscriptions(&self) -> &[Subscription] {
        self.routes.subscriptions()
    }

    /// Says that a sender waits until what was taken is stored.
    pub fn await_commit(&self) {
        self.sink.await_commit();
    }

    /// Takes one message.
    pub fn take(&mut self, message: Message<'_>) -> Taken {
        self.tickets.open.clear();
        let (first, end) = match self.routes.way(message.topic) {
            Way::To { first, end } => (first, end),
            Way::Stranger => {
                self.sink.stranger(message.topic);
                return Taken::By(self.last);
            }
            Way::Nowhere => return Taken::Foreign,
        };
        for at in first..end {
            let ear = self.routes.ear(at);
            let number = self.meters[ear.meter].take(&*self.sink, message, ear.part, &mut self.tickets);
            self.last = number.unwrap_or(self.last);
        }
        if self.tickets.open.is_empty() { Taken::By(self.last) } else { Taken::Held(self.last) }
    }

    /// The tickets of the readings for which the message that was just taken waits.
    pub fn open_tickets(&self) -> &[u64] {
        &self.tickets.open
    }

    /// Hands over what was held back long enough.
    pub fn release(&mut self) {
        for meter in &mut self.meters {
            meter.release(&*self.sink, &mut self.tickets);
        }
    }

    /// Tickets, and the numbers of the inputs that they became, since this was last asked.
    pub fn handed_over(&mut self) -> impl Iterator<Item = (u64, u64)> {
        self.tickets.handed_over.drain(..)
    }

    /// The broker grants a filter, or does not, to the meters that share it.
    pub fn access(&mut self, filter: &str, granted: bool) {
        for at in self.routes.meters_of(filter) {
            self.meters[at].access(&*self.sink, granted);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::notebook::Notebook;
    use kvarden_config::{JsonPoint, TimeField, TimeForm};
    use std::time::Duration;

    fn meter(number: u32, topic: &str, pointer: &str, timed: bool) -> ToldMeter {
        let points = vec![JsonPoint {
            topic: None,
            pointer: pointer.to_owned(),
            scale: 1.0,
            offset: 0.0,
            flag: false,
        }];
        let time = timed.then(|| TimeField { pointer: "/t".to_owned(), form: TimeForm::UnixMillis });
        let (topic, readings, quoted) = (topic.to_owned(), None, false);
        let spec = MqttSpec { topic, named: None, qos: None, readings, quoted, time, points };
        ToldMeter { meter: MeterId(number), name: format!("MP-{number}"), every: Span::seconds(1), spec }
    }

    fn named(number: u32, topic: &str, name: &str) -> ToldMeter {
        let mut meter = meter(number, topic, "/x", false);
        meter.spec.named = Some(name.to_owned());
        meter
    }

    /// A meter with a topic for each of two values.
    fn plain(number: u32) -> ToldMeter {
        let mut meter = meter(number, "cannery/mp3/#", "", false);
        let point = |topic: &str| JsonPoint { topic: Some(topic.to_owned()), ..meter.spec.points[0].clone() };
        meter.spec.points = vec![point("amps/a"), point("amps/b")];
        meter
    }

    fn intake(meters: &[ToldMeter]) -> (Rc<Notebook>, Intake) {
        let notebook = Rc::new(Notebook::at(100_000));
        (notebook.clone(), Intake::new(notebook, meters, Qos::AtLeastOnce).unwrap())
    }

    fn fresh<'a>(topic: &'a str, payload: &'a str) -> Message<'a> {
        Message { topic, payload: payload.as_bytes(), retained: false, again: false }
    }

    async fn passes(milliseconds: u64) {
        tokio::time::advance(Duration::from_millis(milliseconds)).await;
    }

    #[tokio::test(start_paused = true)]
    async fn meters_that_share_a_topic_take_each_their_own() {
        let (notebook, mut intake) = intake(&[meter(0, "a", "/x", false), meter(1, "a", "/y", false)]);
        assert_eq!(intake.subscriptions().len(), 1);
        assert_eq!(intake.take(fresh("a", r#"{"x":1,"y":2}"#)), Taken::By(2));
        assert_eq!(notebook.readings(), ["0 at 100000: 1", "1 at 100000: 2"]);
        assert_eq!(intake.take(fresh("b", "{}")), Taken::Foreign, "nobody listens");
    }

    #[tokio::test(start_paused = true)]
    async fn the_part_of_a_topic_at_the_wildcard_names_the_meter() {
        let filter = "cannery/+/values";
        let (notebook, mut intake) = intake(&[named(0, filter, "mp3"), named(1, filter, "mp4")]);
        intake.take(fresh("cannery/mp4/values", r#"{"x":4}"#));
        intake.take(fresh("cannery/mp3/values", r#"{"x":3}"#));
        assert_eq!(intake.take(fresh("cannery/mp5/values", r#"{"x":5}"#)), Taken::By(2));
        assert_eq!(notebook.readings(), ["1 at 100000: 4", "0 at 100000: 3"]);
        assert_eq!(notebook.strangers(), ["cannery/mp5/values"]);
    }

    #[tokio::test(start_paused = true)]
    async fn values_of_one_moment_told_on_several_topics_become_one_reading() {
        let (notebook, mut intake) = intake(&[plain(0)]);
        assert_eq!(intake.take(fresh("cannery/mp3/amps/a", "50")), Taken::Held(0));
        assert_eq!(intake.open_tickets(), [1]);
        passes(100).await;
        assert_eq!(intake.take(fresh("cannery/mp3/amps/b", "51.5")), Taken::By(1));
        assert_eq!(intake.handed_over().collect::<Vec<_>>(), [(1, 1)]);
        assert_eq!(notebook.readings(), ["0 at 100100: 50 51.5"]);
    }

    /// Values that are half a second apart are not combined. Seen to fail without the check of the span.
    #[tokio::test(start_paused = true)]
    async fn values_that_lie_too_far_apart_are_readings_of_their_own() {
        let (notebook, mut intake) = intake(&[plain(0)]);
        intake.take(fresh("cannery/mp3/amps/a", "50"));
        passes(499).await;
        intake.release();
        assert!(notebook.readings().is_empty(), "the other may still come");
        passes(1).await;
        intake.release();
        intake.take(fresh("cannery/mp3/amps/b", "51.5"));
        intake.take(fresh("cannery/mp3/amps/b", "garbage"));
        passes(500).await;
        intake.release();
        // Told twice: the first of them was a reading of its own.
        let expected = ["0 at 100500: 50 -", "0 at 100500: - 51.5"];
        assert_eq!(notebook.readings()[..2], expected);
        assert_eq!(notebook.troubles(), ["0: payload refused: not JSON"]);
    }

    #[tokio::test(start_paused = true)]
    async fn a_reading_has_the_time_of_its_payload() {
        let (notebook, mut intake) = intake(&[meter(0, "a", "/x", true)]);
        intake.take(fresh("a", r#"{"x":1,"t":99123}"#));
        assert_eq!(notebook.readings(), ["0 at 99123: 1"]);
    }

    /// Seen to fail without the check of the time of a retained message.
    #[tokio::test(start_paused = true)]
    async fn a_retained_message_counts_only_with_a_recent_time_of_its_own() {
        let (notebook, mut intake) =
            intake(&[meter(0, "a", "/x", true), meter(1, "b", "/x", false), plain(2)]);
        let retained = |topic, payload| Message { retained: true, ..fresh(topic, payload) };
        intake.take(retained("a", r#"{"x":1,"t":97000}"#));
        assert_eq!(
            intake.take(retained("a", r#"{"x":2,"t":96999}"#)),
            Taken::By(1),
            "acknowledged all the same"
        );
        intake.take(retained("b", r#"{"x":3}"#));
        intake.take(retained("cannery/mp3/amps/a", "50"));
        assert_eq!(notebook.readings(), ["0 at 97000: 1"]);
        let expected = ["0: old retained value", "1: old retained value", "2: old retained value"];
        assert_eq!(notebook.troubles(), expected);
    }

    /// What has a time of its own is told apart by it, further on. Seen to fail without the check of `again`.
    #[tokio::test(start_paused = true)]
    async fn a_message_sent_again_counts_only_with_a_time_of_its_own() {
        let (notebook, mut intake) =
            intake(&[meter(0, "a", "/x", true), meter(1, "b", "/x", false), plain(2)]);
        let again = |topic, payload| Message { again: true, ..fresh(topic, payload) };
        intake.take(again("a", r#"{"x":1,"t":40000}"#));
        assert_eq!(intake.take(again("b", r#"{"x":3}"#)), Taken::By(1), "acknowledged all the same");
        intake.take(again("cannery/mp3/amps/a", "50"));
        assert_eq!(notebook.readings(), ["0 at 40000: 1"]);
        let what = "sent again, without a time of its own";
        assert_eq!(notebook.troubles(), [format!("1: {what}"), format!("2: {what}")]);
    }

    #[tokio::test(start_paused = true)]
    async fn garbage_is_counted_and_acknowledged_in_its_turn() {
        let (notebook, mut intake) = intake(&[meter(0, "a", "/x", false)]);
        assert_eq!(intake.take(fresh("a", r#"{"x":1}"#)), Taken::By(1));
        assert_eq!(intake.take(fresh("a", "{\"x\":")), Taken::By(1));
        assert_eq!(intake.take(fresh("a", r#"{"x":"1,5"}"#)), Taken::By(2));
        assert_eq!(notebook.readings(), ["0 at 100000: 1", "0 at 100000: -"]);
        assert_eq!(notebook.troubles(), ["0: payload refused: not JSON", "0: a value that is not a number"]);
    }

    /// Ten messages each millisecond for three seconds beside a quiet meter. Seen to fail without the pace.
    #[tokio::test(start_paused = true)]
    async fn of_a_flood_the_newest_of_each_meter_is_taken_and_the_loss_counted() {
        let (notebook, mut intake) = intake(&[meter(0, "a", "/x", false), meter(1, "b", "/x", true)]);
        let mut held = 0;
        for message in 0..30_000 {
            if message % 10 == 0 {
                passes(1).await;
            }
            if message % 500 == 0 {
                intake.release();
            }
            held +=
                u64::from(matches!(intake.take(fresh("a", &format!("{{\"x\":{message}}}"))), Taken::Held(_)));
            if message % 10_000 == 0 {
                let stamp = 100_000 + message / 10;
                intake.take(fresh("b", &format!("{{\"x\":{message},\"t\":{stamp}}}")));
            }
        }
        passes(50).await;
        intake.release();
        let noted = notebook.noted();
        let (flood, quiet): (Vec<_>, Vec<_>) = noted.iter().partition(|reading| reading.meter == 0);
        assert!((1000..1100).contains(&flood.len()), "{}", flood.len());
        assert_eq!(flood.last().unwrap().values, [Some(29_999.0)], "the newest wins");
        assert!(flood.is_sorted_by_key(|reading| reading.values[0].unwrap() as i64));
        assert_eq!(quiet.len(), 3, "the other meter loses nothing");
        let lost = notebook.troubles().len();
        assert_eq!(lost + flood.len(), 30_000, "each is taken or counted");
        assert!(held > 28_000);
        let handed_over = intake.handed_over().count();
        assert!(handed_over > 20, "{handed_over}");
    }

    /// What a broker kept for an hour comes at once; all of it is history, not a flood.
    #[tokio::test(start_paused = true)]
    async fn what_was_kept_while_we_were_away_is_taken_whole() {
        let (notebook, mut intake) = intake(&[meter(0, "a", "/x", true)]);
        for second in 0..3600 {
            intake.take(fresh("a", &format!("{{\"x\":1,\"t\":{}}}", 10 * second)));
        }
        assert_eq!(notebook.noted().len(), 3600);
        assert!(notebook.troubles().is_empty());
    }
}
