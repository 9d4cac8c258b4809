//! Modbus TCP meters of our own over in-memory pipes, whose every answer follows from a seed and the time: values
//! with noise, and faults by a schedule. Answers that are wrong carry [`POISON`], so that one taken for good is seen.

use kvarden::world::{Dial, Here, Wire};
use std::collections::HashMap;
use std::io;
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::time::{Instant, sleep};

/// What every register of a wrong answer holds.
pub const POISON: u16 = 0xEEEE;
/// An answer that is late comes after this: longer than any deadline of a meter that is polled each second.
const LATE: Duration = Duration::from_millis(1500);
/// Of so many good answers about one is odd.
const ODD_ONE_OF: u64 = 5000;
/// Registers swing slowly by their swing, up and down, in this time.
const SWING_S: i64 = 4 * 3600;

/// One register's value in tenths of its unit.
#[derive(Debug, Clone, Copy)]
pub struct Signal {
    /// Around this.
    pub level: i64,
    /// Slowly up and down by so much.
    pub swing: i64,
    /// Each second anew by at most so much.
    pub noise: i64,
}

/// A meter.
#[derive(Debug, Clone)]
pub struct ScriptedMeter {
    /// Its name.
    pub name: String,
    /// `host:port`; several meters may share one.
    pub address: String,
    /// Unit identifier.
    pub unit: u8,
    /// Holding registers from address 0.
    pub signals: Vec<Signal>,
    /// What goes wrong, one after another.
    pub faults: Vec<Fault>,
}

/// Something that goes wrong for a while, in seconds of the story.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fault {
    /// What.
    pub kind: Kind,
    /// First second.
    pub from: i64,
    /// First second after it.
    pub to: i64,
}

/// What goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// No answer.
    Silent,
    /// No connection.
    Refused,
    /// An exception of this code.
    Exception(u8),
    /// The registers stand still.
    Frozen,
    /// The first register sags by a twentieth, for `length` seconds each `every` seconds.
    Excursions {
        /// From start to start.
        every: i64,
        /// How long each.
        length: i64,
    },
    /// All registers read so many hundredths of what they should.
    Times(i64),
    /// Every answer is wrong.
    Odd(Odd),
}

/// How an answer is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Odd {
    /// Too late.
    Late,
    /// A register too few.
    Short,
    /// A register too many.
    Long,
    /// To another question.
    WrongTransaction,
    /// From another unit.
    WrongUnit,
    /// None, and the connection ends.
    Hangup,
}

impl Odd {
    /// All of them.
    pub const ALL: [Self; 6] =
        [Self::Late, Self::Short, Self::Long, Self::WrongTransaction, Self::WrongUnit, Self::Hangup];
}

/// Splitmix64 of several numbers: the same on every machine.
pub fn chance(numbers: &[u64]) -> u64 {
    numbers.iter().fold(0x9E37_79B9_7F4A_7C15, |state, number| {
        let mut z = (state ^ number).wrapping_add(0x9E37_79B9_7F4A_7C15);
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    })
}

impl Fault {
    /// Whether it is on.
    pub fn is_on(&self, second: i64) -> bool {
        (self.from..self.to).contains(&second)
    }

    /// For excursions: how many there are in all.
    pub fn excursions(&self) -> i64 {
        match self.kind {
            Kind::Excursions { every, .. } => (self.to - self.from) / every,
            _ => 0,
        }
    }
}

impl ScriptedMeter {
    fn fault(&self, second: i64) -> Option<Fault> {
        self.faults.iter().copied().find(|fault| fault.is_on(second))
    }

    fn odd(&self, seed: u64, number: u64, second: i64) -> Option<Odd> {
        match self.fault(second).map(|fault| fault.kind) {
            Some(Kind::Odd(odd)) => Some(odd),
            Some(_) => None,
            None => {
                let dice = chance(&[seed, number, second as u64, 77]);
                dice.is_multiple_of(ODD_ONE_OF).then(|| Odd::ALL[(dice >> 32) as usize % Odd::ALL.len()])
            }
        }
    }

    /// The registers as they are in this second of the story.
    fn registers(&self, seed: u64, number: u64, second: i64) -> Vec<u16> {
        let fault = self.fault(second);
        let seen = match fault {
            Some(Fault { kind: Kind::Frozen, from, .. }) => from,
            _ => second,
        };
        let phase = (seen + 977 * number as i64).rem_euclid(SWING_S);
        // From -100 to 100 and back.
        let wave = (400 * phase / SWING_S - 200).abs() - 100;
        let value = |(index, signal): (usize, &Signal)| {
            let dice = chance(&[seed, number, index as u64, seen as u64]) % (2 * signal.noise as u64 + 1);
            let value = signal.level + signal.swing * wave / 100 + dice as i64 - signal.noise;
            let value = match fault.map(|fault| (fault.kind, fault.from)) {
                Some((Kind::Times(hundredths), _)) => value * hundredths / 100,
                Some((Kind::Excursions { every, length }, from))
                    if index == 0 && (second - from) % every < length =>
                {
                    value * 95 / 100
                }
                _ => value,
            };
            value as u16
        };
        self.signals.iter().enumerate().map(value).collect()
    }
}

/// All scripted meters of a site, to be dialled.
#[derive(Debug)]
pub struct Field {
    seed: u64,
    began: Instant,
    began_second: i64,
    meters: Vec<ScriptedMeter>,
    by_address: HashMap<(String, u8), usize>,
}

impl Field {
    /// The meters; now it is `second` of the story.
    pub fn new(meters: Vec<ScriptedMeter>, seed: u64, second: i64) -> Rc<Self> {
        let by_address =
            meters.iter().enumerate().map(|(at, meter)| ((meter.address.clone(), meter.unit), at)).collect();
        Rc::new(Self { seed, began: Instant::now(), began_second: second, meters, by_address })
    }

    fn second(&self) -> i64 {
        self.began_second + self.began.elapsed().as_secs() as i64
    }

    async fn serve(self: Rc<Self>, address: String, mut stream: DuplexStream) -> io::Result<()> {
        loop {
            let mut question = [0; 12];
            stream.read_exact(&mut question).await?;
            let word = |at: usize| u16::from_be_bytes([question[at], question[at + 1]]);
            let (transaction, unit, address_of, count) = (word(0), question[6], word(8), word(10));
            let Some(number) = self.by_address.get(&(address.clone(), unit)).copied() else {
                stream.write_all(&exception(transaction, unit, question[7], 11)).await?;
                continue;
            };
            let (meter, second) = (&self.meters[number], self.second());
            let poison = |count: u16| vec![POISON; usize::from(count)];
            let frame = |transaction, unit, words: &[u16]| frame(transaction, unit, question[7], words);
            match meter.odd(self.seed, number as u64, second) {
                Some(Odd::Late) => {
                    sleep(LATE).await;
                    stream.write_all(&frame(transaction, unit, &poison(count))).await?;
                }
                Some(Odd::Short) => {
                    stream.write_all(&frame(transaction, unit, &poison(count - 1))).await?;
                }
                Some(Odd::Long) => stream.write_all(&frame(transaction, unit, &poison(count + 1))).await?,
                Some(Odd::WrongTransaction) => {
                    stream.write_all(&frame(transaction.wrapping_sub(1), unit, &poison(count))).await?;
                }
                Some(Odd::WrongUnit) => {
                    stream.write_all(&frame(transaction, unit ^ 0x40, &poison(count))).await?;
                }
                Some(Odd::Hangup) => return Ok(()),
                None => match meter.fault(second).map(|fault| fault.kind) {
                    Some(Kind::Silent | Kind::Refused) => {}
                    Some(Kind::Exception(code)) => {
                        stream.write_all(&exception(transaction, unit, question[7], code)).await?;
                    }
                    _ => {
                        let words = meter.registers(self.seed, number as u64, second);
                        let from = usize::from(address_of);
                        let asked = words.get(from..from + usize::from(count));
                        let answer = match asked {
                            Some(words) => frame(transaction, unit, words),
                            None => exception(transaction, unit, question[7], 2),
                        };
                        stream.write_all(&answer).await?;
                    }
                },
            }
        }
    }
}

fn frame(transaction: u16, unit: u8, function: u8, words: &[u16]) -> Vec<u8> {
    let bytes = words.len() as u16 * 2;
    let mut frame = transaction.to_be_bytes().to_vec();
    frame.extend([0, 0]);
    frame.extend((bytes + 3).to_be_bytes());
    frame.extend([unit, function, bytes as u8]);
    for word in words {
        frame.extend(word.to_be_bytes());
    }
    frame
}

fn exception(transaction: u16, unit: u8, function: u8, code: u8) -> Vec<u8> {
    let [high, low] = transaction.to_be_bytes();
    vec![high, low, 0, 0, 0, 3, unit, function | 0x80, code]
}

/// The field as the daemon dials it.
#[derive(Debug, Clone)]
pub struct FieldDial(pub Rc<Field>);

impl Dial for FieldDial {
    fn dial<'a>(&'a self, address: &'a str) -> Here<'a, io::Result<Box<dyn Wire>>> {
        Box::pin(async move {
            let (field, second) = (&self.0, self.0.second());
            let refused = |meter: &&ScriptedMeter| {
                meter.address == address
                    && meter.fault(second).is_some_and(|fault| fault.kind == Kind::Refused)
            };
            if field.meters.iter().find(refused).is_some() {
                return Err(io::ErrorKind::ConnectionRefused.into());
            }
            let (ours, theirs) = duplex(512);
            tokio::task::spawn_local(Rc::clone(field).serve(address.to_owned(), theirs));
            Ok(Box::new(ours) as Box<dyn Wire>)
        })
    }
}
