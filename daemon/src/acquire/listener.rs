//! One meter that tells its values: what of a message is taken now, what is held back a moment, what is refused.
//!
//! Held back is for two reasons. Where each value has a topic of its own, the values of one moment are gathered into one
//! reading. And where a meter floods, only its newest reading is taken, when its pace allows it.

use super::intake::{Message, ToldMeter};
use super::pace::Pace;
use super::payload::{PayloadReader, Refusal, Told};
use super::pointer::BadPointer;
use super::trouble::Trouble;
use crate::world::Sink;
use kvarden_core::input::MeterTrouble;
use kvarden_core::reading::{MeterId, Sample};
use kvarden_core::time::{EventTime, Span};

/// A retained message counts only if its own time is no older than so many intervals of the meter. What is older than
/// that was kept somewhere, and is not slowed down when it comes in a burst.
const RECENT_INTERVALS: i64 = 3;
/// Values that one formula combines lie no further apart than this.
const GATHER: Span = Span(500);
/// What is counted for each reading of a flood that was passed over.
const TOO_QUICK: &str = "told too quickly: only the newest was taken";
/// What is counted for a message that the broker kept from before.
const OLD: &str = "old retained value";
/// What is counted for a message of which nobody can say of when it is, nor whether it was taken before.
const AGAIN: &str = "sent again, without a time of its own";

/// Numbers for readings that are held back, and what became of them.
#[derive(Debug, Default)]
pub(super) struct Tickets {
    last: u64,
    /// Those that the message at hand waits for.
    pub(super) open: Vec<u64>,
    /// Ticket and number of the input that it became.
    pub(super) handed_over: Vec<(u64, u64)>,
}

/// One meter.
#[derive(Debug)]
pub(super) struct Listener {
    meter: MeterId,
    every: Span,
    parts: Box<[PayloadReader]>,
    trouble: Trouble,
    pace: Pace,
    values: Box<[Sample]>,
    held: Option<Held>,
    /// Which parts have told what is held.
    told: Box<[bool]>,
    /// What is held, when it is not gathered in `values`.
    newest: Box<[Sample]>,
    /// Whether the broker does not let us read it.
    refused: bool,
}

#[derive(Debug)]
struct Held {
    ticket: u64,
    at: Option<EventTime>,
    since: EventTime,
}

impl Listener {
    /// Compiles the map of a meter; gives also the topics of its parts, which are none if it has but one.
    pub(super) fn new(told: &ToldMeter) -> Result<(Self, Vec<Box<str>>), BadPointer> {
        let spec = &told.spec;
        let mut rests: Vec<Box<str>> = Vec::new();
        for rest in spec.points.iter().filter_map(|point| point.topic.as_deref()) {
            if !rests.iter().any(|known| **known == *rest) {
                rests.push(rest.into());
            }
        }
        let of_topic = |rest: &str| {
            let points = spec.points.iter().enumerate();
            let there = points.filter(|(_, point)| point.topic.as_deref() == Some(rest));
            PayloadReader::of_points(spec, there.collect::<Vec<_>>().into_iter())
        };
        let parts: Box<[_]> = if rests.is_empty() {
            Box::new([PayloadReader::new(spec)?])
        } else {
            rests.iter().map(|rest| of_topic(rest)).collect::<Result<_, _>>()?
        };
        let nothing: Box<[Sample]> = vec![Sample::ABSENT; spec.points.len()].into();
        let listener = Self {
            meter: told.meter,
            every: told.every,
            trouble: Trouble::new(told.meter, &told.name),
            pace: Pace::new(told.every),
            values: nothing.clone(),
            held: None,
            told: vec![false; parts.len()].into(),
            newest: nothing,
            refused: false,
            parts,
        };
        Ok((listener, rests))
    }

    /// Takes a message on the topic of a part. Gives the number of the last input that it became; readings that are
    /// held back have their tickets opened.
    pub(super) fn take(
        &mut self,
        sink: &dyn Sink,
        message: Message<'_>,
        part: usize,
        tickets: &mut Tickets,
    ) -> Option<u64> {
        let now = sink.now();
        if self.gathers() {
            return self.gather(sink, message, part, now, tickets);
        }
        let Self { meter, every, parts, trouble, pace, values, held, newest, .. } = self;
        let mut last = None;
        let each = |told: Result<Told, Refusal>, values: &mut [Sample]| {
            let told = match told {
                Ok(told) => told,
                Err(refusal) => {
                    sink.refused_payload(*meter, message.topic, message.payload);
                    return trouble.add(sink, refusal.phrase());
                }
            };
            let recent = told.at.is_some_and(|at| now - at <= every.times(RECENT_INTERVALS));
            if message.retained && !recent {
                return trouble.add(sink, OLD);
            }
            if message.again && told.at.is_none() {
                return trouble.add(sink, AGAIN);
            }
            if told.not_numbers > 0 {
                sink.refused_payload(*meter, message.topic, message.payload);
                trouble.add(sink, "a value that is not a number");
            } else {
                trouble.over();
            }
            let kept_before = told.at.is_some() && !recent;
            if !kept_before {
                if !pace.allows(now) {
                    let held = match held {
                        Some(held) => {
                            trouble.add(sink, TOO_QUICK);
                            held.at = told.at;
                            held
                        }
                        None => held.insert(Held { ticket: tickets.next(), at: told.at, since: now }),
                    };
                    newest.copy_from_slice(values);
                    return tickets.open(held.ticket);
                }
                // This one is newer than what is held.
                if let Some(held) = held.take() {
                    trouble.add(sink, TOO_QUICK);
                    let number = sink.reading(*meter, told.at.unwrap_or(now), values);
                    tickets.handed_over.push((held.ticket, number));
                    last = Some(number);
                    return;
                }
            }
            last = Some(sink.reading(*meter, told.at.unwrap_or(now), values));
        };
        if let Err(refusal) = parts[part].read(message.payload, values, each) {
            sink.refused_payload(*meter, message.topic, message.payload);
            trouble.add(sink, refusal.phrase());
        }
        last
    }

    /// The broker lets us read it, or does not.
    pub(super) fn access(&mut self, sink: &dyn Sink, granted: bool) {
        if !granted {
            self.trouble.add(sink, "subscription refused by the broker");
        }
        if std::mem::replace(&mut self.refused, !granted) == granted {
            sink.meter_trouble(self.meter, MeterTrouble::NotAuthorised, !granted);
        }
    }

    /// Whether each message tells only some of the values.
    fn gathers(&self) -> bool {
        self.parts.len() > 1
    }

    /// Takes a message that tells some of the values.
    fn gather(
        &mut self,
        sink: &dyn Sink,
        message: Message<'_>,
        part: usize,
        now: EventTime,
        tickets: &mut Tickets,
    ) -> Option<u64> {
        // It has no time of its own.
        if message.retained || message.again {
            self.trouble.add(sink, if message.retained { OLD } else { AGAIN });
            return None;
        }
        let mut last = None;
        if self.told[part] {
            if self.pace.allows(now) {
                last = self.hand_over(sink, now, tickets);
            } else {
                self.trouble.add(sink, TOO_QUICK);
            }
        }
        let mut not_numbers = 0;
        let read = self.parts[part].read(message.payload, &mut self.values, |told, _| {
            not_numbers = told.map_or(0, |told| told.not_numbers);
        });
        if let Err(refusal) = read {
            sink.refused_payload(self.meter, message.topic, message.payload);
            self.trouble.add(sink, refusal.phrase());
            return last;
        }
        if not_numbers > 0 {
            sink.refused_payload(self.meter, message.topic, message.payload);
            self.trouble.add(sink, "a value that is not a number");
        } else {
            self.trouble.over();
        }
        self.told[part] = true;
        let ticket =
            self.held.get_or_insert_with(|| Held { ticket: tickets.next(), at: None, since: now }).ticket;
        if self.told.iter().all(|told| *told) && self.pace.allows(now) {
            return self.hand_over(sink, now, tickets);
        }
        tickets.open(ticket);
        last
    }

    /// Hands over what was held back long enough.
    pub(super) fn release(&mut self, sink: &dyn Sink, tickets: &mut Tickets) {
        let Some(held) = &self.held else { return };
        let now = sink.now();
        let due = !self.gathers() || now - held.since >= GATHER || self.told.iter().all(|told| *told);
        if due && self.pace.allows(now) {
            self.hand_over(sink, now, tickets);
        }
    }

    fn hand_over(&mut self, sink: &dyn Sink, now: EventTime, tickets: &mut Tickets) -> Option<u64> {
        let held = self.held.take()?;
        let values = if self.gathers() { &mut self.values } else { &mut self.newest };
        let number = sink.reading(self.meter, held.at.unwrap_or(now), values);
        values.fill(Sample::ABSENT);
        self.told.fill(false);
        tickets.handed_over.push((held.ticket, number));
        Some(number)
    }
}

impl Tickets {
    fn next(&mut self) -> u64 {
        self.last += 1;
        self.last
    }

    fn open(&mut self, ticket: u64) {
        if !self.open.contains(&ticket) {
            self.open.push(ticket);
        }
    }
}
