//! The courier by a command of the site's own, for modems and sirens: the message on its standard input, the person's
//! number or name as its last argument.
//!
//! It is bounded in time; when that is over it is killed with all that it started. Nothing of our environment goes to it.

use super::message_in;
use super::writer::Writer;
use crate::store::Letter;
use crate::words::alphabet::plain;
use crate::words::letter::short;
use crate::world::{Courier, Here, Outcome};
use kvarden_config::{CommandSpec, PersonSpec};
use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;
use std::collections::BTreeMap;
use std::io;
use std::process::{ExitStatus, Stdio};
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::process::{Child, Command};
use tokio::time::timeout;

/// The longest that a command may take, whatever the configuration says: less than the pump gives to a letter.
pub const MOST_TIME: Duration = Duration::from_secs(28);
/// The most of what a command writes that is read; the rest is thrown away.
const MOST_OUTPUT: u64 = 64 * 1024;
/// The command has ended; so long its last words may take to come through.
const LAST_WORDS: Duration = Duration::from_millis(200);
/// The longest part of it that is told.
const MOST_WORDS: usize = 200;
/// Where programs are looked for.
const SEARCH: &str = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin";
/// Exit codes by which a command says that this message will never go: wrong data, nobody of that name. Source: BSD's
/// sysexits.h (from memory). Any other is a trouble that may pass.
const NEVER: &[i32] = &[65, 67];

/// Hands letters to a command.
#[derive(Debug)]
pub struct CommandCourier {
    run: Vec<String>,
    within: Duration,
    people: BTreeMap<String, String>,
    writer: Rc<Writer>,
    said: Option<String>,
}

/// A child that is killed with its group unless it has ended.
struct Group {
    child: Child,
    group: Option<Pid>,
}

impl Drop for Group {
    fn drop(&mut self) {
        // Its number is its own until it has been waited for.
        if let Some(group) = self.group {
            // It may end in this moment; then nothing is left to kill.
            let _ = killpg(group, Signal::SIGKILL);
        }
    }
}

impl CommandCourier {
    /// A courier by this command, for the people who are reached by it.
    pub fn new(spec: &CommandSpec, people: &[PersonSpec], writer: Rc<Writer>) -> Self {
        let reached = people.iter().filter_map(|person| Some((person.name.clone(), person.command.clone()?)));
        let within = Duration::from_millis(spec.within.0.max(0).unsigned_abs()).min(MOST_TIME);
        Self { run: spec.run.clone(), within, people: reached.collect(), writer, said: None }
    }

    async fn carry(&mut self, letter: &Letter) -> Result<String, Outcome> {
        let message = message_in(letter).map_err(Outcome::Refused)?;
        let whom = match message.person() {
            None => None,
            Some(person) => Some(self.people.get(person).ok_or_else(|| {
                Outcome::Refused(format!("\"{person}\" is not reached by the command any more"))
            })?),
        };
        let written = self.writer.write(letter, &message, message.person());
        let text = short(&written.sheet, written.speech);
        let later = |error: io::Error| Outcome::TryLater(format!("the command can't be run: {error}"));
        let mut group = self.start(whom).map_err(later)?;
        let ended = timeout(self.within, group.converse(&text)).await;
        let late = || {
            Outcome::TryLater(format!("the command took more than {} s and was ended", self.within.as_secs()))
        };
        let (status, wrote) = ended.map_err(|_| late())?.map_err(later)?;
        judged(status, &wrote)
    }

    fn start(&self, whom: Option<&String>) -> io::Result<Group> {
        let (program, arguments) = self.run.split_first().ok_or(io::ErrorKind::NotFound)?;
        let mut command = Command::new(program);
        command.args(arguments).args(whom).env_clear().env("PATH", SEARCH);
        command.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::piped());
        let child = command.process_group(0).kill_on_drop(true).spawn()?;
        let group = child.id().and_then(|id| i32::try_from(id).ok()).map(Pid::from_raw);
        Ok(Group { child, group })
    }
}

impl Group {
    /// Gives it the text and waits for its end; what it wrote of complaints.
    async fn converse(&mut self, text: &str) -> io::Result<(ExitStatus, String)> {
        let (stdin, stderr) = (self.child.stdin.take(), self.child.stderr.take());
        let tell = async {
            if let Some(mut stdin) = stdin {
                // A command need not read what it is told.
                let _ = stdin.write_all(text.as_bytes()).await;
            }
        };
        let mut wrote = Vec::new();
        let hear = async {
            if let Some(stderr) = stderr {
                let _ = stderr.take(MOST_OUTPUT).read_to_end(&mut wrote).await;
            }
        };
        // What a command leaves running may hold its streams open: only its own end is waited for.
        let status = {
            let beside = async { tokio::join!(tell, hear) };
            tokio::pin!(beside);
            let first = tokio::select! {
                biased;
                _ = &mut beside => None,
                status = self.child.wait() => Some(status),
            };
            match first {
                None => self.child.wait().await,
                Some(status) => {
                    let _ = timeout(LAST_WORDS, &mut beside).await;
                    status
                }
            }
        }?;
        self.group = None;
        Ok((status, String::from_utf8_lossy(&wrote).into_owned()))
    }
}

/// What an end means for the letter.
fn judged(status: ExitStatus, wrote: &str) -> Result<String, Outcome> {
    let words: String = plain(wrote.trim()).chars().take(MOST_WORDS).collect();
    let words = if words.is_empty() { words } else { format!(": {words}") };
    match status.code() {
        Some(0) => Ok(format!("the command ended well{words}")),
        Some(code) if NEVER.contains(&code) => {
            Err(Outcome::Refused(format!("the command ended with {code}{words}")))
        }
        Some(code) => Err(Outcome::TryLater(format!("the command ended with {code}{words}"))),
        None => Err(Outcome::TryLater(format!("the command was killed{words}"))),
    }
}

impl Courier for CommandCourier {
    fn channel(&self) -> &'static str {
        "command"
    }

    fn send<'a>(&'a mut self, letter: &'a Letter) -> Here<'a, Outcome> {
        Box::pin(async move {
            self.said = None;
            match self.carry(letter).await {
                Ok(said) => {
                    self.said = Some(said);
                    Outcome::Delivered
                }
                Err(outcome) => outcome,
            }
        })
    }

    fn said(&self) -> Option<String> {
        self.said.clone()
    }
}
