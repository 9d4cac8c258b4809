//! The control socket: a Unix socket in the store's folder, one JSON object a line each way.
//!
//! Only who may open the socket may steer; its file is for the owner and the group.

use crate::deliver::trial::{Asked, Trials};
use crate::engine::Desk;
use crate::status::Status;
use kvarden_core::input::Deed;
use kvarden_core::output::Denial;
use kvarden_core::time::Span;
use serde::{Deserialize, Serialize};
use std::cell::RefCell;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream as BlockingStream;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt};
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::Semaphore;

/// The socket's name in the store's folder.
pub const SOCKET: &str = "kvarden.sock";
/// The most connections at one time: a few people and a script.
const MOST_CONNECTIONS: usize = 16;
/// The longest request.
const MOST_REQUEST: u64 = 16 * 1024;
/// A connection that asks nothing for so long is closed; an answer takes far less.
const PATIENCE: Duration = Duration::from_secs(30);

/// What can be asked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "snake_case", deny_unknown_fields)]
pub enum Request {
    /// How things stand.
    Status,
    /// "I have seen it."
    Acknowledge {
        /// Code, id, or a part of the id that only one open alert has.
        alert: String,
        /// Who.
        by: String,
    },
    /// Ends a latched alert whose condition is gone.
    Release {
        /// Which.
        alert: String,
        /// Who.
        by: String,
        /// What was found and done.
        note: String,
    },
    /// Keeps an alert quiet for a time.
    Shelve {
        /// Which.
        alert: String,
        /// Who.
        by: String,
        /// For how many seconds.
        seconds: u32,
        /// Why.
        reason: String,
        /// Said a second time, as an urgent over-temperature asks for.
        #[serde(default)]
        confirmed: bool,
    },
    /// Begins planned work: everything is recorded, only what is urgent is told.
    BeginWork {
        /// On which transformer or feeder, by its name.
        on: String,
        /// Who answers for it.
        by: String,
        /// For how many seconds.
        seconds: u32,
        /// What is done.
        why: String,
    },
    /// Ends planned work.
    EndWork {
        /// On which transformer or feeder, by its name.
        on: String,
        /// Who.
        by: String,
    },
    /// Ends shelving.
    Unshelve {
        /// Which.
        alert: String,
        /// Who.
        by: String,
    },
    /// Takes an alert's alarms out of service, or puts them back.
    Service {
        /// Which.
        alert: String,
        /// Who.
        by: String,
        /// True: back in service.
        on: bool,
        /// Why it is taken out.
        #[serde(default)]
        reason: String,
    },
    /// Tries the ways to people: a letter through each that is meant.
    SendTest {
        /// Only to this person.
        #[serde(default)]
        to: Option<String>,
        /// Only by this channel.
        #[serde(default)]
        channel: Option<String>,
        /// Who tries.
        by: String,
    },
    /// Reads the configuration anew and takes it in, if nothing is wrong with it.
    Reload,
    /// Takes or drops what was learned of a transformer.
    Calibration {
        /// Which transformer, by its name.
        transformer: String,
        /// Who.
        by: String,
        /// True: it is taken.
        accept: bool,
        /// What was learned.
        #[serde(default)]
        of: Learned,
    },
}

/// What is learned of a healthy transformer and waits for a person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Learned {
    /// Its temperatures.
    #[default]
    Heat,
    /// The resistances of its connections.
    Connections,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reply {
    /// Whether it was done.
    pub done: bool,
    /// One sentence for a person.
    pub says: String,
    /// How things stand, where that was asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub status: Option<Status>,
}

impl Reply {
    fn done(says: impl Into<String>) -> Self {
        Self { done: true, says: says.into(), status: None }
    }

    fn refused(says: impl Into<String>) -> Self {
        Self { done: false, says: says.into(), status: None }
    }
}

/// Listens until the daemon stops.
///
/// # Errors
/// When the socket can't be made.
pub fn listen(folder: &Path) -> std::io::Result<UnixListener> {
    let path = folder.join(SOCKET);
    // The store's lock is held, so a socket that is there was left by a daemon that is gone.
    match std::fs::remove_file(&path) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let listener = UnixListener::bind(&path)?;
    std::fs::set_permissions(&path, std::os::unix::fs::PermissionsExt::from_mode(0o660))?;
    Ok(listener)
}

/// Serves the socket. `trials`: those of the configuration in force.
pub async fn serve(listener: UnixListener, desk: Rc<Desk>, trials: Rc<RefCell<Rc<Trials>>>) {
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        let Ok(place) = Arc::clone(&places).acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, _)) => {
                // Another configuration brings others.
                let (desk, trials) = (Rc::clone(&desk), Rc::clone(&trials.borrow()));
                tokio::task::spawn_local(async move {
                    // A caller that hangs up or stalls needs no word from us.
                    let _ = tokio::time::timeout(PATIENCE, converse(stream, &desk, &trials)).await;
                    drop(place);
                });
            }
            Err(error) => {
                tracing::warn!(%error, "the control socket can't accept a caller");
                tokio::time::sleep(Duration::from_secs(1)).await;
            }
        }
    }
}

async fn converse(mut stream: UnixStream, desk: &Desk, trials: &Trials) -> std::io::Result<()> {
    let (read, mut write) = stream.split();
    let mut lines = tokio::io::BufReader::new(read.take(MOST_REQUEST));
    let mut line = String::new();
    while lines.read_line(&mut line).await? > 0 {
        let reply = match serde_json::from_str::<Request>(&line) {
            Ok(request) => carry_out(request, desk, trials).await,
            Err(error) => Reply::refused(format!("that is not a request: {error}")),
        };
        let mut text = serde_json::to_vec(&reply)?;
        text.push(b'\n');
        write.write_all(&text).await?;
        line.clear();
    }
    Ok(())
}

async fn carry_out(request: Request, desk: &Desk, trials: &Trials) -> Reply {
    let (alert, by, deed, done) = match request {
        Request::Status => {
            let status = desk.status().await;
            return Reply { done: true, says: String::new(), status: Some(status) };
        }
        Request::Reload => {
            return match desk.bell().ring().await {
                Ok(says) => Reply::done(says),
                Err(why) => Reply::refused(why),
            };
        }
        Request::Acknowledge { alert, by } => (alert, by, Deed::Acknowledge, "acknowledged"),
        Request::Release { alert, by, note } if !note.trim().is_empty() => {
            (alert, by, Deed::Release { note }, "released")
        }
        Request::Release { .. } => return Reply::refused("a release needs a note: what was found and done"),
        Request::Shelve { alert, by, seconds, reason, confirmed } if !reason.trim().is_empty() => {
            let until = desk.now() + Span::seconds(i64::from(seconds));
            let deed = if confirmed {
                Deed::ShelveConfirmed { until, reason }
            } else {
                Deed::Shelve { until, reason }
            };
            (alert, by, deed, "shelved")
        }
        Request::BeginWork { on, by, seconds, why } if !why.trim().is_empty() => {
            let until = desk.now() + Span::seconds(i64::from(seconds));
            return work(&on, &by, Deed::BeginWork { until, reason: why }, desk).await;
        }
        Request::BeginWork { .. } => return Reply::refused("planned work needs a reason: what is done"),
        Request::EndWork { on, by } => return work(&on, &by, Deed::EndWork, desk).await,
        Request::Shelve { .. } => return Reply::refused("shelving needs a reason"),
        Request::Unshelve { alert, by } => (alert, by, Deed::Unshelve, "no longer shelved"),
        Request::Service { on: false, reason, .. } if reason.trim().is_empty() => {
            return Reply::refused("taking out of service needs a reason");
        }
        Request::Service { alert, by, on, reason } => {
            let done = if on { "back in service" } else { "taken out of service" };
            let deed = if on { Deed::Service { on } } else { Deed::TakeOut { reason } };
            (alert, by, deed, done)
        }
        Request::SendTest { to, channel, by } => {
            return send_test(Asked { to, channel, by }, desk, trials).await;
        }
        Request::Calibration { transformer, by, accept, of } => {
            return calibration((&transformer, of), &by, accept, desk).await;
        }
    };
    if by.trim().is_empty() {
        return Reply::refused("say who you are: every change has a named person");
    }
    let id = match merged(&alert, desk.merged_alerts()).map_or_else(|| find(&alert, &desk.open_alerts()), Ok)
    {
        Ok(id) => id,
        Err(says) => return Reply::refused(says),
    };
    match desk.order(&by, &id, deed).await {
        Ok(()) => Reply::done(format!("{id} is {done} by {by}")),
        Err(denial) => Reply::refused(format!("{id}: {}", denial_words(denial))),
    }
}

async fn send_test(asked: Asked, desk: &Desk, trials: &Trials) -> Reply {
    if asked.by.trim().is_empty() {
        return Reply::refused("say who you are: every letter says who sent it");
    }
    match trials.run(&asked, desk.now()).await {
        Ok((true, says)) => Reply::done(says),
        Ok((false, says)) | Err(says) => Reply::refused(says),
    }
}

async fn work(on: &str, by: &str, deed: Deed, desk: &Desk) -> Reply {
    if by.trim().is_empty() {
        return Reply::refused("say who you are: every change has a named person");
    }
    let begins = matches!(deed, Deed::BeginWork { .. });
    match desk.order(by, on, deed).await {
        Ok(()) if begins => Reply::done(format!(
            "planned work on {on} is begun by {by}: all is recorded, nobody is told except of what is urgent; what stands when it ends is told then"
        )),
        Ok(()) => Reply::done(format!("planned work on {on} is ended by {by}; what stands is told now")),
        Err(Denial::UnknownAlert) => Reply::refused(format!("there is no transformer or feeder \"{on}\"")),
        Err(Denial::BadTime) => Reply::refused(
            "planned work ends between now and seven days from now, and few windows are open at a time",
        ),
        Err(Denial::NothingToEnd) => Reply::refused(format!("no planned work goes on at {on}")),
        Err(denial) => Reply::refused(format!("{on}: {}", denial_words(denial))),
    }
}

async fn calibration((transformer, of): (&str, Learned), by: &str, accept: bool, desk: &Desk) -> Reply {
    if by.trim().is_empty() {
        return Reply::refused("say who you are: every change has a named person");
    }
    let (deed, what) = match of {
        Learned::Heat => (Deed::Calibration { accept }, "the calibration"),
        Learned::Connections => (Deed::Connections { accept }, "the calibration of the connections"),
    };
    match desk.order(by, transformer, deed).await {
        Ok(()) if accept => Reply::done(format!("{what} of {transformer} is accepted by {by}")),
        Ok(()) => Reply::done(format!("{what} of {transformer} is dropped by {by} and learned anew")),
        Err(Denial::UnknownAlert) => Reply::refused(format!("there is no transformer \"{transformer}\"")),
        Err(denial) => Reply::refused(format!("{transformer}: {}", denial_words(denial))),
    }
}

/// The alert that was told with this code or id and has since become one with another: an order on it is on that.
fn merged(meant: &str, merged: Vec<String>) -> Option<String> {
    let code = meant.trim().to_ascii_uppercase();
    merged.into_iter().find(|id| id == meant || crate::words::code(id) == code)
}

/// The one open alert that is meant: by its code, its id, or a part of its id.
pub(crate) fn find(meant: &str, open: &[String]) -> Result<String, String> {
    let code = meant.to_ascii_uppercase();
    if let Some(id) = open.iter().find(|id| *id == meant || crate::words::code(id) == code) {
        return Ok(id.clone());
    }
    let matching: Vec<&String> = open.iter().filter(|id| !meant.is_empty() && id.contains(meant)).collect();
    let list = |ids: &[&String]| {
        let lines: Vec<String> =
            ids.iter().take(10).map(|id| format!("{} {id}", crate::words::code(id))).collect();
        lines.join("; ")
    };
    match (matching.as_slice(), open) {
        ([one], _) => Ok((*one).clone()),
        ([], []) => Err("no alert is open".to_owned()),
        ([], _) => {
            Err(format!("no open alert is \"{meant}\"; open: {}", list(&open.iter().collect::<Vec<_>>())))
        }
        _ => Err(format!("\"{meant}\" fits more than one open alert: {}", list(&matching))),
    }
}

fn denial_words(denial: Denial) -> &'static str {
    match denial {
        Denial::UnknownAlert => "it is not open any more",
        Denial::AlreadyAcknowledged => {
            "someone has acknowledged it before, or nothing is left to acknowledge"
        }
        Denial::StillHolds => {
            "a limit is still passed, or its cause still shows: it can be released when that is over"
        }
        Denial::NotLatched => "nothing of it is latched, so there is nothing to release",
        Denial::BadTime => "shelving ends between now and seven days from now",
        Denial::NothingToEnd => "it is not shelved, or already in that state",
        Denial::NeedsConfirmation => {
            "it is an urgent over-temperature: shelve it with --confirmed if that is truly meant, and take load off first"
        }
        Denial::NoCalibration => "no calibration of it waits for a person, or there is none to drop",
    }
}

/// Why a running daemon could not be asked.
#[derive(Debug, thiserror::Error)]
#[error("no daemon answers at {}: {source}; is `kvarden run` up with this configuration, and may you open the socket?", path.display())]
pub struct NoAnswer {
    path: PathBuf,
    source: std::io::Error,
}

/// Asks a running daemon, from a command.
///
/// # Errors
/// When none answers within a bounded time.
pub fn ask(folder: &Path, request: &Request) -> Result<Reply, NoAnswer> {
    let path = folder.join(SOCKET);
    let answer = || -> std::io::Result<Reply> {
        let mut stream = BlockingStream::connect(&path)?;
        stream.set_read_timeout(Some(PATIENCE))?;
        stream.set_write_timeout(Some(PATIENCE))?;
        let mut text = serde_json::to_vec(request)?;
        text.push(b'\n');
        stream.write_all(&text)?;
        let mut line = String::new();
        BufReader::new(stream).read_line(&mut line)?;
        Ok(serde_json::from_str(&line)?)
    };
    answer().map_err(|source| NoAnswer { path: path.clone(), source })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_merged_alert_is_meant_by_its_code_or_id_alone() {
        let ids = || vec!["T2/MP-3/termination_c.B.1#1".to_owned()];
        assert_eq!(merged(&crate::words::code(&ids()[0]).to_lowercase(), ids()), Some(ids()[0].clone()));
        assert_eq!(merged(&ids()[0], ids()), Some(ids()[0].clone()));
        assert_eq!(merged("MP-3", ids()), None, "a part means what is open");
    }

    #[test]
    fn an_alert_is_found_by_code_id_or_a_part_that_only_one_has() {
        let open = ["T2/MP-3/voltage_unbalance_percent#1".to_owned(), "T2/MP-1/current_a.B#4".to_owned()];
        assert_eq!(find("MP-3", &open), Ok(open[0].clone()));
        assert_eq!(find(&crate::words::code(&open[1]).to_lowercase(), &open), Ok(open[1].clone()));
        assert!(find("T2", &open).unwrap_err().contains("more than one"));
        assert!(find("MP-9", &open).unwrap_err().contains("open: "));
        assert_eq!(find("", &[]), Err("no alert is open".to_owned()));
    }
}
