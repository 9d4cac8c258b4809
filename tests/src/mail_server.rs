//! Mail servers: one of an independent library (aiosmtpd), and one that follows a script.

use crate::authority::Issued;
use crate::missing::not_tested;
use crate::modbus_server::part;
use crate::program::{PATIENCE, text};
use crate::wait::{free_port, run_to_end, wait_for};
use serde_json::Value;
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tempfile::TempDir;

/// Whether aiosmtpd is here; if not, `what` is said not to be tested.
pub fn has_aiosmtpd(what: &str) -> bool {
    let has = Command::new("python3")
        .args(["-c", "import aiosmtpd"])
        .output()
        .is_ok_and(|out| out.status.success());
    if !has {
        not_tested(&format!("python3 or its module aiosmtpd is missing (tests/install-parts.sh): {what}"));
    }
    has
}

/// More than any test sends.
const MOST_MAILS: usize = 10_000;

/// A mail server that wants encryption and a login. Dropping it kills it.
#[derive(Debug)]
pub struct Aiosmtpd {
    child: Child,
    folder: TempDir,
    port: u16,
}

impl Aiosmtpd {
    /// Starts one; `mode` is `starttls` or `tls`.
    pub fn start_at(port: u16, mode: &str, shown: &Issued, login: (&str, &str)) -> Self {
        let folder = tempfile::tempdir().expect("the system has a folder for temporary files");
        let (certificate, key) = shown.write(folder.path(), "mail", 0o600);
        let log = std::fs::File::create(folder.path().join("log")).expect("a file can be written");
        let child = Command::new("python3")
            .arg(part("mail_server.py"))
            .arg(port.to_string())
            .arg(folder.path())
            .arg(mode)
            .args([certificate, key])
            .args([login.0, login.1])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("python3 was just run");
        let mut server = Self { child, folder, port };
        wait_for("aiosmtpd listens", PATIENCE, || {
            if let Ok(Some(status)) = server.child.try_wait() {
                let log = std::fs::read(server.folder.path().join("log")).unwrap_or_default();
                panic!("aiosmtpd ended with {status}: {}", text(&log));
            }
            TcpStream::connect(("127.0.0.1", port)).ok()
        });
        server
    }

    /// Starts one on a free port.
    pub fn start(mode: &str, shown: &Issued, login: (&str, &str)) -> Self {
        Self::start_at(free_port(), mode, shown, login)
    }

    /// Its port.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Files of the mails that it took, in their order.
    pub fn mails(&self) -> Vec<PathBuf> {
        let path = |count: usize| self.folder.path().join(format!("{count}.eml"));
        (1..MOST_MAILS).map(path).take_while(|path| path.exists()).collect()
    }

    /// From, to and login of a mail.
    pub fn envelope(&self, number: usize) -> Value {
        let text = std::fs::read_to_string(self.folder.path().join(format!("{number}.json")));
        serde_json::from_str(&text.expect("it took that mail")).expect("the server writes JSON")
    }

    /// What was tried to get in.
    pub fn talk(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("talk")).unwrap_or_default()
    }
}

impl Drop for Aiosmtpd {
    fn drop(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A mail as Python's email package reads it; with a folder its page is written there too.
pub fn read_mail(mail: &Path, to: Option<&Path>) -> Value {
    let output = run_to_end(Command::new("python3").arg(part("read_mail.py")).arg(mail).args(to));
    assert!(output.status.success(), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("the script writes JSON")
}

/// One step of a scripted talk: what the other side's line must begin with, and the answer.
pub type Step = (&'static str, &'static str);

/// The talk that takes a letter.
pub const TAKES: &[Step] = &[
    ("", "220 ready"),
    ("EHLO", "250 hello"),
    ("MAIL", "250 fine"),
    ("RCPT", "250 fine"),
    ("DATA", "354 go on"),
    (".", "250 kept"),
    ("QUIT", "221 bye"),
];

/// A server on this machine that follows a script for each connection: the last one for all that follow. An answer `HANG`
/// is none, `CUT` hangs up, `FLOOD` is one without end; `250 kept CUT` answers and hangs up.
#[derive(Debug, Clone)]
pub struct Scripted {
    port: u16,
    mails: Arc<Mutex<Vec<String>>>,
    lines: Arc<Mutex<Vec<String>>>,
}

impl Scripted {
    /// Starts one.
    pub fn start(scripts: Vec<Vec<Step>>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("the loopback has free ports");
        let port = listener.local_addr().expect("a bound listener has an address").port();
        let server = Self { port, mails: Arc::default(), lines: Arc::default() };
        let own = server.clone();
        std::thread::spawn(move || {
            for (count, stream) in listener.incoming().flatten().enumerate() {
                let script = scripts[count.min(scripts.len() - 1)].clone();
                let own = own.clone();
                std::thread::spawn(move || own.follow(&script, stream));
            }
        });
        server
    }

    /// Its port.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// The mails whose end came, with those that it then did not take.
    pub fn mails(&self) -> Vec<String> {
        self.mails.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Every line of commands that came.
    pub fn lines(&self) -> Vec<String> {
        self.lines.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn follow(&self, script: &[Step], stream: TcpStream) {
        let Ok(reading) = stream.try_clone() else { return };
        let (mut reader, mut writer) = (BufReader::new(reading), stream);
        for (expected, answer) in script {
            if !expected.is_empty() {
                let mut mail = String::new();
                loop {
                    let mut line = String::new();
                    if reader.read_line(&mut line).unwrap_or(0) == 0 {
                        return;
                    }
                    if *expected != "." {
                        self.lines
                            .lock()
                            .unwrap_or_else(PoisonError::into_inner)
                            .push(line.trim_end().to_owned());
                        break;
                    }
                    if line == ".\r\n" {
                        self.mails.lock().unwrap_or_else(PoisonError::into_inner).push(mail);
                        break;
                    }
                    mail.push_str(&line);
                }
            }
            match *answer {
                "HANG" => std::thread::sleep(Duration::from_mins(1)),
                "CUT" => return,
                "FLOOD" => while writer.write_all(&[b'x'; 4096]).is_ok() {},
                answer => {
                    let (answer, cut) =
                        answer.strip_suffix(" CUT").map_or((answer, false), |answer| (answer, true));
                    if write!(writer, "{answer}\r\n").is_err() || cut {
                        return;
                    }
                }
            }
        }
    }
}
