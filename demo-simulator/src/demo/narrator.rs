//! Says what happens, from the file of alerts that the daemon writes, and acknowledges like a person would.

use super::{Plan, heading};
use kvarden::control::{Request, ask};
use std::collections::HashSet;
use std::io::{BufRead, BufReader, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The file of alerts in the folder of the living site.
const ALERTS: &str = "alerts.jsonl";
/// How often the file is looked at.
const LOOK: Duration = Duration::from_millis(300);
/// So long after an alert the electrician has read it.
const READING_TIME: Duration = Duration::from_secs(4);
/// Who acknowledges in the demonstration.
const PERSON: &str = "Ines";

/// Begins to follow the file of alerts, on a thread that ends with the process.
pub(super) fn start(folder: &Path, config: &Path, acknowledges: bool) -> std::io::Result<()> {
    let (folder, config) = (folder.to_owned(), config.to_owned());
    // What an earlier demonstration in this folder told is not told again.
    let already = std::fs::metadata(folder.join(ALERTS)).map_or(0, |file| file.len());
    std::thread::Builder::new()
        .name("narrator".to_owned())
        .spawn(move || follow(&folder, &config, acknowledges, already))?;
    Ok(())
}

fn follow(folder: &Path, config: &Path, acknowledges: bool, already: u64) {
    let path = folder.join(ALERTS);
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
    let mut acknowledged = HashSet::new();
    loop {
        match lines.read_line(&mut line) {
            Ok(count) if count > 0 && line.ends_with('\n') => {
                tell(&line, folder, config, acknowledges, &mut acknowledged);
                line.clear();
            }
            Ok(_) => std::thread::sleep(LOOK),
            Err(error) => {
                eprintln!("the file of alerts can't be read: {error}");
                return;
            }
        }
    }
}

fn tell(line: &str, folder: &Path, config: &Path, acknowledges: bool, acknowledged: &mut HashSet<String>) {
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
    if !(wants && acknowledged.insert(code.clone())) {
        return;
    }
    if acknowledges {
        std::thread::sleep(READING_TIME);
        println!("          $ kvarden acknowledge {code} --by {PERSON} --config {}", config.display());
        match ask(&data(folder), &Request::Acknowledge { alert: code, by: PERSON.to_owned() }) {
            Ok(reply) => println!("          {}", reply.says),
            Err(error) => println!("          {error}"),
        }
    } else {
        println!(
            "          Your turn: kvarden acknowledge {code} --by YOUR-NAME --config {}",
            config.display()
        );
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
