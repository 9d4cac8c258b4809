//! One Modbus TCP connection: the only file that knows the client library, and only two of its functions, 3 and 4,
//! so nothing here can write to a meter.
//!
//! The library does not recover from an answer that is late or odd, so the connection ends with it and a new one
//! is made: what comes late can't be taken for the answer to a later question.

use super::backoff::{Backoff, SHORTEST_WAIT};
use super::requests::{ReadPlan, ReadRequest};
use crate::world::Dial;
use kvarden_config::Registers;
use kvarden_core::reading::Sample;
use std::rc::Rc;
use std::time::Duration;
use std::{fmt, io};
use tokio::time::{Instant, sleep_until, timeout};
use tokio_modbus::client::{Client, Context, tcp};
use tokio_modbus::slave::{Slave, SlaveContext};
use tokio_modbus::{Error, ExceptionCode, Request, Response};

/// How long a connection may take to be made; a meter in the same building needs a few milliseconds.
const CONNECT_DEADLINE: Duration = Duration::from_secs(3);

/// Why a poll gave no values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// There is no connection, so nothing was asked.
    NoLine,
    /// No answer before the deadline.
    Late,
    /// An answer to another question, from another unit, or not in the form of the protocol.
    Odd,
    /// Fewer or more registers than were asked for.
    WrongCount,
    /// The other side ended the connection.
    Closed,
    /// The meter or gateway answered with an exception of this code.
    Exception(u8),
}

impl Fault {
    /// A short fixed phrase for people.
    pub(super) fn phrase(self) -> &'static str {
        match self {
            Self::NoLine => "no connection",
            Self::Late => "no answer in time",
            Self::Odd => "answer does not fit the question",
            Self::WrongCount => "wrong number of registers in the answer",
            Self::Closed => "connection ended by the other side",
            Self::Exception(1..=3) => "meter map wrong",
            Self::Exception(4) => "meter reports a failure",
            Self::Exception(5) => "meter needs more time",
            Self::Exception(6) => "meter is busy",
            Self::Exception(8) => "meter reports a memory error",
            Self::Exception(10) => "gateway has no path to the meter",
            Self::Exception(11) => "gateway got no answer from the meter",
            Self::Exception(_) => "exception of unknown code",
        }
    }
}

/// The connection to one `host:port`, open or not.
pub(super) struct Line {
    dial: Rc<dyn Dial>,
    address: Box<str>,
    open: Option<Context>,
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
    pub(super) fn new(dial: Rc<dyn Dial>, address: &str) -> Self {
        let backoff = Backoff::new(("line", address));
        let (open, last_dial, not_before) = (None, None, Instant::now());
        Self { dial, address: address.into(), open, answered: false, last_dial, not_before, backoff }
    }

    /// When a new connection could be made if the present one, or the one that would have to be made now, were lost.
    pub(super) fn relink_at(&self, now: Instant) -> Instant {
        let dialled = if self.open.is_some() { self.last_dial.unwrap_or(now) } else { now };
        dialled + SHORTEST_WAIT
    }

    /// Polls one unit: all requests of its plan, each within `deadline`. Only if all succeed are the values whole.
    pub(super) async fn poll(
        &mut self,
        unit: u8,
        plan: &ReadPlan,
        deadline: Duration,
        values: &mut [Sample],
    ) -> Result<(), Fault> {
        for request in plan.requests() {
            let was_idle = self.answered;
            match self.ask(unit, request, deadline, values).await {
                // Some meters end a connection that was idle for a while; that is no failure yet.
                Err(Fault::Closed) if was_idle && self.not_before <= Instant::now() => {
                    self.ask(unit, request, deadline, values).await?;
                }
                other => other?,
            }
        }
        Ok(())
    }

    async fn ask(
        &mut self,
        unit: u8,
        request: &ReadRequest,
        deadline: Duration,
        values: &mut [Sample],
    ) -> Result<(), Fault> {
        // Taken out, and put back only after a whole answer: however this ends, a spoilt connection is gone.
        let mut context = self.connected(deadline).await?;
        context.set_slave(Slave(unit));
        let answer = timeout(deadline, context.call(question(request))).await;
        let fault = match answer {
            Ok(Ok(Ok(Response::ReadHoldingRegisters(words) | Response::ReadInputRegisters(words)))) => {
                if request.decode(&words, values) {
                    self.keep(context);
                    return Ok(());
                }
                Fault::WrongCount
            }
            Ok(Ok(Err(exception))) => {
                self.keep(context);
                return Err(Fault::Exception(code(exception)));
            }
            Err(_) => Fault::Late,
            Ok(Err(Error::Transport(error))) if !is_malformed(&error) => Fault::Closed,
            Ok(Ok(Ok(_)) | Err(_)) => Fault::Odd,
        };
        self.ended(fault);
        Err(fault)
    }

    /// The open connection, or a new one if it is time for one, or will be within `patience`.
    async fn connected(&mut self, patience: Duration) -> Result<Context, Fault> {
        if let Some(context) = self.open.take() {
            return Ok(context);
        }
        let now = Instant::now();
        if self.not_before > now + patience {
            return Err(Fault::NoLine);
        }
        sleep_until(self.not_before).await;
        self.last_dial = Some(Instant::now());
        self.answered = false;
        if let Ok(Ok(stream)) = timeout(CONNECT_DEADLINE, self.dial.dial(&self.address)).await {
            return Ok(tcp::attach_slave(stream, Slave(0)));
        }
        self.not_before = Instant::now() + self.backoff.failed();
        Err(Fault::NoLine)
    }

    fn keep(&mut self, context: Context) {
        self.open = Some(context);
        self.answered = true;
        self.backoff.clear();
    }

    /// The connection ended. If it never gave an answer and the other side ended it, the waits grow; else the next
    /// one may be made at once, but not twice in a second. (How often a silent unit is asked is the queue's affair.)
    fn ended(&mut self, fault: Fault) {
        let earliest = self.last_dial.map_or(self.not_before, |at| at + SHORTEST_WAIT);
        let grows = fault == Fault::Closed && !self.answered;
        self.not_before = if grows { earliest.max(Instant::now() + self.backoff.failed()) } else { earliest };
    }
}

fn question(request: &ReadRequest) -> Request<'static> {
    match request.registers() {
        Registers::Holding => Request::ReadHoldingRegisters(request.address(), request.count()),
        Registers::Input => Request::ReadInputRegisters(request.address(), request.count()),
    }
}

/// Whether the library could not read an answer. It gives the end of a connection as whatever error the system had
/// last, but no system error is of these two kinds.
fn is_malformed(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::InvalidData | io::ErrorKind::UnexpectedEof)
}

fn code(exception: ExceptionCode) -> u8 {
    exception.into()
}
