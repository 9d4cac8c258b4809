//! The whole daemon on a paused clock: `kvarden::run::run` over scripted meters, a store in a folder and couriers
//! that write down what they are given. A [`Ledger`] is everything that came out of it, read back from the store.

use crate::scripted::{Field, FieldDial};
use crate::story::Story;
use kvarden::clock::Clock;
use kvarden::run::{Outside, World, run};
use kvarden::store::{DATABASE, Keeper, Letter, Options, Store};
use kvarden::world::{Courier, Here, Outcome};
use kvarden_core::diagnosis::FindingChange;
use kvarden_core::output::{AlertRevision, Change, Excursion};
use kvarden_core::time::EventTime;
use std::error::Error;
use std::fmt::Write as _;
use std::hash::{DefaultHasher, Hasher};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Duration;
use tokio::task::LocalSet;
use tokio::time::Instant;

/// Second 0 of every story: noon of 23 November 2026 at the cannery.
pub const BEGINS: EventTime = EventTime(1_795_460_400_000);
/// The name of every story's store.
const BOOK: &str = "0ca57a1e";
/// Where couriers write down what they delivered, in the story's folder.
const TOLD: &str = "told.txt";

/// Runs a part of a story in a folder, from one second of it to another. The same folder may be run on.
///
/// # Errors
/// Whatever keeps the daemon from running.
pub fn simulate(folder: &Path, story: Story, seed: u64, from: i64, to: i64) -> Result<(), Box<dyn Error>> {
    simulate_under(folder, story, seed, (from, to), &Hand::default())
}

/// What somebody's hand does to the machine's clocks during a story. Its seconds are those of the steady clock.
#[derive(Debug, Clone, Default)]
pub struct Hand {
    /// From a second of the story on the wall clock is off by so many milliseconds.
    pub wall: Vec<(i64, i64)>,
    /// At a second of the story the machine sleeps for so many milliseconds: time passes, its steady clock stands.
    pub sleeps: Vec<(i64, i64)>,
}

impl Hand {
    fn wall_is_off(&self, second: i64) -> i64 {
        self.wall.iter().rev().find(|(from, _)| *from <= second).map_or(0, |(_, off)| *off)
    }

    fn slept(&self, second: i64) -> i64 {
        self.sleeps.iter().filter(|(at, _)| *at <= second).map(|(_, length)| length).sum()
    }

    /// The daemon's clock over both; to be made as the story's second `from` begins.
    fn clock(&self, from: i64) -> Clock {
        let began = Instant::now();
        let passed = move || from * 1000 + began.elapsed().as_millis() as i64;
        let (wall, sleeps) = (self.clone(), self.clone());
        let asleep = move || sleeps.slept(passed().div_euclid(1000));
        let shown = move || {
            let second = passed().div_euclid(1000);
            BEGINS.0 + passed() + wall.slept(second) + wall.wall_is_off(second)
        };
        Clock::with_sources(Box::new(shown), Box::new(asleep))
    }
}

/// The same with a hand at the machine's clocks.
///
/// # Errors
/// Whatever keeps the daemon from running.
pub fn simulate_under(
    folder: &Path,
    story: Story,
    seed: u64,
    (from, to): (i64, i64),
    hand: &Hand,
) -> Result<(), Box<dyn Error>> {
    let path = story.write(folder)?;
    let (configuration, problems) = kvarden_config::load(&path);
    let configuration = configuration.filter(|_| problems.is_empty());
    let configuration = configuration.ok_or_else(|| kvarden_config::render(&problems))?;
    let start = EventTime(BEGINS.0 + from * 1000);
    name_book(&folder.join("data"), start)?;
    let store = Store::open(&folder.join("data"), Options::default(), start)?.store;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build()?;
    let told = folder.join(TOLD);
    LocalSet::new().block_on(&runtime, async {
        let began = Instant::now();
        let courier = |channel| -> Box<dyn Courier> {
            Box::new(Recorder { channel, told: told.clone(), began, from, broken: story.channel_fault() })
        };
        let world = World {
            clock: Rc::new(hand.clock(from)),
            dial: Rc::new(FieldDial(Field::new(story.meters(seed), seed, from))),
            keeper: Keeper::inline(store),
            couriers: vec![courier("file"), courier("log")],
            outside: Outside::Closed,
            file: None,
        };
        // Half a second after the last poll, so that a run that goes on begins with the next one.
        let stop = tokio::time::sleep_until(began + Duration::from_millis((to - from) as u64 * 1000 - 500));
        run(world, configuration, stop).await
    })?;
    Ok(())
}

/// The store's own name is made by chance and decides, through the ids of letters, how long each waits after a failure.
/// A new store gets a name that is always the same.
fn name_book(data: &Path, start: EventTime) -> Result<(), Box<dyn Error>> {
    if !data.join(DATABASE).exists() {
        drop(Store::open(data, Options::default(), start)?.store);
        let db = rusqlite::Connection::open(data.join(DATABASE))?;
        let named = db.execute("UPDATE meta SET value = ?1 WHERE key = 'book'", [BOOK])?;
        assert_eq!(named, 1, "a store has one name");
    }
    Ok(())
}

/// A courier that writes down what it delivers. The file channel is broken for a while.
struct Recorder {
    channel: &'static str,
    told: PathBuf,
    began: Instant,
    from: i64,
    broken: std::ops::Range<i64>,
}

impl Courier for Recorder {
    fn channel(&self) -> &'static str {
        self.channel
    }

    fn send<'a>(&'a mut self, letter: &'a Letter) -> Here<'a, Outcome> {
        Box::pin(async move {
            let second = self.from + self.began.elapsed().as_secs() as i64;
            if self.channel == "file" && self.broken.contains(&second) {
                return Outcome::TryLater("the disk is full".to_owned());
            }
            let line = format!("{} {} {} {}", second, self.channel, letter.revision, letter.alert);
            let file = std::fs::File::options().append(true).create(true).open(&self.told);
            match file.and_then(|mut file| writeln!(file, "{line}")) {
                Ok(()) => Outcome::Delivered,
                Err(error) => Outcome::TryLater(error.to_string()),
            }
        })
    }
}

/// A letter as it stands in the outbox.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Posted {
    /// Its id.
    pub id: String,
    /// The channel.
    pub channel: String,
    /// What became of it; empty: it waits.
    pub fate: String,
    /// The message.
    pub message: String,
}

/// Everything that came out of a run.
#[derive(Debug, Default, Clone, PartialEq)]
pub struct Ledger {
    /// Steps of alarms, in the order of the store.
    pub changes: Vec<Change>,
    /// Steps of findings.
    pub findings: Vec<FindingChange>,
    /// Revisions of alerts.
    pub revisions: Vec<AlertRevision>,
    /// Excursions.
    pub excursions: Vec<Excursion>,
    /// Minute rows, one line each: meter, minute, then mean, least, largest, count and measured time a column.
    pub minutes: Vec<String>,
    /// Letters.
    pub letters: Vec<Posted>,
    /// What the couriers delivered: second, channel, revision, alert.
    pub told: Vec<String>,
    /// Frozen days.
    pub days: Vec<String>,
    /// What was refused.
    pub refused: Vec<String>,
}

impl Ledger {
    /// Reads it from the folder of a story.
    ///
    /// # Errors
    /// When the store can't be read.
    pub fn of(folder: &Path) -> Result<Self, Box<dyn Error>> {
        let data = folder.join("data");
        let store = Store::open_for_reading(&data)?;
        let (from, to) = (EventTime(0), EventTime(i64::MAX / 2));
        let mut ledger = Self {
            changes: store.changes(from, to)?,
            findings: store.findings(from, to)?,
            revisions: store.revisions(from, to)?,
            excursions: store.excursions(from, to)?,
            refused: store.refused()?.iter().map(|total| format!("{total:?}")).collect(),
            told: std::fs::read_to_string(folder.join(TOLD))
                .unwrap_or_default()
                .lines()
                .map(str::to_owned)
                .collect(),
            ..Self::default()
        };
        let within = (BEGINS, EventTime(BEGINS.0 + 2 * 86_400_000));
        for meter in store.meters()? {
            for run in store.minutes(&meter, within.0, within.1)? {
                for (minute, panes) in &run.rows {
                    let mut line = format!("{meter} {}", (minute.0 - BEGINS.0) / 60_000);
                    for (key, pane) in run.series.iter().zip(panes) {
                        let _ = write!(
                            line,
                            " {key} {:?} {:?} {:?} {} {}",
                            pane.mean, pane.min, pane.max, pane.count, pane.covered_ms
                        );
                    }
                    ledger.minutes.push(line);
                }
            }
        }
        for date in store.days("site")? {
            ledger.days.extend(store.get_day("site", &date)?.map(|day| day.body));
        }
        ledger.letters = letters(&data)?;
        Ok(ledger)
    }

    /// All of it as lines, for a comparison that shows where two runs part.
    pub fn lines(&self) -> Vec<String> {
        let mut lines: Vec<String> = self.changes.iter().map(|one| format!("{one:?}")).collect();
        lines.extend(self.findings.iter().map(|one| format!("{one:?}")));
        lines.extend(self.revisions.iter().map(|one| format!("{one:?}")));
        lines.extend(self.excursions.iter().map(|one| format!("{one:?}")));
        lines.extend(self.letters.iter().map(|one| format!("{one:?}")));
        for more in [&self.minutes, &self.told, &self.days, &self.refused] {
            lines.extend(more.iter().cloned());
        }
        lines
    }

    /// A number that stands for all of it.
    pub fn hash(&self) -> u64 {
        let mut hasher = DefaultHasher::new();
        for line in self.lines() {
            hasher.write(line.as_bytes());
            hasher.write_u8(b'\n');
        }
        hasher.finish()
    }
}

/// The letters of a store.
fn letters(data: &Path) -> Result<Vec<Posted>, Box<dyn Error>> {
    let db = rusqlite::Connection::open_with_flags(
        data.join(DATABASE),
        rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY,
    )?;
    let sql = "SELECT id, channel, coalesce(fate, ''), message FROM outbox ORDER BY number";
    let mut statement = db.prepare(sql)?;
    let rows = statement.query_map((), |row| {
        Ok(Posted { id: row.get(0)?, channel: row.get(1)?, fate: row.get(2)?, message: row.get(3)? })
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// The first lines in which two ledgers differ, for a person; `None` if they are the same.
pub fn first_difference(one: &[String], other: &[String]) -> Option<String> {
    let at = (0..one.len().max(other.len())).find(|at| one.get(*at) != other.get(*at))?;
    let show = |lines: &[String]| lines.get(at).cloned().unwrap_or_else(|| "(no more)".to_owned());
    Some(format!("line {at} of {} and {}:\n  {}\n  {}", one.len(), other.len(), show(one), show(other)))
}
