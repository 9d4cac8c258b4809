//! Modbus servers: one of an independent library (pymodbus), and one that follows a script, for answers that no
//! decent library gives.

use crate::program::text;
use crate::wait::{free_port, wait_for};
use serde_json::Value;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tempfile::TempDir;

const PATIENCE: Duration = Duration::from_secs(30);

/// A script of this package's `parts` folder.
pub fn part(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("parts").join(name)
}

/// Python with a module, or a clear failure: a test that needs a part is never passed over in silence.
pub fn python(module: &str) -> Command {
    let probe = Command::new("python3").args(["-c", &format!("import {module}")]).output();
    match probe {
        Err(error) => panic!("this test needs python3: install the package python3 ({error})"),
        Ok(output) if !output.status.success() => panic!(
            "this test needs the Python module {module}: pip install {module} ({})",
            text(&output.stderr).lines().last().unwrap_or_default()
        ),
        Ok(_) => Command::new("python3"),
    }
}

/// A pymodbus server. Dropping it kills it.
#[derive(Debug)]
pub struct Pymodbus {
    child: Child,
    folder: TempDir,
    port: u16,
}

impl Pymodbus {
    /// Starts one with these registers (see `parts/modbus_server.py`) and waits until it listens.
    pub fn start_at(port: u16, registers: &Value) -> Self {
        let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
        let log = std::fs::File::create(folder.path().join("log")).expect("a file can be written");
        let child = python("pymodbus")
            .arg(part("modbus_server.py"))
            .args([port.to_string(), registers.to_string()])
            .arg(folder.path().join("asked"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("python3 was just run");
        let mut server = Self { child, folder, port };
        wait_for("pymodbus listens", PATIENCE, || {
            if let Ok(Some(status)) = server.child.try_wait() {
                let log = std::fs::read(server.folder.path().join("log")).unwrap_or_default();
                panic!("the pymodbus server ended with {status}: {}", text(&log));
            }
            TcpStream::connect(("127.0.0.1", port)).ok()
        });
        server
    }

    /// Starts one on a free port.
    pub fn start(registers: &Value) -> Self {
        Self::start_at(free_port(), registers)
    }

    /// Its port.
    pub fn port(&self) -> u16 {
        self.port
    }

    fn asked(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("asked")).unwrap_or_default()
    }

    /// The function code of each request that it was asked, in order.
    pub fn functions(&self) -> Vec<u8> {
        self.requests().into_iter().map(|(function, _)| function).collect()
    }

    /// The function code and the unit of each request that it was asked, in order.
    pub fn requests(&self) -> Vec<(u8, u8)> {
        let request = |line: &str| {
            let (function, unit) = line.split_once(' ')?;
            Some((function.parse().ok()?, unit.parse().ok()?))
        };
        self.asked().lines().filter_map(request).collect()
    }

    /// How many connections were made to it, but for the one that looked whether it listens.
    pub fn connections(&self) -> usize {
        self.asked().lines().filter(|line| *line == "connected").count().saturating_sub(1)
    }

    /// Kills it.
    pub fn kill(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Drop for Pymodbus {
    fn drop(&mut self) {
        self.kill();
    }
}

/// What a client asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Question {
    /// The unit.
    pub unit: u8,
    /// The function: 3 holding registers, 4 input registers.
    pub function: u8,
    /// First register.
    pub address: u16,
    /// How many.
    pub count: u16,
}

/// What the scripted server does. The words are always those that were asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// Answers well.
    Words(Vec<u16>),
    /// Answers well, but only after this time.
    Late(Duration, Vec<u16>),
    /// Leaves out the last register, in an otherwise well-formed answer.
    Short(Vec<u16>),
    /// Answers under the transaction id of another question.
    WrongTransaction(Vec<u16>),
    /// Sends half of the answer, waits, and sends the rest.
    Halved(Duration, Vec<u16>),
}

type Script = Arc<Mutex<dyn FnMut(Question) -> Answer + Send>>;

/// Serves for ever on a free port of the loopback, each connection in a thread of its own; gives the port. `script`
/// is asked for each question in the order in which they come.
pub fn serve(script: impl FnMut(Question) -> Answer + Send + 'static) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("the loopback has free ports");
    let port = listener.local_addr().expect("a bound listener has an address").port();
    let script: Script = Arc::new(Mutex::new(script));
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let script = Arc::clone(&script);
            // A connection ends when the client is gone.
            std::thread::spawn(move || converse(stream, &script));
        }
    });
    port
}

fn converse(mut stream: TcpStream, script: &Script) -> std::io::Result<()> {
    stream.set_nodelay(true)?;
    let mut frame = [0u8; 12];
    loop {
        stream.read_exact(&mut frame)?;
        let word = |at: usize| u16::from_be_bytes([frame[at], frame[at + 1]]);
        let (transaction, unit, function) = (word(0), frame[6], frame[7]);
        let question = Question { unit, function, address: word(8), count: word(10) };
        let answer = script.lock().unwrap_or_else(PoisonError::into_inner)(question);
        match answer {
            Answer::Words(words) => stream.write_all(&encode(transaction, question, &words))?,
            Answer::Late(after, words) => {
                std::thread::sleep(after);
                stream.write_all(&encode(transaction, question, &words))?;
            }
            Answer::Short(words) => {
                let kept = words.len().saturating_sub(1);
                stream.write_all(&encode(transaction, question, &words[..kept]))?;
            }
            Answer::WrongTransaction(words) => {
                stream.write_all(&encode(transaction.wrapping_sub(1), question, &words))?;
            }
            Answer::Halved(pause, words) => {
                let bytes = encode(transaction, question, &words);
                stream.write_all(&bytes[..bytes.len() / 2])?;
                std::thread::sleep(pause);
                stream.write_all(&bytes[bytes.len() / 2..])?;
            }
        }
    }
}

fn encode(transaction: u16, question: Question, words: &[u16]) -> Vec<u8> {
    let bytes = 2 * words.len();
    let mut frame = Vec::with_capacity(9 + bytes);
    frame.extend(transaction.to_be_bytes());
    frame.extend([0, 0]);
    frame.extend(((3 + bytes) as u16).to_be_bytes());
    frame.extend([question.unit, question.function, bytes as u8]);
    frame.extend(words.iter().flat_map(|word| word.to_be_bytes()));
    frame
}
