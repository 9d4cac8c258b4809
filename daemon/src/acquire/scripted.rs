//! For tests: a Modbus TCP meter or gateway over an in-memory pipe that answers as a script says, well or badly.
//! Register `a` of unit `u` holds `1000 u + a`, so a value under a wrong name is seen.

use crate::world::{Dial, Here, Wire};
use std::cell::RefCell;
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
    After(Duration),
    Exception(u8),
    FewerRegisters,
    MoreRegisters,
    OddByteCount,
    WrongTransaction,
    WrongUnit,
    WrongFunction,
    WrongProtocol,
    /// Five bytes, a pause, the rest.
    InTwoParts(Duration),
    /// Says that 65535 bytes follow, and they don't.
    HugeLength,
    /// Bytes without end and sense.
    Endless,
    Silence,
    Hangup,
}

/// The script: what to do about each question.
type Script = Box<dyn Fn(Question) -> Answer>;

/// The meter, as something that can be dialled.
pub(super) struct Scripted {
    script: Script,
    accepts: Box<dyn Fn(usize) -> bool>,
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
        let (script, accepts) = (Box::new(script), Box::new(accepts));
        Rc::new(Self { script, accepts, dials: RefCell::default(), questions: RefCell::default() })
    }

    /// When connections were asked for.
    pub(super) fn dials(&self) -> Vec<Instant> {
        self.dials.borrow().clone()
    }

    /// Every request.
    pub(super) fn questions(&self) -> Vec<Question> {
        self.questions.borrow().clone()
    }

    async fn serve(self: Rc<Self>, mut stream: DuplexStream) -> io::Result<()> {
        loop {
            let mut frame = [0; 12];
            stream.read_exact(&mut frame).await?;
            let word = |at: usize| u16::from_be_bytes([frame[at], frame[at + 1]]);
            let number = self.questions.borrow().len();
            let (unit, function, address, count) = (frame[6], frame[7], word(8), word(10));
            let question = Question { number, at: Instant::now(), unit, function, address, count };
            self.questions.borrow_mut().push(question);
            let good = good_frame(word(0), question);
            match (self.script)(question) {
                Answer::Good => stream.write_all(&good).await?,
                Answer::After(pause) => {
                    sleep(pause).await;
                    stream.write_all(&good).await?;
                }
                Answer::InTwoParts(pause) => {
                    stream.write_all(&good[..5]).await?;
                    sleep(pause).await;
                    stream.write_all(&good[5..]).await?;
                }
                Answer::Endless => loop {
                    stream.write_all(&[0, 0, 0, 0, 0, 9, 1, 3, 200, 1, 2, 3, 4]).await?;
                    sleep(Duration::from_millis(1)).await;
                },
                Answer::Silence => {}
                Answer::Hangup => return Ok(()),
                odd => stream.write_all(&odd_frame(odd, good, question)).await?,
            }
        }
    }
}

fn good_frame(transaction: u16, question: Question) -> Vec<u8> {
    let bytes = question.count * 2;
    let mut frame = transaction.to_be_bytes().to_vec();
    frame.extend([0, 0]);
    frame.extend((bytes + 3).to_be_bytes());
    frame.extend([question.unit, question.function, bytes as u8]);
    for nth in 0..question.count {
        frame.extend((u16::from(question.unit) * 1000 + question.address + nth).to_be_bytes());
    }
    frame
}

fn odd_frame(odd: Answer, mut good: Vec<u8>, question: Question) -> Vec<u8> {
    let transaction = u16::from_be_bytes([good[0], good[1]]);
    match odd {
        Answer::FewerRegisters => good_frame(transaction, Question { count: question.count - 1, ..question }),
        Answer::MoreRegisters => good_frame(transaction, Question { count: question.count + 1, ..question }),
        Answer::WrongTransaction => good_frame(transaction.wrapping_sub(1), question),
        Answer::WrongUnit => good_frame(transaction, Question { unit: question.unit + 1, ..question }),
        Answer::WrongFunction => {
            good_frame(transaction, Question { function: 7 - question.function, ..question })
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

impl Dial for Rc<Scripted> {
    fn dial<'a>(&'a self, _address: &'a str) -> Here<'a, io::Result<Box<dyn Wire>>> {
        Box::pin(async move {
            let number = self.dials.borrow().len();
            self.dials.borrow_mut().push(Instant::now());
            if !(self.accepts)(number) {
                return Err(io::ErrorKind::ConnectionRefused.into());
            }
            let (ours, theirs) = duplex(1024);
            tokio::task::spawn_local(self.clone().serve(theirs));
            Ok(Box::new(ours) as Box<dyn Wire>)
        })
    }
}
