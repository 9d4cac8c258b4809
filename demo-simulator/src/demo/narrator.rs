//! Says what happens, from the file of alerts that the daemon writes, and acknowledges and releases like a person would.

use super::{Plan, heading};
use kvarden::control::{Request, ask};
use std::collections::HashSet;
use std::io::{BufRead, BufReader, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// The file of alerts in the folder of the living site.
const ALERTS: &str = "alerts.jsonl";
/// How often the file is looked at.
const LOOK: Duration = Duration::from_millis(300);
/// So long after an alert the electrician has read it.
const READING_TIME: Duration = Duration::from_secs(4);
/// Who acknowledges in the demonstration.
const PERSON: &str = "Ines";

/// What she says when it is mended.
const NOTE: &str = "lug of phase B at T2-MP-3 remade with the feeder dead and proved dead, joint measured";
/// So long after she has seen it, it is mended: the simulated fault is over by then and the next one has not begun.
const REPAIR: Duration = Duration::from_secs(30);
/// When a release is refused, it is tried again so much later.
const AGAIN: Duration = Duration::from_secs(10);

/// Begins to follow the file of alerts, on a thread that ends with the process.
pub(super) fn start(folder: &Path, config: &Path, acknowledges: bool) -> std::io::Result<()> {
    // What an earlier demonstration in this folder told is not told again.
    let already = std::fs::metadata(folder.join(ALERTS)).map_or(0, |file| file.len());
    let narrator = Narrator {
        folder: folder.to_owned(),
        config: config.to_owned(),
        acknowledges,
        seen: HashSet::new(),
        mends: Vec::new(),
    };
    std::thread::Builder::new().name("narrator".to_owned()).spawn(move || narrator.follow(already))?;
    Ok(())
}

/// Reads what is told and does what a person would.
struct Narrator {
    folder: PathBuf,
    config: PathBuf,
    acknowledges: bool,
    /// Codes of alerts that were acknowledged.
    seen: HashSet<String>,
    /// When the fault of which alert will be mended.
    mends: Vec<(Instant, String)>,
}

impl Narrator {
    fn follow(mut self, already: u64) {
        let path = self.folder.join(ALERTS);
        let mut file = loop {
            match std::fs::File::open(&path) {
                Ok(file) => break file,
                Err(_) => std::thread::sleep(LOOK),
            }
        };
        if let Err(error) = file.seek(SeekFrom::Start(already)) {
            eprintln!("the file of alerts can't be read: {error}");
            return;
        }
        let mut lines = BufReader::new(file);
        let mut line = String::new();
        loop {
            match lines.read_line(&mut line) {
                Ok(count) if count > 0 && line.ends_with('\n') => {
                    self.tell(&line);
                    line.clear();
                }
                Ok(_) => {
                    self.mend();
                    std::thread::sleep(LOOK);
                }
                Err(error) => {
                    eprintln!("the file of alerts can't be read: {error}");
                    return;
                }
            }
        }
    }

    fn tell(&mut self, line: &str) {
        let Ok(message) = serde_json::from_str::<serde_json::Value>(line) else { return };
        let text =
            |key: &str| message.get(key).and_then(serde_json::Value::as_str).unwrap_or_default().to_owned();
        let (code, state, alarm_state) = (text("code"), text("state"), text("alarm_state"));
        let clock = text("at").get(11..19).unwrap_or_default().to_owned();
        let word = match (state.as_str(), alarm_state.as_str()) {
            ("closed", _) => "cleared and closed",
            (_, "acknowledged" | "latched, acknowledged") => "acknowledged",
            (_, "unacknowledged") => "caught",
            _ => "changed",
        };
        println!("{clock}  [{word}] {code}  {}", text("text"));
        let wants = matches!(text("priority").as_str(), "high" | "urgent") && word == "caught";
        if !(wants && self.seen.insert(code.clone())) {
            return;
        }
        if self.acknowledges {
            std::thread::sleep(READING_TIME);
            println!(
                "          $ kvarden acknowledge {code} --by {PERSON} --config {}",
                self.config.display()
            );
            self.ask(&Request::Acknowledge { alert: code.clone(), by: PERSON.to_owned() });
            self.mends.push((Instant::now() + REPAIR, code));
        } else {
            println!(
                "          Your turn: kvarden acknowledge {code} --by YOUR-NAME --config {}",
                self.config.display()
            );
            println!(
                "          and half a minute later: kvarden release {code} --by YOUR-NAME --note \"what was found\" --config {}",
                self.config.display()
            );
        }
    }

    /// Says of what has been mended by now that it is.
    fn mend(&mut self) {
        let Some(index) = self.mends.iter().position(|(when, _)| *when <= Instant::now()) else { return };
        let (_, code) = self.mends.swap_remove(index);
        println!(
            "          $ kvarden release {code} --by {PERSON} --note \"{NOTE}\" --config {}",
            self.config.display()
        );
        let (by, note) = (PERSON.to_owned(), NOTE.to_owned());
        if !self.ask(&Request::Release { alert: code.clone(), by, note }) {
            self.mends.push((Instant::now() + AGAIN, code));
        }
    }

    /// Prints what the daemon says. False: it did not do it.
    fn ask(&self, request: &Request) -> bool {
        match ask(&data(&self.folder), request) {
            Ok(reply) => {
                println!("          {}", reply.says);
                reply.done
            }
            Err(error) => {
                println!("          {error}");
                false
            }
        }
    }
}

fn data(folder: &Path) -> PathBuf {
    folder.join("data")
}

/// The last words.
pub(super) fn where_everything_lies(plan: &Plan, config: &Path) {
    heading("Where everything lies");
    let live = plan.folder.join("live");
    println!("configuration   {}", config.display());
    println!("register maps   {}", live.join("maps").display());
    println!("alerts          {}", live.join(ALERTS).display());
    println!("the store       {}", data(&live).join("kvarden.db").display());
    println!("yesterday       {}", plan.folder.join("yesterday").display());
    println!("its digest      {}", plan.folder.join("yesterday/digests").display());
    println!("\nLook further:   kvarden check {}", config.display());
    println!("While it runs:  kvarden status --config {}", config.display());
    println!(
        "\nKvarden is no protective device. What it says is for qualified persons; local codes and the licensed"
    );
    println!("electrician decide.");
}
