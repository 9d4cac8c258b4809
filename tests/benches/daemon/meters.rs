//! Meters: so many Modbus TCP servers on the loopback, each on a free port of its own, all in one thread. They count
//! the polls that they answer and how late each came.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// A meter is polled once in this time.
const EVERY: Duration = Duration::from_secs(1);
/// A poll that comes later than this is late indeed: a twentieth of its interval.
pub(crate) const TOO_LATE_MS: f64 = 50.0;
/// Length of a question: header, unit, function, address, count.
const QUESTION: usize = 12;
/// Where the values begin in an answer.
const HEAD: usize = 9;

#[derive(Debug, Default)]
struct Seen {
    polls: AtomicU64,
    /// By how many milliseconds each poll was later than a second after the one before it.
    late_ms: Mutex<Vec<f64>>,
}

/// How late polls were.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lateness {
    /// The 99th of a hundred, in milliseconds.
    pub(crate) usual_ms: f64,
    /// The latest, in milliseconds.
    pub(crate) most_ms: f64,
    /// Share of those later than [`TOO_LATE_MS`].
    pub(crate) too_late: f64,
}

/// The meters. They go with the program.
#[derive(Debug)]
pub(crate) struct Meters {
    ports: Vec<u16>,
    seen: Arc<Seen>,
}

impl Meters {
    /// Starts them, each with these values as 32-bit floats from register 0 on.
    pub(crate) fn start(count: usize, values: &[f64]) -> Self {
        let bits: Vec<u32> = values.iter().map(|value| (*value as f32).to_bits()).collect();
        let seen = Arc::new(Seen::default());
        let (told, ports) = mpsc::channel();
        let counts = Arc::clone(&seen);
        std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
            runtime.expect("the system gives a runtime").block_on(async move {
                let mut ports = Vec::new();
                for _ in 0..count {
                    let listener =
                        TcpListener::bind("127.0.0.1:0").await.expect("the loopback has free ports");
                    ports.push(listener.local_addr().expect("a bound listener has an address").port());
                    tokio::spawn(meter(listener, bits.clone(), Arc::clone(&counts)));
                }
                let _ = told.send(ports);
                std::future::pending::<()>().await;
            });
        });
        Self { ports: ports.recv().expect("the thread tells its ports"), seen }
    }

    /// The port of each.
    pub(crate) fn ports(&self) -> &[u16] {
        &self.ports
    }

    /// The ports as one word.
    pub(crate) fn ports_word(&self) -> String {
        self.ports.iter().map(u16::to_string).collect::<Vec<_>>().join(",")
    }

    /// Polls answered so far.
    pub(crate) fn polls(&self) -> u64 {
        self.seen.polls.load(Ordering::Relaxed)
    }

    /// How late the polls since the last call were.
    pub(crate) fn lateness(&self) -> Lateness {
        let mut late = std::mem::take(&mut *self.seen.late_ms.lock().unwrap_or_else(PoisonError::into_inner));
        late.sort_by(f64::total_cmp);
        let at = |share: f64| late.get((late.len() as f64 * share) as usize).copied();
        let too_late = late.iter().filter(|late| **late > TOO_LATE_MS).count();
        Lateness {
            usual_ms: at(0.99).unwrap_or(f64::NAN),
            most_ms: late.last().copied().unwrap_or(f64::NAN),
            too_late: too_late as f64 / late.len().max(1) as f64,
        }
    }
}

async fn meter(listener: TcpListener, bits: Vec<u32>, seen: Arc<Seen>) {
    while let Ok((stream, _)) = listener.accept().await {
        tokio::spawn(converse(stream, bits.clone(), Arc::clone(&seen)));
    }
}

async fn converse(mut stream: TcpStream, bits: Vec<u32>, seen: Arc<Seen>) -> std::io::Result<()> {
    stream.set_nodelay(true)?;
    let mut question = [0u8; QUESTION];
    let mut answer = vec![0u8; HEAD + 4 * bits.len()];
    let bytes = 4 * bits.len();
    let mut before: Option<Instant> = None;
    for turn in 0u32.. {
        stream.read_exact(&mut question).await?;
        if let Some(before) = before.replace(Instant::now()) {
            let late = before.elapsed().as_secs_f64() - EVERY.as_secs_f64();
            seen.late_ms.lock().unwrap_or_else(PoisonError::into_inner).push(late * 1000.0);
        }
        answer[..2].copy_from_slice(&question[..2]);
        answer[4..6].copy_from_slice(&((bytes + 3) as u16).to_be_bytes());
        (answer[6], answer[7], answer[8]) = (question[6], question[7], bytes as u8);
        for (place, bits) in answer[HEAD..].chunks_exact_mut(4).zip(&bits) {
            // The last bits of a live meter never stand still.
            place.copy_from_slice(&(bits ^ (turn & 0xFF)).to_be_bytes());
        }
        stream.write_all(&answer).await?;
        seen.polls.fetch_add(1, Ordering::Relaxed);
    }
    Ok(())
}
