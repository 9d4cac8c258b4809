//! The seams: everything outside that the daemon touches, each with a real and a simulated body.
//!
//! Clock, dial (any byte stream), courier (any way of telling a person) and keeper (the store). The whole daemon
//! runs over these four, so a simulated day of it takes seconds.

use crate::store::Letter;
use kvarden_core::input::{MeterTrouble, Part};
use kvarden_core::reading::{MeterId, Sample};
use kvarden_core::time::{EventTime, Span};
use std::fmt::Debug;
use std::future::Future;
use std::io;
use std::pin::Pin;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::sync::watch;

/// A future that stays on its thread: the daemon has one runtime thread.
pub type Here<'a, T> = Pin<Box<dyn Future<Output = T> + 'a>>;

/// Any byte stream.
pub trait Wire: AsyncRead + AsyncWrite + Unpin + Send + Debug {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send + Debug> Wire for T {}

/// Opens byte streams to `host:port`. The caller sets the deadline.
pub trait Dial {
    /// Opens one.
    fn dial<'a>(&'a self, address: &'a str) -> Here<'a, io::Result<Box<dyn Wire>>>;
}

/// TCP without delay.
#[derive(Debug, Clone, Copy, Default)]
pub struct TcpDial;

impl Dial for TcpDial {
    fn dial<'a>(&'a self, address: &'a str) -> Here<'a, io::Result<Box<dyn Wire>>> {
        Box::pin(async move {
            let stream = TcpStream::connect(address).await?;
            stream.set_nodelay(true)?;
            Ok(Box::new(stream) as Box<dyn Wire>)
        })
    }
}

/// Where acquisition hands over what it read. Never waits, never fails: what can't be taken is counted.
pub trait Sink {
    /// Hands over the values of one meter, one per point. Gives the number of the stored input: the message may
    /// be acknowledged to its sender once [`Sink::committed`] has reached it.
    fn reading(&self, meter: MeterId, at: EventTime, values: &[Sample]) -> u64;

    /// Says that a part works, or does not.
    fn part(&self, part: Part, works: bool);

    /// Says that a meter is in trouble, or no longer is. Saying again what holds already changes nothing.
    fn meter_trouble(&self, meter: MeterId, trouble: MeterTrouble, holds: bool);

    /// Steady time on the scale of event time.
    fn now(&self) -> EventTime;

    /// The number of the last input that is stored for good.
    fn committed(&self) -> watch::Receiver<u64>;

    /// Says that a sender waits until the last reading is stored.
    fn await_commit(&self);

    /// Hands over a message of a meter that could not be read, of which a part is kept to be shown.
    fn refused_payload(&self, meter: MeterId, topic: &str, bytes: &[u8]);

    /// Counts something that went wrong at the door, to be shown with the meter's state. `what` is a short
    /// fixed phrase, such as "no answer in time".
    fn trouble(&self, meter: MeterId, what: &'static str);

    /// Says how long an event must last at least to be seen by this meter, as was learned from its registers.
    fn shortest_event(&self, meter: MeterId, lasts: Span);

    /// Counts a message on a topic that is subscribed to but belongs to no meter.
    fn stranger(&self, topic: &str);
}

/// A way of telling people. Holds no rule of its own about whom or when.
pub trait Courier {
    /// Its name among the plant's channels.
    fn channel(&self) -> &'static str;

    /// Sends one letter. Returns only when it is delivered, refused, or a bounded time is over.
    fn send<'a>(&'a mut self, letter: &'a Letter) -> Here<'a, Outcome>;

    /// What the other side said when it took the last letter, where it says anything.
    fn said(&self) -> Option<String> {
        None
    }
}

/// What became of a letter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// The other side has it.
    Delivered,
    /// Not now; the same letter is tried again.
    TryLater(String),
    /// Never: the other side refuses this letter for good.
    Refused(String),
}
