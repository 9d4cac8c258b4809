//! One Modbus TCP connection: asks one question at a time and takes only its answer.
//!
//! A connection ends with an answer that is late or odd and a new one is made: what comes late can't be taken for the
//! answer to a later question. No keep-alive of the transport is set: each question has a deadline, so a dead peer
//! is found by the next poll, and between polls nobody waits for it.

use super::backoff::{Backoff, SHORTEST_WAIT};
use super::frame::{LONGEST_FRAME, Misfit, Parsed, Question};
use crate::world::{Dial, Wire};
use std::fmt;
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::time::{Instant, sleep_until, timeout};

/// How long a connection may take to be made; a meter in the same building needs a few milliseconds.
const CONNECT_DEADLINE: Duration = Duration::from_secs(3);

/// Why a poll gave no values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// There is no connection, so nothing was asked.
    NoLine,
    /// No answer before the deadline.
    Late,
    /// Bytes that are not the answer.
    Odd(Misfit),
    /// The other side ended the connection.
    Closed,
    /// The meter or gateway answered with an exception of this code.
    Exception(u8),
    /// The device has no such SunSpec model, or no models at all.
    NoModel,
    /// The model is being looked for; no fault.
    Looking,
}

impl Fault {
    /// A short fixed phrase for people.
    pub fn phrase(self) -> &'static str {
        match self {
            Self::NoLine => "no connection",
            Self::Late => "no answer in time",
            Self::Odd(misfit) => misfit.phrase(),
            Self::Closed => "connection ended by the other side",
            Self::Exception(1..=3) => "meter map wrong",
            Self::Exception(4) => "meter reports a failure",
            Self::Exception(5) => "meter needs more time",
            Self::Exception(6) => "meter is busy",
            Self::Exception(8) => "meter reports a memory error",
            Self::Exception(10) => "gateway has no path to the meter",
            Self::Exception(11) => "gateway got no answer from the meter",
            Self::Exception(_) => "exception of unknown code",
            Self::NoModel => "SunSpec model not found",
            Self::Looking => "SunSpec model is being looked for",
        }
    }
}

impl Fault {
    /// Whether it says that the meter does not have what its map names.
    pub(super) fn is_of_the_map(self) -> bool {
        matches!(self, Self::Exception(1..=3) | Self::NoModel)
    }
}

/// The connection to one `host:port`, open or not.
pub struct Line {
    dial: Rc<dyn Dial>,
    address: Box<str>,
    open: Option<Box<dyn Wire>>,
    frame: Box<[u8; LONGEST_FRAME + 1]>,
    /// Number of the last question.
    transaction: u16,
    /// Whether the present connection has given an answer.
    answered: bool,
    last_dial: Option<Instant>,
    /// No new connection before.
    not_before: Instant,
    backoff: Backoff,
}

impl fmt::Debug for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Line")
            .field("address", &self.address)
            .field("open", &self.open.is_some())
            .finish_non_exhaustive()
    }
}

impl Line {
    /// Not open yet.
    pub fn new(dial: Rc<dyn Dial>, address: &str) -> Self {
        Self {
            dial,
            address: address.into(),
            open: None,
            // One byte more than any frame, so that one that is too long shows.
            frame: Box::new([0; LONGEST_FRAME + 1]),
            transaction: 0,
            answered: false,
            last_dial: None,
            not_before: Instant::now(),
            backoff: Backoff::new(("line", address)),
        }
    }

    /// When a new connection could be made if the present one, or the one that would have to be made now, were lost.
    pub(super) fn relink_at(&self, now: Instant) -> Instant {
        let dialled = if self.open.is_some() { self.last_dial.unwrap_or(now) } else { now };
        dialled + SHORTEST_WAIT
    }

    /// When the last connection was asked for.
    pub(super) fn last_dial(&self) -> Option<Instant> {
        self.last_dial
    }

    /// Asks one question; its answer comes within `deadline` or not at all, and fills the front of `values`. Gives
    /// when the question was sent: the values are not older than that.
    ///
    /// # Errors
    /// Why there is no answer. Some meters end a connection that was idle for a while: that alone is no error, a new
    /// one is made and the question asked again.
    pub async fn ask(
        &mut self,
        question: Question,
        deadline: Duration,
        values: &mut [u16],
    ) -> Result<Instant, Fault> {
        let was_idle = self.answered;
        match self.ask_once(question, deadline, values).await {
            Err(Fault::Closed) if was_idle && self.not_before <= Instant::now() => {
                self.ask_once(question, deadline, values).await
            }
            other => other,
        }
    }

    async fn ask_once(
        &mut self,
        question: Question,
        deadline: Duration,
        values: &mut [u16],
    ) -> Result<Instant, Fault> {
        // Taken out, and put back only after a whole answer: however this ends, a spoilt connection is gone.
        let mut wire = self.connected(deadline).await?;
        self.transaction = self.transaction.wrapping_add(1);
        let asked = Instant::now();
        let exchange = exchange(&mut *wire, question, self.transaction, &mut self.frame[..], values);
        let result = timeout(deadline, exchange).await.unwrap_or(Err(Fault::Late));
        match result {
            Ok(()) | Err(Fault::Exception(_)) => {
                self.open = Some(wire);
                self.answered = true;
                self.backoff.clear();
            }
            Err(fault) => {
                // Ended before a new one is asked for: some devices have room for one only.
                drop(wire);
                self.ended(fault);
            }
        }
        result.map(|()| asked)
    }

    /// The open connection, or a new one if it is time for one, or will be within `patience`.
    async fn connected(&mut self, patience: Duration) -> Result<Box<dyn Wire>, Fault> {
        if let Some(wire) = self.open.take() {
            return Ok(wire);
        }
        let now = Instant::now();
        if self.not_before > now + patience {
            return Err(Fault::NoLine);
        }
        sleep_until(self.not_before).await;
        self.last_dial = Some(Instant::now());
        self.answered = false;
        if let Ok(Ok(wire)) = timeout(CONNECT_DEADLINE, self.dial.dial(&self.address)).await {
            return Ok(wire);
        }
        self.not_before = Instant::now() + self.backoff.failed();
        Err(Fault::NoLine)
    }

    /// The connection ended. If it never gave an answer and the other side ended it, the waits grow; else the next
    /// one may be made at once, but not twice in a second. (How often a silent unit is asked is the queue's affair.)
    fn ended(&mut self, fault: Fault) {
        let earliest = self.last_dial.map_or(self.not_before, |at| at + SHORTEST_WAIT);
        let grows = fault == Fault::Closed && !self.answered;
        self.not_before = if grows { earliest.max(Instant::now() + self.backoff.failed()) } else { earliest };
    }
}

/// One question and its answer over an open connection. Never reads more than one frame and a byte.
async fn exchange(
    wire: &mut dyn Wire,
    question: Question,
    transaction: u16,
    frame: &mut [u8],
    values: &mut [u16],
) -> Result<(), Fault> {
    // The kind of a system error says nothing more: the connection is of no use any longer.
    wire.write_all(&question.frame(transaction)).await.map_err(|_| Fault::Closed)?;
    let mut length = 0;
    loop {
        match wire.read(&mut frame[length..]).await {
            Ok(0) | Err(_) => return Err(Fault::Closed),
            Ok(more) => length += more,
        }
        match question.parse(transaction, &frame[..length], values) {
            Parsed::Partial => {}
            Parsed::Values => return Ok(()),
            Parsed::Exception(code) => return Err(Fault::Exception(code)),
            Parsed::Misfit(misfit) => return Err(Fault::Odd(misfit)),
        }
    }
}
