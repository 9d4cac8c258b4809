//! The courier that appends to a file of JSON Lines, for other programs of the site to follow.
//!
//! A line is delivered when it is on the disk. A line cut by a crash is ended, never continued. The file is opened
//! anew for each letter, so that it may be moved away at any time.

use super::message_in;
use crate::store::Letter;
use crate::words::Message;
use crate::world::{Courier, Here, Outcome};
use std::fs::{File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, TryLockError};
use tokio::task::spawn_blocking;

/// When the file is longer it becomes `<name>.1`, in place of an older one: about ten thousand messages each.
pub const MOST_FILE_BYTES: u64 = 16 * 1024 * 1024;
/// How much of the end is looked at for the last line: more than the longest message.
const TAIL: u64 = 32 * 1024;

/// Appends to one file.
#[derive(Debug)]
pub struct FileCourier {
    paper: Arc<Mutex<Paper>>,
}

#[derive(Debug)]
struct Paper {
    path: PathBuf,
    /// The last write or sync failed, so what is read back may not be on the disk.
    doubtful: bool,
}

impl FileCourier {
    /// A courier to the file at `path`, which is made when the first letter comes.
    pub fn new(path: PathBuf) -> Self {
        Self { paper: Arc::new(Mutex::new(Paper { path, doubtful: false })) }
    }
}

impl Courier for FileCourier {
    fn channel(&self) -> &'static str {
        "file"
    }

    fn send<'a>(&'a mut self, letter: &'a Letter) -> Here<'a, Outcome> {
        Box::pin(async move {
            let message = match message_in(letter) {
                Ok(message) => message,
                Err(why) => return Outcome::Refused(why),
            };
            let paper = Arc::clone(&self.paper);
            // A disk may take seconds: not on the thread that polls the meters.
            spawn_blocking(move || write(&paper, &message))
                .await
                .unwrap_or_else(|error| Outcome::TryLater(format!("the writing ended early: {error}")))
        })
    }
}

fn write(paper: &Mutex<Paper>, message: &Message) -> Outcome {
    let mut paper = match paper.try_lock() {
        Ok(paper) => paper,
        Err(TryLockError::Poisoned(poisoned)) => poisoned.into_inner(),
        Err(TryLockError::WouldBlock) => {
            return Outcome::TryLater("an earlier line is still being written".to_owned());
        }
    };
    match append(&paper.path, message, paper.doubtful) {
        Ok(()) => {
            paper.doubtful = false;
            Outcome::Delivered
        }
        Err(error) => {
            paper.doubtful = true;
            Outcome::TryLater(format!("{}: {error}", paper.path.display()))
        }
    }
}

/// Appends `message` as one line, unless the last line is that message already and nothing makes it doubtful.
fn append(path: &Path, message: &Message, doubtful: bool) -> io::Result<()> {
    set_aside(path)?;
    let is_new = !path.exists();
    let mut file = OpenOptions::new().read(true).append(true).create(true).open(path)?;
    let last = last_line(&mut file)?;
    let repeated = !doubtful && last.holds(&message.id);
    let mut bytes = if last.ended { String::new() } else { "\n".to_owned() };
    if !repeated {
        bytes.push_str(&message.json());
        bytes.push('\n');
    }
    file.write_all(bytes.as_bytes())?;
    file.sync_data()?;
    if is_new && let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        File::open(folder)?.sync_all()?;
    }
    Ok(())
}

fn set_aside(path: &Path) -> io::Result<()> {
    if path.metadata().is_ok_and(|facts| facts.len() > MOST_FILE_BYTES) {
        let mut older = path.as_os_str().to_owned();
        older.push(".1");
        std::fs::rename(path, older)?;
    }
    Ok(())
}

struct LastLine {
    text: String,
    ended: bool,
}

impl LastLine {
    fn holds(&self, id: &str) -> bool {
        serde_json::from_str::<serde_json::Value>(&self.text)
            .is_ok_and(|line| line.get("id").and_then(serde_json::Value::as_str) == Some(id))
    }
}

fn last_line(file: &mut File) -> io::Result<LastLine> {
    let length = file.seek(SeekFrom::End(0))?;
    file.seek(SeekFrom::Start(length.saturating_sub(TAIL)))?;
    let mut bytes = Vec::new();
    file.take(TAIL).read_to_end(&mut bytes)?;
    let tail = String::from_utf8_lossy(&bytes);
    let ended = tail.is_empty() || tail.ends_with('\n');
    let text = tail.trim_end_matches('\n').rsplit('\n').next().unwrap_or_default().to_owned();
    Ok(LastLine { text, ended })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deliver::fakes::letter;

    async fn send(path: &Path, letters: &[Letter]) -> Vec<Outcome> {
        let mut courier = FileCourier::new(path.to_owned());
        let mut outcomes = Vec::new();
        for letter in letters {
            outcomes.push(courier.send(letter).await);
        }
        outcomes
    }

    fn ids(path: &Path) -> Vec<String> {
        let text = std::fs::read_to_string(path).unwrap();
        let id = |line: &str| match serde_json::from_str::<Message>(line) {
            Ok(message) => message.id,
            Err(_) => format!("cut: {line}"),
        };
        text.lines().map(id).collect()
    }

    #[tokio::test]
    async fn each_letter_is_one_line_and_a_repeat_is_known() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("alerts.jsonl");
        let letters = [letter("T2#1", 1), letter("T2#1", 2)];
        assert_eq!(send(&path, &letters).await, [Outcome::Delivered, Outcome::Delivered]);
        // After a crash the last letter comes again, since nobody knows that it was written.
        assert_eq!(send(&path, &letters[1..]).await, [Outcome::Delivered]);
        assert_eq!(ids(&path), ["k7:T2#1:1", "k7:T2#1:2"]);
        let first: Message =
            serde_json::from_str(std::fs::read_to_string(&path).unwrap().lines().next().unwrap()).unwrap();
        assert_eq!(first.sequence, Some(1));
    }

    #[tokio::test]
    async fn a_line_cut_by_a_crash_is_ended_and_the_letter_written_anew() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("alerts.jsonl");
        send(&path, &[letter("T2#1", 1)]).await;
        let whole = std::fs::read_to_string(&path).unwrap();
        for cut in [1, 20, whole.len() - 2] {
            std::fs::write(&path, format!("{whole}{}", &whole[..cut])).unwrap();
            send(&path, &[letter("T2#1", 2), letter("T2#1", 3)]).await;
            let ids = ids(&path);
            assert_eq!(ids.len(), 4, "{ids:?}");
            assert_eq!([&ids[0], &ids[2], &ids[3]], ["k7:T2#1:1", "k7:T2#1:2", "k7:T2#1:3"]);
            assert!(ids[1].starts_with("cut: {"), "{ids:?}");
        }
    }

    #[tokio::test]
    async fn a_whole_line_without_its_end_is_only_ended() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("alerts.jsonl");
        send(&path, &[letter("T2#1", 1)]).await;
        let whole = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, whole.trim_end()).unwrap();
        send(&path, &[letter("T2#1", 1), letter("T2#1", 2)]).await;
        assert_eq!(ids(&path), ["k7:T2#1:1", "k7:T2#1:2"]);
    }

    #[tokio::test]
    async fn a_folder_that_is_not_there_is_told_and_the_letter_goes_once_it_is() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("later").join("alerts.jsonl");
        let mut courier = FileCourier::new(path.clone());
        let outcome = courier.send(&letter("T2#1", 1)).await;
        assert!(matches!(&outcome, Outcome::TryLater(why) if why.contains("alerts.jsonl")), "{outcome:?}");
        std::fs::create_dir(path.parent().unwrap()).unwrap();
        assert_eq!(courier.send(&letter("T2#1", 1)).await, Outcome::Delivered);
        assert_eq!(ids(&path), ["k7:T2#1:1"]);
    }

    #[tokio::test]
    async fn a_long_file_is_set_aside() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("alerts.jsonl");
        File::create(&path).unwrap().set_len(MOST_FILE_BYTES + 1).unwrap();
        send(&path, &[letter("T2#1", 1)]).await;
        assert_eq!(ids(&path), ["k7:T2#1:1"]);
        assert!(folder.path().join("alerts.jsonl.1").exists());
    }
}
