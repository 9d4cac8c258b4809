//! What a process asks of the system, written down by strace: every call that changes a file, with its bytes.

use crate::program::{PATIENCE, signal, text};
use crate::site::Site;
use crate::wait::wait_for;
use kvarden::store::LOCK;
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};

/// The calls that change files, and those that write to other things.
const CALLS: &str = "trace=openat,pwrite64,write,fsync,fdatasync,ftruncate,fallocate,unlink,rename,mkdir,rmdir,unlinkat,renameat2,mkdirat";

/// strace that writes what a program asks of the system to `log`; the program and its words are to be added.
pub fn recorder(log: &Path) -> Command {
    let mut command = Command::new("strace");
    // Paths beside the numbers of open files, all bytes as hexadecimal digits.
    command
        .args(["-f", "-qq", "-y", "-xx", "-s", "16777216", "-e", "signal=none", "-e", CALLS, "-o"])
        .arg(log);
    command
}

/// One thing that was asked of the system.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// A file was made where there was none, or perhaps only opened.
    Made(PathBuf),
    /// A folder was made.
    Folder(PathBuf),
    /// Bytes were written at a place; `None`: at the end of what this process wrote so far.
    Wrote(PathBuf, Option<u64>, Vec<u8>),
    /// A file was cut or made longer.
    Cut(PathBuf, u64),
    /// A file or folder was synced.
    Synced(PathBuf),
    /// A sync failed.
    Unsynced(PathBuf),
    /// A name was removed.
    Removed(PathBuf),
    /// A name was changed.
    Renamed(PathBuf, PathBuf),
    /// Words to the standard output.
    Said(String),
}

/// Reads what [`recorder`] wrote. Other calls than syncs that failed changed nothing.
///
/// # Errors
/// The file can't be read, or a line of it has another form.
pub fn events(log: &Path) -> io::Result<Vec<Event>> {
    let bytes = std::fs::read(log)?;
    let mut begun: BTreeMap<String, String> = BTreeMap::new();
    let mut events = Vec::new();
    for line in text(&bytes).lines() {
        let (process, call) = line.split_once(' ').unwrap_or((line, ""));
        let call = call.trim_start();
        // A call during which another thread did something stands in two lines; what it did was done at its end.
        if let Some(begin) = call.strip_suffix(" <unfinished ...>") {
            begun.insert(process.to_owned(), begin.to_owned());
            continue;
        }
        let resumed = call.strip_prefix("<... ").and_then(|rest| rest.split_once(" resumed>"));
        let whole = match resumed {
            Some((_, end)) => begun.remove(process).unwrap_or_default() + end,
            None => call.to_owned(),
        };
        match event(&whole) {
            Ok(event) => events.extend(event),
            Err(why) => {
                let shown: String = whole.chars().take(200).collect();
                return Err(io::Error::other(format!("{why} in {shown}")));
            }
        }
    }
    Ok(events)
}

fn event(call: &str) -> Result<Option<Event>, &'static str> {
    // `name(arguments) = result`; the end of a process and the like have another form.
    let Some((name, rest)) = call.split_once('(') else { return Ok(None) };
    let Some((arguments, result)) = rest.rsplit_once(" = ") else { return Ok(None) };
    let failed = result.starts_with('-') || result.starts_with('?');
    if failed && !name.ends_with("sync") {
        return Ok(None);
    }
    let arguments = arguments.trim_end().strip_suffix(')').ok_or("no end")?;
    let arguments: Vec<&str> = arguments.split(", ").collect();
    let path = |index: usize| -> Result<PathBuf, &'static str> {
        let name = arguments.get(index).ok_or("an argument is missing")?;
        let name = name.split_once('<').map_or(*name, |(_, name)| name.trim_end_matches('>'));
        // What is no file has a name of another form, which is never that of one of ours.
        Ok(unhex(name).map_or_else(|_| PathBuf::from(name), |name| PathBuf::from(text(&name))))
    };
    let number = |text: &str| text.parse::<u64>().map_err(|_| "not a number");
    Ok(Some(match name {
        "openat" if arguments.iter().any(|flags| flags.contains("O_CREAT")) => {
            if arguments.iter().any(|flags| flags.contains("O_TRUNC")) {
                // It begins anew: made where it is missing, and cut.
                return Ok(Some(Event::Cut(path(1)?, 0)));
            }
            Event::Made(path(1)?)
        }
        "openat" => return Ok(None),
        "pwrite64" => Event::Wrote(
            path(0)?,
            Some(number(arguments.get(3).ok_or("no place")?)?),
            written(&arguments, result)?,
        ),
        "write" if arguments[0].starts_with("1<") => Event::Said(text(&written(&arguments, result)?)),
        "write" => Event::Wrote(path(0)?, None, written(&arguments, result)?),
        "fsync" | "fdatasync" if failed => Event::Unsynced(path(0)?),
        "fsync" | "fdatasync" => Event::Synced(path(0)?),
        "ftruncate" => Event::Cut(path(0)?, number(arguments.get(1).ok_or("no length")?)?),
        "unlink" | "rmdir" => Event::Removed(path(0)?),
        "unlinkat" => Event::Removed(path(1)?),
        "rename" => Event::Renamed(path(0)?, path(1)?),
        "renameat2" => Event::Renamed(path(1)?, path(3)?),
        "mkdir" => Event::Folder(path(0)?),
        "mkdirat" => Event::Folder(path(1)?),
        _ => return Err("a call that is not known here"),
    }))
}

/// The bytes of a write; only those that were taken.
fn written(arguments: &[&str], result: &str) -> Result<Vec<u8>, &'static str> {
    let mut bytes = unhex(arguments.get(1).ok_or("no bytes")?)?;
    bytes.truncate(result.split_whitespace().next().and_then(|text| text.parse().ok()).ok_or("no count")?);
    Ok(bytes)
}

/// `"\x61\x62"` → `ab`.
fn unhex(text: &str) -> Result<Vec<u8>, &'static str> {
    let digits = text.trim_matches('"').as_bytes();
    let digit = |byte: u8| (byte as char).to_digit(16).map(|digit| digit as u8).ok_or("not in hexadecimal");
    let byte = |one: &[u8]| match one {
        [b'\\', b'x', high, low] => Ok(digit(*high)? << 4 | digit(*low)?),
        _ => Err("not in hexadecimal"),
    };
    digits.chunks(4).map(byte).collect()
}

/// A traced process. Dropping it kills it and its tracer.
#[derive(Debug)]
pub struct Traced(pub Child);

impl Traced {
    /// Ends the daemon of a site well, and with it its tracer.
    pub fn stop(&mut self, site: &Site) {
        let holder =
            std::fs::read_to_string(site.path("data").join(LOCK)).expect("the daemon holds the lock");
        let pid = holder.split_whitespace().next().and_then(|pid| pid.parse().ok());
        signal("TERM", pid.expect("a process number stands there"));
        let end = wait_for("it ends", 2 * PATIENCE, || self.0.try_wait().ok().flatten());
        assert!(end.success(), "{end}");
    }
}

impl Drop for Traced {
    fn drop(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_read_also_where_two_threads_mix() {
        let folder = tempfile::tempdir().unwrap();
        let log = folder.path().join("log");
        let lines = [
            r#"7  openat(AT_FDCWD<\x2f>, "\x2f\x64\x2f\x61", O_RDWR|O_CREAT, 0644) = 3<\x2f\x64\x2f\x61>"#,
            r#"7  pwrite64(3<\x2f\x64\x2f\x61>, "\x01\xff", 2, 10 <unfinished ...>"#,
            r#"8  write(1<\x70>, "\x68\x69", 2) = 2"#,
            r"7  <... pwrite64 resumed>) = 1",
            r"7  fsync(3<\x2f\x64\x2f\x61>) = -1 EIO (Input/output error)",
        ];
        std::fs::write(&log, lines.join("\n")).unwrap();
        let expected = [
            Event::Made(PathBuf::from("/d/a")),
            Event::Said("hi".to_owned()),
            Event::Wrote(PathBuf::from("/d/a"), Some(10), vec![1]),
            Event::Unsynced(PathBuf::from("/d/a")),
        ];
        assert_eq!(events(&log).unwrap(), expected);
    }
}
