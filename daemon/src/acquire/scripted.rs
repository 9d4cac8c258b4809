//! For tests: a Modbus TCP meter or gateway over an in-memory pipe that answers as a script says, well or badly.
//! Register `a` of unit `u` holds `1000 u + a`, so a value under a wrong name is seen; a test may have others.

use crate::world::{Dial, Here, Wire};
use std::cell::{Cell, RefCell};
use std::io;
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::time::{Instant, sleep};

/// One request as the meter got it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Question {
    /// Counted from 0 over all connections.
    pub(super) number: usize,
    pub(super) at: Instant,
    pub(super) unit: u8,
    pub(super) function: u8,
    pub(super) address: u16,
    pub(super) count: u16,
}

/// What the meter does about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Answer {
    Good,
    /// Answers well and ends the connection.
    GoodThenHangup,
    After(Duration),
    /// Answers nothing, and does not notice for so long that the other side has gone.
    SilenceAndHold(Duration),
    Exception(u8),
    FewerRegisters,
    MoreRegisters,
    OddByteCount,
    /// More registers, of which the byte count names as many as were asked for.
    MoreThanCounted,
    WrongTransaction,
    WrongUnit,
    WrongFunction,
    WrongProtocol,
    /// Five bytes, a pause, the rest.
    InTwoParts(Duration),
    /// Says that 65535 bytes follow, and they don't.
    HugeLength,
    /// Says that the longest of all frames follows, and sends it a byte at a time, each after such a pause.
    Trickle(Duration),
    /// The answer, and in the same breath bytes that nobody asked for.
    GoodThenMore,
    /// Bytes without end and sense.
    Endless,
    Silence,
    Hangup,
}

/// The script: what to do about each question.
type Script = Box<dyn Fn(Question) -> Answer>;

/// What a register holds: the question that asks for it, and its address.
type Holds = Box<dyn Fn(Question, u16) -> u16>;

/// The meter, as something that can be dialled.
pub(super) struct Scripted {
    script: Script,
    accepts: Box<dyn Fn(usize) -> bool>,
    /// Which connections are neither made nor refused.
    hangs: Box<dyn Fn(usize) -> bool>,
    holds: Holds,
    /// So many connections at a time.
    room: usize,
    open: Cell<usize>,
    most_open: Cell<usize>,
    dials: RefCell<Vec<Instant>>,
    questions: RefCell<Vec<Question>>,
}

impl Scripted {
    pub(super) fn new(script: impl Fn(Question) -> Answer + 'static) -> Rc<Self> {
        Self::accepting(|_| true, script)
    }

    /// `accepts` is asked with the number of the connection, from 0.
    pub(super) fn accepting(
        accepts: impl Fn(usize) -> bool + 'static,
        script: impl Fn(Question) -> Answer + 'static,
    ) -> Rc<Self> {
        Rc::new(Self { accepts: Box::new(accepts), ..Self::plain(script) })
    }

    /// `holds` says what each register holds.
    pub(super) fn holding(
        holds: impl Fn(Question, u16) -> u16 + 'static,
        script: impl Fn(Question) -> Answer + 'static,
    ) -> Rc<Self> {
        Rc::new(Self { holds: Box::new(holds), ..Self::plain(script) })
    }

    /// `hangs` is asked with the number of the connection, from 0, whether nothing comes of it for ever.
    pub(super) fn hanging(
        hangs: impl Fn(usize) -> bool + 'static,
        script: impl Fn(Question) -> Answer + 'static,
    ) -> Rc<Self> {
        Rc::new(Self { hangs: Box::new(hangs), ..Self::plain(script) })
    }

    /// Refuses a further connection while so many are open.
    pub(super) fn with_room(room: usize, script: impl Fn(Question) -> Answer + 'static) -> Rc<Self> {
        Rc::new(Self { room, ..Self::plain(script) })
    }

    fn plain(script: impl Fn(Question) -> Answer + 'static) -> Self {
        Self {
            script: Box::new(script),
            accepts: Box::new(|_| true),
            hangs: Box::new(|_| false),
            holds: Box::new(|question, address| u16::from(question.unit) * 1000 + address),
            room: usize::MAX,
            open: Cell::default(),
            most_open: Cell::default(),
            dials: RefCell::default(),
            questions: RefCell::default(),
        }
    }

    /// When connections were asked for.
    pub(super) fn dials(&self) -> Vec<Instant> {
        self.dials.borrow().clone()
    }

    /// The most connections that were open at a time.
    pub(super) fn most_open(&self) -> usize {
        self.most_open.get()
    }

    /// Every request.
    pub(super) fn questions(&self) -> Vec<Question> {
        self.questions.borrow().clone()
    }

    async fn serve(self: Rc<Self>, stream: DuplexStream) {
        self.open.set(self.open.get() + 1);
        self.most_open.set(self.most_open.get().max(self.open.get()));
        // A connection ends when the client is gone.
        let _ = self.converse(stream).await;
        self.open.set(self.open.get() - 1);
    }

    async fn converse(&self, mut stream: DuplexStream) -> io::Result<()> {
        loop {
            let mut frame = [0; 12];
            stream.read_exact(&mut frame).await?;
            let word = |at: usize| u16::from_be_bytes([frame[at], frame[at + 1]]);
            let number = self.questions.borrow().len();
            let (unit, function, address, count) = (frame[6], frame[7], word(8), word(10));
            let question = Question { number, at: Instant::now(), unit, function, address, count };
            self.questions.borrow_mut().push(question);
            let good = self.good_frame(word(0), question);
            match (self.script)(question) {
                Answer::Good => stream.write_all(&good).await?,
                Answer::GoodThenHangup => return stream.write_all(&good).await,
                Answer::SilenceAndHold(pause) => sleep(pause).await,
                Answer::After(pause) => {
                    sleep(pause).await;
                    stream.write_all(&good).await?;
                }
                Answer::InTwoParts(pause) => {
                    stream.write_all(&good[..5]).await?;
                    sleep(pause).await;
                    stream.write_all(&good[5..]).await?;
                }
                Answer::GoodThenMore => stream.write_all(&[&good[..], &[0, 0, 0]].concat()).await?,
                Answer::Trickle(pause) => {
                    let mut longest = good[..8].to_vec();
                    longest[4..6].copy_from_slice(&254u16.to_be_bytes());
                    longest.resize(260, 0);
                    for byte in longest {
                        stream.write_all(&[byte]).await?;
                        sleep(pause).await;
                    }
                }
                Answer::Endless => loop {
                    stream.write_all(&[0, 0, 0, 0, 0, 9, 1, 3, 200, 1, 2, 3, 4]).await?;
                    sleep(Duration::from_millis(1)).await;
                },
                Answer::Silence => {}
                Answer::Hangup => return Ok(()),
                odd => stream.write_all(&self.odd_frame(odd, good, question)).await?,
            }
        }
    }

    fn good_frame(&self, transaction: u16, question: Question) -> Vec<u8> {
        let holds = |nth: u16| (self.holds)(question, question.address + nth);
        let data: Vec<u8> = if question.function <= 2 {
            let mut bits = vec![0; usize::from(question.count).div_ceil(8)];
            for nth in 0..question.count {
                bits[usize::from(nth / 8)] |= u8::from(holds(nth) != 0) << (nth % 8);
            }
            bits
        } else {
            (0..question.count).flat_map(|nth| holds(nth).to_be_bytes()).collect()
        };
        let mut frame = transaction.to_be_bytes().to_vec();
        frame.extend([0, 0]);
        frame.extend((data.len() as u16 + 3).to_be_bytes());
        frame.extend([question.unit, question.function, data.len() as u8]);
        frame.extend(data);
        frame
    }

    fn odd_frame(&self, odd: Answer, mut good: Vec<u8>, question: Question) -> Vec<u8> {
        let transaction = u16::from_be_bytes([good[0], good[1]]);
        let good_frame = |transaction, question| self.good_frame(transaction, question);
        match odd {
            Answer::FewerRegisters => {
                good_frame(transaction, Question { count: question.count - 1, ..question })
            }
            Answer::MoreRegisters => {
                good_frame(transaction, Question { count: question.count + 1, ..question })
            }
            Answer::WrongTransaction => good_frame(transaction.wrapping_sub(1), question),
            Answer::WrongUnit => good_frame(transaction, Question { unit: question.unit + 1, ..question }),
            Answer::WrongFunction => {
                good_frame(transaction, Question { function: 7 - question.function, ..question })
            }
            Answer::MoreThanCounted => {
                let count = good[8];
                let mut more = good_frame(transaction, Question { count: question.count + 1, ..question });
                more[8] = count;
                more
            }
            Answer::OddByteCount => {
                good[8] -= 1;
                good
            }
            Answer::WrongProtocol => {
                good[2] = 1;
                good
            }
            Answer::HugeLength => {
                good[4..6].fill(0xFF);
                good
            }
            Answer::Exception(code) => {
                good.truncate(9);
                good[4..6].copy_from_slice(&[0, 3]);
                good[7] |= 0x80;
                good[8] = code;
                good
            }
            _ => good,
        }
    }
}

impl Dial for Rc<Scripted> {
    fn dial<'a>(&'a self, _address: &'a str) -> Here<'a, io::Result<Box<dyn Wire>>> {
        Box::pin(async move {
            let number = self.dials.borrow().len();
            self.dials.borrow_mut().push(Instant::now());
            if (self.hangs)(number) {
                std::future::pending::<()>().await;
            }
            if !(self.accepts)(number) || self.open.get() >= self.room {
                return Err(io::ErrorKind::ConnectionRefused.into());
            }
            let (ours, theirs) = duplex(1024);
            tokio::task::spawn_local(self.clone().serve(theirs));
            Ok(Box::new(ours) as Box<dyn Wire>)
        })
    }
}
